"""
How well a history of faults explains a string's readings.

Each quantity varies between strings for good (makers' spread, shared by all rounds) and between readings
(noise); the first is integrated out, so that a string 1 % low in every round is not ten proofs of a fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.signatures import QUANTITIES, Histories

_N = len(QUANTITIES)
_CURRENT, _BRIGHT, _DIM = (QUANTITIES.index(name) for name in ("i_sc", "bright", "dim"))
#: Least and most standard deviation between sound strings, peers compared: by `QUANTITIES`. The least are the
#: between-strings parts of one visit; the most keep a site full of shade from hiding its faults in its own
#: spread. Common practice, no source.
_LEAST = np.array([0.005, 0.006, 0.006, 0.010, 0.015, 0.10, 0.010, 0.015])
_MOST = np.array([0.012, 0.015, 0.012, 0.040, 0.030, 0.20, 0.020, 0.030])
#: Strings that the least spread is worth against the spread that a site's own strings show. Common practice, no source.
_LEAST_STRINGS = 10.0
#: The same against a datasheet, where age and instruments count in full.
_ON_PLATE = np.array([0.025, 0.02, 0.025, 0.06, 0.03, 0.20, 0.02, 0.03])
#: Share of the variance between strings' logged currents that stays: makers' spread and the sensors' own gain. Common practice,
#: no source.
_LOG_LASTS = 0.85
#: Least and most standard deviation of what a string's dim current has to itself beside its bright one: the sensor's zero, the
#: plane, the cells in weak light. Common practice, no source.
_DIM_APART = (0.007, 0.02)
#: Noise of a reading over the least spread: a look at the log is the median of days.
_SINGLE = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.3, 0.4])
#: The current's, where the light sensor's bias is taken out by the round's other strings.
_ON_PLATE_LIGHT_OUT = 0.04
#: Share of traces taken in passing light, and the width over which their log current is spread.
_CLOUD, _CLOUD_LOW, _CLOUD_HIGH = 0.05, -1.2, 0.3
#: Traces that the share is worth against what a round's other traces show of passing light, and how far off that is, in standard
#: deviations. Common practice, no source.
_CLOUD_TRACES, _CLOUD_OFF = 20.0, 4.0
#: What a reading without current weighs against all but an open string, and one with current against that. More than a trace in
#: passing light, whose voltages are off by tens of standard deviations as well.
NO_CURRENT = 100.0
#: Standard deviations beyond which a deviation counts no more.
_FARTHEST = 6.0


@dataclass(frozen=True)
class Spread:
    """
    Standard deviation between strings (`maker`) and between readings (`noise`), each shape (8,).

    `maker` of the dim current is what it has to itself: the rest it shares with the bright one. `traces` and `off`, shape
    (n_rounds,), are how many traces a round has and in how many of them the current is far off.
    """

    maker: np.ndarray
    noise: np.ndarray
    traces: np.ndarray
    off: np.ndarray


def spread_of(y: np.ndarray, dead: np.ndarray, with_peers: bool, light_out: bool = False) -> Spread:
    """
    Estimate the spread of sound strings by medians, which a third of odd ones cannot carry away.

    Parameters
    ----------
    y : ndarray, shape (n_strings, n_rounds, 8)
        Deviations; NaN where not read.
    dead : ndarray of bool, shape (n_strings, n_rounds)
    with_peers : bool
    light_out : bool
        Without peers: whether the light sensor's bias is taken out of the current all the same.
    """
    if not with_peers:
        on_plate = _ON_PLATE.copy()
        if light_out:
            on_plate[QUANTITIES.index("i_sc")] = _ON_PLATE_LIGHT_OUT
        return _with_light(np.sqrt(0.8) * on_plate, np.sqrt(0.2) * on_plate, y)
    total, part = _LEAST.copy(), np.full(_N, 0.5)
    for q in (0, 1, 2, 3, 6, 7):
        values = np.where(dead, np.nan, y[:, :, q])
        values = values[:, np.isfinite(values).any(axis=0)]
        by_round = [_scatter(column) for column in values.T]
        total[q] = np.median([s for s in by_round if np.isfinite(s)] or [_LEAST[q]])
        total[q] = np.clip(total[q], _LEAST[q], _MOST[q])
        # A few strings tell their spread badly, and one odd one among them widens it.
        strings = np.isfinite(values).any(axis=1).sum()
        total[q] = np.sqrt(_LEAST[q] ** 2 + (total[q] ** 2 - _LEAST[q] ** 2) * strings / (strings + _LEAST_STRINGS))
        rounds = max(values.shape[1], 2)
        full = np.isfinite(values).sum(axis=1) >= max(2, values.shape[1] - 1)
        if full.sum() >= 8:
            # mean of R readings: M² = maker² + noise²/R; one reading: T² = maker² + noise²
            part[q] = (rounds * (_scatter(np.nanmean(values[full], axis=1)) / total[q]) ** 2 - 1.0) / (rounds - 1.0)
    part = np.clip(part, 0.2, 0.9)
    part[4:] = 0.0, 0.0, _LOG_LASTS, _LOG_LASTS  # the slopes of a curve are noise
    noise = total * np.sqrt(1.0 - part)
    for q in (6, 7):
        # Dirt, shade and what holds an inverter down move logged currents from look to look more than the sensors do.
        noise[q] = min(max(noise[q], _wander(np.where(dead, np.nan, y[:, :, q]))), _MOST[q])
    maker = total * np.sqrt(part)
    maker[_DIM] = np.clip(_dim_apart(np.where(dead[:, :, None], np.nan, y)), *_DIM_APART)
    # Readings that agree by luck do not make the instrument better than it is.
    return _with_light(maker, np.maximum(noise, 0.8 * _LEAST * _SINGLE), y)


def _with_light(maker: np.ndarray, noise: np.ndarray, y: np.ndarray) -> Spread:
    read = np.isfinite(y[:, :, _CURRENT])
    off = np.abs(y[:, :, _CURRENT]) > _CLOUD_OFF * np.hypot(maker[_CURRENT], noise[_CURRENT])
    return Spread(maker, noise, read.sum(axis=0), (read & off).sum(axis=0))


def _dim_apart(y: np.ndarray) -> float:
    """Scatter between strings of the dim current over the bright one, medians over rounds; 0 where too few are known."""
    apart = y[:, :, _DIM] - y[:, :, _BRIGHT]
    return float(np.nan_to_num(_scatter(over_known(np.nanmedian, apart, axis=1))))


def _wander(values: np.ndarray) -> float:
    """How far a string's readings, (n_strings, n_rounds), usually move from one to the next; 0 where too few are known."""
    step = np.diff(values[:, np.isfinite(values).any(axis=0)], axis=1)
    step = step[np.isfinite(step)]
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(2.0)) if len(step) >= 6 else 0.0


