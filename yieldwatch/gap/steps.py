"""
Steps in one inverter's output against its peers: the day on which a part was lost or came back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known

_WINDOW = 20  # usable days either side
_HALF = 10  # the fewest of them either side of a step that is found among others
#: How much of a loss of the last days each of them must show, and its size over the scatter of the days before, from so many
#: days on; and how near to none and all of it the days around one on which it fell must be. A part that died last week is worth
#: knowing of before it has been dead for a fortnight. Common practice, no source.
_EACH_SHOWS, _OVER_SCATTER, _WHOLE_DAY = 0.6, ((4, 6.0), (2, 15.0)), 0.1
_ORIGIN_AT_LEAST = 0.5  # size of a step over that of its echo, by the noise of both. Common practice, no source.
#: Days either side, near and far, the fewest of them, and how far a step in other light may be from the same. Common practice, no
#: source.
_AROUND, _FEWEST, _UNLIKE = (20, 45), 3, 0.1
#: Days with light on either side of a step; size from which no weather hides one; share of it by which the inverter's own output
#: may part from it; and share that must be left at the end. Common practice, no source.
_EITHER_SIDE, _NO_WEATHER, _BELIED, _GONE = 14, 0.1, 0.5, 0.4
_SMALLEST = 0.005  # share of an inverter; below it, drifts of the log look the same


@dataclass(frozen=True)
class Step:
    """
    One step of one inverter.

    Attributes
    ----------
    inverter : int
    day : int
        First day of the new level.
    size : float
        Share of the inverter's output lost (positive) or regained (negative), as a difference of ln.
    noise : float
        Standard uncertainty of `size`.
    sure : bool
        False where shade may have made it: it may date what a round found, and proves nothing alone.
    before : float
        How far the inverter was behind its peers before, as a difference of ln; NaN where not known.
    """

    inverter: int
    day: int
    size: float
    noise: float
    sure: bool = True
    before: float = float("nan")


def own_days(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Daily ln of measured over expected around the middle of the day, shape (n_inverters, n_days).

    NaN on days without enough light.
    """
    n_days = len(blocks.dates)
    # By height and not by azimuth: between the tropics the noon sun stands north on some days and south on others.
    highest = np.zeros(n_days)
    np.maximum.at(highest, blocks.day, blocks.elevation)
    central = blocks.elevation > 0.75 * highest[blocks.day]
    daily = np.full((len(ratio), n_days), np.nan)
    for k in range(len(ratio)):
        ok = central & np.isfinite(ratio[k]) & (weight[k] > 0)
        energy = np.bincount(blocks.day[ok], weights=weight[k, ok], minlength=n_days)
        total = np.bincount(blocks.day[ok], weights=(ratio[k] * weight[k])[ok], minlength=n_days)
        bright = energy > 0.15 * np.max(energy, initial=0.0)
        daily[k, bright] = total[bright] / energy[bright]
    return daily


def against_peers(daily: np.ndarray) -> np.ndarray:
    """
    Each inverter's days against its peers', shape (n_inverters, n_days), from `own_days`.

    Few peers: the best of them, each first brought to its own usual level, so that one peer's fault does not show
    as another's gain. Five or more: their median. A single inverter stands against the model alone.
    """
    n = len(daily)
    if n == 1:
        return daily
    offset = over_known(np.nanquantile, daily, 0.8, axis=1)
    level = daily - np.nan_to_num(offset)[:, None]
    out = np.full_like(daily, np.nan)
    for k in range(n):
        others = np.delete(level, k, axis=0)
        some = np.isfinite(others).any(axis=0)
        pick = np.nanmedian if n >= 6 else np.nanmax
        out[k, some] = level[k, some] - pick(others[:, some], axis=0)
    return out


