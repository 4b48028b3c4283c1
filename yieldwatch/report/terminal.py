"""
The short answer in the terminal.
"""

from __future__ import annotations

import shlex
from pathlib import Path

import pandas as pd
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from yieldwatch.assess import Assessment
from yieldwatch.check import PortfolioCheck, SiteCheck, set_aside_kinds
from yieldwatch.field.ledger import ROW
from yieldwatch.field.read import notices_beside_rows
from yieldwatch.report import jobs, words
from yieldwatch.report.sentences import left_out_said
from yieldwatch.report.source_words import source_cells
from yieldwatch.report.totals import SiteTotal, site_totals
from yieldwatch.report.visits import has_visits
from yieldwatch.report.words import EnergyUnit

#: Reasons for what could not be told that are shown for each farm; the report holds them all.
MOST_REASONS = 3
#: Kinds of reason for which rows were set aside that are shown for each farm.
MOST_KINDS = 12


def print_assessment(console: Console, assessment: Assessment, folder: Path) -> None:
    """Print each farm's figures, the three jobs to do first, what could not be told and the folder."""
    totals = site_totals(assessment)
    portfolio = assessment.portfolio
    first, last = assessment.period[0], assessment.period[1] - pd.Timedelta(days=1)
    _heading(console, f"{words.plain(portfolio.name)}, {words.day(first)} to {words.day(last)}")
    for total in totals:
        console.print(_farm(total, portfolio.currency))
    _item(console, WHAT_A_FIGURE_IS)
    _print_jobs(console, assessment)
    _print_not_told(console, assessment, totals)
    _heading(console, "Everything else")
    crews = "crew_sheets.pdf and visits.ics" if has_visits(assessment) else "crew_sheets.pdf"
    _item(console, f"{folder}: monthly_report.html for the owner, report.html to read, work_list.xlsx for the planner, "
                   f"{crews} for crews, and the tables (CSV).")
    command = f"yieldwatch explain --from {shlex.quote(str(folder))} {assessment.sites[0].site.id}"
    _item(console, f"{command} says why each figure of that farm is what it is.")


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(Text(text, style="bold"))


def _item(console: Console, text: str, indent: int = 2) -> None:
    console.print(Padding(Text(text), (0, 0, 0, indent), expand=False))


def _farm(total: SiteTotal, currency: str) -> Table:
    """Label and figure, so that neither a narrow terminal nor a screen reader loses a column."""
    unit = EnergyUnit.fitting(total.expected_kwh)
    name = words.plain(total.name)
    grid = Table(
        box=box.SIMPLE_HEAD, title=Text(f"{name}, {words.months_span(total.months)}"), title_justify="left"
    )
    grid.add_column("")
    grid.add_column(unit.name, justify="right")
    grid.add_column("% of expected", justify="right")
    grid.add_column(currency, justify="right")
    grid.add_column("90 % interval")
    produced = unit.bare(total.measured_kwh)
    grid.add_row("expected, in the weather that came", unit.bare(total.expected_kwh))
    grid.add_row("produced", produced)
    money = words.number(total.gap_money)
    partly = total.is_measured and 0 < total.months_priced < len(total.months)
    note = f"{currency}: only {total.months_priced} of {len(total.months)} months priced" if partly else ""
    grid.add_row("lost", unit.bare(total.gap_kwh), words.number(total.gap_pct, 1), money, note)
    for part in (total.in_hand, total.beyond, total.unexplained):
        spans = [f"{unit.span(part.energy)} {unit.name}", words.money_span(part.money, currency)]
        grid.add_row(
            f"  {words.cause_word(part.cause)}",
            unit.bare(part.energy.value),
            words.number(part.share.value, 1),
            words.number(part.money.value),
            "; ".join(s for s in spans if not s.startswith(words.NOT_KNOWN)),
        )
    return grid


#: Said below the farms: a figure at the end of its interval looks like a mistake.
WHAT_A_FIGURE_IS = (
    "A loss is what the evidence shows; its interval holds what may have gone unseen too, which can only add. So a loss often "
    "stands below the middle."
)
#: The cautions of each job stand in the work list and the report; this must be read even by those who open neither.
CAUTION = (
    "Caution: modules and their cables are live whenever there is light, whatever is switched off. Each job's cautions stand in "
    "the work list; local codes and licensed practice come first."
)


