"""
The only place that runs the stages in their order.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from os import PathLike

import pandas as pd

from yieldwatch.action.candidates import candidates
from yieldwatch.action.plan import make_plan
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.windows import usual_weeks
from yieldwatch.check import PortfolioCheck, check_site
from yieldwatch.cost.revenue import value_losses
from yieldwatch.errors import NotEnoughData
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.account import site_gap
from yieldwatch.gap.attribute import SiteState, infer_state
from yieldwatch.gap.clamps import check_clamps
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.portfolio.model import Portfolio, Site
from yieldwatch.portfolio.read import read_portfolio

Progress = Callable[[str], None]

#: No one-sided farm delivers a month above this: cold and a plate's tolerance together give a few per cent. Bifacial modules may,
#: since the light behind them is not counted. Common practice, no source.
_MOST_PR = 1.1


@dataclass(frozen=True)
class SiteAssessment:
    """
    The answer for one site.

    `losses` is the contract's `losses.csv`, energy and money. `rounds` is what each string showed in
    each IV round, `clamp_checks` what each clamp reading showed.
    """

    site: Site
    data: SiteData
    gap: SiteGap
    losses: pd.DataFrame
    rounds: pd.DataFrame
    clamp_checks: pd.DataFrame


@dataclass(frozen=True)
class Assessment:
    """
    The answer for a portfolio: one record a site, and the work list over all sites.

    `notices` says what was assumed in money and jobs, and which sites are left out; what the readers noticed of a site's files is
    in its `data.notices`. `work_list` and `set_aside` are the contract's tables; `period` is the reported span, start inclusive
    and end exclusive, and `as_of` the date at which the history ends. `plan` and `waiting` are the coming year by week.
    """

    portfolio: Portfolio
    as_of: dt.date
    period: tuple[dt.date, dt.date]
    sites: tuple[SiteAssessment, ...]
    work_list: pd.DataFrame
    set_aside: pd.DataFrame
    notices: tuple[str, ...]
    plan: pd.DataFrame = field(default_factory=pd.DataFrame)
    waiting: pd.DataFrame = field(default_factory=pd.DataFrame)


def assess(path: str | PathLike[str], as_of: dt.date | None = None, period: tuple[dt.date | None, dt.date | None] | None = None,
           progress: Progress | None = None) -> Assessment:
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

    Returns
    -------
    Assessment

    Raises
    ------
    PortfolioError, FieldDataError
        If the folder cannot be used.
    NotEnoughData
        If no site has weather.
    """
    say = progress or (lambda words: None)
    say("reading the portfolio")
    portfolio = read_portfolio(path)
    start, end = period or (None, None)
    done, found, usual, notices = [], [], {}, list(portfolio.notices)
    for site in portfolio.sites:
        say(f"{site.id}: reading")
        data = read_site_data(path, site, as_of)
        if data.weather is None or data.weather_step is None:
            notices.append(f"{site.id}: no weather, so nothing can be expected of it; the site is left out.")
            continue
        result, state, said = _assess_site(site, data, start, end, as_of, say)
        say(f"{site.id}: jobs")
        today = _history_end(site, data, as_of)
        jobs, more = candidates(portfolio, site, data, state, result.gap.string_findings, today)
        usual[site.id] = usual_weeks(state, today)
        done.append(result)
        found += jobs
        notices += [words if words.startswith(f"{site.id}:") else f"{site.id}: {words}" for words in (*said, *more)]
    if not done:
        raise NotEnoughData(f"{path}: no site has usable weather. Expected sites/<id>/weather.csv. Add it for at least one site.")
    say("ranking the jobs")
    last = as_of or max(_history_end(r.site, r.data, None) for r in done)
    work_list, said = rank_jobs(portfolio, found, last)
    say("planning the year")
    planned = make_plan(portfolio, found, work_list, last, usual)
    reported = pd.concat([r.gap.yields["month"] for r in done])
    first_day = start or dt.date.fromisoformat(reported.min() + "-01")
    end_day = end or (pd.Period(reported.max(), "M") + 1).start_time.date()
    return Assessment(portfolio, last, (first_day, end_day), tuple(done), planned.work_list,
                      pd.concat([r.data.set_aside for r in done], ignore_index=True), (*notices, *said, *planned.notices),
                      planned.plan, planned.waiting)


