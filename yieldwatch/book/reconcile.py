"""
A new assessment against the book: findings go to the jobs that there are, and only what is new is raised.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from yieldwatch.book import states
from yieldwatch.book.facts import Job, Value
from yieldwatch.book.keep import JobBook
from yieldwatch.book.pages import ASSESSMENT, Pages
from yieldwatch.portfolio.model import Portfolio, Site

#: A declined job is proposed again once its gain is this many times what it was when it was declined, and the low end of the
#: interval lies above that. Common practice, no source.
GROWN = 1.5
#: History after the work below which its cause cannot be back: until then the history that it is read from is mostly from before.
#: Common practice, no source. [days]
SETTLING_DAYS = 28
#: Decimals to which figures are kept, so that rounding errors of a sum are no change.
_DECIMALS = 3
#: Jobs whose cause only a test of the string shows.
_TESTED_KINDS = ("repair_string", "replace_modules")

Tested = Mapping[tuple[str, str], dt.date]


@dataclass(frozen=True)
class Reconciled:
    """
    What an assessment did to the book.

    Attributes
    ----------
    work_list : DataFrame
        As given, with `job_ref` (Int64, missing where the book has no such job) and `job_state`.
    new, known, gone, reopened : tuple of int
        Jobs raised; jobs found again; open jobs newly not found, or newly held by another job; jobs put off or declined that are
        proposed again, which are among the known.
    older : tuple of str
        Sites that the book already knows from a later as-of date; nothing is written of them.
    laid_aside : frozenset of str
        `job_id` of jobs that people turned down or have just done, which no plan takes up.
    jobs : tuple of Job
        All jobs of the book afterwards.
    """

    work_list: pd.DataFrame
    new: tuple[int, ...]
    known: tuple[int, ...]
    gone: tuple[int, ...]
    reopened: tuple[int, ...]
    older: tuple[str, ...]
    laid_aside: frozenset[str] = frozenset()
    jobs: tuple[Job, ...] = ()

    @property
    def words(self) -> str:
        """`3 new, 5 known, 1 gone`, and what else happened."""
        text = f"{len(self.new)} new, {len(self.known)} known, {len(self.gone)} gone"
        if self.reopened:
            text += f"; {len(self.reopened)} put off or declined before are proposed again"
        if self.older:
            text += f"; nothing written of {', '.join(self.older)}, assessed before up to a later day"
        return text


@dataclass
class _Tally:
    refs: dict[Hashable, int] = field(default_factory=dict)
    new: list[int] = field(default_factory=list)
    known: list[int] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    reopened: list[int] = field(default_factory=list)


def reconcile(work_list: pd.DataFrame, book: JobBook, portfolio: Portfolio, as_of: dt.date, sites: Collection[str],
              tested: Tested | None = None) -> Reconciled:
    """
    Bring the book up to an assessment. Done twice, the second time changes nothing.

    Parameters
    ----------
    work_list : DataFrame
        From `action.ranking.rank_jobs`.
    book : JobBook
    portfolio : Portfolio
    as_of : date
        Where the history of the assessment ends.
    sites : collection of str
        Sites that were assessed. Jobs of others are left as they are: not looked at is not gone.
    tested : mapping of (str, str) to date, optional
        Last test of each string by site and string.

    Returns
    -------
    Reconciled

    Raises
    ------
    BookError
        If the book cannot be written; it is then as before.

    Notes
    -----
    A finding belongs to a job of its site, kind and cause whose scope shares a part with it; an inverter holds its strings. Of
    several, it goes to the one with which it shares most. Findings of one job add up, bounds too: as if they erred together.

    A job that is decided keeps its decision. One put off comes back on its day. One declined comes back only if its gain has
    grown to `GROWN` times what it was and the low end of the interval lies above what it was, or if it has become a matter of
    safety. A finding on a job that was done raises a new one that refers to it, unless it rests on history from before the work.
    """
    tally, older = _Tally(), []
    by_id = {s.id: s for s in portfolio.sites}
    with book.writing() as pages:
        there = pages.jobs()
        for site_id in sorted(sites):
            last = pages.last_look(site_id)
            is_older = last is not None and as_of < last
            rows = work_list[work_list["site_id"] == site_id].to_dict("index") if len(work_list) else {}
            site = _SiteBook(by_id[site_id], as_of, tested or {}, None if is_older else pages, tally)
            keys = {_key(r) for r in rows.values()} | {(j.job_kind, j.cause) for j in there if j.site_id == site_id}
            for kind, cause in sorted(keys):
                site.match({i: r for i, r in rows.items() if _key(r) == (kind, cause)},
                           [j for j in there if (j.site_id, j.job_kind, j.cause) == (site_id, kind, cause)])
            if is_older:
                older.append(site_id)
            elif last != as_of:
                pages.looked(site_id, as_of)
        words = {job.ref: states.state(job) for job in pages.jobs()}
    refs = pd.Series([tally.refs.get(i) for i in work_list.index], work_list.index, dtype="Int64")
    listed = work_list.assign(job_ref=refs, job_state=[words.get(tally.refs.get(i, 0), "") for i in work_list.index])
    return Reconciled(listed, tuple(tally.new), tuple(sorted(set(tally.known))), tuple(tally.gone), tuple(tally.reopened),
                      tuple(older))


def laid_aside(work_list: pd.DataFrame, book: JobBook, portfolio: Portfolio, as_of: dt.date,
               tested: Tested | None = None) -> dict[Hashable, Job]:
    """
    Return the jobs, by the index of their findings, that are not to be chosen again: put off or declined and staying so, or done
    too lately for the history to show it. A matter of safety is never laid aside.
    """
    there = book.jobs()
    aside: dict[Hashable, Job] = {}
    by_id = {s.id: s for s in portfolio.sites}
    for (site_id, kind, cause), rows in work_list.groupby(["site_id", "job_kind", "cause"]):
        jobs = [j for j in there if (j.site_id, j.job_kind, j.cause) == (site_id, kind, cause)]
        site = _SiteBook(by_id[site_id], as_of, tested or {}, None, _Tally())
        aside |= site.laid_aside(rows[~rows["safety"].astype(bool)].to_dict("index"), jobs)
    return aside


def _key(row: Mapping[Hashable, Any]) -> tuple[str, str]:
    return row["job_kind"], row["cause"]


class _SiteBook:
    """One site's findings against its jobs; without `pages` nothing is written."""

    def __init__(self, site: Site, as_of: dt.date, tested: Tested, pages: Pages | None, tally: _Tally):
        self._site, self._as_of, self._tested, self._pages, self._tally = site, as_of, tested, pages, tally

    def match(self, rows: Mapping[Hashable, dict], jobs: Sequence[Job]) -> None:
        """Match the findings of one kind and cause."""
        still_open = [j for j in jobs if states.state(j) in states.OPEN]
        found = self._found(rows, still_open)
        for index, row in rows.items():
            if not any(index in own for own in found.values()):
                self._raise(index, row, self._before(row, jobs))
        for job in still_open:
            own = found.get(job.ref, [])
            if own:
                self._found_again(job, [rows[i] for i in own])
                self._tally.known.append(job.ref)
                self._tally.refs |= dict.fromkeys(own, job.ref)
            else:
                # The finding that it shares went to another job, with which the finding shares more.
                other = next((ref for ref, held in found.items() for i in held if self._nearest(rows[i], [job])), None)
                self._not_found(job, other)

    def laid_aside(self, rows: Mapping[Hashable, dict], jobs: Sequence[Job]) -> dict[Hashable, Job]:
        """Of the findings of one kind and cause, those whose job is not to be chosen again."""
        still_open = {j.ref: j for j in jobs if states.state(j) in states.OPEN}
        aside: dict[Hashable, Job] = {}
        found = self._found(rows, list(still_open.values()))
        for ref, own in found.items():
            job = still_open[ref]
            stays = _reopens(job, _proposal([rows[i] for i in own]), self._as_of) is None
            if states.state(job) in (states.PUT_OFF, states.DECLINED) and stays:
                aside |= dict.fromkeys(own, job)
        for index, row in rows.items():
            before = self._before(row, jobs)
            if before and not any(index in own for own in found.values()) and not self._is_back(before, row):
                aside[index] = before
        return aside

    def _found(self, rows: Mapping[Hashable, dict], still_open: Sequence[Job]) -> dict[int, list[Hashable]]:
        """The findings of each open job by its number."""
        found: dict[int, list[Hashable]] = {}
        for index, row in rows.items():
            job = self._nearest(row, still_open)
            if job:
                found.setdefault(job.ref, []).append(index)
        return found

    def _before(self, row: Mapping, jobs: Sequence[Job]) -> Job | None:
        """The job last done for what a finding names."""
        finished = [j for j in jobs if states.state(j) in states.FINISHED and self._nearest(row, [j])]
        return max(finished, key=lambda j: (j.done_on, j.ref), default=None)

    def _nearest(self, row: Mapping, jobs: Sequence[Job]) -> Job | None:
        parts = self._parts(row["scope"])
        shared = [(len(parts & self._parts(j.scope)), -len(self._parts(j.scope)), -j.ref, j) for j in jobs]
        best = max(shared, key=lambda s: s[:3], default=None)
        return best[3] if best and best[0] else None

    def _parts(self, scope: str) -> frozenset[str]:
        named = frozenset(scope.split())
        whole = "site" in named
        held = {s.string_id for s in self._site.strings if whole or s.inverter_id in named}
        return named | held | ({i.inverter_id for i in self._site.inverters} if whole else set())

    def _raise(self, index: Hashable, row: Mapping, before: Job | None) -> None:
        if before and not self._is_back(before, row):
            self._tally.refs[index] = before.ref
            self._tally.known.append(before.ref)
            return
        if self._pages is None:
            return
        job = self._pages.raise_job(
            {"site_id": row["site_id"], "job_kind": row["job_kind"], "cause": row["cause"], "raised_on": self._as_of,
             "follows": before.ref if before else None, "found": True, **_proposal([row])},
            f"back after job {before.ref}" if before else None)
        self._tally.refs[index] = job.ref
        self._tally.new.append(job.ref)

    def _is_back(self, job: Job, row: Mapping) -> bool:
        """Whether a finding says something of the time after the work."""
        assert job.done_on is not None
        if self._as_of < job.done_on + dt.timedelta(days=SETTLING_DAYS):
            return False
        tests = [self._tested.get((self._site.id, part)) for part in row["scope"].split()]
        dated = [day for day in tests if day]
        return job.job_kind not in _TESTED_KINDS or not dated or max(dated) > job.done_on

    def _found_again(self, job: Job, rows: Sequence[Mapping]) -> None:
        if self._pages is None:
            return
        facts: dict[str, Value] = {"found": True, "covered_by": None, **_proposal(rows)}
        why = _reopens(job, facts, self._as_of)
        if why:
            facts["decision"] = None
            self._tally.reopened.append(job.ref)
        self._pages.change(job, ASSESSMENT, facts, why)

    def _not_found(self, job: Job, other: int | None) -> None:
        if self._pages is None:
            return
        if job.found and job.covered_by is None:
            self._tally.gone.append(job.ref)
        self._pages.change(job, ASSESSMENT, {"found": other is not None, "covered_by": other})


