"""
What the maintenance contractor promised, year by year of the contract, against what came.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.cost.left_on import left_on_kwh
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Guarantee, Site

#: Causes that make a farm unavailable.
OUTAGES = ("inverter_outage", "grid_outage")
#: 90 % bounds of the light behind a performance ratio. [fraction] Common practice for a kept pyranometer, no source.
LIGHT_BOUND = 0.025


@dataclass(frozen=True)
class ContractYear:
    """
    One guarantee in one year of the contract. Values in per cent with their 90 % bounds, money in the portfolio's currency.

    `raw_pct` excludes nothing. `covered` is the share of its days that lie in measured months, and `of_year` what the contract's
    end leaves of its last year, else 1; damages are in the proportion of both.
    `energy_kwh` is what the causes that count took (availability only); `left_on_kwh` is what of the curtailment excluded no
    instruction held: whether a contract excludes a limit that somebody left on is for the contract to say.
    """

    guarantee: Guarantee
    start: dt.date
    end: dt.date
    covered: float
    raw_pct: float
    value_pct: tuple[float, float, float]
    damages: tuple[float, float, float]
    energy_kwh: float
    left_on_kwh: float = 0.0
    of_year: float = 1.0


def contract_years(site: Site, gap: SiteGap, guarantee: Guarantee) -> list[ContractYear]:
    """
    A guarantee's contract years as far as measured months reach into them; none where an outage that counts was not assessed.

    Notes
    -----
    Years run from the guarantee's first day, or from commissioning, to its last. Availability is by energy: 1 - counted outages
    / (expected less what the excluded causes took). The performance ratio adds back what the excluded causes took, and takes each
    month as belonging to the year in which it begins. Damages are shortfall x damages_per_pct, in proportion to what of the year
    was measured and lies in the contract, at most the cap.
    """
    known = gap.yields["measured_kwh"].notna().to_numpy()
    if not known.any():
        return []
    index = pd.DatetimeIndex(gap.intervals.index).tz_convert(site.timezone)
    days = pd.Series(index.date)
    measured = np.isin(index.strftime("%Y-%m"), np.array(gap.months)[known])
    first = guarantee.start or site.commissioned
    out = []
    start = first
    years = 0
    while start <= days.iloc[-1] and (guarantee.end is None or start < guarantee.end):
        years += 1
        full = (pd.Timestamp(first) + pd.DateOffset(years=years)).date()
        end = full if guarantee.end is None else min(full, guarantee.end)
        inside = ((days >= start) & (days < end)).to_numpy()
        if inside.any():
            year = _availability(gap, guarantee, inside, index, known) if guarantee.kind == "availability" else \
                _performance_ratio(site, gap, guarantee, start, end, known)
            if year is not None:
                covered = days[inside & measured].nunique() / (end - start).days
                of_year = (end - start).days / (full - start).days
                raw, value, energy = year
                short = [max(guarantee.value_pct - v, 0.0) * guarantee.damages_per_pct * covered * of_year for v in value]
                most = np.inf if guarantee.cap is None else guarantee.cap
                paid = [min(s, most) for s in short]
                left = _left_on(gap, inside, index, known) if "curtailment" in guarantee.excludes else 0.0
                out.append(ContractYear(
                    guarantee, start, end, covered, raw, value, (paid[0], paid[2], paid[1]), energy, left, of_year))
        start = end
    return out


def _availability(gap: SiteGap, guarantee: Guarantee, inside: np.ndarray, index: pd.DatetimeIndex,
                  known: np.ndarray) -> tuple[float, tuple[float, float, float], float] | None:
    month = pd.Index(gap.months).get_indexer(index.strftime("%Y-%m"))
    use = inside & np.isin(month, np.flatnonzero(known))
    if not use.any():
        return None
    expected = float(gap.intervals["expected_kwh"][use].sum())
    taken = {c: _drawn(gap, c, use, month) for c in {*OUTAGES, *guarantee.excludes} if c in gap.draws}
    counted = [c for c in OUTAGES if c not in guarantee.excludes]
    if not expected > 0 or not set(counted) <= set(taken):
        return None
    lost = _total([taken[c] for c in counted])
    excluded = _total([taken[c] for c in guarantee.excludes if c in taken])
    share = [100.0 * (1.0 - a / (expected - b)) for a, b in zip(lost, excluded, strict=True)]
    drawn = 100.0 * (1.0 - lost[1] / (expected - excluded[1]))
    raw = 100.0 * (1.0 - sum(float(taken[c][0]) for c in OUTAGES if c in taken) / expected)
    return raw, _with_bounds(float(share[0]), drawn), float(lost[0])


def _left_on(gap: SiteGap, inside: np.ndarray, index: pd.DatetimeIndex, known: np.ndarray) -> float:
    """Held down in the year without an instruction, in measured months. [kWh]"""
    if not {"curtailment", "instructed_kwh"} <= set(gap.intervals):
        return 0.0
    use = inside & np.isin(pd.Index(gap.months).get_indexer(index.strftime("%Y-%m")), np.flatnonzero(known))
    return float(np.nansum(left_on_kwh(gap.intervals)[use]))


def _drawn(gap: SiteGap, cause: str, use: np.ndarray, month: np.ndarray) -> tuple[float, np.ndarray]:
    """A cause's energy in the chosen intervals, and its draws, each month in proportion to what falls inside."""
    n = len(gap.months)
    kept = month >= 0
    energy = gap.intervals[cause].fillna(0.0).to_numpy(dtype=float)
    expected = gap.intervals["expected_kwh"].fillna(0.0).to_numpy(dtype=float)

    def share(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        whole = np.bincount(month[kept], values[kept], n)
        return np.bincount(month[use], values[use], n), whole

    own, whole = share(energy)
    light, all_light = share(expected)
    part = np.where(whole != 0, own / np.where(whole != 0, whole, 1.0), light / np.where(all_light > 0, all_light, 1.0))
    return float(own.sum()), gap.draws[cause] @ part


def _total(parts: list[tuple[float, np.ndarray]]) -> tuple[float, np.ndarray | float]:
    return sum(float(v) for v, _ in parts), sum(d for _, d in parts)


def _performance_ratio(site: Site, gap: SiteGap, guarantee: Guarantee, start: dt.date, end: dt.date,
                       known: np.ndarray) -> tuple[float, tuple[float, float, float], float] | None:
    begins = pd.to_datetime(gap.yields["month"] + "-01").dt.date
    chosen = np.flatnonzero(known & (begins >= start).to_numpy() & (begins < end).to_numpy())
    if not len(chosen):
        return None
    rows = gap.yields.iloc[chosen]
    could = float((rows["insolation_kwh_m2"] * site.pdc0_kw).sum())
    if not could > 0:
        return None
    table = gap.losses[gap.losses["month"].isin(rows["month"]) & gap.losses["cause"].isin(guarantee.excludes)]
    back = float(table["energy_kwh"].sum())
    drawn = sum((gap.draws[c][:, chosen].sum(axis=1) for c in guarantee.excludes if c in gap.draws), np.zeros(1))
    measured = float(rows["measured_kwh"].sum())
    value, low, high = _with_bounds(100.0 * (measured + back) / could, 100.0 * (measured + drawn) / could)
    light = np.hypot(LIGHT_BOUND * value, [value - low, high - value])
    return 100.0 * measured / could, (value, value - light[0], value + light[1]), float("nan")


def _with_bounds(value: float, drawn: np.ndarray | float) -> tuple[float, float, float]:
    low, high = np.quantile(drawn, (0.05, 0.95))
    return value, min(float(low), value), max(float(high), value)
