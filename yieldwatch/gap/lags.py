"""
By how much one series of power or light comes after another, day by day, and on which day that changes.

Only passing clouds tell: from each value the usual one at that time of day over the weeks around is taken off, and what is left
is compared step by step. So it does not matter where an array faces, what shades it each morning, or which is the larger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

_DAY = pd.Timedelta(days=1)
#: Days on either side over which a time of day has its usual value.
_USUAL_DAYS = 7
#: Lags looked at, either side. [min] A wrong zone may be further off; the nearest edge of the search then shows no peak.
MOST_LAG_MIN = 180
#: Finest step of a lag, and shortest intervals compared. [min] Below, sensor and field do not see the same cloud.
_FINEST_MIN, _SHORTEST_MIN = 5, 15
#: Gain in summed daily correlation that a new stretch must bring, and its least length. Two stretches of one lag gain nothing;
#: the gain by chance of two weeks of weather is near one. Common practice, no source.
_LEAST_GAIN, _LEAST_DAYS = 4.0, 10
#: Mean daily correlation at the best lag below which the two series do not see the same sky.
_SAME_SKY = 0.15


@dataclass(frozen=True, eq=False)
class Series:
    """Means over even intervals: `start` of the first, `step`, and values with NaN where missing, shape (n,)."""

    start: pd.Timestamp
    step: pd.Timedelta
    values: np.ndarray

    @classmethod
    def of(cls, values: pd.Series, step: pd.Timedelta) -> Series:
        """From a series indexed by UTC time; rows off the most usual grid go to the interval in which they start."""
        times = pd.DatetimeIndex(values.index)
        kinds, counts = np.unique((times - times[0]) % step, return_counts=True)
        start = times[0] + pd.Timedelta(kinds[np.argmax(counts)]) - step
        slot = ((times - start) // step).to_numpy()
        known = values.notna().to_numpy() & (slot >= 0)
        n = int(slot.max()) + 1
        count = np.bincount(slot[known], minlength=n)
        total = np.bincount(slot[known], weights=values.to_numpy(float)[known], minlength=n)
        return cls(start, step, np.where(count > 0, total / np.maximum(count, 1), np.nan))

    def means(self, begins: pd.DatetimeIndex, length: pd.Timedelta) -> np.ndarray:
        """Mean over [begin, begin + length); NaN where more than a fifth of it is missing."""
        edges = np.arange(len(self.values) + 1, dtype=float)
        known = np.isfinite(self.values)
        run = np.r_[0.0, np.cumsum(np.where(known, self.values, 0.0))]
        there = np.r_[0.0, np.cumsum(known)]
        first = np.asarray((begins - self.start) / self.step, dtype=float)
        last = first + length / self.step
        share = (np.interp(last, edges, there) - np.interp(first, edges, there)) / (length / self.step)
        total = np.interp(last, edges, run) - np.interp(first, edges, run)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(share > 0.8, total / (share * (length / self.step)), np.nan)


@dataclass(frozen=True)
class Stretch:
    """
    Days `first` to `last` (exclusive, counted from the common start) over which one lag holds.

    `lag_min` is by how much the second series' stamps are late against the first's, `doubt_min` its standard uncertainty; NaN
    where the two do not see the same sky.
    """

    first: int
    last: int
    lag_min: float
    doubt_min: float


def lags_by_stretch(first: Series, second: Series, start: pd.Timestamp, n_days: int) -> list[Stretch]:
    """
    Lag of the second series behind the first, in stretches that cover `n_days` days from `start`.

    A lag finer than the series' step is read between lags by a parabola; its uncertainty is that of the fortnights' mean, and no
    less than a tenth of the longer step.
    """
    step = max(first.step, second.step, pd.Timedelta(minutes=_SHORTEST_MIN))
    fine = max(min(first.step, second.step), pd.Timedelta(minutes=_FINEST_MIN))
    reach = int(pd.Timedelta(minutes=MOST_LAG_MIN) / fine)
    lags = np.arange(-reach, reach + 1)
    # The coarser series keeps its own intervals, so that only the finer one is averaged anew.
    base, moved, sign = (first, second, 1) if first.step >= second.step else (second, first, -1)
    phase = (base.start - start) % step
    begins = pd.date_range(start + phase, periods=int(n_days * (_DAY / step)), freq=step)
    fixed = _changes(base.means(begins, step), n_days)
    score = np.zeros((len(lags), n_days))
    for j, lag in enumerate(lags):
        other = _changes(moved.means(begins + sign * lag * fine, step), n_days)
        both = np.isfinite(fixed) & np.isfinite(other)
        a, b = np.where(both, fixed, 0.0), np.where(both, other, 0.0)
        size = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
        score[j] = np.where(size > 0, (a * b).sum(axis=1) / np.maximum(size, 1e-12), 0.0)
    fine_min, step_min = (x / pd.Timedelta(minutes=1) for x in (fine, step))
    return [Stretch(a, b, *_lag(score[:, a:b], lags * fine_min, 0.1 * step_min)) for a, b in _split(score, 0, n_days)]


def _changes(values: np.ndarray, n_days: int) -> np.ndarray:
    """Changes from step to step of what differs from the usual at that time of day, shape (n_days, n - 1)."""
    table = values.reshape(n_days, -1)
    known = np.isfinite(table)
    parts = []
    for part in (np.where(known, table, 0.0), known.astype(float)):
        run = np.cumsum(np.vstack([np.zeros((1, part.shape[1])), part]), axis=0)
        at = np.arange(n_days)
        parts.append(run[np.minimum(at + _USUAL_DAYS + 1, n_days)] - run[np.maximum(at - _USUAL_DAYS, 0)])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.diff(table - parts[0] / parts[1], axis=1)


def _split(score: np.ndarray, first: int, last: int) -> list[tuple[int, int]]:
    """Stretches of one best lag, by halving where two lags fit enough better than one."""
    if last - first < 2 * _LEAST_DAYS:
        return [(first, last)]
    run = np.cumsum(score[:, first:last], axis=1)
    both = run.max(axis=0) + (run[:, -1:] - run).max(axis=0) - run[:, -1].max()
    inner = slice(_LEAST_DAYS, last - first - _LEAST_DAYS)
    if not len(both[inner]):
        return [(first, last)]
    at = int(np.argmax(both[inner])) + _LEAST_DAYS
    if both[at] < _LEAST_GAIN:
        return [(first, last)]
    day = first + at + 1
    return _split(score, first, day) + _split(score, day, last)


def _lag(score: np.ndarray, lags_min: np.ndarray, least_doubt_min: float) -> tuple[float, float]:
    mean = score.mean(axis=1)
    lit = (score != 0.0).any(axis=0).sum()
    if lit < _LEAST_DAYS or mean.max() * score.shape[1] / lit < _SAME_SKY or int(np.argmax(mean)) in (0, len(mean) - 1):
        return float("nan"), float("nan")
    parts = [score[:, k : k + 14].mean(axis=1) for k in range(0, score.shape[1], 14) if (score[:, k : k + 14] != 0).any()]
    each = np.array([_peak(part, lags_min) for part in parts])
    peak = _peak(mean, lags_min)
    scatter = 1.4826 * float(np.median(np.abs(each - peak))) / np.sqrt(len(each))
    return peak, float(np.hypot(scatter, least_doubt_min))


def _peak(mean: np.ndarray, lags_min: np.ndarray) -> float:
    """Place of the largest value, between lags by the parabola through it and its neighbours."""
    j = int(np.clip(np.argmax(mean), 1, len(mean) - 2))
    left, top, right = mean[j - 1 : j + 2]
    bend = left - 2.0 * top + right
    shift = 0.0 if bend >= 0 else 0.5 * (left - right) / bend
    return float(lags_min[j] + shift * (lags_min[1] - lags_min[0]))