def _proposal(rows: Sequence[Mapping]) -> dict[str, Value]:
    """What the findings of one job say together."""
    named = {part for row in rows for part in row["scope"].split()}
    return {
        "scope": "site" if "site" in named else " ".join(sorted(named)),
        "job_id": rows[0]["job_id"],
        "advised": any(bool(row["chosen"]) for row in rows),
        "safety": any(bool(row["safety"]) for row in rows),
        **{name: _sum(rows, name) for name in (
            "gain_kwh_per_year", "gain_low_kwh_per_year", "gain_high_kwh_per_year", "gain_per_year", "gain_low_per_year")},
        "cost_estimate": _sum(rows, "cost"),
        "promise_factor": round(float(rows[0].get("promise_factor", 1.0)), _DECIMALS),
        "why": " ".join(dict.fromkeys(str(row["why"]) for row in rows)),
    }


def _sum(rows: Sequence[Mapping], name: str) -> float | None:
    """NaN of one is missing of all: a part would look like the whole."""
    total = math.fsum(float(row[name]) for row in rows)
    return round(total, _DECIMALS) if math.isfinite(total) else None


def _reopens(job: Job, facts: Mapping[str, Any], as_of: dt.date) -> str | None:
    """Why a job put off or declined is to be proposed again; None if it is not."""
    now = states.state(job)
    if now not in (states.PUT_OFF, states.DECLINED):
        return None
    if facts["safety"] and not job.safety:
        return "has become a matter of safety"
    if now == states.PUT_OFF:
        return f"was put off until {job.put_off_until}" if job.put_off_until and job.put_off_until <= as_of else None
    money = job.agreed_per_year is not None and facts["gain_per_year"] is not None
    then = job.agreed_per_year if money else job.agreed_kwh_per_year
    gain, low = (facts[n] for n in (
        ("gain_per_year", "gain_low_per_year") if money else ("gain_kwh_per_year", "gain_low_kwh_per_year")))
    if then is None or gain is None or low is None or gain < GROWN * then or low <= then:
        return None
    return f"its gain grew from {then:,.0f} to {gain:,.0f} {'in money' if money else 'kWh'} a year since it was declined"
