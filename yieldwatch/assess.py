"""
The only place that runs the stages in their order: `assess_site.py` those of a site, this module those of a portfolio.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from os import PathLike

import pandas as pd
from threadpoolctl import threadpool_limits

from yieldwatch.action.costing import job_id
from yieldwatch.action.next_measurements import next_measurements
from yieldwatch.action.plan import make_plan
from yieldwatch.action.plan_rows import PlanBasis
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.read_first import one_story
from yieldwatch.action.who_pays import site_claims
from yieldwatch.assess_site import SiteAssessment, assess_site, first_day, history_end, operated_from
from yieldwatch.book.agenda import rank_with_book
from yieldwatch.book.keep import JobBook
from yieldwatch.book.promises import Promises
from yieldwatch.book.reconcile import Reconciled
from yieldwatch.check import PortfolioCheck, check_site
from yieldwatch.errors import NotEnoughData
from yieldwatch.field.read import read_site_data
from yieldwatch.gap.clock_check import with_right_clocks
from yieldwatch.gap.light_sensor import with_checked_light
from yieldwatch.portfolio.model import Portfolio
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.processes import Progress, side_by_side
from yieldwatch.proof.done import asked_claims
from yieldwatch.proof.ledger import corrected, ledger_table, measured_verdicts


@dataclass(frozen=True)
class Assessment:
    """
    The answer for a portfolio: one record a site, and the work list over all sites.

    `notices` says what was assumed in money and jobs, and which sites are left out; what the readers noticed of a site's files is
    in its `data.notices`. `work_list` and `set_aside` are the contract's tables; `period` is the reported span, start inclusive
    and end exclusive, and `as_of` the date at which the history ends. `claims` says who pays for what; `plan` and `waiting` are
    the coming year by week, `plan_basis` what it can be planned anew from. `ledger` holds promised against proven;
    `next_measurements` and `bright_hours` which reading is worth making, and when. `in_book` is what the assessment did to the
    job book, None if it was made without one.
    """

    portfolio: Portfolio
    as_of: dt.date
    period: tuple[dt.date, dt.date]
    sites: tuple[SiteAssessment, ...]
    work_list: pd.DataFrame
    set_aside: pd.DataFrame
    notices: tuple[str, ...]
    claims: pd.DataFrame = field(default_factory=pd.DataFrame)
    in_book: Reconciled | None = None
    plan: pd.DataFrame = field(default_factory=pd.DataFrame)
    waiting: pd.DataFrame = field(default_factory=pd.DataFrame)
    ledger: pd.DataFrame = field(default_factory=pd.DataFrame)
    next_measurements: pd.DataFrame = field(default_factory=pd.DataFrame)
    bright_hours: pd.DataFrame = field(default_factory=pd.DataFrame)
    plan_basis: PlanBasis | None = None


# The systems are small: threads that share one out wait for each other, many times as long where anything else runs beside.
@threadpool_limits.wrap(limits=1, user_api="blas")
def assess(path: str | PathLike[str], as_of: dt.date | None = None, period: tuple[dt.date | None, dt.date | None] | None = None,
           progress: Progress | None = None, opens_book: Callable[[], JobBook] | None = None,
           processes: int = 1) -> Assessment:
    """
    Run all stages on a portfolio folder.

    Parameters
    ----------
    path : path_like
    as_of : date, optional
        History on and after this day is not read; by default all of it is.
    period : tuple of date, optional
        First day to report, and the day after the last; either may be None for the history's own.
    progress : callable, optional
        Called with a few words at each step.
    opens_book : callable, optional
        Returns the job book, which is brought up to the answer; jobs that it holds as turned down or just done are not chosen
        again. Called once the portfolio is found sound, and before the long work.
    processes : int
        At most so many sites are worked on side by side, each in a process of its own; 1 for all in this one. The answer is the
        same.

    Returns
    -------
    Assessment

    Raises
    ------
    PortfolioError, FieldDataError
        If the folder cannot be used.
    NotEnoughData
        If no site has weather within the period.
    BookError
        If the book cannot be used.
    """
    say = progress or (lambda words: None)
    say("reading the portfolio")
    portfolio = read_portfolio(path)
    book = opens_book() if opens_book else None
    if book:
        book.check_writing()
    in_hand = book.jobs() if book else ()
    one = partial(assess_site, path, portfolio, as_of, period or (None, None), in_hand)
    outcomes = side_by_side(one, portfolio.sites, processes, say)
    done = [o.result for o in outcomes if o.result is not None]
    found = [job for o in outcomes for job in o.jobs]
    usual = {o.result.site.id: o.usual for o in outcomes if o.result is not None}
    could_read = [reading for o in outcomes for reading in o.could_read]
    bright = [o.bright for o in outcomes if o.result is not None]
    notices = [*portfolio.notices, *(words for o in outcomes for words in o.notices)]
    skipped = [words for o in outcomes if o.result is None for words in o.notices]
    if not done:
        raise NotEnoughData("\n".join([*skipped, "No site is left to assess. Expected weather of at least one site within the "
                                       "period. Add it to sites/<id>/weather.csv, or ask for another period."]))
    say("ranking the jobs")
    last = as_of or max(history_end(r.site, r.data, None) for r in done)
    in_book, ledger = None, pd.DataFrame()
    if book is not None:
        promises, kept_as_said = _settle_promises(book, done, last)
        ledger, found = ledger_table(promises), corrected(found, promises)
        notices += kept_as_said
    open_jobs = found
    if book is None:
        work_list, said = rank_jobs(portfolio, found, last)
    else:
        in_book, said = rank_with_book(portfolio, found, last, book, [r.site.id for r in done], _last_tests(done))
        work_list = in_book.work_list
        open_jobs = [job for job in found if job_id(job) not in in_book.laid_aside]
    say("planning the year")
    planned = make_plan(portfolio, open_jobs, work_list, last, usual)
    next_up, of_readings = next_measurements(portfolio, open_jobs, could_read, work_list)
    work_list, next_up = one_story(planned.work_list, next_up, portfolio.currency)
    claims = pd.concat([site_claims(r.site, r.data, r.gap, r.losses, r.rounds, work_list, last, asked_claims(r.site.id, in_hand))
                        for r in done], ignore_index=True)
    set_aside = pd.concat([r.data.set_aside for r in done], ignore_index=True)
    told = tuple(dict.fromkeys((*notices, *said, *planned.notices, *of_readings)))
    return Assessment(portfolio, last, _period(done, last), tuple(done), work_list, set_aside, told, claims, in_book,
                      planned.plan, planned.waiting, ledger, next_up, pd.concat(bright, ignore_index=True),
                      planned.basis)


def _settle_promises(book: JobBook, sites: Sequence[SiteAssessment], as_of: dt.date) -> tuple[Promises, list[str]]:
    """Record in the book what was proven, and return all promises that were put to the test."""
    verdicts = {ref: verdict for s in sites for ref, verdict in measured_verdicts(s.proof).items()}
    left = book.record_measured(verdicts, as_of)
    said = [f"job {', '.join(map(str, left))}: the verdict that a person recorded stays; proof.csv holds what was measured."]
    return Promises(book.jobs()), said if left else []


def check(path: str | PathLike[str], as_of: dt.date | None = None) -> PortfolioCheck:
    """
    Read and validate only.

    Raises
    ------
    PortfolioError, FieldDataError
        If the folder cannot be used.
    """
    portfolio = read_portfolio(path)
    sites = ((site, with_right_clocks(site, read_site_data(path, site, as_of))[0]) for site in portfolio.sites)
    return PortfolioCheck(portfolio, as_of, tuple(check_site(site, with_checked_light(site, data)[0]) for site, data in sites))


def _last_tests(sites: Sequence[SiteAssessment]) -> dict[tuple[str, str], dt.date]:
    """When each string was last tested, by site and string."""
    tests = {}
    for result in sites:
        for row in result.gap.string_findings[["string_id", "last_round"]].dropna().itertuples(index=False):
            tests[result.site.id, str(row.string_id)] = pd.Timestamp(row.last_round).date()
    return tests


def _period(sites: Sequence[SiteAssessment], as_of: dt.date) -> tuple[dt.date, dt.date]:
    """First day reported, and the day after the last: those of the months, as far as there is history."""
    months = [m for s in sites for m in s.gap.months]
    starts = [max(first_day(s.site, s.data), operated_from(s.site, s.data)).date() for s in sites]
    first, end = pd.Period(min(months), "M").start_time.date(), (pd.Period(max(months), "M") + 1).start_time.date()
    return max(first, min(starts)), min(end, as_of)


