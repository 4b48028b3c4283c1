"""
How late the stamps of light or power are against the sun itself, on clear days.

Read off three times: when it grows light, when it grows dark, and the whole day's shape, each against the same site under a
cloudless sky. Morning shade moves one side only; a clock moves both alike.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.clear_sky import clear_site
from yieldwatch.gap.lags import MOST_LAG_MIN, Series
from yieldwatch.portfolio.model import Site

_DAY = pd.Timedelta(days=1)
_STEP = pd.Timedelta(minutes=5)
#: Clear days looked for in each thirty.
_DAYS_OF_THIRTY = 4
#: Share of the day's highest value at which light or power counts as begun: what the sky alone gives just after sunrise, before
#: the plane's direction matters.
_BEGUN = 0.05
#: Most of the variance of a clear day that the cloudless shape may leave.
_CLEAR = 0.02
#: Clear days on either side, and minutes, that make a jump: no season moves dawn and dusk alike by so much.
_JUMP_DAYS, _JUMP_MIN = 4, 20.0
#: Below this day's best against the clearest of the weeks around, it was not clear.
_BRIGHT = 0.85


def clear_days(light: Series, start: pd.Timestamp, n_days: int) -> np.ndarray:
    """The brightest and smoothest days of each thirty, as day numbers from `start`; the clock does not matter for it."""
    per_day = int(_DAY / light.step)
    begins = pd.date_range(start + (light.start - start) % light.step, periods=n_days * per_day, freq=light.step)
    table = light.means(begins, light.step).reshape(n_days, per_day)
    whole = np.isfinite(table).mean(axis=1) > 0.95
    table = np.nan_to_num(table)
    energy = np.where(whole, table.sum(axis=1), 0.0)
    rough = np.abs(np.diff(table, n=2, axis=1)).sum(axis=1) / np.maximum(table.max(axis=1), 1e-9)
    found: list[int] = []
    for first in range(0, n_days, 30):
        days = np.arange(first, min(first + 30, n_days))
        bright = days[energy[days] > _BRIGHT * energy[days].max()] if energy[days].max() > 0 else days[:0]
        found += bright[np.argsort(rough[bright])[:_DAYS_OF_THIRTY]].tolist()
    return np.array(sorted(found), dtype=int)


def clear_reference(
    site: Site, days: np.ndarray, start: pd.Timestamp, temp_air: pd.Series, step: pd.Timedelta = _STEP,
    each_inverter: bool = False,
) -> dict[str, Series]:
    """The site's cloudless light and power over the days and the hours around them, missing elsewhere; named as `clear_site`."""
    span = pd.Timedelta(minutes=MOST_LAG_MIN)
    times = pd.DatetimeIndex(np.unique(np.concatenate([
        pd.date_range(start + int(d) * _DAY - span, start + (int(d) + 1) * _DAY + span, freq=step) for d in days])), tz="UTC")
    air = temp_air.reindex(times, method="nearest").ffill().bfill().fillna(15.0).to_numpy(float)
    table = clear_site(site, times, step, air, each_inverter)
    return {name: Series.of(table[name], step) for name in table}


def against_the_sun(read: Series, clear: Series, days: np.ndarray, start: pd.Timestamp) -> pd.DataFrame:
    """
    By how much stamps are late on each clear day: columns day, dawn, dusk, shape. [min]

    A day that the cloudless shape does not fit at any shift is left out: it was not clear, or was held down.
    """
    per_day = int(_DAY / read.step)
    offset = (read.start - start) % read.step
    begins = pd.DatetimeIndex(np.concatenate([
        pd.date_range(start + int(d) * _DAY + offset, periods=per_day, freq=read.step) for d in days]))
    measured = read.means(begins, read.step).reshape(len(days), per_day)
    shifts = np.arange(-MOST_LAG_MIN, MOST_LAG_MIN + 1, 10)
    model = np.stack([clear.means(begins - pd.Timedelta(minutes=int(m)), read.step).reshape(measured.shape) for m in shifts])
    model, known = np.nan_to_num(model), np.isfinite(measured).all(axis=1)
    measured = np.nan_to_num(measured)
    with np.errstate(invalid="ignore", divide="ignore"):
        fit = (model * measured).sum(axis=2) ** 2 / ((model**2).sum(axis=2) * (measured**2).sum(axis=1))
    rows = []
    for k in np.flatnonzero(known & (np.nan_to_num(fit).max(axis=0) > 1.0 - _CLEAR)):
        best = int(np.clip(np.argmax(fit[:, k]), 1, len(shifts) - 2))
        left, top, right = fit[best - 1 : best + 2, k]
        bend = left - 2 * top + right
        shape = shifts[best] + (5.0 * (left - right) / bend if bend < 0 else 0.0)
        sides = []
        for turn in (1, -1):
            seen = turn * _begins(measured[k, ::turn])
            edges = np.array([turn * _begins(model[j, k, ::turn]) for j in range(len(shifts))])
            sides.append(float(np.interp(seen, np.maximum.accumulate(edges), shifts)))
        rows.append((int(days[k]), *sides, float(shape)))
    return pd.DataFrame(rows, columns=["day", "dawn", "dusk", "shape"])


def jumps(seen: pd.DataFrame) -> list[int]:
    """First days, of a table of `against_the_sun`, of stretches over which the sun's times stand elsewhere than before."""
    late = ((seen["dawn"] + seen["dusk"]) / 2.0).to_numpy(float)
    if len(late) < 2 * _JUMP_DAYS:
        return []
    places = np.arange(_JUMP_DAYS, len(late) - _JUMP_DAYS + 1)
    left = [_spread(late[:k]) + _spread(late[k:]) for k in places]
    k = int(places[int(np.argmin(left))])
    by = abs(float(np.median(late[:k]) - np.median(late[k:])))
    if by < _JUMP_MIN or _spread(late) - min(left) < 0.5 * by * _JUMP_DAYS:
        return []
    return [*jumps(seen.iloc[:k]), int(seen["day"].iloc[k]), *jumps(seen.iloc[k:])]


def _spread(values: np.ndarray) -> float:
    return float(np.abs(values - np.median(values)).sum())


def _begins(values: np.ndarray) -> float:
    """Place, between intervals, at which values first pass the share `_BEGUN` of their highest."""
    line = _BEGUN * values.max()
    j = int(np.argmax(values > line))
    return float(j) if j == 0 else j - (values[j] - line) / (values[j] - values[j - 1])
