"""
The price of waiting: what each job returns by the week in which it is done.

The horizon ends on the same day whenever a job is done. So a fault left for a month costs that month, a wash moves with the dirt
that will lie there by then, and a cut with the plants. Money is at present value on the as-of date.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.starts import N_WEEKS, START_DAYS
from yieldwatch.action.windows import why_not
from yieldwatch.cost import finance
from yieldwatch.cost.amounts import money
from yieldwatch.portfolio.model import Portfolio

WAITING_COLUMNS = ["site_id", "job_id", "week", "start", "gain", "low", "high", "allowed", "why_not"]
#: Weeks over which the price of a week's delay is averaged: a month. Common practice, no source.
_DELAY_WEEKS = 4
_WEEK_DAYS = 7.0 * np.arange(N_WEEKS)


@dataclass(frozen=True, eq=False)
class Wait:
    """
    One job over the coming weeks.

    Attributes
    ----------
    job : Candidate
    job_id : str
    by_start : ndarray, shape (n_starts, n_draws, n_months)
        Present value of what each month returns if the job is done on each of `START_DAYS`. [money]
    left : ndarray, shape (n_starts, n_months)
        Share of each month that is still to come on those days.
    why_not : list of str, length N_WEEKS
        What forbids a week; empty where nothing does.
    """

    job: Candidate
    job_id: str
    by_start: np.ndarray
    left: np.ndarray
    why_not: list[str]

    @property
    def allowed(self) -> np.ndarray:
        return np.array([not reason for reason in self.why_not])

    @property
    def recurs(self) -> bool:
        return self.job.later is not None

    @property
    def gain(self) -> np.ndarray:
        """What it returns by start week, shape (n_draws, N_WEEKS). [money]"""
        low, part = _between(np.arange(N_WEEKS))
        total = self.by_start.sum(axis=2)
        return (total[low] * (1.0 - part)[:, None] + total[low + 1] * part[:, None]).T

    def returns(self, week: int, until: int | None = None) -> np.ndarray:
        """What it returns by draw if done in a week and, if said, done again in a later one, shape (n_draws,). [money]"""
        by_month = _mixed(self.by_start, week)
        return (by_month if until is None else by_month * (1.0 - _mixed(self.left, until))).sum(axis=1)


def _between(week: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The start day before each week, and how far the week is on the way to the next."""
    low = np.minimum(7 * week // START_DAYS[1], len(START_DAYS) - 2)
    return low, (7 * week - START_DAYS[low]) / START_DAYS[1]


def _mixed(by_start: np.ndarray, week: int) -> np.ndarray:
    low, part = (x[0] for x in _between(np.array([week])))
    return by_start[low] * (1.0 - part) + by_start[low + 1] * part


def week_start(as_of: dt.date, week: int) -> dt.date:
    """First day of a week ahead; week 0 begins on the as-of date."""
    return as_of + dt.timedelta(days=7 * week)


def discounts(portfolio: Portfolio) -> np.ndarray:
    """Present value of a unit of money paid in each week ahead, shape (N_WEEKS,)."""
    return (1.0 + portfolio.discount_rate) ** (-_WEEK_DAYS / 365.25)


def waits(portfolio: Portfolio, candidates: Sequence[Candidate], jobs: pd.DataFrame, as_of: dt.date,
          usual: Mapping[str, pd.DataFrame]) -> list[Wait]:
    """
    Returns and windows of each job by week.

    Parameters
    ----------
    portfolio : Portfolio
    candidates : sequence of Candidate
    jobs : DataFrame
        Same rows, from `costing.price_jobs`: job_id and lead_days.
    as_of : date
    usual : mapping of str to DataFrame
        By site, from `windows.usual_weeks`; a site without one has windows by lead time and season alone.

    Returns
    -------
    list of Wait
    """
    sites = {s.id: s for s in portfolio.sites}
    found = []
    for job, name, lead in zip(candidates, jobs["job_id"], jobs["lead_days"], strict=True):
        by_start, left = _by_start(portfolio, job)
        found.append(Wait(job, name, by_start, left, why_not(sites[job.site_id], job, as_of, lead, usual.get(job.site_id))))
    return found


def _by_start(portfolio: Portfolio, job: Candidate) -> tuple[np.ndarray, np.ndarray]:
    value = np.atleast_2d(job.gain_value)
    months = min(value.shape[1], portfolio.horizon_months)
    left = _even(value.shape[1]) if job.left is None else job.left
    later = value * left[:, None, :] if job.later is None else job.later
    present = (1.0 + finance.monthly_rate(portfolio.discount_rate)) ** -np.arange(1.0, months + 1)
    return later[:, :, :months] * present, left[:, :months]


def _even(months: int) -> np.ndarray:
    """Months left on each start day if all days are alike, shape (n_starts, months)."""
    return np.clip(np.arange(1.0, months + 1) - START_DAYS[:, None] / (365.25 / 12), 0.0, 1.0)


def waiting_table(found: Sequence[Wait], as_of: dt.date) -> pd.DataFrame:
    """
    Every job and week.

    Returns
    -------
    DataFrame
        `WAITING_COLUMNS`; `gain`, `low` and `high` (90 %) are the present value of what the job returns within the horizon if
        it is done in that week, before its cost; NaN where it has no price.
    """
    starts = [week_start(as_of, w).isoformat() for w in range(N_WEEKS)]
    parts = []
    for wait in found:
        gain = wait.gain
        low, high = np.quantile(gain, [0.05, 0.95], axis=0)
        parts.append(pd.DataFrame({
            "site_id": wait.job.site_id, "job_id": wait.job_id, "week": range(N_WEEKS), "start": starts,
            "gain": gain.mean(axis=0), "low": low, "high": high, "allowed": wait.allowed, "why_not": wait.why_not}))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=WAITING_COLUMNS)


