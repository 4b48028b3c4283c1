"""
The planned visits as records, for everything that people take to the site.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import pandas as pd

from yieldwatch.action.ranking import CREW_DAY_HOURS
from yieldwatch.constants import OFFICE, work_of
from yieldwatch.portfolio.days_off import WEEKEND, why_no_work
from yieldwatch.report import jobs, words
from yieldwatch.report.planned import Planned, PlannedSite

#: Rows of a plan below which its jobs stand: somebody goes there, or sits down at a desk.
HEADS = ("visit", "office")
#: How far from its week a visit is looked for days on which a crew works. [d]
_FURTHEST = 366


@dataclass(frozen=True)
class VisitJob:
    """
    A job of a visit.

    Attributes
    ----------
    job_id, kind, cause : str
    scope : tuple of str
        "site", or identifiers of inverters or strings.
    turn : str
        "2 of 3" for work that recurs, else empty.
    crew_hours : float
        The job's own. [h]
    listed : dict
        Its row of the work list; empty where the list does not hold it.
    first : str
        What must come before it, in a sentence or two; empty where nothing must.
    """

    job_id: str
    kind: str
    cause: str
    scope: tuple[str, ...]
    turn: str
    crew_hours: float
    listed: dict
    first: str = ""

    @property
    def work(self) -> str:
        """What it is done as, one of `constants.WORKS`."""
        return work_of(self.kind, self.cause)


@dataclass(frozen=True)
class Visit:
    """
    One crew at one site, or the office's desk work for it.

    `start` is the first day of its week, `crew_days` the work in days of 8 hours; neither `crew_hours` nor they hold
    `reading_hours`, for readings before jobs of other visits.
    """

    id: str
    start: dt.date
    site: PlannedSite
    crew: str
    safety: bool
    crew_hours: float
    crew_days: float
    jobs: tuple[VisitJob, ...]
    reading_hours: float = 0.0

    @property
    def office(self) -> bool:
        """Whether it is desk work, for which nobody goes there."""
        return self.crew == OFFICE

    @property
    def end(self) -> dt.date:
        """Last day of the week in which it is planned."""
        return self.start + dt.timedelta(days=6)


def has_visits(assessment: Planned) -> bool:
    """Whether the plan holds a visit or an office date, without which there is no calendar: RFC 5545, 3.6, has none empty."""
    return not assessment.plan.empty and bool(assessment.plan["row"].isin(HEADS).any())


def planned_visits(assessment: Planned) -> tuple[Visit, ...]:
    """Return visits and office dates of `assessment.plan` in its order; a changed plan is given by `dataclasses.replace`."""
    plan, sites = assessment.plan, {s.site.id: s for s in assessment.sites}
    if plan.empty:
        return ()
    listed = {row["job_id"]: row for row in assessment.work_list.to_dict("records")}
    rows = plan.to_dict("records")
    found = []
    for row in rows:
        if row["row"] not in HEADS:
            continue
        of = [r for r in rows if r["row"] == "job" and r["visit_id"] == row["visit_id"]]
        found.append(Visit(
            jobs.text(row, "visit_id"), dt.date.fromisoformat(str(row["start"])[:10]), sites[row["site_id"]],
            jobs.text(row, "crew"), bool(row["safety"]), float(row["crew_hours"]), float(row["crew_days"]),
            tuple(_job(r, listed) for r in of)))
    return tuple(found)


def _job(row: dict, listed: dict[str, dict]) -> VisitJob:
    turn = jobs.text(row, "turn")
    return VisitJob(
        jobs.text(row, "job_id"), str(row["job_kind"]), jobs.text(row, "cause"),
        tuple(jobs.text(row, "scope").split()), "" if turn == "1 of 1" else turn,
        float(row["crew_hours"]), listed.get(row["job_id"], {}))


def visit_effort(visit: Visit) -> str:
    """`3.5 h (0.4 days of 8 h)`; where it has readings before other work, with their hours."""
    said = f"{words.number(visit.crew_hours, 1)} h ({words.number(visit.crew_days, 1)} days of 8 h)"
    more = visit.reading_hours
    return said + (f", and {words.number(more, 1)} h for what is read before other work," if more else "")


def working_spans(visit: Visit) -> tuple[tuple[dt.date, dt.date], ...]:
    """
    The days that a visit takes, first and last of each unbroken run, from the first working day of its week on.

    What is read on it counts. Part of a day counts as a day; a visit of unknown length is given one. A run ends before a
    day on which no crew works. Where no such day comes within a year, the first of the week is given.
    """
    work = visit.crew_days + visit.reading_hours / CREW_DAY_HOURS
    days = max(1, math.ceil(round(work, 6))) if pd.notna(work) else 1
    spans: list[tuple[dt.date, dt.date]] = []
    day = visit.start
    while days and (day - visit.start).days < _FURTHEST:
        if not why_no_work(visit.site.site, day):
            joined = spans and spans[-1][1] + dt.timedelta(days=1) == day
            spans[-1:] = [(spans[-1][0], day)] if joined else [*spans[-1:], (day, day)]
            days -= 1
        day += dt.timedelta(days=1)
    return tuple(spans) or ((visit.start, visit.start),)


def days_off(visit: Visit) -> tuple[tuple[dt.date, str], ...]:
    """Days from Monday to Friday between its week's first and its own last on which no crew works, and why."""
    last = max(visit.end, working_spans(visit)[-1][1])
    days = (visit.start + dt.timedelta(days=k) for k in range((last - visit.start).days + 1))
    return tuple((day, why) for day in days if (why := why_no_work(visit.site.site, day)) not in ("", WEEKEND))


def days_off_words(visit: Visit) -> str:
    """`No crew works on 25 Dec 2025 (Christmas Day).`; empty where each working day is one."""
    off = [f"{words.day(day)} ({words.plain(why)})" for day, why in days_off(visit)]
    return f"No crew works on {words.listed(off)}." if off else ""
