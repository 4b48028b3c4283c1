"""
What was done at a site and when: jobs of the job book and works in the site's own record.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from yieldwatch.action.asked import Asked
from yieldwatch.book.facts import Job
from yieldwatch.book.states import FINISHED, state
from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import Site

#: Kind of job and cause of each kind of event that is work; a repair's follow from what it names.
_OF_EVENT = {"cleaning": ("clean", "soiling"), "vegetation_cut": ("cut_vegetation", "shading")}
_REPAIRS = ("repair", "replacement")
#: Days within which an event and a job of the book are the same work, or two works the same visit.
SAME_VISIT_DAYS = 3
#: Kinds of job whose effect is to be proven; inspections and claims win nothing back by themselves.
PROVABLE = ("clean", "cut_vegetation", "repair_string", "replace_modules", "repair_inverter", "fix_settings")


@dataclass(frozen=True)
class DoneJob:
    """
    One job that was done.

    Attributes
    ----------
    site_id, name : str
        `name` is `job 12` of the book, or the event's identifier.
    ref : int or None
        Its number in the book.
    job_kind, cause : str
    scope : tuple of str
        ("site",), or identifiers of inverters or strings.
    done_on : date
    cost : float or None
        [money]
    contractor : str or None
    promised_kwh_per_year : float or None
        [kWh]
    """

    site_id: str
    name: str
    ref: int | None
    job_kind: str
    cause: str
    scope: tuple[str, ...]
    done_on: dt.date
    cost: float | None = None
    contractor: str | None = None
    promised_kwh_per_year: float | None = None


def done_jobs(site: Site, data: SiteData, book: Iterable[Job] = ()) -> list[DoneJob]:
    """
    Jobs done at a site: those of the book, and events that no job of the book stands for.

    Returns
    -------
    list of DoneJob
        In order of their days.
    """
    found = [_of_book(job) for job in book
             if job.site_id == site.id and job.job_kind in PROVABLE and state(job) in FINISHED and job.done_on]
    for event in data.events.itertuples() if len(data.events) else ():
        named = _of_event(site, event)
        if named:
            kind, cause = named
            job = DoneJob(site.id, str(event.event_id), None, kind, cause, tuple(event.scope),
                          event.start.tz_convert(site.tz).date(), float(event.cost) if pd.notna(event.cost) else None)
            if not any(_same_work(site, job, other) for other in found if other.ref is not None):
                found.append(job)
    return sorted(found, key=lambda j: (j.done_on, j.name))


def asked_claims(site_id: str, book: Iterable[Job]) -> list[Asked]:
    """The claims of a site that were made, by the job book."""
    return [Asked(job.cause, frozenset((job.agreed_scope or job.scope).split()), job.done_on) for job in book
            if job.site_id == site_id and job.job_kind == "claim" and state(job) in FINISHED and job.done_on]


def _of_book(job: Job) -> DoneJob:
    assert job.done_on is not None
    return DoneJob(job.site_id, f"job {job.ref}", job.ref, job.job_kind, job.cause,
                   tuple((job.agreed_scope or job.scope).split()), job.done_on, job.cost, job.contractor,
                   job.agreed_kwh_per_year)


def _of_event(site: Site, event: object) -> tuple[str, str] | None:
    kind, scope = str(event.kind), event.scope  # type: ignore[attr-defined]
    if kind in _OF_EVENT:
        return _OF_EVENT[kind]
    if kind in _REPAIRS and "site" not in scope:
        strings = {s.string_id for s in site.strings}
        return ("repair_string", "string_fault") if set(scope) <= strings else ("repair_inverter", "inverter_efficiency")
    return None


def parts(site: Site, scope: Iterable[str]) -> frozenset[str]:
    """The strings that a scope takes in."""
    named = frozenset(scope)
    return frozenset(s.string_id for s in site.strings if "site" in named or s.inverter_id in named or s.string_id in named)


def _same_work(site: Site, one: DoneJob, other: DoneJob) -> bool:
    return (abs((one.done_on - other.done_on).days) <= SAME_VISIT_DAYS and one.cause == other.cause
            and bool(parts(site, one.scope) & parts(site, other.scope)))
