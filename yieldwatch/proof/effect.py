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
from scipy.special import log_ndtr, ndtr
from scipy.stats import norm, truncnorm

#: Drift over noise of one day, and days over which it forgets itself, that are tried. Common practice, no source.
DRIFTS = (0.0, 0.3, 1.0, 2.0, 4.0)
MEMORIES = (4.0, 20.0, 90.0)
#: Drift that two parts of one farm always have over a season, however alike: other dirt, other heat. Common practice, no source.
_ALWAYS, _ALWAYS_DAYS = 0.001, 90.0
#: Fewest rows on either side for a step to be told at all.
FEWEST = 3
#: Effect of work that changed nothing, as a standard deviation: nothing is ever exactly nil. Common practice, no source.
_NIL_SD = 0.0005

#: Other steps in the series, of parts lost or mended at other times. Rows on either side over which one is looked for; how far it
#: must stand out, in robust standard deviations of such differences all along; rows that it keeps from the work and from any
#: other; most that are taken; and their prior standard deviation. Common practice, no source.
_SIDE, _STANDS_OUT, _APART, _MOST_BREAKS, _BREAK_SD = 7, 6.0, 10, 4, 0.15
#: A step down after a wash is a part lost, and no rain that evens out, if it is deeper than this multiple of what the wash won.
_DEEPER = 1.25


@dataclass(frozen=True)
class Prior:
    """
    What is known of an effect before any row, in the unit of the series; it keeps a season's drift from passing for one.

    Attributes
    ----------
    scales : tuple of float
        Standard deviations of effects, to either side; each as likely as the others, because the order of size is not known.
    nothing, harms : float
        Chances that the work changed nothing, and that it made things worse.
    chance : float
        Chance that something else stepped at the same visit.
    most : float
        What the effect cannot exceed: the share of the strings that were worked on.
    """

    scales: tuple[float, ...] = (0.15,)
    nothing: float = 0.0
    harms: float = 0.5
    chance: float = 0.0
    most: float = np.inf


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
               fades: bool = False, seed: int = 0, n_draws: int = 1000, drifts: Sequence[float] = DRIFTS,
               prior: Prior = Prior()) -> Effect | None:
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
    fades : bool
        Whether the effect may fade in steps, which are then no other steps.
    seed, n_draws : int
    drifts : sequence of float
    prior : Prior

    Returns
    -------
    Effect or None
        None with fewer than `FEWEST` rows before or after.
    """
    if min(int(after.sum()), int((~after).sum())) < FEWEST:
        return None
    n, unit = len(value), _scatter(value, after, weight)
    gap = np.abs(middle[:, None] - middle[None, :])
    known = [*known, *((column, _BREAK_SD) for column in _breaks(value, int(np.argmax(after)), fades))]
    extra = sum((sd**2 * np.outer(column, column) for column, sd in known), _ALWAYS**2 * np.exp(-gap / _ALWAYS_DAYS))
    late = after.astype(float)
    at_visit = [(1.0 - prior.chance, extra), (prior.chance, extra + _BREAK_SD**2 * np.outer(late, late))]
    columns = np.column_stack([np.ones(n), *shapes, value])
    cells: list[tuple[float, ...]] = []
    for ratio in drifts:
        for memory in MEMORIES if ratio else MEMORIES[:1]:
            drift = np.diag(1.0 / weight) + ratio**2 * np.exp(-gap / memory)
            for chance, other in at_visit:
                if not chance:
                    continue
                root = linalg.cholesky(drift + other / unit**2, lower=True)
                size = 2.0 * np.log(np.diag(root)).sum()
                white = linalg.solve_triangular(root, columns, lower=True)
                level, rest = white[:, :1], white[:, 1:]
                # The level is taken out, then each effect is one number against the rest.
                *effects, y = (rest - level @ (level.T @ rest) / (level.T @ level)).T
                for x, (mean, doubt) in zip(effects, means or [(1.0, 0.0)] * len(shapes), strict=True):
                    if not (told := float(x @ x)) > 1e-12:
                        continue
                    at = float(x @ y) / told
                    left = max(float(((y - at * x) ** 2).sum()), 1e-12)
                    height = np.log(chance) - 0.5 * (size + np.log((level**2).sum()) + (n - 1) * np.log(left))
                    cells.append((height, at, np.sqrt(left / max(n - 4, 1) / told), mean, doubt, np.sqrt(left / (n - 2))))
    return _drawn(np.array(cells), prior, np.random.default_rng(seed), n_draws) if cells else None


def _drawn(cells: np.ndarray, prior: Prior, rng: np.random.Generator, n_draws: int) -> Effect:
    """Draws from all cells, each with the prior's three parts: it changed nothing, it helped, it harmed."""
    height, at, sd, mean, doubt, noise = cells.T
    nil = np.hypot(sd, _NIL_SD)
    log = {"helps": np.log1p(-prior.nothing - prior.harms) - np.log(len(prior.scales))}
    with np.errstate(divide="ignore"):
        log |= {"nothing": np.log(prior.nothing), "harms": np.log(prior.harms) - np.log(len(prior.scales))}
    # Height, middle, width and bounds of each part in each cell.
    found = [(log["nothing"] + norm.logpdf(at, 0.0, nil), at * (_NIL_SD / nil) ** 2, sd * _NIL_SD / nil, -np.inf, np.inf)]
    for scale in prior.scales:
        spread = np.hypot(sd, scale)
        middle, width = at * (scale / spread) ** 2, sd * scale / spread
        wide = norm.logpdf(at, 0.0, spread)
        share = ndtr((prior.most - middle) / width) - ndtr(-middle / width)
        with np.errstate(divide="ignore"):
            inside = np.log(share) - np.log(ndtr(prior.most / scale) - 0.5)
        found.append((log["helps"] + wide + inside, middle, width, 0.0, prior.most))
        found.append((log["harms"] + wide + np.log(2.0) + log_ndtr(-middle / width), middle, width, -np.inf, 0.0))
    parts = np.stack([f[0] for f in found]) + height + np.log(sd)
    chance = np.exp(parts - parts.max()).ravel()
    part, cell = np.divmod(rng.choice(chance.size, n_draws, p=chance / chance.sum()), len(cells))
    m, s = (np.stack([f[k] for f in found])[part, cell] for k in (1, 2))
    low, high = (np.array([f[k] for f in found])[part] for k in (3, 4))
    size = m + s * truncnorm.rvs((low - m) / s, (high - m) / s, size=n_draws, random_state=rng)
    draws = mean[cell] * size * (1.0 + doubt[cell] * rng.standard_normal(n_draws))
    return Effect(draws, float(noise[cell].mean()))


