"""
The size of a step in a series, with its doubt, where the series also wanders.

    value = level + known columns + effect x shape + drift + noise

The drift is an Ornstein-Uhlenbeck process: what the days share because dirt, season and sensors move slowly. Without it a step
looks far surer than it is. How large and how slow it is, and which shape holds, is not known: all are tried, and each counts by
how well the series fits it (generalised least squares; the sums over a grid in place of an integral). With no drift, a step for a
shape and one more column this is the difference in differences of two groups before and after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

#: Drift over noise of one day, and days over which it forgets itself, that are tried. Common practice, no source.
DRIFTS = (0.0, 0.3, 1.0, 2.0, 4.0)
MEMORIES = (4.0, 20.0, 90.0)
#: Fewest rows on either side for a step to be told at all.
FEWEST = 3
#: Standard deviation of effects before any evidence, as a fraction of output. It is wide; without it a shape that is all but
#: undetermined would seem as likely as one that fits. Common practice, no source.
PRIOR_SD = 0.15

#: Other steps in the series, of parts lost or mended at other times. Rows on either side over which one is looked for; how far it
#: must stand out, in robust standard deviations of such differences all along; rows that it keeps from the work and from any
#: other; most that are taken; and their prior standard deviation. Common practice, no source.
_SIDE, _STANDS_OUT, _APART, _MOST_BREAKS, _BREAK_SD = 7, 6.0, 10, 4, 0.15


@dataclass(frozen=True)
class Effect:
    """
    What the series says of the effect.

    Attributes
    ----------
    draws : ndarray, shape (n_draws,)
        Of the effect, in the unit of the series.
    noise : float
        Standard deviation of one ordinary row.
    """

    draws: np.ndarray
    noise: float


def fit_effect(middle: np.ndarray, value: np.ndarray, weight: np.ndarray, shapes: Sequence[np.ndarray], after: np.ndarray,
               known: Sequence[tuple[np.ndarray, float]] = (), means: Sequence[tuple[float, float]] | None = None,
               quiet: int = 10, seed: int = 0, n_draws: int = 1000, drifts: Sequence[float] = DRIFTS) -> Effect | None:
    """
    Fit the effect.

    Parameters
    ----------
    middle : ndarray, shape (n,)
        Middle of each row's time. [days]
    value, weight : ndarray, shape (n,)
        The series, and the relative precision of its noise.
    shapes : sequence of ndarray, shape (n,)
        What an effect of size one does to each row; each about one from its least to its largest, so that sizes compare.
    after : ndarray of bool, shape (n,)
        Rows that lie after the work, in part at least.
    known : sequence of (ndarray, float)
        Columns whose sizes are nil within a standard deviation in the unit of the series: of other things that may have moved.
    means : sequence of (float, float), optional
        By what to multiply the size of each shape for the effect that is asked for, its mean over the days after, and the
        standard uncertainty of that factor as a fraction; 1 and none if not given.
    quiet : int
        Rows after the work in which no other step is looked for, because what fades looks like one.
    seed, n_draws : int
    drifts : sequence of float

    Returns
    -------
    Effect or None
        None with fewer than `FEWEST` rows before or after.
    """
    if min(int(after.sum()), int((~after).sum())) < FEWEST:
        return None
    n, unit = len(value), _scatter(value, after, weight)
    gap = np.abs(middle[:, None] - middle[None, :])
    known = [*known, *((column, _BREAK_SD) for column in _breaks(value, int(np.argmax(after)), quiet))]
    extra = sum((sd**2 * np.outer(column, column) for column, sd in known), np.zeros((n, n)))
    fits: list[tuple[float, float, float, float, float]] = []
    for ratio in drifts:
        for memory in MEMORIES if ratio else MEMORIES[:1]:
            spread = np.diag(1.0 / weight) + ratio**2 * np.exp(-gap / memory) + extra / unit**2
            root = linalg.cholesky(spread, lower=True)
            size = 2.0 * np.log(np.diag(root)).sum()
            for shape, (mean, doubt) in zip(shapes, means or [(1.0, 0.0)] * len(shapes), strict=True):
                white = linalg.solve_triangular(root, np.column_stack([np.ones(n), shape, value]), lower=True)
                design, target = white[:, :2], white[:, 2]
                inner = design.T @ design + np.diag([0.0, (unit / PRIOR_SD) ** 2])
                if inner[1, 1] <= 0 or np.linalg.det(inner) < 1e-12 * inner[0, 0] * inner[1, 1]:
                    continue
                at = np.linalg.solve(inner, design.T @ target)
                left = max(float(((target - design @ at) ** 2).sum()), 1e-12)
                height = -0.5 * (size + np.linalg.slogdet(inner)[1] + (n - 2) * np.log(left))
                variance = left / (n - 2)
                sd = float(np.sqrt(variance * np.linalg.inv(inner)[1, 1]))
                fits.append((height, mean * float(at[1]), mean * sd, doubt, float(np.sqrt(variance))))
    if not fits:
        return None
    heights = np.array([f[0] for f in fits])
    chance = np.exp(heights - heights.max())
    rng = np.random.default_rng(seed)
    pick = rng.choice(len(fits), n_draws, p=chance / chance.sum())
    _, middle_of, spread_of, doubt_of, noise = np.array(fits)[pick].T
    draws = (middle_of + spread_of * rng.standard_t(n - 2, n_draws)) * (1.0 + doubt_of * rng.standard_normal(n_draws))
    return Effect(draws, float(noise.mean()))


def _breaks(value: np.ndarray, work: int, quiet: int) -> list[np.ndarray]:
    """
    Columns of other steps, largest first: without them a part lost months later would be the work's doing.

    A series that wanders has large differences everywhere, so that none stands out.
    """
    n = len(value)
    if n < 4 * _SIDE:
        return []
    places = np.arange(_SIDE, n - _SIDE + 1)
    means = np.convolve(value, np.full(_SIDE, 1.0 / _SIDE), "valid")
    steps = means[_SIDE:] - means[:-_SIDE]
    scale = max(1.4826 * float(np.median(np.abs(steps - np.median(steps)))), 1e-5)
    height = np.where((places > work - _APART) & (places < work + quiet), 0.0, np.abs(steps)) / scale
    found: list[np.ndarray] = []
    while len(found) < _MOST_BREAKS and height.max() > _STANDS_OUT:
        at = places[int(np.argmax(height))]
        found.append((np.arange(n) >= at).astype(float))
        height = np.where(np.abs(places - at) < _APART, 0.0, height)
    return found


def _scatter(value: np.ndarray, after: np.ndarray, weight: np.ndarray) -> float:
    """Noise of a row from the differences of neighbours on one side, which drift does not reach."""
    sides = [(value[side], weight[side]) for side in (after, ~after)]
    steps = np.concatenate([np.diff(v) * np.sqrt(0.5 * np.minimum(w[1:], w[:-1])) for v, w in sides])
    return max(1.4826 * float(np.median(np.abs(steps))), 1e-4)