def _scatter(x: np.ndarray) -> float:
    x = x[np.isfinite(x)]
    return float(1.4826 * np.median(np.abs(x - np.median(x)))) if len(x) >= 4 else np.nan


def log_likelihood(y: np.ndarray, dead: np.ndarray, light: np.ndarray, doubt: np.ndarray, past: Histories,
                   spread: Spread) -> np.ndarray:
    """
    Log likelihood of each string's readings under each history.

    Parameters
    ----------
    y : ndarray, shape (n_strings, n_rounds, 8)
        Deviations from sound strings, by `QUANTITIES`; NaN where not read.
    dead : ndarray of bool, shape (n_strings, n_rounds)
        No current.
    light : ndarray, shape (n_strings, n_rounds)
        Light on the string over that at which the round's signatures were drawn up.
    doubt : ndarray, shape (n_strings, n_rounds, 8)
        Variance of the reading beside the usual noise.
    past : Histories
    spread : Spread

    Returns
    -------
    ndarray, shape (n_strings, n_histories)
    """
    out = np.empty((len(y), len(past.kind)))
    extra = doubt.any(axis=(1, 2))
    for rows, own in ((np.flatnonzero(~extra), False), (np.flatnonzero(extra), True)):
        for first in range(0, len(rows), 32):
            part = rows[first:first + 32]
            # Strings without doubt of their own share one variance, which halves the work.
            out[part] = _log_likelihood(
                y[part], dead[part], light[part], doubt[part if own else part[:1]], past, spread
            )
    return out


def _log_likelihood(y: np.ndarray, dead: np.ndarray, light: np.ndarray, doubt: np.ndarray, past: Histories,
                    spread: Spread) -> np.ndarray:
    out = np.zeros((len(y), len(past.kind)))
    is_open = (past.kind == "open")[:, None] & past.bad
    mean = np.nan_to_num(past.mean)
    scale = np.nan_to_num(light, nan=1.0)[:, None, :] ** past.exponent[None, :, None]
    logged = dict.fromkeys((_BRIGHT, _DIM), (np.zeros(1), np.zeros(1), np.zeros(1)))
    for q in range(_N):
        known = np.isfinite(y[:, :, q])[:, None, :]
        residual = np.where(known, np.nan_to_num(y[:, None, :, q]) - mean[None, :, :, q] * scale, 0.0)
        variance = spread.noise[q] ** 2 + past.extra[None, :, :, q] + doubt[:, None, :, q]
        if not known.any():
            continue
        if q == _CURRENT:
            out += _current(residual, known, variance + spread.maker[q] ** 2, chance_of_cloud(y, spread)[:, None, :])
            continue
        if q == _DIM:
            # What a fault takes of a dim current it takes some of a bright one; where none is known, the dim speaks alone.
            _tame(residual, np.where(np.isfinite(y[:, :, _BRIGHT]), y[:, :, q], np.nan), variance)
        elif q != _BRIGHT:
            _tame(residual, y[:, :, q], variance)
        if q in logged:
            logged[q] = _sums(residual, known, variance)
        else:
            out += _shared_offset(*_sums(residual, known, variance), spread.maker[q])
    out += _two_offsets(logged[_BRIGHT], logged[_DIM], spread.maker[_BRIGHT], spread.maker[_DIM])
    # No current is an open string or it is not; neither explains the other.
    wrong = dead[:, None, :] != is_open[None]
    seen = (dead | np.isfinite(y).any(axis=2))[:, None, :]
    return out - NO_CURRENT * (wrong & seen).sum(axis=2)


