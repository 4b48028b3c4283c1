"""
The work list as a workbook for planner and crew.

Every text goes in as a text cell: nothing that came from a user's file can run as a formula.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from yieldwatch.assess import Assessment
from yieldwatch.report import jobs, words, year
from yieldwatch.report.schema import PLAN, TABLES, WORK_LIST, WORK_LIST_EXTRAS
from yieldwatch.report.tables import tables

#: Paper size code of A4 in the workbook format (ECMA-376, ST_PaperSize: 9).
A4 = 9
#: Nothing in a text may be read as a formula, a link or a number.
PLAIN_TEXT = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


@dataclass(frozen=True)
class _Field:
    """A column of a sheet: its heading, width in characters, number format and where it comes from."""

    heading: str
    width: float
    style: str
    source: str


#: Tables about money that get a sheet each, and its name.
MONEY_SHEETS = {"claims": "Who pays", "statement_checks": "Statements", "bridge": "Budget to income", "returns": "Return"}
#: Columns that go on paper; at these widths an A4 page across stays readable. The rest stand to
#: the right of them, for the planner's screen.
PRINTED_COLUMNS = 18


def _fields(currency: str) -> tuple[_Field, ...]:
    return (
        _Field("Rank", 5, "whole", "rank"),
        _Field("Site", 11, "text", "site_id"),
        _Field("What to do", 13, "text", "job_kind"),
        _Field("Where", 14, "text", "scope"),
        _Field("Do it", 7, "text", "chosen"),
        _Field("From", 12, "date", "due_from"),
        _Field("By", 12, "date", "due_to"),
        _Field("Gain, kWh a year", 9, "whole", "gain_kwh_per_year"),
        _Field("low (90 %)", 9, "whole", "gain_low_kwh_per_year"),
        _Field("high (90 %)", 9, "whole", "gain_high_kwh_per_year"),
        _Field(f"Gain, {currency} a year", 11, "money", "gain_per_year"),
        _Field(f"Cost, {currency}", 11, "money", "cost"),
        _Field("Payback, months", 8.5, "tenth", "payback_months"),
        _Field("quick end (90 %)", 8, "tenth", "payback_low_months"),
        _Field("slow end (90 %)", 8, "tenth", "payback_high_months"),
        _Field("Chance that the loss is there", 9, "percent", "confidence"),
        _Field("Why", 32, "text", "why"),
        _Field("Caution", 32, "text", "caution"),
        _Field("Loss it mends", 16, "text", "cause"),
        _Field(f"Cost if alone, {currency}", 13, "money", "cost_alone"),
        _Field(f"Net value, {currency}", 13, "money", "npv"),
        _Field("Chance of paying back", 10, "percent", "chance_of_payback"),
        _Field("Job", 16, "text", "job_id"),
        _Field("Number in the job book", 9, "whole", "job_ref"),
        _Field("Stands at", 12, "text", "job_state"),
    )


def write_workbook(assessment: Assessment, path: Path) -> None:
    """
    Write the ranked jobs, what the columns mean, and what was turned down.

    Parameters
    ----------
    assessment : Assessment
    path : Path
        The file to write; an existing one is replaced.
    """
    currency = assessment.portfolio.currency
    plan = jobs.work_plan(assessment)
    fields = _fields(currency)
    with xlsxwriter.Workbook(str(path), PLAIN_TEXT) as book:
        book.set_properties({"title": f"Work list, {words.plain(assessment.portfolio.name)}"})
        styles = _styles(book, currency)
        title = _title(assessment)
        declined = [*plan.over_budget, *plan.not_worth, *plan.not_ranked]
        ranked = sorted([*plan.do, *declined], key=lambda job: job["rank"])
        _job_sheet(book.add_worksheet("Work list"), ranked, fields, styles, title)
        _plan_sheet(book.add_worksheet("Plan of the year"), year.rows(assessment), styles, title)
        _meaning_sheet(book.add_worksheet("What the columns mean"), fields, styles, currency)
        _declined_sheet(book.add_worksheet("Not now"), declined, styles, currency)
        frames = tables(assessment)
        for name, heading in MONEY_SHEETS.items():
            _table_sheet(book.add_worksheet(heading), frames[name], TABLES[name], styles)


def _title(assessment: Assessment) -> str:
    return f"{words.plain(assessment.portfolio.name)}: work list as of {words.day(assessment.as_of)}"


def _styles(book: xlsxwriter.Workbook, currency: str) -> dict[str, Format]:
    cell = {"valign": "top", "bottom": 4, "bottom_color": "#999999", "font_size": 11}
    money = f'"{currency}" #,##0;-"{currency}" #,##0'
    return {
        "text": book.add_format({**cell, "text_wrap": True, "num_format": "@"}),
        "whole": book.add_format({**cell, "num_format": "#,##0"}),
        "fine": book.add_format({**cell, "num_format": "#,##0.00"}),
        "tenth": book.add_format({**cell, "num_format": "0.0"}),
        "money": book.add_format({**cell, "num_format": money}),
        "percent": book.add_format({**cell, "num_format": "0 %"}),
        "date": book.add_format({**cell, "num_format": "d mmm yyyy", "align": "left"}),
        "head": book.add_format(
            {"bold": True, "text_wrap": True, "valign": "bottom", "bottom": 2, "font_size": 11}
        ),
        "title": book.add_format({"bold": True, "font_size": 13}),
    }


def _page(sheet: Worksheet, header_rows: int) -> None:
    """A4 across, one page wide, headings on every page."""
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.set_margins(left=0.3, right=0.3, top=0.5, bottom=0.6)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0, header_rows - 1)
    sheet.set_footer("&L&A&RPage &P of &N")
    sheet.freeze_panes(header_rows, 0)


def _heads(sheet: Worksheet, row: int, headings: Sequence[tuple[str, float]], style: Format) -> None:
    for column, (heading, width) in enumerate(headings):
        sheet.set_column(column, column, width)
        sheet.write_string(row, column, heading, style)


def _job_sheet(
    sheet: Worksheet, ranked: Sequence[dict], fields: Sequence[_Field], styles: dict[str, Format], title: str
) -> None:
    sheet.write_string(0, 0, title, styles["title"])
    sheet.write_string(
        1,
        0,
        "Costs are the portfolio's settings: your quote replaces them. Safety rules and local codes come "
        "first.",
    )
    _heads(sheet, 2, [(f.heading, f.width) for f in fields], styles["head"])
    for row, job in enumerate(ranked, start=3):
        for column, field in enumerate(fields):
            _write(sheet, row, column, _shown(job, field.source), styles[field.style])
    if ranked:
        sheet.autofilter(2, 0, 2 + len(ranked), len(fields) - 1)
    else:
        sheet.write_string(3, 0, "No job was found.", styles["text"])
    sheet.print_area(0, 0, 2 + max(len(ranked), 1), PRINTED_COLUMNS - 1)
    _page(sheet, header_rows=3)


def _shown(job: dict, source: str) -> object:
    if source == "chosen":
        return "safety" if jobs.is_safety(job) else "yes" if jobs.is_on(job) else "not now"
    if source == "job_kind":
        return words.job_word(jobs.text(job, source))
    if source == "cause":
        return words.cause_word(jobs.text(job, source)) if jobs.text(job, source) else ""
    return job.get(source)


def _write(sheet: Worksheet, row: int, column: int, value: object, style: Format) -> None:
    """Numbers as numbers, dates as dates, missing as blank, and all else as text that cannot run."""
    if isinstance(value, tuple | list):
        value = " ".join(map(str, value))
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        sheet.write_blank(row, column, None, style)
    elif isinstance(value, str):
        date = pd.to_datetime(value, errors="coerce") if style.num_format == "d mmm yyyy" else pd.NaT
        if pd.notna(date):
            sheet.write_datetime(row, column, date.to_pydatetime(), style)
        else:
            sheet.write_string(row, column, words.plain(value), style)
    elif hasattr(value, "year"):
        sheet.write_datetime(row, column, pd.Timestamp(value).to_pydatetime(), style)  # type: ignore[arg-type]
    else:
        sheet.write_number(row, column, float(value), style)  # type: ignore[arg-type]


def _plan_sheet(sheet: Worksheet, planned: Sequence[dict], styles: dict[str, Format], title: str) -> None:
    """Visits with their jobs below them, and at the end the jobs left out."""
    sheet.write_string(0, 0, title.replace("work list", "plan of the year"), styles["title"])
    sheet.write_string(
        1, 0, "Local codes, licensed practice and the weather on the day come first. A visit's cost and return hold its jobs'.")
    _heads(sheet, 2, [(heading, width) for heading, width, *_ in year.FIELDS], styles["head"])
    for row, record in enumerate(planned, start=3):
        for column, (_, _, style, source) in enumerate(year.FIELDS):
            _write(sheet, row, column, record.get(source), styles[style])
    if not planned:
        sheet.write_string(3, 0, "Nothing is planned.", styles["text"])
    _page(sheet, header_rows=3)


def _meaning_sheet(
    sheet: Worksheet, fields: Sequence[_Field], styles: dict[str, Format], currency: str
) -> None:
    _heads(sheet, 0, [("Column", 30), ("What it means", 95), ("Name in work_list.csv or plan.csv", 28)], styles["head"])
    meanings = WORK_LIST | WORK_LIST_EXTRAS
    for row, field in enumerate(fields, start=1):
        meaning = meanings[field.source] + (f", in {currency}" if field.style == "money" else "")
        for column, text in enumerate((field.heading, meaning, field.source)):
            sheet.write_string(row, column, text, styles["text"])
    for row, (heading, _, _, source) in enumerate(year.FIELDS, start=len(fields) + 1):
        for column, text in enumerate((f"Plan: {heading}", PLAN[source], source)):
            sheet.write_string(row, column, text, styles["text"])
    _page(sheet, header_rows=1)


def _table_sheet(sheet: Worksheet, frame: pd.DataFrame, meanings: dict[str, str], styles: dict[str, Format]) -> None:
    """A table as it is in its CSV file, each column under its meaning."""
    wide = {"note": 60, "reason": 60, "evidence": 40}
    _heads(sheet, 0, [(meaning, wide.get(name, 16)) for name, meaning in meanings.items()], styles["head"])
    for row, values in enumerate(frame[list(meanings)].itertuples(index=False), start=1):
        for column, value in enumerate(values):
            is_figure = isinstance(value, float | int)
            fine = is_figure and abs(value) < 100
            _write(sheet, row, column, value, styles["fine" if fine else "whole" if is_figure else "text"])
    if frame.empty:
        sheet.write_string(1, 0, "Nothing to show: the report says what is missing.", styles["text"])
    _page(sheet, header_rows=1)


def _declined_sheet(
    sheet: Worksheet, declined: Sequence[dict], styles: dict[str, Format], currency: str
) -> None:
    headings = [
        ("Job", 52),
        (f"Cost, {currency}", 14),
        (f"Gain, {currency} a year", 14),
        (f"Net value, {currency}", 14),
    ]
    _heads(sheet, 0, [*headings, ("Why not, and what would change it", 70)], styles["head"])
    for row, job in enumerate(declined, start=1):
        sheet.write_string(row, 0, jobs.title(job), styles["text"])
        for column, source in enumerate(("cost", "gain_per_year", "npv"), start=1):
            _write(sheet, row, column, job.get(source), styles["money"])
        sheet.write_string(row, 4, jobs.text(job, "verdict"), styles["text"])
    if not declined:
        sheet.write_string(1, 0, "Nothing was turned down.", styles["text"])
    _page(sheet, header_rows=1)
