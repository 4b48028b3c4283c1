"""
The planned visits as a calendar file (RFC 5545) that any calendar reads.

A plan names a week, not an hour, so each visit is a span of whole days in the site's own dates, which no time zone can shift. No
money stands in it: it is for crews.
"""

from __future__ import annotations

import datetime as dt
import uuid

import icalendar

from yieldwatch.action.cautions import DEFERRAL
from yieldwatch.report import jobs, words
from yieldwatch.report.visits import Planned, Visit, VisitJob, planned_visits, working_spans

#: Names visits; any other value would give every visit in every calendar a new identity.
_NAMESPACE = uuid.UUID("5f1c1d0a-6a4e-5d37-9c55-0d6f2b9a7e11")
_FIRST_DAY = dt.date(2000, 1, 1)
#: Plans of one as-of date that can follow each other.
_MOST_REVISIONS = 1000


def visits_ics(assessment: Planned, revision: int = 0) -> bytes:
    """
    Return the calendar of `assessment.plan`.

    Parameters
    ----------
    assessment : Planned
    revision : int
        Which plan of the same as-of date this is, 0 to 999. A calendar takes over a visit that moved if as-of date or
        revision are later than in the file it holds.

    Returns
    -------
    bytes
        UTF-8, lines of 75 octets at most that end in CRLF. Times of making are those of the as-of date, so the same plan gives
        the same bytes.

    Raises
    ------
    ValueError
        If `revision` is out of range.

    Notes
    -----
    A visit is known by its portfolio, site, crew, first job and that job's turn, and keeps its UID when it moves.
    """
    if not 0 <= revision < _MOST_REVISIONS:
        raise ValueError(f"revision = {revision}. Expected 0 to {_MOST_REVISIONS - 1}.")
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//yieldwatch//visits//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    title = f"{words.plain(assessment.portfolio.name)}: planned visits"
    calendar.add("name", title)
    # Most calendars read the older name.
    calendar.add("x-wr-calname", title)
    for visit in planned_visits(assessment):
        spans = working_spans(visit)
        for place, span in enumerate(spans, 1):
            calendar.add_component(_event(assessment, visit, span, (place, len(spans)), revision))
    return calendar.to_ical()


def _event(assessment: Planned, visit: Visit, span: tuple[dt.date, dt.date], part: tuple[int, int],
           revision: int) -> icalendar.Event:
    site, lead = visit.site.site, visit.jobs[0]
    event = icalendar.Event()
    key = "\n".join((assessment.portfolio.name, site.id, visit.crew, lead.job_id, lead.turn, str(part[0])))
    event.add("uid", str(uuid.uuid5(_NAMESPACE, key)))
    event.add("dtstamp", dt.datetime.combine(assessment.as_of, dt.time(), dt.UTC) + dt.timedelta(seconds=revision))
    event.add("sequence", (assessment.as_of - _FIRST_DAY).days * _MOST_REVISIONS + revision)
    event.add("dtstart", span[0])
    event.add("dtend", span[1] + dt.timedelta(days=1))
    of = f" ({part[0]} of {part[1]})" if part[1] > 1 else ""
    event.add("summary", f"{words.plain(site.name)}, {visit.crew} crew: {_jobs_word(visit)}{of}")
    event.add("location", words.plain(site.address) if site.address else f"{words.plain(site.name)}, {words.position(site)}")
    event.add("geo", (site.latitude, site.longitude))
    event.add("description", "\n".join(_description(visit)))
    event.add("categories", [visit.crew, *(["safety"] if visit.safety else [])])
    event.add("status", "TENTATIVE")
    event.add("transp", "TRANSPARENT")
    if visit.safety:
        event.add("priority", 1)
    return event


def _jobs_word(visit: Visit) -> str:
    return words.listed([words.job_word(kind) for kind in dict.fromkeys(j.kind for j in visit.jobs)])


def _description(visit: Visit) -> list[str]:
    site = visit.site.site
    lines = [
        f"Visit {visit.id}, planned for the week {words.day(visit.start)} to {words.day(visit.end)}; agree the day with the "
        f"crew. About {words.number(visit.crew_hours, 1)} crew hours ({words.number(visit.crew_days, 1)} days of 8 hours).",
        f"Position: {words.position(site)}. Dates are the site's ({site.timezone}).",
    ]
    for label, text in (("Access", site.access), ("Contact", site.contact)):
        lines += [f"{label}: {words.plain(text)}"] if text else []
    lines += ["", *(f"{n}. {_job(job)}" for n, job in enumerate(visit.jobs, 1)), ""]
    if visit.safety:
        lines.append("A job of this visit is a matter of safety: it does not wait.")
    return [*lines, f"Cautions and tests stand in crew_sheets.pdf. {DEFERRAL}"]


def _job(job: VisitJob) -> str:
    what = words.job_word(job.kind)
    where = "whole site" if job.scope == ("site",) else " ".join(job.scope)
    extra = [job.turn and f"turn {job.turn}", jobs.in_book(job.listed)]
    return f"{what[:1].upper()}{what[1:]}: {where}" + "".join(f"; {text}" for text in extra if text)
