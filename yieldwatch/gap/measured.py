"""
What was measured, month by month: the revenue meter first, the inverters' log where the meter is silent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.logs import InverterLog

#: Share of a month's modelled energy that the meter, and the log, must have seen for the month to count as measured.
METER_COVERS, LOG_COVERS = 0.98, 0.5


@dataclass(frozen=True, eq=False)
class Measured:
    """
    Arrays by month, shape (n_months,); NaN where nothing measured the month.

    Attributes
    ----------
    months : tuple of str
        YYYY-MM, site time.
    energy, estimated, inverter : ndarray
        Measured energy (gaps filled at the modelled state), the part of it that is so filled, and the log's own sum at
        the inverters. [kWh]
    source : list of str
        "meter", "inverter_log" or "".
    coverage : ndarray
        Share of the modelled energy that was really measured.
    shape : ndarray, shape (n_times,)
        Measured or modelled output of each daylight interval, from which a month's energy is shared among its intervals. [kWh]
    """

    months: tuple[str, ...]
    energy: np.ndarray
    estimated: np.ndarray
    inverter: np.ndarray
    source: list[str]
    coverage: np.ndarray
    shape: np.ndarray


def measured_months(
    model: SiteModel,
    state: np.ndarray,
    meter: pd.DataFrame | None,
    log: InverterLog | None,
    month: np.ndarray,
    months: tuple[str, ...],
) -> Measured:
    """
    Measured energy of each month.

    Parameters
    ----------
    state : ndarray, shape (n_inverters, n_times)
        Modelled output at the meter with all causes on, which fills gaps and shares periods. [kWh]
    month : ndarray of int, shape (n_times,)
        Place of each interval's month in `months`.
    """
    n = len(months)
    total = state.sum(axis=0)
    modelled = np.bincount(month, weights=total, minlength=n)
    by_meter, metered = _meter_by_month(model, total, meter, month, n)
    logged: np.ndarray = np.zeros(n)
    seen: np.ndarray = np.zeros(n)
    inverter: np.ndarray = np.full(n, np.nan)
    shape = total
    if log is not None:
        known = np.isfinite(log.ac)
        energy = np.where(known, log.ac, 0.0) * model.weather.hours
        inverter = np.bincount(month, weights=energy.sum(axis=0), minlength=n)
        logged = inverter * model.to_meter
        seen = np.bincount(month, weights=np.where(known, state, 0.0).sum(axis=0), minlength=n)
        shape = np.where(known, energy * model.to_meter, state).sum(axis=0)
        inverter = np.where(np.bincount(month, weights=known.sum(axis=0), minlength=n) > 0, inverter, np.nan)
    out = Measured(months, np.full(n, np.nan), np.full(n, np.nan), inverter, [""] * n, np.zeros(n), shape)
    for m in range(n):
        whole = max(modelled[m], 1e-9)
        if metered[m] / whole >= METER_COVERS:
            gap, source, value, part = max(whole - metered[m], 0.0), "meter", by_meter[m], metered[m]
        elif seen[m] / whole >= LOG_COVERS:
            gap, source, value, part = max(whole - seen[m], 0.0), "inverter_log", logged[m], seen[m]
        else:
            out.coverage[m] = max(metered[m], seen[m]) / whole if modelled[m] > 0 else 0.0
            continue
        out.energy[m], out.estimated[m], out.source[m] = value + gap, gap, source
        out.coverage[m] = min(part / whole, 1.0)
    return out


def beyond_weather(model: SiteModel, meter: pd.DataFrame) -> np.ndarray:
    """
    Periods that begin before the weather or end after it, by more than the share of a month that may be missing.

    Their energy cannot be held against the part of their time that is modelled. Shape (n_periods,).
    """
    grid = model.weather.table.index
    spare = ((meter["end"] - meter["start"]) * (1.0 - METER_COVERS)).clip(lower=pd.Timedelta("1h"))
    return ((meter["start"] + spare < grid[0]) | (meter["end"] - spare > grid[-1] + model.weather.step)).to_numpy(bool)


def _meter_by_month(
    model: SiteModel, total: np.ndarray, meter: pd.DataFrame | None, month: np.ndarray, n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Metered energy of each month, and the modelled energy of the time it covers; crossing periods shared by the model."""
    energy: np.ndarray = np.zeros(n)
    covered: np.ndarray = np.zeros(n)
    if meter is None or meter.empty:
        return energy, covered
    meter = meter[~beyond_weather(model, meter)]
    if meter.empty:
        return energy, covered
    start = pd.DatetimeIndex(meter["start"]).as_unit("ns").asi8
    end = pd.DatetimeIndex(meter["end"]).as_unit("ns").asi8
    middle = (model.times + model.weather.step / 2).as_unit("ns").asi8
    period = np.searchsorted(start, middle, side="right") - 1
    inside = (period >= 0) & (middle < end[np.maximum(period, 0)])
    if model.weather.step > pd.Timedelta(np.median(end - start), "ns"):
        return _fine_meter(start, end, meter["energy_kwh"].to_numpy(float), model, total, month, n)
    weight = np.bincount(period[inside], weights=total[inside], minlength=len(start))
    count = np.bincount(period[inside], minlength=len(start))
    # A period whose modelled output is nil still carries its energy: shared evenly.
    share = np.where(
        weight[period] > 0, total / np.where(weight[period] > 0, weight[period], 1.0), 1.0 / np.maximum(count[period], 1)
    )
    kwh = meter["energy_kwh"].to_numpy(float)
    energy = np.bincount(month[inside], weights=(kwh[period] * share)[inside], minlength=n)
    # Night has no interval here; a period wholly at night adds what little it holds to no month but is no gap either.
    covered = np.bincount(month[inside], weights=total[inside], minlength=n)
    return energy, covered


def _fine_meter(
    start: np.ndarray, end: np.ndarray, kwh: np.ndarray, model: SiteModel, total: np.ndarray, month: np.ndarray, n: int
) -> tuple[np.ndarray, np.ndarray]:
    """A meter finer than the weather: added up to the weather's intervals; one counts when nearly all of it is there."""
    grid = model.times.as_unit("ns").asi8
    step = model.weather.step.value
    at = np.searchsorted(grid, start, side="right") - 1
    inside = (at >= 0) & (start < grid[np.maximum(at, 0)] + step)
    energy_t = np.bincount(at[inside], weights=kwh[inside], minlength=len(grid))
    time_t = np.bincount(at[inside], weights=(end - start)[inside], minlength=len(grid))
    full = time_t > 0.95 * step
    return (
        np.bincount(month, weights=np.where(full, energy_t, 0.0), minlength=n),
        np.bincount(month, weights=np.where(full, total, 0.0), minlength=n),
    )
