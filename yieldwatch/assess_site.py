"""
The stages of one site in their order, and all that a portfolio's answer takes of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from os import PathLike

import pandas as pd
from threadpoolctl import threadpool_limits

from yieldwatch.action.bright_hours import bright_hours
from yieldwatch.action.candidate import Candidate
from yieldwatch.action.candidates import candidates
from yieldwatch.action.readings import Reading, readings
from yieldwatch.action.who_pays import owed
from yieldwatch.action.windows import usual_weeks
from yieldwatch.book.facts import Job
from yieldwatch.cost.budget import site_bridge
from yieldwatch.cost.returns import site_returns
from yieldwatch.cost.revenue import value_losses
from yieldwatch.cost.statements import check_statements
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
from yieldwatch.processes import Progress
from yieldwatch.proof.done import asked_claims, done_jobs
from yieldwatch.proof.prove import prove_site
from yieldwatch.proof.verdict import proof_table
from yieldwatch.remarks import left_out, next_to_nothing, of_inference, too_good


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
class SiteOutcome:
    """
    What a portfolio's answer takes of one site.

    `notices` names the site. `result` is None where the site is left out, and the rest empty: `notices` then says why. `jobs`
    would win something back, `could_read` is what a reading could tell, `usual` the weeks to come and `bright` their hours with
    light enough for a test.
    """

    notices: tuple[str, ...]
    result: SiteAssessment | None = None
    jobs: tuple[Candidate, ...] = ()
    could_read: tuple[Reading, ...] = ()
    usual: pd.DataFrame = field(default_factory=pd.DataFrame)
    bright: pd.DataFrame = field(default_factory=pd.DataFrame)


# The systems are small: threads that share one out wait for each other, many times as long where anything else runs beside.
@threadpool_limits.wrap(limits=1, user_api="blas")
def assess_site(path: str | PathLike[str], portfolio: Portfolio, as_of: dt.date | None,
                period: tuple[dt.date | None, dt.date | None], in_hand: Sequence[Job], site: Site,
                say: Progress) -> SiteOutcome:
    """
    Run all stages on one site.

    Parameters
    ----------
    path : path_like
        The portfolio's folder.
    portfolio : Portfolio
    as_of : date or None
        History on and after this day is not read.
    period : tuple of date or None
        First day to report, and the day after the last; None for the history's own.
    in_hand : sequence of Job
        Of the job book.
    site : Site
    say : callable
        Called with a few words at each step.

    Returns
    -------
    SiteOutcome

    Raises
    ------
    FieldDataError
        If a file of the site cannot be used.
    """
    start, end = period
    say(f"{site.id}: reading")
    data = read_site_data(path, site, as_of)
    if data.weather is None or data.weather_step is None:
        return SiteOutcome((_no_weather(site, data),))
    span = _reported(site, data, start, end, as_of)
    if not span[0] < span[1]:
        return SiteOutcome((_no_days(site, data, start, end, as_of),))
    say(f"{site.id}: clocks")
    data, clocks = with_right_clocks(site, data)
    say(f"{site.id}: light sensor")
    data, light = with_checked_light(site, data)
    result, state, said = _losses_and_money(portfolio, site, data, clocks, light, span, as_of, say)
    say(f"{site.id}: jobs")
    today = history_end(site, data, as_of)
    jobs, more = candidates(portfolio, site, data, state, result.gap.string_findings, today,
                            owed(site, result.gap, result.rounds, today, asked_claims(site.id, in_hand)), result.clamp_checks)
    usual = usual_weeks(state, today)
    say(f"{site.id}: proof of what was done")
    proofs = prove_site(site, data, state, result.rounds, done_jobs(site, data, in_hand))
    result = replace(result, proof=proof_table(proofs, portfolio.horizon_months, portfolio.currency))
    notices = tuple(words if words.startswith(f"{site.id}:") else f"{site.id}: {words}" for words in (*said, *more))
    return SiteOutcome(notices, result, tuple(jobs), tuple(readings(site, state, jobs)), usual, bright_hours(state, today))


def _losses_and_money(portfolio: Portfolio, site: Site, data: SiteData, clocks: list[ClockShift],
                      light: tuple[LightFault, ...], span: tuple[pd.Timestamp, pd.Timestamp], as_of: dt.date | None,
                      say: Progress) -> tuple[SiteAssessment, SiteState, tuple[str, ...]]:
    say(f"{site.id}: rounds and clamp readings")
    rounds = assess_rounds(site, data)
    findings = string_findings(site, rounds, data)
    clamps = check_clamps(site, data, rounds)
    site, duty = with_standing_duty(site, clamps)
    assert data.weather is not None
    tz = site.tz
    first = first_day(site, data)
    last = pd.Timestamp(history_end(site, data, as_of), tz=tz)
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
            *left_out(gap, begin, finish), *too_good(gap.yields), *next_to_nothing(gap.yields, gap.losses))
    pictures = prepare_pictures(Subject(site, data, state, gap, losses, rounds, clamps))
    return SiteAssessment(site, data, gap, losses, rounds, clamps, statements, bridge, returns, pictures=pictures), state, said


def _no_weather(site: Site, data: SiteData) -> str:
    """Why a site is left out."""
    what = "no weather" if data.weather is None or data.weather.empty else "weather of a single time"
    aside = int((data.set_aside["file"].str.startswith(f"sites/{site.id}/weather.")).sum()) if len(data.set_aside) else 0
    rows = f" (rows of it set aside: {aside:,}; yieldwatch check says why)" if aside else ""
    return f"{site.id}: {what}{rows}, so nothing can be expected of it; the site is left out."


def first_day(site: Site, data: SiteData) -> pd.Timestamp:
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
    first, last = first_day(site, data), pd.Timestamp(history_end(site, data, as_of), tz=site.tz)
    asked = [pd.Timestamp(day, tz=site.tz) if day else otherwise for day, otherwise in ((start, first), (end, last))]
    return max(first, asked[0], operated_from(site, data)), min(last, asked[1])


def _no_days(site: Site, data: SiteData, start: dt.date | None, end: dt.date | None, as_of: dt.date | None) -> str:
    """Why a site has no day to report."""
    asked = f"; the period asked for runs from {start or 'the first day'} to {end or 'the last'}" if start or end else ""
    return (f"{site.id}: in operation from {operated_from(site, data).date()} on, with weather from "
            f"{first_day(site, data).date()} to before {history_end(site, data, as_of)}{asked}. That leaves no day, so the "
            "site is left out.")


def operated_from(site: Site, data: SiteData) -> pd.Timestamp:
    """Midnight of the day from which energy is expected: that of commissioning, or of what was delivered before."""
    delivered = first_energy(data, site) or site.commissioned
    return pd.Timestamp(min(site.commissioned, delivered), tz=site.tz)


def history_end(site: Site, data: SiteData, as_of: dt.date | None) -> dt.date:
    """The as-of date, or the day after the last day with weather."""
    assert data.weather is not None
    assert data.weather_step is not None
    end = (data.weather.index[-1] + data.weather_step).tz_convert(site.tz)
    day = end.date() if end == end.normalize() else (end.normalize() + pd.Timedelta(days=1, hours=2)).date()
    return min(as_of, day) if as_of else day
