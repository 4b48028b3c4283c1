"""
Work list, plan and money as a workbook for planner and accountant.

Every text goes in as a text cell: nothing that came from a user's file can run as a formula.
"""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections.abc import Mapping, Sequence

import pandas as pd
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from yieldwatch.assess import Assessment
from yieldwatch.report import words
from yieldwatch.report.planned import Planned
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS
from yieldwatch.report.sheets import Field, Sheet, plan_sheets, sheets, work_sheets

#: Paper size code of A4 in the workbook format (ECMA-376, ST_PaperSize: 9).
A4 = 9
_HEAD_ROW = 2
#: Programs without this font have one of the same widths.
_FONT, _FONT_SIZE = "Arial", 10
#: Characters of that size that A4 across holds (282 mm by 7 pixels of 1/96 inch), the margin of a column in them, and the least
#: scale to print at: eight points. Common practice, no source.
_PAPER, _MARGIN, LEAST_SCALE = 152.0, 5.0 / 7.0, 0.8
#: Nothing in a text may be read as a formula, a link or a number.
_OPTIONS = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True,
            "default_format_properties": {"font_name": _FONT, "font_size": _FONT_SIZE}}
#: Height of a line of that size, characters that a column holds for each of its width, and width that indent and margin take.
#: Common practice, no source.
_LINE_POINTS, _FILL, _INDENT = 12.75, 1.08, 1.3
#: Most that a row may be high in the workbook format. [points]
_MOST_POINTS = 409.0
#: Number formats by style; CUR stands for the currency. A unit belongs to the cell, so that no figure stands without it.
STYLES = {
    "text": "@",
    "line": "@",
    "whole": "#,##0",
    "figure": "[>=1000]#,##0;[<=-1000]-#,##0;General",
    "energy": '#,##0" kWh"',
    "money": '"CUR" #,##0;-"CUR" #,##0',
    "cents": '"CUR" #,##0.00;-"CUR" #,##0.00',
    "months": '0.0" mo"',
    "hours": '0.0" h"',
    "days": '#,##0.0" d"',
    "points": '0.0" bp"',
    # A few hundred draws make nothing certain.
    "percent": '[>0.99]">99 %";[<0.01]"<1 %";0 %',
    "date": "d mmm yyyy",
}
_LEFT = ("text", "line", "date")


def workbook_xlsx(assessment: Assessment) -> bytes:
    """
    Return the workbook; the same assessment gives the same bytes.

    Its sheets are those of `sheets.sheets`, and at the end one that says what each column means.
    """
    return _book(assessment, sheets(assessment), "Work list")


def work_xlsx(planned: Planned) -> bytes:
    """Return work list and plan as a workbook, without income, payments and return, which are the owner's."""
    return _book(planned, work_sheets(planned), "Work list")


def plan_xlsx(planned: Planned) -> bytes:
    """Return a plan alone as a workbook."""
    return _book(planned, plan_sheets(planned), "Plan")


def _book(planned: Planned, made: Sequence[Sheet], title: str) -> bytes:
    target = io.BytesIO()
    with xlsxwriter.Workbook(target, _OPTIONS) as book:
        book.set_properties({"title": f"{title}, {words.plain(planned.portfolio.name)}",
                             "created": dt.datetime.combine(planned.as_of, dt.time())})
        styles = _styles(book, words.plain(planned.portfolio.currency))
        for sheet in (*made, _meanings(made)):
            _write_sheet(book.add_worksheet(sheet.name), sheet, styles)
    return target.getvalue()


def _meanings(made: Sequence[Sheet]) -> Sheet:
    fields = (Field("Sheet", 22, "text", "sheet", "Sheet"), Field("Column", 26, "text", "heading", "Column"),
              Field("What it means", 84, "text", "meaning", "What it means"),
              Field("In the CSV file", 42, "text", "source", "File and column"))
    rows = tuple({"sheet": s.name, "heading": f.heading, "meaning": f.meaning, "source": _written_in(s.csv, f.source.split()[-1])}
                 for s in made for f in s.fields)
    return Sheet("What the columns mean", "What the columns mean", "Low and high bound a 90 % interval.", fields, rows, "", "")


def _written_in(table: str, column: str) -> str:
    """File and column, or the file alone where a column of the sheet puts several of its columns together."""
    there = TABLES[table] | (WORK_LIST_EXTRAS if table == "work_list" else {})
    return f"{table}.csv, {column}" if column in there else f"{table}.csv"


def _styles(book: xlsxwriter.Workbook, currency: str) -> dict[tuple[str, bool], Format]:
    """Formats by style and whether the row is strong; and those of the headings."""
    cell = {"valign": "top", "bottom": 4, "bottom_color": "#999999", "font_size": _FONT_SIZE}
    made = {}
    for name, number in STYLES.items():
        for strong in (False, True):
            made[name, strong] = book.add_format({
                **cell, "num_format": number.replace("CUR", currency.replace('"', "")), "text_wrap": name == "text",
                **({"align": "left", "indent": 1} if name in _LEFT else {"align": "right"}),
                **({"bold": True, "bg_color": "#EEF1F4", "top": 1} if strong else {})})
    head = {"bold": True, "text_wrap": True, "valign": "vcenter", "top": 1, "bottom": 2, "font_size": _FONT_SIZE,
            "bg_color": "#E3E7EC"}
    made["head left", False] = book.add_format({**head, "align": "left", "indent": 1})
    made["head right", False] = book.add_format({**head, "align": "right"})
    made["title", False] = book.add_format({"bold": True, "font_size": 14})
    made["note", False] = book.add_format({"font_size": _FONT_SIZE, "font_color": "#444444"})
    return made


