"""
The joint inference: every mechanism's unknowns, every piece of evidence, one posterior.

    ln(measured / expected) = - (columns of all mechanisms) x (unknowns) + noise

Evidence comes in families of rows with their own noise: each inverter against the others in the same hour (almost free of
the weather's error), the hours of a day against the day, the days themselves, the meter's periods, and the rounds. A
farm with a log has the first three; a farm without has the last two. The unknowns are the same, so one engine serves both.
Least squares with Gaussian priors, robust by reweighting (Student's t), bounded because a loss is not negative.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import linalg, sparse, special

from yieldwatch.gap.mechanisms.base import Column, Rare
from yieldwatch.gap.rare import rare_draws

#: Degrees of freedom of the noise. Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881: 4 suits most data.
_T_DEGREES = 4.0
#: How many times a trace an unknown is where there is much of it.
_MUCH = 5.0
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
    prior = np.array([c.sd for c in columns]) ** -2.0
    modes = [_reweighted(columns, families, prior, rounds)]
    for kind in dict.fromkeys(c.rare for c in columns if c.rare is not None and not c.rare.one_of) if n_draws > 1 else ():
        modes = [part for mode in modes for part in _apart(columns, families, mode, kind, rounds)]
    counts = _shares([m.weight for m in modes], n_draws)
    settled = [_settled(columns, mode, n, rng) for mode, n in zip(modes, counts, strict=True) if n]
    likeliest = int(np.argmax([n for n in counts if n]))
    draws = rng.permutation(np.concatenate([draws for _, draws in settled])) if len(settled) > 1 else settled[0][1]
    mode = [m for m, n in zip(modes, counts, strict=True) if n][likeliest]
    misfit = mode.misfit + float((prior - mode.prior) @ mode.theta**2)
    return Posterior(columns, settled[likeliest][0], np.clip(draws, mode.lower, mode.upper), mode.noise, misfit)


def _apart(columns: list[Column], families: list[Rows], mode: _Mode, kind: Rare, rounds: int) -> list[_Mode]:
    """
    A mode with much of a rare kind, and the one with a trace of it, each with its share of the weight.

    Reweighted where there is much, rows that speak against it count for little: they are heard where there is a trace.
    """
    members = np.flatnonzero([c.rare == kind for c in columns])
    trace = np.array([max(columns[j].trace, 1e-9) for j in members])
    if not (mode.theta[members] > _MUCH * trace).any():
        return [mode]
    prior = mode.prior.copy()
    prior[members] = trace**-2.0
    other = _reweighted(columns, families, prior, rounds)
    much = float(special.expit(0.5 * (other.unlikely(members, 1.0 - kind.chance) - mode.unlikely(members, kind.chance))))
    return [replace(mode, weight=mode.weight * much, chance=mode.chance | {kind: 1.0}),
            replace(other, weight=mode.weight * (1.0 - much), chance=mode.chance | {kind: 0.0})]


def _shares(weights: list[float], total: int) -> list[int]:
    """Whole numbers that add up to `total`, in proportion to weights that add up to one, by largest remainder."""
    exact = np.array(weights) * total
    out = np.floor(exact).astype(int)
    out[np.argsort(out - exact)[: total - out.sum()]] += 1
    return [int(n) for n in out]


@dataclass(frozen=True, eq=False)
class _Mode:
    """
    Where the posterior is highest under a prior of these precisions: the unknowns, the quadratic and -2 ln of its height there,
    its weight among modes, and the chance of more than a trace of the kinds that part it from others: one or nil.
    """

    prior: np.ndarray
    theta: np.ndarray
    precision: np.ndarray
    target: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    noise: dict[str, float]
    misfit: float
    weight: float = 1.0
    chance: dict[Rare, float] = field(default_factory=dict)

    def unlikely(self, members: np.ndarray, chance: float) -> float:
        """-2 ln of how likely the evidence is under the prior of `members`, all sizes of them considered, times its chance."""
        free = np.setdiff1d(np.flatnonzero((self.theta > self.lower) & (self.theta < self.upper)), members)
        own, _, _ = _marginal(self.precision, self.target, members, free, self.theta, np.zeros(0, dtype=int))
        spread = self.prior[members] ** -0.5
        told = (own - np.diag(self.prior[members])) * spread[:, None] * spread[None, :]
        return self.misfit + float(np.linalg.slogdet(np.eye(len(members)) + told)[1]) - 2.0 * np.log(chance)


def _reweighted(columns: list[Column], families: list[Rows], prior: np.ndarray, rounds: int) -> _Mode:
    """The mode under a prior of these precisions, by `rounds` of reweighting."""
    prior_mean = np.array([c.mean for c in columns])
    lower, upper = np.array([c.lower for c in columns]), np.array([c.upper for c in columns])
    robust = [np.ones(len(f.values)) for f in families]
    noise = {f.name: (f.sigma or _first_noise(f)) for f in families}
    theta = prior_mean.copy()
    for _ in range(rounds):
        precision = np.diag(prior)
        target = prior * prior_mean
        for family, t in zip(families, robust, strict=True):
            w = family.weight * t / (noise[family.name] ** 2 * family.lasting)
            _add_products(family.design, w, family.values, precision, target)
        theta = _bounded(precision, target, lower, upper, theta)
        for number, family in enumerate(families):
            residual = (family.values + family.design @ theta) * np.sqrt(family.weight)
            if family.sigma is None:
                noise[family.name] = max(1.4826 * float(np.median(np.abs(residual))), 3e-4)
            robust[number] = (_T_DEGREES + 1.0) / (_T_DEGREES + (residual / noise[family.name]) ** 2)
    misfit = float(prior @ (theta - prior_mean) ** 2)
    for family in families:
        residual = (family.values + family.design @ theta) * np.sqrt(family.weight) / noise[family.name]
        misfit += (
            float(((_T_DEGREES + 1.0) * np.log1p(residual**2 / _T_DEGREES) + 2.0 * np.log(noise[family.name])).sum())
            / family.lasting
        )
    return _Mode(prior, theta, precision, target, lower, upper, noise, misfit)


def _settled(columns: list[Column], mode: _Mode, n_draws: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Estimate and draws, shape (n_draws, n_columns), once what is rare is settled: the others follow each of its draws."""
    lower, upper, theta = mode.lower, mode.upper, mode.theta
    precision, target = mode.precision.copy(), mode.target.copy()
    shift = np.zeros((len(columns), n_draws))
    rare = np.zeros(0, dtype=int)
    for kind in dict.fromkeys(c.rare for c in columns if c.rare is not None and mode.chance.get(c.rare) != 0.0):
        members = np.array([j for j, c in enumerate(columns) if c.rare == kind])
        free = np.flatnonzero((theta > lower) & (theta < upper) & ~np.isin(np.arange(len(columns)), np.r_[rare, members]))
        own, right, across = _marginal(precision, target, members, free, theta, rare)
        if len(rare):
            # Each draw of what was settled before leaves another part to these.
            right = right[:, None] - across @ shift[rare]
        sizes = rare_draws([columns[j] for j in members], kind, own, right, n_draws, rng, mode.chance.get(kind))
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
