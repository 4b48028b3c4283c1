"""
The joint inference: every mechanism's unknowns, every piece of evidence, one posterior.

    ln(measured / expected) = - (columns of all mechanisms) x (unknowns) + noise

Evidence comes in families of rows with their own noise: each inverter against the others in the same hour (almost free of
the weather's error), the hours of a day against the day, the days themselves, the meter's periods, and the rounds. A
farm with a log has the first three; a farm without has the last two. The unknowns are the same, so one engine serves both.
Least squares with Gaussian priors, robust by reweighting (Student's t), bounded because a loss is not negative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column, Rare
from yieldwatch.gap.rare import rare_draws

#: Degrees of freedom of the noise. Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881: 4 suits most data.
_T_DEGREES = 4.0
#: Precision that holds an unknown where it is.
_HELD = 1e12
#: Rows handled at once when adding up products.
_SLICE = 1000


@dataclass(frozen=True, eq=False)
class Rows:
    """
    One family of evidence.

    Attributes
    ----------
    name : str
    design : csr_matrix, shape (n_rows, n_columns)
        Loss that each unknown takes in each row.
    values : ndarray, shape (n_rows,)
        ln(measured / expected).
    weight : ndarray, shape (n_rows,)
        Relative precision, 1 for an ordinary row.
    sigma : float
        Noise of an ordinary row; None to learn it from the residuals. [fraction]
    lasting : float
        How many neighbouring rows share their error: the precision is divided by it.
    day : ndarray of int, shape (n_rows,), or None
        Local day of each row, or the first of its period, where rows are days or periods.
    """

    name: str
    design: sparse.csr_matrix
    values: np.ndarray
    weight: np.ndarray
    sigma: float | None
    lasting: float
    day: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Posterior:
    """
    What the evidence leaves of the unknowns.

    Attributes
    ----------
    columns : list of Column
    estimate : ndarray, shape (n_columns,)
        Most probable values within the bounds.
    draws : ndarray, shape (n_draws, n_columns)
    noise : dict of str to float
        Learnt noise of each family. [fraction]
    misfit : float
        -2 ln of the posterior's height, for choosing between shapes.
    """

    columns: list[Column]
    estimate: np.ndarray
    draws: np.ndarray
    noise: dict[str, float]
    misfit: float

    def sizes(self, cause: str) -> dict[str, float]:
        """Estimate of each unknown of a cause by name."""
        return {c.name: float(v) for c, v in zip(self.columns, self.estimate, strict=True) if c.cause == cause}

    def loss(self, cause: str, n_inverters: int, n_blocks: int, theta: np.ndarray | None = None) -> np.ndarray:
        """-ln of what the cause leaves, shape (n_inverters, n_blocks)."""
        theta = self.estimate if theta is None else theta
        out = np.zeros((n_inverters, n_blocks))
        for column, value in zip(self.columns, theta, strict=True):
            if column.cause == cause and value != 0.0:
                if column.inverter is None:
                    out += column.values * value
                else:
                    out[column.inverter] += column.values * value
        return out


def design_matrix(columns: list[Column], n_inverters: int, n_blocks: int) -> sparse.csr_matrix:
    """All columns over all (inverter, block) pairs, inverter-major."""
    rows, cols, values = [], [], []
    for number, column in enumerate(columns):
        for k in range(n_inverters):
            shape = column.at(k)
            if shape is None:
                continue
            some = np.flatnonzero(shape)
            rows.append(k * n_blocks + some)
            cols.append(np.full(len(some), number))
            values.append(shape[some])
    return sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(n_inverters * n_blocks, len(columns))
    )


def day_weights(blocks: Blocks, weight: np.ndarray) -> sparse.csr_matrix:
    """Operator that takes energy-weighted day means, shape (n_days, n_inverters * n_blocks)."""
    n, n_blocks = weight.shape
    flat = np.flatnonzero(weight.ravel() > 0)
    day = blocks.day[flat % n_blocks]
    w = weight.ravel()[flat]
    total = np.bincount(day, weights=w, minlength=len(blocks.dates))
    return sparse.csr_matrix((w / total[day], (day, flat)), shape=(len(blocks.dates), n * n_blocks))


def day_rows(design: np.ndarray, values: np.ndarray, energy: np.ndarray) -> Rows:
    """The family of days; a day with little light is left out."""
    days = np.flatnonzero(energy > 0.05 * np.quantile(energy, 0.9))
    return Rows("day", sparse.csr_matrix(design[days]), values[days], _relative(energy[days]), None, 3.0, days)


def log_rows(blocks: Blocks, design: sparse.csr_matrix, ratio: np.ndarray, weight: np.ndarray, trust: np.ndarray) -> list[Rows]:
    """
    The log's three families of rows.

    Parameters
    ----------
    design : csr_matrix, shape (n_inverters * n_blocks, n_columns)
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy it stands for. [kWh]
    trust : ndarray, shape (n_inverters, n_blocks)
        How much each inverter counts in the mean of the hour and the day: little where shade blurs it.
    """
    n, n_blocks = ratio.shape
    use = np.isfinite(ratio) & (weight > 0)
    flat = np.flatnonzero(use.ravel())
    w, y = weight.ravel()[flat], ratio.ravel()[flat]
    block = flat % n_blocks
    here = design[flat]
    trusted = w * trust.ravel()[flat]
    block_weight = np.bincount(block, weights=trusted, minlength=n_blocks)
    average = sparse.csr_matrix((trusted / block_weight[block], (block, np.arange(len(flat)))), shape=(n_blocks, len(flat)))
    mean_design, mean_y = average @ here, average @ y
    seen = block_weight > 0
    families = []
    if n > 1:
        spread = sparse.csr_matrix((np.ones(len(flat)), (np.arange(len(flat)), block)), shape=(len(flat), n_blocks))
        families.append(
            Rows("inverter against inverter", (here - spread @ mean_design).tocsr(), y - mean_y[block], _relative(w), None, 8.0)
        )
    day = blocks.day
    n_days = len(blocks.dates)
    day_weight = np.bincount(day, weights=block_weight, minlength=n_days)
    rows = np.flatnonzero(seen)
    to_day = sparse.csr_matrix((block_weight[rows] / day_weight[day[rows]], (day[rows], rows)), shape=(n_days, n_blocks))
    day_design, day_y = to_day @ mean_design, to_day @ mean_y
    back = sparse.csr_matrix((np.ones(len(rows)), (np.arange(len(rows)), day[rows])), shape=(len(rows), n_days))
    families.append(
        Rows(
            "hour against day",
            (mean_design[rows] - back @ day_design).tocsr(),
            mean_y[rows] - day_y[day[rows]],
            _relative(block_weight[rows]),
            None,
            6.0,
        )
    )
    return [*families, day_rows(day_design.toarray(), day_y, day_weight)]


def _relative(energy: np.ndarray) -> np.ndarray:
    """Precision of a row relative to an ordinary one: weak light is noisier."""
    ordinary = np.median(energy)
    return 2.0 / (1.0 + ordinary / np.maximum(energy, 1e-3 * ordinary))


def solve(columns: list[Column], families: list[Rows], n_draws: int, rng: np.random.Generator, rounds: int = 5) -> Posterior:
    """
    Posterior of the unknowns.

    Parameters
    ----------
    columns : list of Column
    families : list of Rows
    n_draws : int
    rng : Generator
    rounds : int
        Reweighting rounds.

    Returns
    -------
    Posterior
    """
    prior_mean = np.array([c.mean for c in columns])
    prior_precision = np.array([c.sd for c in columns]) ** -2.0
    lower, upper = np.array([c.lower for c in columns]), np.array([c.upper for c in columns])
    robust = [np.ones(len(f.values)) for f in families]
    noise = {f.name: (f.sigma or _first_noise(f)) for f in families}
    theta = prior_mean.copy()
    for _ in range(rounds):
        precision = np.diag(prior_precision)
        target = prior_precision * prior_mean
        for family, t in zip(families, robust, strict=True):
            w = family.weight * t / (noise[family.name] ** 2 * family.lasting)
            _add_products(family.design, w, family.values, precision, target)
        theta = _bounded(precision, target, lower, upper, theta)
        for number, family in enumerate(families):
            residual = (family.values + family.design @ theta) * np.sqrt(family.weight)
            if family.sigma is None:
                noise[family.name] = max(1.4826 * float(np.median(np.abs(residual))), 3e-4)
            robust[number] = (_T_DEGREES + 1.0) / (_T_DEGREES + (residual / noise[family.name]) ** 2)
    misfit = float(prior_precision @ (theta - prior_mean) ** 2)
    for family in families:
        residual = (family.values + family.design @ theta) * np.sqrt(family.weight) / noise[family.name]
        misfit += (
            float(((_T_DEGREES + 1.0) * np.log1p(residual**2 / _T_DEGREES) + 2.0 * np.log(noise[family.name])).sum())
            / family.lasting
        )
    theta, draws = _settled(columns, precision, target, lower, upper, theta, n_draws, rng)
    return Posterior(columns, theta, np.clip(draws, lower, upper), noise, misfit)


def _settled(
    columns: list[Column],
    precision: np.ndarray,
    target: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    theta: np.ndarray,
    n_draws: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Estimate and draws, shape (n_draws, n_columns), once what is rare is settled: the others follow each of its draws."""
    precision, target = precision.copy(), target.copy()
    shift = np.zeros((len(columns), n_draws))
    rare = np.zeros(0, dtype=int)
    for kind in dict.fromkeys(c.rare for c in columns if c.rare is not None):
        members = np.array([j for j, c in enumerate(columns) if c.rare == kind])
        free = np.flatnonzero((theta > lower) & (theta < upper) & ~np.isin(np.arange(len(columns)), np.r_[rare, members]))
        own, right, across = _marginal(precision, target, members, free, theta, rare)
        if len(rare):
            # Each draw of what was settled before leaves another part to these.
            right = right[:, None] - across @ shift[rare]
        sizes = rare_draws([columns[j] for j in members], kind, own, right, n_draws, rng)
        middle = _middle(kind, sizes)
        shift[members] = (sizes - middle).T
        theta = theta.copy()
        theta[members] = middle
        # Held at their middle, they let the others settle around it.
        precision[members, members] += _HELD
        target[members] += _HELD * middle
        rare = np.r_[rare, members]
    if len(rare):
        theta = _bounded(precision, target, lower, upper, theta)
    others = np.setdiff1d(np.arange(len(columns)), rare)
    factor = linalg.cholesky(precision[np.ix_(others, others)], lower=False)
    follow = -precision[np.ix_(others, rare)] @ shift[rare]
    shift[others] = linalg.cho_solve((factor, False), follow)
    shift[others] += linalg.solve_triangular(factor, rng.standard_normal((len(others), n_draws)))
    return theta, (theta[:, None] + shift).T


