"""
The planned visits and office dates as a calendar file (RFC 5545) that any calendar reads.

A plan names a week, not an hour, so each visit is a span of whole days in the site's own dates, which no time zone can shift. No
money stands in it: it is for crews.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from pathlib import Path

import icalendar

from yieldwatch.action.cautions import DEFERRAL
from yieldwatch.portfolio.model import Site
from yieldwatch.report import jobs, words
from yieldwatch.report.planned import Planned
from yieldwatch.report.readings_first import with_readings
from yieldwatch.report.site_papers import where_rows
from yieldwatch.report.visits import Visit, VisitJob, days_off_words, planned_visits, visit_effort, working_spans

#: Names visits; any other value would give every visit in every calendar a new identity.
_NAMESPACE = uuid.UUID("5f1c1d0a-6a4e-5d37-9c55-0d6f2b9a7e11")
_FIRST_DAY = dt.date(2000, 1, 1)
#: Sequence numbers from one as-of date to the next, for calendars of the same day that follow each other.
_A_DAY = 1000
#: The calendar of an assessment, and the last one handed out of a plan under other limits, beside it.
CALENDAR, HANDED_OUT = "visits.ics", ".visits_handed_out.ics"


def visits_ics(assessment: Planned, before: Sequence[bytes] = ()) -> bytes:
    """
    Return the calendar of `assessment.plan`.

    Parameters
    ----------
    assessment : Planned
    before : sequence of bytes
        Calendars that were given to people earlier. A visit of theirs that is still to come and no longer planned is cancelled.

    Returns
    -------
    bytes
        UTF-8, lines of 75 octets at most that end in CRLF. Times of making are those of the as-of date, so the same plan after
        the same calendars gives the same bytes. Empty where there is no visit: a calendar must hold something (RFC 5545, 3.6).

    Raises
    ------
    ValueError
        If an earlier calendar cannot be read.

    Notes
    -----
    A visit is known by its portfolio, site, crew, first job and that job's turn, and keeps its UID when it moves. A calendar
    takes over a visit whose sequence number is higher than in the file it holds (RFC 5545, 3.8.7.4); each change raises it.
    """
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//yieldwatch//visits//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    title = f"{words.plain(assessment.portfolio.name)}: planned visits"
    calendar.add("name", title)
    # Most calendars read the older name.
    calendar.add("x-wr-calname", title)
    given = _given(before)
    events = {}
    for visit in with_readings(planned_visits(assessment)):
        spans = working_spans(visit)
        for place, span in enumerate(spans, 1):
            event = _event(assessment, visit, span, (place, len(spans)))
            events[str(event["uid"])] = event
    for uid, old in given.items():
        if uid not in events and old.decoded("dtend") > assessment.as_of:
            events[uid] = _cancelled(old)
    for uid, event in events.items():
        _number(event, given.get(uid), assessment.as_of)
        calendar.add_component(event)
    return calendar.to_ical() if events else b""


def given_before(folder: Path) -> list[bytes]:
    """The calendars that people may hold, from the folder of results."""
    return [path.read_bytes() for name in (CALENDAR, HANDED_OUT) if (path := folder / name).is_file()]


def _given(before: Sequence[bytes]) -> dict[str, icalendar.Component]:
    """What people hold of each visit: of several the one of the highest number."""
    found: dict[str, icalendar.Component] = {}
    for content in before:
        for event in icalendar.Calendar.from_ical(content).walk("VEVENT") if content else ():
            if not {"uid", "sequence", "dtstart", "dtend"} <= {key.lower() for key in event}:
                raise ValueError("an event without UID, SEQUENCE, DTSTART or DTEND")
            uid = str(event["uid"])
            if uid not in found or event.decoded("sequence") > found[uid].decoded("sequence"):
                found[uid] = event
    return found


def _cancelled(old: icalendar.Component) -> icalendar.Event:
    """The same visit, no longer planned: a calendar drops it."""
    event = icalendar.Event()
    for name in ("uid", "dtstart", "dtend", "summary", "location", "geo"):
        if name in old:
            event[name] = old[name]
    event.add("description", "No longer planned.")
    event.add("status", "CANCELLED")
    event.add("transp", "TRANSPARENT")
    return event


def _number(event: icalendar.Event, old: icalendar.Component | None, as_of: dt.date) -> None:
    """Sequence and time of making: above those that people hold where anything has changed."""
    number = (as_of - _FIRST_DAY).days * _A_DAY
    if old is not None:
        held = old.decoded("sequence")
        number = max(number, held + (_told(event) != _told(old)))
    days, seconds = divmod(number, _A_DAY)
    event.add("sequence", number)
    event.add("dtstamp", dt.datetime.combine(_FIRST_DAY, dt.time(), dt.UTC) + dt.timedelta(days, seconds))


def _told(event: icalendar.Component) -> list[bytes]:
    """All that a person sees of an event."""
    return sorted(line for line in event.to_ical().replace(b"\r\n ", b"").splitlines()
                  if not line.startswith((b"SEQUENCE", b"DTSTAMP")))


def _event(assessment: Planned, visit: Visit, span: tuple[dt.date, dt.date], part: tuple[int, int]) -> icalendar.Event:
    site, lead = visit.site.site, visit.jobs[0]
    event = icalendar.Event()
    key = "\n".join((assessment.portfolio.name, site.id, visit.crew, lead.job_id, lead.turn, str(part[0])))
    event.add("uid", str(uuid.uuid5(_NAMESPACE, key)))
    event.add("dtstart", span[0])
    event.add("dtend", span[1] + dt.timedelta(days=1))
    of = f" ({part[0]} of {part[1]})" if part[1] > 1 else ""
    who = visit.crew if visit.office else f"{visit.crew} crew"
    event.add("summary", f"{words.plain(site.name)}, {who}: {_jobs_word(visit)}{of}")
    if not visit.office:
        _add_place(event, site)
    event.add("description", "\n".join(_desk_work(visit) if visit.office else _description(visit)))
    event.add("categories", [visit.crew, *(["safety"] if visit.safety else [])])
    event.add("status", "TENTATIVE")
    event.add("transp", "TRANSPARENT")
    if visit.safety:
        event.add("priority", 1)
    return event


def _add_place(event: icalendar.Event, site: Site) -> None:
    # Who follows it wants to arrive at the gate.
    there = ((site.gate_latitude, site.gate_longitude) if site.gate_latitude is not None and site.gate_longitude is not None
             else (site.latitude, site.longitude))
    event.add("location", words.plain(site.address) if site.address else f"{words.plain(site.name)}, {words.position(*there)}")
    event.add("geo", there)


def _jobs_word(visit: Visit) -> str:
    done = ((j.kind, j.cause) for j in visit.jobs)
    return words.listed([words.job_word(*what) + words.looked_for(*what) for what in dict.fromkeys(done)])


def _desk_work(visit: Visit) -> list[str]:
    """What the office has to do by when; nobody goes there."""
    lines = [f"Desk work of the week {words.day(visit.start)} to {words.day(visit.end)}; no crew and no visit.", ""]
    for number, job in enumerate(visit.jobs, 1):
        lines.append(f"{number}. {_job(job)}")
        if job.listed.get("due_to"):
            lines.append(f"To be sent by {words.day(job.listed['due_to'])}; the contract's own term wins.")
    return [*lines, "", "claims.csv says what is owed and what to send."]


def _description(visit: Visit) -> list[str]:
    site = visit.site.site
    lines = [
        f"Visit {visit.id}, planned for the week {words.day(visit.start)} to {words.day(visit.end)}; agree the day with the "
        f"crew. About {visit_effort(visit)} of one crew.",
        *([off] if (off := days_off_words(visit)) else []),
        *(f"{label}: {text}" for label, text in where_rows(site) if label not in ("Address", "Cables")),
        f"Dates are the site's ({site.timezone}).",
    ]
    lines += ["", *(f"{n}. {_job(job)}" for n, job in enumerate(visit.jobs, 1)), ""]
    if visit.safety:
        lines.append("A job of this visit is a matter of safety: it does not wait.")
    return [*lines, f"Cautions and tests stand in crew_sheets.pdf. {DEFERRAL}"]


def _job(job: VisitJob) -> str:
    what = words.job_word(job.kind, job.cause) + words.looked_for(job.kind, job.cause)
    where = "whole site" if job.scope == ("site",) else " ".join(job.scope)
    extra = [job.turn and f"turn {job.turn}", jobs.in_book(job.listed)]
    first = f". {job.first}" if job.first else ""
    return f"{what[:1].upper()}{what[1:]}: {where}" + "".join(f"; {text}" for text in extra if text) + first