def _tame(residual: np.ndarray, read: np.ndarray, variance: np.ndarray) -> None:
    """
    Bring readings that are far off all others of their string to `_FARTHEST` of them, in place.

    A reading that no history explains must not decide between them by how far off it is; one that some history explains costs
    the others enough all the same.
    """
    for k, own in enumerate(read):
        known = np.flatnonzero(np.isfinite(own))
        noise = np.sqrt(variance[min(k, len(variance) - 1)][:, known])
        if len(known) < 3 or np.abs(own[known] - np.median(own[known])).max() < _FARTHEST * noise.min():
            continue
        part = residual[k][:, known]
        middle = np.median(part, axis=1, keepdims=True)
        residual[k][:, known] = middle + np.clip(part - middle, -_FARTHEST * noise, _FARTHEST * noise)


_Sums = tuple[np.ndarray, np.ndarray, np.ndarray]


def _sums(residual: np.ndarray, known: np.ndarray, variance: np.ndarray) -> _Sums:
    """Over rounds: weights, weights times residuals, and twice the negative log density of normal residuals without offset."""
    w = np.where(known, 1.0 / variance, 0.0)
    constant = np.where(known, np.log(2.0 * np.pi * variance), 0.0).sum(axis=2)
    return w.sum(axis=2), (w * residual).sum(axis=2), (w * residual**2).sum(axis=2) + constant


def _shared_offset(total: np.ndarray, cross: np.ndarray, square: np.ndarray, maker: float) -> np.ndarray:
    """Log density of normal residuals with one offset shared by all rounds, integrated out in closed form."""
    return -0.5 * (square - maker**2 * cross**2 / (1.0 + maker**2 * total) + np.log1p(maker**2 * total))


def _two_offsets(bright: _Sums, dim: _Sums, maker: float, apart: float) -> np.ndarray:
    """As `_shared_offset`, of logged currents: one offset is shared by both kinds of light, one more by the dim alone."""
    a, b = 1.0 / maker**2 + bright[0] + dim[0], 1.0 / apart**2 + dim[0]
    both, own = bright[1] + dim[1], dim[1]
    area = a * b - dim[0] ** 2
    drawn = (b * both**2 - 2.0 * dim[0] * both * own + a * own**2) / area
    return np.asarray(-0.5 * (bright[2] + dim[2] - drawn + np.log(maker**2 * apart**2 * area)))


def chance_of_cloud(y: np.ndarray, spread: Spread) -> np.ndarray:
    """
    Chance that each trace was taken in passing light, (n_strings, n_rounds).

    Where a round's other traces are all of one light, that one alone was under a cloud is less likely.
    """
    current = y[:, :, _CURRENT]
    own = np.abs(current) > _CLOUD_OFF * np.hypot(spread.maker[_CURRENT], spread.noise[_CURRENT])
    others = np.maximum(spread.traces - np.isfinite(current), 0)
    return np.asarray((_CLOUD * _CLOUD_TRACES + np.maximum(spread.off - own, 0)) / (_CLOUD_TRACES + others))


def _current(residual: np.ndarray, known: np.ndarray, variance: np.ndarray, cloud: np.ndarray) -> np.ndarray:
    """
    Log density of the current, some traces of which were taken in passing light; dirt has its own spread.
    """
    normal = np.exp(-0.5 * residual**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    return np.where(known, np.log((1.0 - cloud) * normal + cloud * in_passing_light(residual)), 0.0).sum(axis=2)


def in_passing_light(current: np.ndarray) -> np.ndarray:
    """Density of a log current that was read as a cloud passed."""
    return ((current > _CLOUD_LOW) & (current < _CLOUD_HIGH)) / (_CLOUD_HIGH - _CLOUD_LOW) + 1e-6
