"""
Soiling read off the dry spells alone, with no law of rain: the rate at which output falls in each, and what rain and cleanings
give back.

A second opinion on `soiling.py`, by another method on the same days. A robust slope a spell, and a bootstrap over spells, after
Deceglie, Micheli & Muller, IEEE J. Photovolt. 8 (2018) 547 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import stats

#: Shortest spell that has a slope, and usable days in it. [d] The paper takes 14.
_SHORTEST, _FEWEST_DAYS = 14, 8
_FEWEST_SPELLS = 3
_DRAWS = 500
#: Days at either end by which a spell's level is read. Common practice, no source.
_END = 5


@dataclass(frozen=True)
class RateAndRecovery:
    """
    Build-up over dry spells, and what came back after them, with 90 % intervals.

    `rate` is the mean share of output lost on a dry day [1/day], `recovery` the median rise of output from a spell's end to the
    next one's start [fraction]; `spells` how many were read, `days` how many days they hold.
    """

    rate: float
    rate_low: float
    rate_high: float
    recovery: float
    spells: int
    days: int


def rate_and_recovery(output: np.ndarray, ends: np.ndarray, rng: np.random.Generator) -> RateAndRecovery | None:
    """
    Read build-up and recovery off dry spells.

    Parameters
    ----------
    output : ndarray, shape (n_days,)
        ln of each day's output over what it would have been clean, NaN where not known. The level does not matter.
    ends : ndarray of bool, shape (n_days,)
        Days on which rain or a cleaning ended a spell; they belong to none.
    rng : Generator

    Returns
    -------
    RateAndRecovery or None
        None with fewer than three spells of two weeks.
    """
    cuts = np.r_[-1, np.flatnonzero(ends), len(ends)]
    slopes, errors, lengths, tops, bottoms = [], [], [], [], []
    for before, after in pairwise(cuts):
        days = np.arange(before + 1, after)
        days = days[np.isfinite(output[days])]
        if after - before - 1 < _SHORTEST or len(days) < _FEWEST_DAYS:
            continue
        slope, _, low, high = stats.theilslopes(output[days], days, 0.9)
        slopes.append(-slope)
        errors.append((high - low) / (2.0 * 1.645))
        lengths.append(len(days))
        tops.append(float(np.median(output[days[:_END]])))
        bottoms.append(float(np.median(output[days[-_END:]])))
    if len(slopes) < _FEWEST_SPELLS:
        return None
    rate, error, weight = np.array(slopes), np.array(errors), np.array(lengths, dtype=float)
    drawn = rng.integers(0, len(rate), (_DRAWS, len(rate)))
    each = rate[drawn] + error[drawn] * rng.standard_normal(drawn.shape)
    draws = (each * weight[drawn]).sum(axis=1) / weight[drawn].sum(axis=1)
    mean = float(rate @ weight / weight.sum())
    low, high = np.quantile(draws, (0.05, 0.95))
    return RateAndRecovery(mean, min(float(low), mean), max(float(high), mean),
                           float(np.median(np.array(tops[1:]) - np.array(bottoms[:-1]))), len(rate), int(weight.sum()))
