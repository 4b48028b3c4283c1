"""
The only place that runs the stages in their order.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from os import PathLike

import pandas as pd
from threadpoolctl import threadpool_limits

from yieldwatch.action.bright_hours import bright_hours
from yieldwatch.action.candidates import candidates
from yieldwatch.action.costing import job_id
from yieldwatch.action.next_measurements import next_measurements
from yieldwatch.action.plan import make_plan
from yieldwatch.action.plan_rows import PlanBasis
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.read_first import one_story
from yieldwatch.action.readings import Reading, readings
from yieldwatch.action.who_pays import owed, site_claims
from yieldwatch.action.windows import usual_weeks
from yieldwatch.book.agenda import rank_with_book
from yieldwatch.book.keep import JobBook
from yieldwatch.book.promises import Promises
from yieldwatch.book.reconcile import Reconciled
from yieldwatch.check import PortfolioCheck, check_site
from yieldwatch.cost.budget import site_bridge
from yieldwatch.cost.returns import site_returns
from yieldwatch.cost.revenue import value_losses
from yieldwatch.cost.statements import check_statements
from yieldwatch.errors import NotEnoughData
from yieldwatch.field.read import first_energy, read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.account import site_gap
from yieldwatch.gap.attribute import SiteState, infer_state
from yieldwatch.gap.clamps import check_clamps
from yieldwatch.gap.clock_check import ClockShift, minutes_moved, with_right_clocks
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.light_sensor import LightFault, level_doubt, with_checked_light
from yieldwatch.gap.reactive_duty import with_standing_duty
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.pictures import Picture, Subject, prepare_pictures
from yieldwatch.portfolio.model import Portfolio, Site
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.proof.done import done_jobs
from yieldwatch.proof.ledger import corrected, ledger_table, measured_verdicts
from yieldwatch.proof.prove import prove_site
from yieldwatch.proof.verdict import proof_table
from yieldwatch.remarks import left_out, next_to_nothing, of_inference, too_good

Progress = Callable[[str], None]


@dataclass(frozen=True)
class SiteAssessment:
    """
    The answer for one site.

    `losses` is the contract's `losses.csv`, energy and money. `rounds` is what each string showed in
    each IV round, `clamp_checks` what each clamp reading showed. `statement_checks`, `bridge` and `returns` say whether
    it was paid, how the budget became the income, and what return is coming; `proof` what the jobs that were done won back. Each
    may have no rows. `pictures` is what pages draw.
    """

    site: Site
    data: SiteData
    gap: SiteGap
    losses: pd.DataFrame
    rounds: pd.DataFrame
    clamp_checks: pd.DataFrame
    statement_checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    bridge: pd.DataFrame = field(default_factory=pd.DataFrame)
    returns: pd.DataFrame = field(default_factory=pd.DataFrame)
    proof: pd.DataFrame = field(default_factory=pd.DataFrame)
    pictures: tuple[Picture, ...] = ()


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
           progress: Progress | None = None, opens_book: Callable[[], JobBook] | None = None) -> Assessment:
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
    start, end = period or (None, None)
    done, found, usual, notices = [], [], {}, list(portfolio.notices)
    skipped: list[str] = []
    could_read: list[Reading] = []
    bright: list[pd.DataFrame] = []
    for site in portfolio.sites:
        say(f"{site.id}: reading")
        data = read_site_data(path, site, as_of)
        if data.weather is None or data.weather_step is None:
            notices.append(_no_weather(site, data))
            skipped.append(notices[-1])
            continue
        span = _reported(site, data, start, end, as_of)
        if not span[0] < span[1]:
            notices.append(_no_days(site, data, start, end, as_of))
            skipped.append(notices[-1])
            continue
        say(f"{site.id}: clocks")
        data, clocks = with_right_clocks(site, data)
        say(f"{site.id}: light sensor")
        data, light = with_checked_light(site, data)
        result, state, said = _assess_site(portfolio, site, data, clocks, light, span, as_of, say)
        say(f"{site.id}: jobs")
        today = _history_end(site, data, as_of)
        jobs, more = candidates(portfolio, site, data, state, result.gap.string_findings, today,
                                owed(site, result.gap, result.rounds, today), result.clamp_checks)
        usual[site.id] = usual_weeks(state, today)
        say(f"{site.id}: proof of what was done")
        proofs = prove_site(site, data, state, result.rounds, done_jobs(site, data, in_hand))
        result = replace(result, proof=proof_table(proofs, portfolio.horizon_months, portfolio.currency))
        could_read += readings(site, state, jobs)
        bright.append(bright_hours(state, today))
        done.append(result)
        found += jobs
        notices += [words if words.startswith(f"{site.id}:") else f"{site.id}: {words}" for words in (*said, *more)]
    if not done:
        raise NotEnoughData("\n".join([*skipped, "No site is left to assess. Expected weather of at least one site within the "
                                       "period. Add it to sites/<id>/weather.csv, or ask for another period."]))
    say("ranking the jobs")
    last = as_of or max(_history_end(r.site, r.data, None) for r in done)
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
    claims = pd.concat([site_claims(r.site, r.data, r.gap, r.losses, r.rounds, work_list, last) for r in done], ignore_index=True)
    set_aside = pd.concat([r.data.set_aside for r in done], ignore_index=True)
    told = tuple(dict.fromkeys((*notices, *said, *planned.notices, *of_readings)))
    return Assessment(portfolio, last, _period(done, last), tuple(done), work_list, set_aside, told, claims, in_book,
                      planned.plan, planned.waiting, ledger, next_up, pd.concat(bright, ignore_index=True),
                      planned.basis)


def _no_weather(site: Site, data: SiteData) -> str:
    """Why a site is left out."""
    what = "no weather" if data.weather is None or data.weather.empty else "weather of a single time"
    aside = int((data.set_aside["file"].str.startswith(f"sites/{site.id}/weather.")).sum()) if len(data.set_aside) else 0
    rows = f" (rows of it set aside: {aside:,}; yieldwatch check says why)" if aside else ""
    return f"{site.id}: {what}{rows}, so nothing can be expected of it; the site is left out."


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


def _assess_site(portfolio: Portfolio, site: Site, data: SiteData, clocks: list[ClockShift],
                 light: tuple[LightFault, ...], span: tuple[pd.Timestamp, pd.Timestamp], as_of: dt.date | None,
                 say: Progress) -> tuple[SiteAssessment, SiteState, tuple[str, ...]]:
    say(f"{site.id}: rounds and clamp readings")
    rounds = assess_rounds(site, data)
    findings = string_findings(site, rounds, data)
    clamps = check_clamps(site, data, rounds)
    site, duty = with_standing_duty(site, clamps)
    assert data.weather is not None
    tz = site.tz
    first = _first_day(site, data)
    last = pd.Timestamp(_history_end(site, data, as_of), tz=tz)
    say(f"{site.id}: expected yield and causes")
    state = infer_state(site, data, rounds, findings, first.tz_convert("UTC"), last.tz_convert("UTC"), clamps=clamps,
                        sensor_doubt=level_doubt(light), clocks=clocks)
    say(f"{site.id}: account")
    begin, finish = span
    gap = site_gap(state, data, findings, begin.tz_convert("UTC"), finish.tz_convert("UTC"))
    moved = {f"{name}_late_min": minutes_moved(gap.yields["month"], clocks, source, site)
             for name, source in (("log", "power"), ("weather", "weather"))}
    gap = replace(gap, yields=gap.yields.assign(**moved))
    losses, said = value_losses(site, data, gap)
    say(f"{site.id}: money")
    statements, paid = check_statements(site, data, gap)
    bridge, budget = site_bridge(site, data, gap)
    returns, earned = site_returns(site, data, gap, losses, portfolio.discount_rate)
    said = (*said, *of_inference(data, state, rounds), *filter(None, [duty]), *dict.fromkeys((*paid, *budget, *earned)),
            *left_out(gap, begin, finish), *too_good(gap.yields), *next_to_nothing(gap.yields))
    pictures = prepare_pictures(Subject(site, data, state, gap, losses, rounds, clamps))
    return SiteAssessment(site, data, gap, losses, rounds, clamps, statements, bridge, returns, pictures=pictures), state, said


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
    starts = [max(_first_day(s.site, s.data), _operated_from(s.site, s.data)).date() for s in sites]
    first, end = pd.Period(min(months), "M").start_time.date(), (pd.Period(max(months), "M") + 1).start_time.date()
    return max(first, min(starts)), min(end, as_of)


def _first_day(site: Site, data: SiteData) -> pd.Timestamp:
    """
    Midnight of the first local day that the weather covers by half.

    A file labelled at interval ends begins with one interval of the day before, which must not become a modelled day.
    """
    assert data.weather is not None
    start = data.weather.index[0].tz_convert(site.tz)
    day = start.normalize()
    return day if start - day <= pd.Timedelta(hours=12) else day + pd.DateOffset(days=1)


def _reported(site: Site, data: SiteData, start: dt.date | None, end: dt.date | None,
              as_of: dt.date | None) -> tuple[pd.Timestamp, pd.Timestamp]:
    """The span asked for, as far as the site was in operation and has weather, end exclusive; the end is not later if none is."""
    first, last = _first_day(site, data), pd.Timestamp(_history_end(site, data, as_of), tz=site.tz)
    asked = [pd.Timestamp(day, tz=site.tz) if day else otherwise for day, otherwise in ((start, first), (end, last))]
    return max(first, asked[0], _operated_from(site, data)), min(last, asked[1])


def _no_days(site: Site, data: SiteData, start: dt.date | None, end: dt.date | None, as_of: dt.date | None) -> str:
    """Why a site has no day to report."""
    asked = f"; the period asked for runs from {start or 'the first day'} to {end or 'the last'}" if start or end else ""
    return (f"{site.id}: in operation from {_operated_from(site, data).date()} on, with weather from "
            f"{_first_day(site, data).date()} to before {_history_end(site, data, as_of)}{asked}. That leaves no day, so the "
            "site is left out.")


def _operated_from(site: Site, data: SiteData) -> pd.Timestamp:
    """Midnight of the day from which energy is expected: that of commissioning, or of what was delivered before."""
    delivered = first_energy(data, site) or site.commissioned
    return pd.Timestamp(min(site.commissioned, delivered), tz=site.tz)


def _history_end(site: Site, data: SiteData, as_of: dt.date | None) -> dt.date:
    """The as-of date, or the day after the last day with weather."""
    assert data.weather is not None
    assert data.weather_step is not None
    end = (data.weather.index[-1] + data.weather_step).tz_convert(site.tz)
    day = end.date() if end == end.normalize() else (end.normalize() + pd.Timedelta(days=1, hours=2)).date()
    return min(as_of, day) if as_of else day
