"""
Unknowns that are a trace on most farms and much on some: a prior of a spike and a slab (Mitchell & Beauchamp, J. Am. Stat.
Assoc. 83 (1988) 1023).

What the evidence says of a few such unknowns is one Gaussian. It is held against both priors, small and wide, by numerical
integration over half-normal nodes, and the posterior is the mixture of the two in proportion to how well each explains it. Of
rivals, one is wide and the others nil.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
from scipy import stats

from yieldwatch.gap.mechanisms.base import Column, Rare

#: Nodes of equal prior probability for each unknown; fewer where there are more than two of them.
_NODES, _NODES_OF_MANY = 48, 24


def rare_draws(
    columns: list[Column], rare: Rare, precision: np.ndarray, target: np.ndarray, n_draws: int, rng: np.random.Generator
) -> np.ndarray:
    """
    Draws from the posterior of unknowns that belong to one rare thing, shape (n_draws, n_columns).

    Parameters
    ----------
    columns : list of Column
        All with `rare`, their `sd` that of the wide prior with mean zero.
    precision, target : ndarray, shapes (n, n) and (n,) or (n, n_draws)
        Of the Gaussian posterior under the wide prior, all else integrated out: its height is
        exp(-x' precision x / 2 + target' x). The target may differ by draw of what was settled before.
    """
    wide, trace = np.array([c.sd for c in columns]), np.array([c.trace for c in columns])
    likelihood = precision - np.diag(wide**-2.0)
    count = _NODES if rare.one_of or len(columns) < 3 else _NODES_OF_MANY
    unit = stats.halfnorm.ppf((np.arange(count) + 0.5) / count)
    if rare.one_of:
        nodes = np.concatenate([np.zeros((1, len(columns))), np.kron(np.diag(wide), unit[:, None])])
        log_prior = np.log(np.r_[1.0 - rare.chance, np.full(len(nodes) - 1, rare.chance / (len(nodes) - 1))])
    else:
        grid = np.array(list(product(unit, repeat=len(columns))))
        nodes = np.concatenate([grid * trace, grid * wide])
        log_prior = np.log(np.repeat([1.0 - rare.chance, rare.chance], len(grid)) / len(grid))
    own = log_prior - 0.5 * np.einsum("ij,jk,ik->i", nodes, likelihood, nodes)
    drawn = []
    for one, count in _each(target, n_draws):
        height = own + nodes @ one
        weight = np.exp(height - height.max())
        drawn.append(rng.choice(len(nodes), count, p=weight / weight.sum()))
    return nodes[np.concatenate(drawn)]


def _each(target: np.ndarray, n_draws: int) -> Iterator[tuple[np.ndarray, int]]:
    """Targets, and how many draws each is for."""
    if target.ndim == 1:
        yield target, n_draws
    else:
        for one in target.T:
            yield one, 1
