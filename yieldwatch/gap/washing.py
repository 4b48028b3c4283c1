"""
On which days rain washed, where no gauge tells.

A dull day is likely a day of rain. Where inverters are logged, output tells more: it steps up for good when dirt goes. Without
this a farm with no gauge would never be rained on, and each month's rate would have to stand for the rain as well.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.mechanisms.soiling import WASH_UNKNOWN, month_weights
from yieldwatch.gap.steps import own_days

#: Standard deviations by which output must step up on a dull day, or on another: rain at night leaves a bright day.
#: Common practice, no source.
_SURE_DULL, _SURE = 4.0, 6.0
#: How far back a dull day may have washed what a step shows. [d] Common practice, no source.
_BACK = 3
#: Most washes that are sought, and the fewest usable days in which any is. Common practice, no source.
_MOST_WASHES, _FEWEST_DAYS = 60, 60
#: Standard deviations by which a dull day's step must lack for the day to have been dry. Common practice, no source.
_UNLIKE = 2.0
#: Least and most of the dirt that a wash takes. Common practice, no source.
_SHARES = (0.1, 0.98)
#: Days on either side over which a clean level is looked for. Common practice, no source.
_CLEAN_WITHIN = 180


def washed_by_output(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray, cleaned: list[int]) -> Blocks:
    """
    The blocks with the rain of unmeasured days read off the output.

    Each day's output over the model is a line for each month, of any slope, and a step up for each wash, the surest first
    (orthogonal matching pursuit). What share of the dirt went is the step over the distance to the cleanest level around it;
    the rain is what takes that share by the law without a gauge. Where no step shows, dull days stay as they were taken.

    Parameters
    ----------
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected) and the expected energy behind it.
    cleaned : list of int
        Days of recorded cleanings: a step there is no rain's.
    """
    unknown = np.isnan(blocks.rain)
    output = over_known(np.nanmedian, own_days(blocks, ratio, weight), axis=0)
    if not unknown.any() or np.isfinite(output).sum() < _FEWEST_DAYS:
        return blocks
    n = len(output)
    known = np.isfinite(output)
    lines = np.cumsum(month_weights(blocks.dates), axis=1)
    works = np.stack([np.arange(n) > day for day in cleaned if 0 <= day < n] or [np.zeros(n, dtype=bool)])
    base = np.vstack([np.ones(n), lines, works])[:, known].T
    between = list(pairwise(np.flatnonzero(known)))
    # From one day that shows to the next, rain on the dullest of those between that no gauge saw.
    spans = [np.flatnonzero(unknown[a:b]) + a for a, b in between]
    washing = [int(s[np.argmax(blocks.washing[s])]) if len(s) else -1 for s in spans]
    dull = np.array([blocks.washing[max(a - _BACK, 0) : b + 1].max() > 0.0 for a, b in between])
    need = np.where(dull, _SURE_DULL, _SURE)
    steps = np.tri(len(between) + 1, len(between), -1)
    chosen = _matching_pursuit(output[known], base, steps, need)
    design = np.hstack([base, steps[:, chosen]])
    fit, *_ = np.linalg.lstsq(design, output[known], rcond=None)
    level = np.interp(np.arange(n), np.flatnonzero(known), design @ fit)
    clean = pd.Series(level).rolling(2 * _CLEAN_WITHIN + 1, center=True, min_periods=1).max().to_numpy()
    dirt = np.maximum(clean - level, 0.0)
    rain = blocks.washing.copy()
    for place, (more, doubt) in enumerate(zip(*_one_more(output[known], design, steps), strict=True)):
        # A dull day on which dirt should have gone and did not.
        first, last = between[place]
        taken = dirt[last - 1] * (1.0 - np.exp(-rain[first:last][unknown[first:last]].sum() / WASH_UNKNOWN.depth))
        if place not in chosen and more < taken - _UNLIKE * doubt:
            rain[first:last][unknown[first:last]] = 0.0
    for place, size in zip(chosen, fit[base.shape[1]:], strict=True):
        first, last = between[place]
        rain[first:last][unknown[first:last]] = 0.0
        if washing[place] >= 0 and size > 0.0:
            share = np.clip(size / max(dirt[washing[place]], size), *_SHARES)
            rain[washing[place]] = WASH_UNKNOWN.depth * (-np.log(1.0 - share)) ** (1.0 / WASH_UNKNOWN.sharpness)
    return replace(blocks, washing=rain)


def _matching_pursuit(values: np.ndarray, base: np.ndarray, steps: np.ndarray, need: np.ndarray) -> list[int]:
    """
    Places of the steps up that show, the surest first.

    Parameters
    ----------
    need : ndarray, shape (n_steps,)
        Standard deviations by which each must stand out.
    """
    chosen: list[int] = []
    for _ in range(_MOST_WASHES):
        step, doubt = _one_more(values, np.hstack([base, steps[:, chosen]]), steps)
        stands_out = np.where(np.isfinite(doubt), step / doubt / need, 0.0)
        best = int(np.argmax(stands_out))
        if stands_out[best] < 1.0:
            break
        chosen.append(best)
    return chosen


def _one_more(values: np.ndarray, design: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The size that each step has in the fit if added alone, and its standard uncertainty, infinite where it cannot be told."""
    q, _ = np.linalg.qr(design)
    left = values - q @ (q.T @ values)
    spread = 1.4826 * float(np.median(np.abs(left)))
    left = np.clip(left, -4.0 * spread, 4.0 * spread)
    left -= q @ (q.T @ left)
    # Days in a row are alike, and so tell less than as many would.
    alike = np.clip(float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-12), 0.0, 0.8)
    spread *= np.sqrt((1.0 + alike) / (1.0 - alike))
    own = steps - q @ (q.T @ steps)
    square = (own**2).sum(axis=0)
    told = square > 1.0
    doubt = np.where(told, max(spread, 1e-6) / np.sqrt(np.maximum(square, 1.0)), np.inf)
    return np.where(told, own.T @ left / np.maximum(square, 1.0), 0.0), doubt