def find_steps(series: np.ndarray, inverter: int, smallest: float = _SMALLEST) -> list[Step]:
    """
    Steps of one daily series, NaN where there is no value.

    Parameters
    ----------
    series : ndarray, shape (n_days,)
    inverter : int
    smallest : float
        Steps below this are left alone.

    Returns
    -------
    list of Step, by day
    """
    days = np.flatnonzero(np.isfinite(series))
    values = series[days]
    if len(values) < 2 * _WINDOW + 5:
        return []
    noise = 1.4826 * float(np.median(np.abs(np.diff(values) - np.median(np.diff(values))))) / np.sqrt(2.0)
    uncertainty = max(noise, 2e-4) * np.sqrt(2.0 / _WINDOW) * 1.25
    contrast = np.zeros(len(values))
    for at in range(_HALF, len(values) - _HALF):
        before = values[max(0, at - _WINDOW) : at]
        after = values[at : at + _WINDOW]
        contrast[at] = np.median(before) - np.median(after)
    found: list[Step] = []
    strength = np.abs(contrast)
    while True:
        at = int(np.argmax(strength))
        if strength[at] < max(smallest, 8.0 * uncertainty):
            break
        at = _sharpen(values, at)
        before, after = values[max(0, at - _WINDOW) : at], values[at : at + _WINDOW]
        size = float(np.median(before) - np.median(after))
        strength[max(0, at - _WINDOW // 2 - 2) : at + _WINDOW // 2 + 2] = 0.0
        if any(abs(days[at] - other.day) <= _WINDOW // 2 for other in found):
            continue
        spread = 1.4826 * float(np.median(np.abs(np.r_[before - np.median(before), after - np.median(after)])))
        sharp = _is_sharp(values, at, size)
        if abs(size) > max(smallest, 4.0 * spread * np.sqrt(2.0 / _WINDOW)) and sharp:
            found.append(Step(inverter, int(days[at]), size, max(uncertainty, spread * np.sqrt(2.0 / _WINDOW))))
    return sorted(found, key=lambda s: s.day)


def lost_lately(
    series: np.ndarray,
    inverter: int,
    smallest: float,
    found: list[Step],
    over_scatter: Sequence[tuple[int, float]] = _OVER_SCATTER,
) -> list[Step]:
    """
    A loss of the last days, fewer than `find_steps` needs, that is not among those `found`: one step, or none.

    Parameters
    ----------
    series : ndarray, shape (n_days,)
        As in `find_steps`.
    inverter : int
    smallest : float
        Size from which it counts: what drifts and dirt do in a week is not looked for.
    found : list of Step
        From `find_steps`, which may have seen it too.
    over_scatter : sequence of (int, float)
        Days from which on a loss of so many times the scatter of the days before counts, the most days first.
    """
    days = np.flatnonzero(np.isfinite(series))
    values = series[days]
    out: list[Step] = []
    for after_n in range(over_scatter[-1][0], _HALF + 1):
        before, after = values[-after_n - _WINDOW : -after_n], values[-after_n:]
        if len(before) < _WINDOW:
            break
        size = float(np.median(before) - np.median(after))
        spread = 1.4826 * float(np.median(np.abs(before - np.median(before))))
        noise = max(spread, 2e-4) * float(np.sqrt(1.0 / len(before) + 1.0 / len(after))) * 1.25
        lost = np.median(before) - values[-after_n - 2 :]
        # At once, or at noon of the last day before.
        sharp = lost[1] < 0.5 * size or (lost[0] < _WHOLE_DAY * size and lost[2] > (1.0 - _WHOLE_DAY) * size)
        shown = (lost[2:] > _EACH_SHOWS * size).all()
        times = next(times for fewest, times in over_scatter if after_n >= fewest)
        if size > max(smallest, times * spread) and sharp and shown:
            out.append(Step(inverter, int(days[-after_n]), size, noise))
    return [s for s in out[-1:] if all(abs(s.day - other.day) > _WINDOW // 2 for other in found)]


def also_in(series: np.ndarray, step: Step) -> bool:
    """
    Whether a series of other light, (n_days,), makes the same step on its day and stays there.

    A part that is lost takes all light alike, at once and for good. What shades takes less of the sky's, and grows.
    """
    for around in _AROUND:
        before, after = series[max(0, step.day - around) : step.day], series[step.day : step.day + around]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if min(len(before), len(after)) < _FEWEST or abs((np.median(before) - np.median(after)) / step.size - 1.0) > _UNLIKE:
            return False
    return True


def without_echoes(steps: list[Step], daily: np.ndarray) -> list[Step]:
    """
    Drop steps that are another inverter's step seen from the other side.

    With few peers an inverter's fault moves the reference of the others on the same day. Of the inverters that step on one
    day in opposite directions, or by unlike amounts, the one whose own output against the model changed keeps it. An echo is
    no larger than its origin: a step is held against those of its size or more alone, or a fall of a whole string on a day
    of rain would be dropped for a trifle elsewhere that fits the model better.

    Parameters
    ----------
    steps : list of Step
    daily : ndarray, shape (n_inverters, n_days)
        From `own_days`.
    """
    kept = []
    for step in steps:
        same_day = [
            o
            for o in steps
            if o.inverter != step.inverter and abs(o.day - step.day) <= 2 and abs(o.size) > _ORIGIN_AT_LEAST * abs(step.size)
        ]
        own = {s: _own_change(daily[s.inverter], s.day) for s in (step, *same_day)}
        if not same_day or abs(own[step] - step.size) <= min(abs(own[o] - o.size) for o in same_day):
            kept.append(step)
    return kept


def shown_by_own(steps: list[Step], daily: np.ndarray) -> list[Step]:
    """
    Drop large steps that the inverter's own output against the model belies, and falls that are gone by the end of the history.

    No weather hides a tenth for weeks: where the inverter itself went on as before, a peer stepped. And what came back without a
    step is shade that went with its season: no part comes back bit by bit.

    Parameters
    ----------
    daily : ndarray, shape (n_inverters, n_days)
        From `own_days`.
    """
    large = {step for step in steps if abs(step.size) >= _NO_WEATHER}
    belied = {s for s in large if abs(_own_change(daily[s.inverter], s.day) - s.size) > _BELIED * abs(s.size)}
    shown = [step for step in steps if step not in belied]
    ended = {(step.inverter, step.day) for step in shown if step.size < 0.0}
    return [
        step for step in shown
        if step not in large or step.size < 0.0 or any(k == step.inverter and day > step.day for k, day in ended)
        or not _own_left(daily[step.inverter], step.day) < _GONE * step.size
    ]


def _own_left(values: np.ndarray, day: int) -> float:
    """What the last weeks lack of the level before a day. [difference of ln]"""
    before, after = (part[np.isfinite(part)] for part in (values[:day], values[day:]))
    return float(over_known(np.nanmedian, before[-_EITHER_SIDE:])) - float(over_known(np.nanmedian, after[-_EITHER_SIDE:]))


def _own_change(values: np.ndarray, day: int) -> float:
    """Fall of an inverter's own level at a day, two weeks with light either side. [difference of ln]"""
    before, after = (part[np.isfinite(part)] for part in (values[:day], values[day:]))
    return float(over_known(np.nanmedian, before[-_EITHER_SIDE:])) - float(over_known(np.nanmedian, after[:_EITHER_SIDE]))


def _sharpen(values: np.ndarray, at: int) -> int:
    """The place near `at` that splits the values into two levels with the least absolute misfit."""
    lo, hi = max(3, at - _WINDOW // 2), min(len(values) - 3, at + _WINDOW // 2)
    best, best_at = np.inf, at
    left, right = max(0, lo - _WINDOW), min(len(values), hi + _WINDOW)
    for k in range(lo, hi + 1):
        a, b = values[left:k], values[k:right]
        misfit = np.abs(a - np.median(a)).sum() + np.abs(b - np.median(b)).sum()
        if misfit < best:
            best, best_at = misfit, k
    return best_at


def _is_sharp(values: np.ndarray, at: int, size: float) -> bool:
    """Most of the change happens within three usable days of the step; a ramp does not."""
    before, after = values[max(0, at - 5) : at - 1], values[at + 1 : at + 5]
    if len(before) < 2 or len(after) < 2:
        return False
    return (np.median(before) - np.median(after)) / size > 0.6
