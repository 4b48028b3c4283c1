"""
Crew sheets: what a crew takes to the site, a page a visit, with boxes to fill in.

No money stands on them: they leave the house.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup

from yieldwatch.action.cautions import cautions_of
from yieldwatch.action.methods import BOXES, NOT_ELECTRICAL, Method, look_first, method
from yieldwatch.portfolio.model import Inverter, Site, String
from yieldwatch.report import jobs, pictures, words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.page import environment
from yieldwatch.report.pdf import pdf
from yieldwatch.report.visits import Planned, Visit, VisitJob, planned_visits
from yieldwatch.report.words import number


@dataclass(frozen=True)
class JobSheet:
    """A job of a sheet; `rows` are what readings are taken of, `boxes` the readings."""

    title: str
    book: str
    why: str
    look_first: tuple[str, ...]
    method: Method
    parts: Grid
    rows: tuple[str, ...]
    boxes: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Sheet:
    """A visit as the page shows it."""

    id: str
    site: str
    when: str
    crew: str
    effort: str
    safety: bool
    where: tuple[tuple[str, str], ...]
    layout: Markup
    cautions: tuple[str, ...]
    jobs: tuple[JobSheet, ...]


def crew_sheets_pdf(assessment: Planned) -> bytes:
    """
    Return the sheets of `assessment.plan` as PDF, A4; raises as `pdf.pdf`.

    The same plan gives the same bytes. A changed plan is given by `dataclasses.replace`.
    """
    return pdf(crew_sheets_html(assessment))


def crew_sheets_html(assessment: Planned) -> str:
    """Return the same as the HTML from which it is made; all text is escaped."""
    return environment().get_template("crew_sheets.html").render(
        name=words.plain(assessment.portfolio.name), as_of=words.day(assessment.as_of),
        sheets=[_sheet(visit) for visit in planned_visits(assessment)])


def _sheet(visit: Visit) -> Sheet:
    site = visit.site.site
    where = [("Address", words.plain(site.address or "")),
             ("Position", words.position(site)), ("Access", words.plain(site.access or "")),
             ("Contact", words.plain(site.contact or ""))]
    aimed = {name for job in visit.jobs for name in job.scope}
    return Sheet(
        id=visit.id, site=words.plain(site.name), when=f"{words.day(visit.start)} to {words.day(visit.end)}", crew=visit.crew,
        effort=f"{number(visit.crew_hours, 1)} h ({number(visit.crew_days, 1)} days of 8 h)", safety=visit.safety,
        where=tuple(where), layout=pictures.layout(site.strings, aimed),
        cautions=cautions_of([j.kind for j in visit.jobs]),
        jobs=tuple(_job(visit, place, job) for place, job in enumerate(visit.jobs, 1)))


def _job(visit: Visit, place: int, job: VisitJob) -> JobSheet:
    site = visit.site.site
    what = words.job_word(job.kind)
    turn = f" ({job.turn})" if job.turn else ""
    strings = [s for s in site.strings if s.string_id in job.scope]
    inverters = [i for i in site.inverters if i.inverter_id in job.scope]
    findings = visit.site.gap.string_findings.set_index("string_id") if strings else pd.DataFrame()
    shown = [str(findings["finding"].get(s.string_id)) for s in strings]
    rows, boxes = _readings(job, strings, inverters)
    return JobSheet(
        title=f"{place}. {what[:1].upper()}{what[1:]}{turn}: {_scope(job)}", book=jobs.in_book(job.listed),
        why=jobs.text(job.listed, "why"),
        look_first=look_first(shown) if job.kind == "repair_string" else (),
        method=method(job.kind), parts=_parts(site, strings, inverters, findings), rows=rows, boxes=boxes)


def _scope(job: VisitJob) -> str:
    shown = "the whole site" if job.scope == ("site",) else " ".join(job.scope[:6])
    return shown + (f" and {len(job.scope) - 6} more" if len(job.scope) > 6 else "")


def _readings(job: VisitJob, strings: Sequence[String], inverters: Sequence[Inverter]) -> tuple[tuple[str, ...], tuple]:
    """What readings are taken of, a sound neighbour beside each part, and which."""
    if job.kind in NOT_ELECTRICAL or not (strings or inverters):
        return ("the site",), BOXES["site"]
    if strings:
        return (*(s.string_id for s in strings), "sound neighbour no."), BOXES["string"]
    return (*(i.inverter_id for i in inverters), "sound neighbour no."), BOXES["inverter"]


def _parts(site: Site, strings: Sequence[String], inverters: Sequence[Inverter], findings: pd.DataFrame) -> Grid:
    if strings:
        heads = ("String", "Inverter, input", "Row", "#East, m", "#North, m", "Modules", "#Voc, V", "#Isc, A", "Last test showed")
        return Grid(
            "Voc and Isc are the datasheet's at 1000 W/m², 25 °C. Distances are from the site's own origin. A blank is not on "
            "record.",
            heads, tuple(_string_row(s, findings) for s in strings))
    if inverters:
        rows = tuple(
            (i.inverter_id, words.plain(i.inverter_type.inverter_type), number(i.inverter_type.ac_rated_kw, 1),
             str(sum(s.inverter_id == i.inverter_id for s in site.strings)), words.plain(i.serial or ""))
            for i in inverters)
        return Grid("A blank is not on record.", ("Inverter", "Type", "#Rated AC, kW", "#Strings", "Serial on record"), rows)
    modules = sum(s.modules_in_series for s in site.strings)
    row = (number(modules), number(len(site.strings)), number(len(site.inverters)), _known(_glass(site), 0),
           _known(site.area_hectare, 1), _known(site.hedge_metres, 0))
    return Grid("A blank is not on record.",
                ("#Modules", "#Strings", "#Inverters", "#Glass, m²", "#Area kept cut, ha", "#Hedge, m"), (row,))


def _string_row(string: String, findings: pd.DataFrame) -> tuple[str, ...]:
    found = findings.loc[string.string_id] if string.string_id in findings.index else None
    shown = ""
    if found is not None:
        tested = words.day(found["last_round"])
        shown = words.FINDING_WORDS.get(found["finding"], words.plain(found["finding"])) + (f" ({tested})" if tested else "")
    kind = string.module_type
    return (
        string.string_id, ", ".join(words.plain(t) for t in (string.inverter_id, string.mppt) if t),
        words.plain(string.row or ""),
        _known(string.x_m, 1), _known(string.y_m, 1), f"{string.modules_in_series} × {words.plain(kind.module_type)}",
        number(string.modules_in_series * kind.v_oc_v), number(kind.i_sc_a, 1), shown)


def _known(value: float | None, decimals: int) -> str:
    return "" if value is None or math.isnan(value) else number(value, decimals)


def _glass(site: Site) -> float:
    """Glass to be washed; NaN where a module's size is not on record. [m²]"""
    kinds = [(s.modules_in_series, s.module_type) for s in site.strings]
    return sum(n * (kind.length_m or math.nan) * (kind.width_m or math.nan) for n, kind in kinds)
