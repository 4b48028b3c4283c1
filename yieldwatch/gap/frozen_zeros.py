"""
A logger that freezes at night writes zeros into the day: the log says off while the meter goes on counting.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel

#: Longest meter period that says which of an hour's inverters ran. [h] Common practice, no source.
_SHORT = 1.0
#: Share of the rating that a working inverter would exceed, and below which a reading is nothing. Common practice, no source.
_BRIGHT, _NOTHING = 0.03, 0.003
#: Fewest periods, and most that half of them may be off their middle ratio, for the meter to count what the log does and no own
#: use beside it. Common practice, no source.
_FEWEST, _STEADY = 200, 0.03
#: Share of what the silent inverters could have given that the meter must have counted: half of it is neither. Common
#: practice, no source.
_COUNTED = 0.5


def frozen_zeros(ac: np.ndarray, model: SiteModel, meter: pd.DataFrame | None) -> np.ndarray:
    """
    Zeros of the log in bright light on days on which the meter counted the energy all the same.

    Parameters
    ----------
    ac : ndarray, shape (n_inverters, n_times)
        Logged power, NaN where there is none. [kW]
    meter : DataFrame or None
        Periods `start`, `end` and `energy_kwh`; those of an hour at most are used.

    Returns
    -------
    ndarray of bool, same shape
        Day by day: where the silent inverters could have given E, and the meter has more than half of E beyond what the
        others logged. None where the meter has no short periods, or counts something else than the log, as own use makes it.
    """
    none = np.zeros(ac.shape, dtype=bool)
    could = np.minimum(model.dc, model.rating)
    silent = (could > _BRIGHT * model.rating) & (ac < _NOTHING * model.rating)
    if meter is None or meter.empty or not silent.any():
        return none
    hours = (meter["end"] - meter["start"]) / pd.Timedelta(hours=1)
    short = meter[(hours <= _SHORT + 1e-6) & meter["energy_kwh"].notna()].sort_values("start")
    if len(short) < _FEWEST:
        return none
    start, end = (pd.DatetimeIndex(short[c]).as_unit("ns").asi8 for c in ("start", "end"))
    times = model.times.as_unit("ns").asi8
    period = np.searchsorted(start, times, side="right") - 1
    inside = (period >= 0) & (times < end[period])
    period = np.where(inside, period, len(short))

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(period, weights=values, minlength=len(short) + 1)[:-1] * model.weather.hours

    complete = total(np.isfinite(ac).all(axis=0).astype(float)) >= (end - start) / 3.6e12 - 1e-6
    logged, lacking = total(np.nansum(ac, axis=0)), total((silent * could).sum(axis=0))
    counted = short["energy_kwh"].to_numpy(float)
    sound = complete & (lacking == 0.0) & (logged > 0.2 * np.quantile(logged, 0.95))
    if sound.sum() < _FEWEST:
        return none
    ratio = counted[sound] / logged[sound]
    middle = float(np.median(ratio))
    if middle <= 0.0 or np.median(np.abs(ratio / middle - 1.0)) > _STEADY:
        return none
    use = complete & (lacking > 0.0)
    days = np.asarray(model.times.tz_convert(model.site.tz).tz_localize(None).normalize().asi8)
    _, day = np.unique(days, return_inverse=True)
    day_of = np.zeros(len(short), dtype=int)
    day_of[period[inside]] = day[inside]
    n_days = int(day.max()) + 1
    beyond = np.bincount(day_of[use], weights=(counted / middle - logged)[use], minlength=n_days)
    missing = np.bincount(day_of[use], weights=lacking[use], minlength=n_days)
    contradicted = (missing > 0.0) & (beyond > _COUNTED * missing)
    return silent & contradicted[day][None, :]