def _print_jobs(console: Console, assessment: Assessment) -> None:
    plan = jobs.work_plan(assessment)
    _heading(console, "Do first")
    if not plan.first:
        _item(console, jobs.nothing_to_do(plan))
    currency = assessment.portfolio.currency
    for place, job in enumerate(plan.first, start=1):
        safety = "SAFETY: " if jobs.is_safety(job) else ""
        _item(console, f"{place}. {safety}{jobs.title(job)}")
        _item(console, jobs.worth_line(job, currency), indent=5)
    if plan.first:
        _item(console, CAUTION)


def _print_not_told(console: Console, assessment: Assessment, totals: tuple[SiteTotal, ...]) -> None:
    _heading(console, "Could not be told")
    names = {t.site_id: words.plain(t.name) for t in totals}
    reasons = [(names[s.site.id], s.gap.not_told) for s in assessment.sites if s.gap.not_told]
    absent = left_out_said(assessment)
    for line in absent:
        _item(console, line)
    if not reasons and not absent:
        _item(console, "Nothing was left open for want of data.")
    for name, site_reasons in reasons:
        for reason in site_reasons[:MOST_REASONS]:
            _item(console, f"{name}: {words.reason_words(reason)}")
        if len(site_reasons) > MOST_REASONS:
            _item(console, f"{name}: {len(site_reasons) - MOST_REASONS} more in report.html.")
    if len(assessment.set_aside):
        n = words.count(len(assessment.set_aside), "input row was", "input rows were")
        _item(console, f"{n} set aside; set_aside.csv names each with its reason.")
    notes = len(assessment.notices) + sum(len(s.data.notices) for s in assessment.sites)
    if notes:
        _item(console, f"{words.count(notes, 'note')} on what was read, corrected and assumed: see report.html.")


def print_check(console: Console, checked: PortfolioCheck) -> None:
    """Print what data each site has and what they can and cannot tell apart."""
    until = f", history up to {words.day(checked.as_of)}" if checked.as_of else ""
    _heading(console, f"{words.plain(checked.portfolio.name)}{until}")
    for notice in checked.portfolio.notices:
        _item(console, f"Note: {words.plain(notice)}")
    for site in checked.sites:
        _print_site_check(console, site)


def _print_site_check(console: Console, checked: SiteCheck) -> None:
    site = checked.site
    console.print()
    console.print(_source_table(checked))
    counts = (
        f"{words.count(len(site.inverters), 'inverter')}, {words.count(len(site.strings), 'string')}, "
        f"{words.number(site.pdc0_kw, 1)} kW DC, {words.number(site.pac0_kw, 1)} kW AC"
    )
    _item(console, counts)
    for title, said in (("Can tell", checked.can_tell), ("Cannot tell", checked.cannot_tell)):
        if said:
            _heading(console, f"  {title}")
        for line in said:
            _item(console, f"- {line}", indent=4)
    aside = checked.data.set_aside
    # Single values have a note of their own.
    _print_set_aside(console, aside[aside["part"] == ROW])
    for notice in notices_beside_rows(checked.data.notices):
        _item(console, f"Note: {words.plain(notice)}")


def _source_table(checked: SiteCheck) -> Table:
    name = f"{words.plain(checked.site.name)} ({checked.site.id})"
    grid = Table(box=box.SIMPLE_HEAD, title=Text(name, style="bold"), title_justify="left")
    for header, justify in (("data", "left"), ("rows", "right"), ("from", "left"), ("to", "left")):
        grid.add_column(header, justify=justify)  # type: ignore[arg-type]
    grid.add_column("covered", justify="right")
    grid.add_column("holds")
    for source in checked.sources:
        grid.add_row(*source_cells(source, checked.site.timezone))
    return grid


def _print_set_aside(console: Console, rows: pd.DataFrame) -> None:
    if rows.empty:
        _item(console, "No input row was set aside.")
        return
    _item(console, f"{words.count(len(rows), 'input row')} set aside:")
    kinds = set_aside_kinds(rows)
    for group in kinds.head(MOST_KINDS).itertuples():
        stood = f": {words.plain(group.stood)}" if group.stood else ""
        _item(console, f"- {words.plain(group.file)}: {group.n:,} x {words.plain(group.reason)}, first line {group.line}{stood}",
              indent=4)
    if len(kinds) > MOST_KINDS:
        _item(console, f"- and {len(kinds) - MOST_KINDS} more kinds of reason", indent=4)