def timing(portfolio: Portfolio, wait: Wait, cost: float, as_of: dt.date) -> dict[str, object]:
    """
    When to do one job, and what it costs to do it later or never.

    Parameters
    ----------
    portfolio : Portfolio
    wait : Wait
    cost : float
        Of the job with its share of the visit; NaN where it has none. [money]
    as_of : date

    Returns
    -------
    dict
        best_start, latest_start (last week in which it still pays): ISO dates, None where there is none. npv_best_start,
        delay_cost_per_week with its 90 % bounds, the mean over the four weeks after the best one, NaN where that is the last
        [money]. options: doing
        nothing, doing it soon and waiting, in words.
    """
    blank = {"best_start": None, "latest_start": None, "npv_best_start": np.nan, "delay_cost_per_week": np.nan,
             "delay_cost_low_per_week": np.nan, "delay_cost_high_per_week": np.nan}
    allowed = np.flatnonzero(wait.allowed)
    if wait.job.safety:
        return blank | {"options": "It must be made safe: neither waiting nor doing nothing is an option."}
    gain = wait.gain
    if not len(allowed) or np.isnan(gain).any():
        why = "No week of the coming year allows it." if not len(allowed) else "Its return has no price, so waiting has none."
        return blank | {"options": why}
    mean = gain.mean(axis=0)
    net = mean - (0.0 if np.isnan(cost) else cost) * discounts(portfolio)
    first, best = int(allowed[0]), int(allowed[np.argmax(net[allowed])])
    if wait.job.job_kind == "claim":
        # Nothing is gained by a letter that waits while its clock runs.
        best = first
    end = min(best + _DELAY_WEEKS, N_WEEKS - 1)
    # The best week may be the last that is looked at: what a later one would cost is then not known.
    price = (gain[:, best] - gain[:, end]) / (end - best) if end > best else np.full(len(gain), np.nan)
    low, high = np.quantile(price, [0.05, 0.95])
    paying = allowed[net[allowed] > 0]
    return {
        "best_start": week_start(as_of, best).isoformat(),
        "latest_start": week_start(as_of, int(paying[-1])).isoformat() if len(paying) and not np.isnan(cost) else None,
        "npv_best_start": net[best] if not np.isnan(cost) else np.nan,
        "delay_cost_per_week": price.mean(), "delay_cost_low_per_week": low, "delay_cost_high_per_week": high,
        "options": _options(portfolio, wait.job, net, (first, best), (float(price.mean()), low, high), as_of, not np.isnan(cost)),
    }


def _options(portfolio: Portfolio, job: Candidate, net: np.ndarray, weeks: tuple[int, int],
             price: tuple[float, float, float], as_of: dt.date, priced: bool) -> str:
    def text(amount: float, interval: tuple[float, float] = (np.nan, np.nan)) -> str:
        return money(amount, portfolio.currency, *interval)

    def bounds(low: float, high: float) -> str:
        """Beside the sum that they bound, which names the currency."""
        return " to ".join(text(end, (low, high)).replace(f"{portfolio.currency} ", "") for end in (low, high))

    first, best = weeks
    year = np.atleast_2d(job.gain_value)[:, :12].sum(axis=1)
    low, high = np.quantile(year, [0.05, 0.95])
    claim = job.job_kind == "claim"
    stays = "stays unclaimed" if claim else "stays lost in the coming year"
    said = [f"Do nothing: {text(float(year.mean()), (low, high))} {stays} ({bounds(low, high)})."]
    if not priced:
        return f"{said[0]} Doing it has no cost yet to be held against that."
    months = portfolio.horizon_months
    said.append(f"Do it from {week_start(as_of, first)}: {text(net[first])} net in {months} months, cost and "
                "return at present value.")
    if claim:
        # A letter that waits seems better by the interest on what it costs, which is no reason to let its clock run.
        return " ".join([*said, "Do not wait: a later letter brings no more, and after the last day to claim it brings nothing."])
    later = best if best > first else min(first + 13, N_WEEKS - 1)
    said.append(f"Wait to {week_start(as_of, later)}: {text(net[later])} net.")
    if net[best] <= 0:
        return " ".join([*said, "Doing nothing is the best of these."])
    best_is = "Do not wait" if best == first else f"Best from {week_start(as_of, best)}"
    if np.isnan(price[0]):
        return " ".join([*said, f"{best_is}, the last week looked at: look again then."])
    return " ".join([*said, f"{best_is}: each week after it costs {text(price[0], price[1:])} ({bounds(*price[1:])})."])