def _write_sheet(sheet: Worksheet, made: Sheet, styles: Mapping[tuple[str, bool], Format]) -> None:
    """Title, note, headings with filters, rows as high as their text; A4 across, headings on every page."""
    first, fields = _HEAD_ROW + 1, made.fields
    sheet.write_string(0, 0, made.title, styles["title", False])
    sheet.write_string(1, 0, made.note, styles["note", False])
    sheet.set_row(_HEAD_ROW, 2.3 * _LINE_POINTS)
    for column, field in enumerate(fields):
        sheet.set_column(column, column, field.width)
        sheet.write_string(_HEAD_ROW, column, field.heading, styles[f"head {'left' if field.style in _LEFT else 'right'}", False])
        if field.meaning != field.heading:
            sheet.write_comment(_HEAD_ROW, column, field.meaning, {"x_scale": 1.6, "font_size": 9})
    for row, record in enumerate(made.rows, first):
        sheet.set_row(row, _height(record, fields))
        for column, field in enumerate(fields):
            value = record.get(field.source)
            style = _style(field, record)
            # A word too long for a column of figures runs on to the right, where it is blank, and not under the figure before it.
            style = "line" if isinstance(value, str) and field.style not in _LEFT and len(value) > field.width else style
            _write(sheet, row, column, value, styles[style, row - first in made.strong], field.style)
    if made.rows:
        sheet.autofilter(_HEAD_ROW, 0, _HEAD_ROW + len(made.rows), len(fields) - 1)
    else:
        sheet.write_string(first, 0, made.empty)
    sheet.freeze_panes(first, made.frozen)
    on_paper = [f.width + _MARGIN for f in fields if f.printed]
    sheet.print_area(0, 0, _HEAD_ROW + max(len(made.rows), 1), len(on_paper) - 1)
    sheet.repeat_rows(0, _HEAD_ROW)
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.set_margins(left=0.3, right=0.3, top=0.5, bottom=0.6)
    breaks = _breaks(on_paper, made.frozen)
    if breaks:
        # Smaller than that nobody reads it: what does not fit goes on a page beside, which names its rows again.
        sheet.set_print_scale(round(100 * LEAST_SCALE))
        sheet.set_v_pagebreaks(breaks)
        sheet.repeat_columns(0, made.frozen - 1)
        sheet.print_across()
    else:
        sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&RPage &P of &N")
    sheet.set_selection(xl_rowcol_to_cell(first, 0))


def _style(field: Field, record: Mapping[str, object]) -> str:
    """That of the column, but small sums of money with cents, as sentences have them; bounds as the sum that they belong to."""
    return "cents" if field.style == "money" and words.decimals_of(record, field.source) else field.style


def _breaks(widths: Sequence[float], frozen: int) -> list[int]:
    """Columns before which a page ends, where all of them would have to be printed below the least scale; none where not."""
    room = _PAPER / LEAST_SCALE
    if sum(widths) <= room:
        return []
    breaks, used = [], 0.0
    for column, width in enumerate(widths):
        if used + width > room and column > frozen:
            breaks.append(column)
            used = sum(widths[:frozen])
        used += width
    return breaks


def _height(record: Mapping[str, object], fields: Sequence[Field]) -> float:
    """Not every program makes a row as high as its text, so it is said. [points]"""
    wrapped = [(_text(record.get(f.source)), f.width) for f in fields if f.style == "text"]
    lines = max([1, *(_lines(text, (width - _INDENT) * _FILL) for text, width in wrapped)])
    return min(lines * _LINE_POINTS + 3.0, _MOST_POINTS)


def _lines(text: str, width: float) -> int:
    """Lines that a text takes when it breaks at blanks, after hyphens and strokes, and within a piece that is too long."""
    lines, room = 1, width
    for piece in re.findall(r"[^\s/-]*[/-]|[^\s/-]+\s*|\s+", text):
        long = len(piece.rstrip())
        if long > room and room < width:
            lines, room = lines + 1, width
        lines += max(math.ceil(long / width) - 1, 0)
        room -= long % width + len(piece) - long if long > width else len(piece)
    return lines


def _text(value: object) -> str:
    if isinstance(value, tuple | list):
        return words.plain(" ".join(map(str, value)))
    return words.in_day_words(value) if isinstance(value, str) else ""


def _write(sheet: Worksheet, row: int, column: int, value: object, cell: Format, style: str) -> None:
    """Numbers as numbers, dates as dates, missing as blank, and all else as text that cannot run."""
    if isinstance(value, tuple | list | str):
        date = pd.to_datetime(str(value), errors="coerce") if style == "date" else pd.NaT
        if pd.notna(date):
            sheet.write_datetime(row, column, date.to_pydatetime(), cell)
        else:
            sheet.write_string(row, column, _text(value), cell)
    elif value is None or pd.isna(value):  # type: ignore[call-overload]
        sheet.write_blank(row, column, None, cell)
    elif hasattr(value, "year"):
        sheet.write_datetime(row, column, pd.Timestamp(value).to_pydatetime(), cell)  # type: ignore[arg-type]
    elif style == "figure":
        sheet.write_number(row, column, _rounded(float(value)), cell)  # type: ignore[arg-type]
    else:
        sheet.write_number(row, column, float(value), cell)  # type: ignore[arg-type]


def _rounded(value: float) -> float:
    """A figure of any unit as people state it: whole from 1000 on, else to three or four places."""
    return round(value) if abs(value) >= 1000 else round(value, 1 if abs(value) >= 1 else 4)
