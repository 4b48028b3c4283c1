"""
Readings before a planned job, put on the visit on which they can be made: a crew that washes has nobody who may measure strings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from yieldwatch.action.readings import HOW, UNITS
from yieldwatch.constants import CREWS
from yieldwatch.report import jobs, words
from yieldwatch.report.visits import Visit, VisitJob

#: Who reads.
_READERS = CREWS["inspect"]
#: Readings of the whole site, whatever part the job is for.
_OF_SITE = ("wash_witness", "check_light_sensor")


def with_readings(visits: Sequence[Visit]) -> tuple[Visit, ...]:
    """
    The visits with the readings that come before their jobs (`read_first` of the work list).

    A reading is a job of the electrical crew's last visit to the site up to the week of the job; the job says which visit that
    is. Where the job's own crew reads, or no visit comes before, the job alone says what must come first. Of a job that recurs
    the first turn alone has a reading before it.
    """
    done = list(visits)
    seen: set[str] = set()
    for place, visit in enumerate(visits):
        for number, job in enumerate(visit.jobs):
            kind = jobs.text(job.listed, "read_first_kind")
            if kind not in HOW or job.job_id in seen:
                continue
            seen.add(job.job_id)
            at = place if visit.crew == _READERS else _before(visits, visit)
            if at is not None and at != place:
                done[at] = _with_reading(done[at], visit, job, kind)
            told = replace(job, first=_first(kind, visit, None if at is None else visits[at]))
            done[place] = replace(done[place], jobs=(*done[place].jobs[:number], told, *done[place].jobs[number + 1:]))
    return tuple(done)


def _before(visits: Sequence[Visit], visit: Visit) -> int | None:
    """The visit on which a reading before a job of another crew's `visit` is made."""
    site = visit.site.site.id
    at = [k for k, v in enumerate(visits) if v.crew == _READERS and v.site.site.id == site and v.start <= visit.start]
    return max(at, key=lambda k: visits[k].start) if at else None


def _first(kind: str, visit: Visit, at: Visit | None) -> str:
    if at is None:
        return f"First: {HOW[kind]}. No visit of the plan has it: agree with the planner who does it before this work."
    if at is visit:
        return f"First, on this visit: {HOW[kind]}. Where it tells against this work, leave the work and report."
    return (f"First: {HOW[kind]}. Visit {at.id} in the week {words.day(at.start)} to {words.day(at.end)} does that; where it "
            "tells against this work, the planner calls the work off.")


def _with_reading(visit: Visit, of: Visit, job: VisitJob, kind: str) -> Visit:
    costs = visit.site.site.job_costs.get("inspect")
    hours = costs.crew_hours_per_unit * UNITS[kind].get(costs.unit, 0.0) if costs else 0.0
    what = words.job_word(job.kind, job.cause)
    why = (f"{HOW[kind][:1].upper()}{HOW[kind][1:]}: whether to {what} (visit {of.id}, week {words.day(of.start)} to "
           f"{words.day(of.end)}) hangs on it. Tell the planner what it showed before that visit.")
    reading = VisitJob(
        f"{job.job_id}-reading", "inspect", "soiling" if kind == "wash_witness" else "",
        ("site",) if kind in _OF_SITE else job.scope, "", hours, {"why": why})
    return replace(visit, jobs=(*visit.jobs, reading), reading_hours=visit.reading_hours + hours)