def weighed(draws: np.ndarray, prior: Prior, rng: np.random.Generator) -> np.ndarray:
    """
    Draws that hold no prior yet, with one: it may have changed nothing, and seldom harmed.

    Parameters
    ----------
    draws : ndarray, shape (n_draws,)
    prior : Prior
        Its chances alone count: the scale is taken from the draws themselves, because the order of size is not known.
    rng : Generator
    """
    mean, sd = float(draws.mean()), float(draws.std())
    scale = max(abs(mean), sd)
    spread = np.hypot(sd, scale)
    above = ndtr(mean * scale / (sd * spread))
    wide = 2.0 * norm.pdf(mean, 0.0, spread)
    nothing = prior.nothing * norm.pdf(mean, 0.0, sd)
    parts = np.array([nothing, (1.0 - prior.nothing - prior.harms) * wide * above, prior.harms * wide * (1.0 - above)])
    part = rng.choice(3, len(draws), p=parts / parts.sum())
    helped, harmed = (draws[side] if side.any() else np.zeros(1) for side in (draws > 0.0, draws < 0.0))
    nil = _NIL_SD * sd * rng.standard_normal(len(draws))
    return np.select([part == 0, part == 1], [nil, rng.choice(helped, len(draws))], rng.choice(harmed, len(draws)))


def agree(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two amounts differ by no more than a 90 % interval of their difference."""
    return bool(abs(one.mean() - other.mean()) <= 1.645 * np.hypot(one.std(), other.std()))


def together(amounts: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """One amount from several that do not share their errors, each weighted by its precision."""
    if len(amounts) < 2:
        return amounts[0] if amounts else np.array([])
    weight = np.array([1.0 / max(float(a.var()), 1e-12) for a in amounts])
    mixed = [rng.permutation(a) * w for a, w in zip(amounts, weight / weight.sum(), strict=True)]
    return np.asarray(np.sum(mixed, axis=0))


def _breaks(value: np.ndarray, work: int, fades: bool) -> list[np.ndarray]:
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
    height = np.where(np.abs(places - work) < _APART, 0.0, np.abs(steps)) / scale
    if fades:
        won = max(float(value[work:work + _SIDE].mean() - value[max(work - _SIDE, 0):work].mean()), 0.0)
        height = np.where((places > work) & (steps < 0.0) & (steps > -_DEEPER * won), 0.0, height)
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
