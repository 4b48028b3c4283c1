"""
A logger that freezes at night writes zeros into the day: the log says off while the meter goes on counting.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import lsq_linear

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.night_zeros import night_zeros

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
#: Weight, relative to the readings, of taking runs of the same hours alike. Common practice, no source.
_ALIKE = 0.03


def frozen_zeros(ac: np.ndarray, model: SiteModel, meter: pd.DataFrame | None, known_off: np.ndarray) -> np.ndarray:
    """
    Zeros of the log in bright light that are no outage, bool, shape as `ac`.

    Where the meter tells, it says so run by run; where it does not, a run that began in a dry night may be the logger's
    (`night_zeros`).

    Parameters
    ----------
    ac : ndarray, shape (n_inverters, n_times)
        Logged power, NaN where there is none. [kW]
    meter : DataFrame or None
        Periods `start`, `end` and `energy_kwh`; those of an hour at most are used.
    known_off : ndarray of bool, same shape
        Intervals of recorded outages and of faults that the status tells.
    """
    could = np.minimum(model.dc, model.rating)
    bright = could > _BRIGHT * model.rating
    silent = bright & (ac < _NOTHING * model.rating)
    share = _counted(ac, silent, could, model, meter)
    return (share > _COUNTED) | (np.isnan(share) & night_zeros(ac, silent, bright, could, model, known_off))


def _counted(
    ac: np.ndarray, silent: np.ndarray, could: np.ndarray, model: SiteModel, meter: pd.DataFrame | None
) -> np.ndarray:
    """
    Share of what a silent inverter could have given that the meter has beyond what was logged, shape as `ac`.

    One value a run; runs of one day are told apart by their hours, and two of the same hours count alike. NaN where nothing was
    silent, and where the meter has no short periods or counts something else than the log, as own use makes it.
    """
    none = np.full(ac.shape, np.nan)
    if meter is None or meter.empty or not silent.any():
        return none
    short = _short_periods(meter, model)
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
    beyond = np.where(complete, counted / middle - logged, np.nan)
    days = np.asarray(model.times.tz_convert(model.site.tz).tz_localize(None).normalize().asi8)
    out = none
    for day in np.unique(days[silent.any(axis=0)]):
        runs = _runs(silent, np.flatnonzero(days == day))
        of_run = np.array([total(np.where(run, could[k], 0.0)) for k, run in runs])
        told = np.isfinite(beyond) & (of_run.sum(axis=0) > 0.0)
        share = _shares(of_run[:, told].T, beyond[told])
        for (k, run), value, energy in zip(runs, share, of_run[:, told].sum(axis=1), strict=True):
            out[k, run] = value if energy > 0.0 else np.nan
    return out


def _shares(parts: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """
    Shares from 0 to 1 of the columns of `parts`, shape (n_periods, n_runs), that add up to `whole` best; alike where columns are.
    """
    alike = _ALIKE * np.linalg.norm(parts) * np.eye(parts.shape[1])
    if not alike.any():
        return np.zeros(parts.shape[1])
    return lsq_linear(np.vstack([parts, alike]), np.r_[whole, np.zeros(len(alike))], (0.0, 1.0)).x


def _runs(silent: np.ndarray, at: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """Inverter and mask (n_times,) of each run of silence within the neighbouring intervals `at`."""
    out = []
    for k in np.flatnonzero(silent[:, at].any(axis=1)):
        on = silent[k, at]
        number = np.cumsum(on & ~np.r_[False, on[:-1]])
        for run in range(1, int(number.max()) + 1):
            mask = np.zeros(silent.shape[1], dtype=bool)
            mask[at[on & (number == run)]] = True
            out.append((int(k), mask))
    return out


def _short_periods(meter: pd.DataFrame, model: SiteModel) -> pd.DataFrame:
    """Known periods of an hour at most, in order; those shorter than the model's interval added up to whole intervals."""
    length = meter["end"] - meter["start"]
    short = meter[(length <= pd.Timedelta(hours=_SHORT)) & meter["energy_kwh"].notna()].sort_values("start")
    step = model.weather.step
    if short.empty or length[short.index].median() >= step:
        return short
    slot = model.weather.floor(pd.DatetimeIndex(short["start"]))
    grouped = short.assign(length=length).groupby(slot)[["energy_kwh", "length"]].sum()
    whole = grouped[(grouped["length"] - step).abs() < 0.01 * step]
    return pd.DataFrame({"start": whole.index, "end": whole.index + step, "energy_kwh": whole["energy_kwh"].to_numpy()})