def _middle(rare: Rare, sizes: np.ndarray) -> np.ndarray:
    """Most probable sizes, shape (n_columns,), from draws; of rivals the mean, since each by itself may be nil in most draws."""
    if not rare.one_of:
        return np.asarray(np.median(sizes, axis=0))
    there = sizes.any(axis=1)
    return sizes[there].mean(axis=0) if there.mean() > 0.5 else np.zeros(sizes.shape[1])


def _marginal(
    precision: np.ndarray, target: np.ndarray, members: np.ndarray, free: np.ndarray, theta: np.ndarray, settled: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Precision and target of a few unknowns with the free others integrated out and the rest held at `theta`, and their precision
    against those that are settled.
    """
    held = np.setdiff1d(np.arange(len(theta)), np.r_[members, free])
    across = linalg.cho_solve(linalg.cho_factor(precision[np.ix_(free, free)]), precision[np.ix_(free, members)])
    own = precision[np.ix_(members, members)] - precision[np.ix_(members, free)] @ across
    right = target[members] - precision[np.ix_(members, held)] @ theta[held]
    right -= across.T @ (target[free] - precision[np.ix_(free, held)] @ theta[held])
    return own, right, precision[np.ix_(members, settled)] - across.T @ precision[np.ix_(free, settled)]


def _add_products(
    design: sparse.csr_matrix, w: np.ndarray, values: np.ndarray, precision: np.ndarray, target: np.ndarray
) -> None:
    """
    Add X'WX to `precision` and take X'Wy off `target`, in place.

    In slices of dense rows that leave out the columns without entries there: rows lie in order of time, and most columns
    (a month of shade, a fault's span) act in few slices, so this beats both the sparse and the whole dense product.
    """
    for start in range(0, design.shape[0], _SLICE):
        part = design[start : start + _SLICE]
        some = np.unique(part.indices)
        dense = part[:, some].toarray()
        weighted = dense * w[start : start + _SLICE, None]
        precision[np.ix_(some, some)] += dense.T @ weighted
        target[some] -= weighted.T @ values[start : start + _SLICE]


def _first_noise(family: Rows) -> float:
    middle = family.values - np.median(family.values)
    return max(1.4826 * float(np.median(np.abs(middle))), 0.005)


def _bounded(precision: np.ndarray, target: np.ndarray, lower: np.ndarray, upper: np.ndarray, start: np.ndarray) -> np.ndarray:
    """
    Minimum of the quadratic within the bounds, by pinning what leaves them and freeing what wants back.

    Block principal pivoting (Portugal, Júdice & Vicente, Math. Comp. 63 (1994) 625), from the last
    answer's pins, at most 15 rounds.
    """
    pinned_low, pinned_high = start <= lower, start >= upper
    theta = start
    for _ in range(15):
        free = ~(pinned_low | pinned_high)
        theta = np.where(pinned_low, lower, np.where(pinned_high, upper, 0.0))
        right = target[free] - precision[np.ix_(free, ~free)] @ theta[~free]
        theta[free] = linalg.cho_solve(linalg.cho_factor(precision[np.ix_(free, free)]), right)
        slope = precision @ theta - target
        below, above = free & (theta < lower - 1e-12), free & (theta > upper + 1e-12)
        back = (pinned_low & (slope < -1e-9)) | (pinned_high & (slope > 1e-9))
        if not (below.any() or above.any() or back.any()):
            break
        pinned_low = (pinned_low & ~back) | below
        pinned_high = (pinned_high & ~back) | above
    return np.clip(theta, lower, upper)