def check(path: str | PathLike[str], as_of: dt.date | None = None) -> PortfolioCheck:
    """
    Read and validate only.

    Raises
    ------
    PortfolioError, FieldDataError
        If the folder cannot be used.
    """
    portfolio = read_portfolio(path)
    return PortfolioCheck(portfolio, as_of, tuple(check_site(s, read_site_data(path, s, as_of)) for s in portfolio.sites))


def _assess_site(site: Site, data: SiteData, start: dt.date | None, end: dt.date | None, as_of: dt.date | None,
                 say: Progress) -> tuple[SiteAssessment, SiteState, tuple[str, ...]]:
    say(f"{site.id}: rounds and clamp readings")
    rounds = assess_rounds(site, data)
    findings = string_findings(site, rounds, data)
    clamps = check_clamps(site, data, rounds)
    assert data.weather is not None
    tz = site.tz
    first = _first_day(site, data)
    last = pd.Timestamp(_history_end(site, data, as_of), tz=tz)
    say(f"{site.id}: expected yield and causes")
    state = infer_state(site, data, rounds, findings, first.tz_convert("UTC"), last.tz_convert("UTC"), clamps=clamps)
    say(f"{site.id}: account")
    begin, finish = (pd.Timestamp(day, tz=tz) if day else otherwise for day, otherwise in ((start, first), (end, last)))
    gap = site_gap(state, data, findings, begin.tz_convert("UTC"), finish.tz_convert("UTC"))
    losses, said = value_losses(site, data, gap)
    said = (*said, *_left_out(gap, max(first, begin), min(last, finish)), *_too_good(gap.yields))
    return SiteAssessment(site, data, gap, losses, rounds, clamps), state, said


def _left_out(gap: SiteGap, first: pd.Timestamp, last: pd.Timestamp) -> list[str]:
    """Days at either end of the period that are in no reported month, which would else go unseen."""
    from_day = pd.Period(gap.months[0], "M").start_time.date()
    to_day = (pd.Period(gap.months[-1], "M") + 1).start_time.date()
    spans = [(first.date(), from_day), (to_day, last.date())]
    days = [f"{start} to {end - dt.timedelta(days=1)}" for start, end in spans if start < end]
    return [f"the days {' and '.join(days)} make no whole month and are not in the monthly tables."] if days else []


def _too_good(yields: pd.DataFrame) -> list[str]:
    """Months that delivered more than the light in front can give, so that light or energy is likely wrong."""
    bad = yields.loc[yields["performance_ratio"] > _MOST_PR, ["month", "performance_ratio"]]
    if bad.empty:
        return []
    worst = bad.loc[bad["performance_ratio"].idxmax()]
    return [f"{len(bad)} months have a performance ratio above {_MOST_PR:g} (highest {worst['performance_ratio']:.2f} in "
            f"{worst['month']}): unless bifacial modules gain from behind, the light, the nameplate or the energy is "
            "wrong, and so are the losses of these months. Compare the light with a second source, and the meter with the "
            "inverters."]


def _first_day(site: Site, data: SiteData) -> pd.Timestamp:
    """
    Midnight of the first local day that the weather covers by half.

    A file labelled at interval ends begins with one interval of the day before, which must not become a modelled day.
    """
    assert data.weather is not None
    start = data.weather.index[0].tz_convert(site.tz)
    day = start.normalize()
    return day if start - day <= pd.Timedelta(hours=12) else day + pd.DateOffset(days=1)


def _history_end(site: Site, data: SiteData, as_of: dt.date | None) -> dt.date:
    """The as-of date, or the day after the last day with weather."""
    assert data.weather is not None
    assert data.weather_step is not None
    end = (data.weather.index[-1] + data.weather_step).tz_convert(site.tz)
    day = end.date() if end == end.normalize() else (end.normalize() + pd.Timedelta(days=1, hours=2)).date()
    return min(as_of, day) if as_of else day
