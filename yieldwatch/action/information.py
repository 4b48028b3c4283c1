"""
What a reading is worth before it is made: how much better the decision after it is, in the mean, than the one made now.

Preposterior analysis (Raiffa & Schlaifer, Applied Statistical Decision Theory, 1961) on the draws of the posterior: each draw is
a farm as it may be, and the reading is simulated on it with its noise. What the reading would lead one to expect of each job is
the regression of the job's return on the simulated reading, without a set form (Strong, Oakley & Brennan, Med. Decis. Making 34
(2014) 311); here a monotone one, since a larger loss read means a larger or a smaller return throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

#: Readings simulated on each draw.
_TIMES = 10
#: Samplings of the draws that show how far their number leaves the worth open, and readings simulated on each.
_SAMPLINGS, _TIMES_EACH = 40, 4
#: A worth below this share of what the jobs return is rounding of the regression. [1]
_ROUNDING = 1e-6


@dataclass(frozen=True, eq=False)
class Decision:
    """
    The jobs of one site among which a reading may choose.

    Attributes
    ----------
    present : ndarray, shape (n_draws, n_jobs)
        Present value of what each returns. [money]
    units, visits : ndarray, shape (n_jobs,)
        Cost of each job's own units, and of its visit. [money]
    crew : ndarray of int, shape (n_jobs,)
        Jobs of one crew share a visit.
    coming : ndarray, shape (n_jobs,)
        What the visit of each job's crew costs that is made whatever is decided. [money]
    held : ndarray of bool, shape (n_jobs,)
        Not done before a look has told of it.
    """

    present: np.ndarray
    units: np.ndarray
    visits: np.ndarray
    crew: np.ndarray
    coming: np.ndarray
    held: np.ndarray

    def best(self, expected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """
        Worth of the best set of jobs, and the set, for rows of expected returns.

        Parameters
        ----------
        expected : ndarray, shape (n_rows, n_jobs)
            [money]

        Returns
        -------
        worth : ndarray, shape (n_rows,)
            Beyond all costs but those of visits that are made anyway. [money]
        taken : ndarray of bool, shape (n_rows, n_jobs)
        """
        worth, taken = np.zeros(len(expected)), np.zeros(expected.shape, dtype=bool)
        over = np.maximum(expected - self.units, 0.0)
        more = np.maximum(self.visits - self.coming, 0.0)
        for crew in np.unique(self.crew):
            own = self.crew == crew
            prices = np.unique(more[own])
            # A visit is as dear as its dearest job: the best set is that of some price, and all that pays below it.
            each = np.stack([over[:, own & (more <= price)].sum(axis=1) - price for price in prices])
            pick = each.argmax(axis=0)
            top = each[pick, np.arange(len(expected))]
            worth += np.maximum(top, 0.0)
            taken |= own & (more <= prices[pick][:, None]) & (over > 0) & (top > 0)[:, None]
        return worth, taken


@dataclass(frozen=True)
class Worth:
    """
    What a reading is worth, before its own cost.

    Attributes
    ----------
    mean, low, high : float
        Expected gain of the decision, and the 90 % range that the number of draws leaves it. [money]
    chance_of_change : float
        That the reading changes which jobs are done.
    turns : tuple of int
        Jobs that it may turn, the likeliest first.
    """

    mean: float
    low: float
    high: float
    chance_of_change: float
    turns: tuple[int, ...]


def worth_of_reading(decision: Decision, shown: Sequence[np.ndarray | None], noise: float, rng: np.random.Generator) -> Worth:
    """
    Expected value of a reading.

    Parameters
    ----------
    decision : Decision
    shown : sequence of (ndarray of shape (n_draws,) or None), length n_jobs
        What the reading would show of each job's loss if it had no noise; None for a job of which it says nothing.
    noise : float
        Standard uncertainty of the reading, in the unit of `shown`.
    rng : Generator

    Returns
    -------
    Worth
        Nil, and no change, where it tells of no job.
    """
    n = len(decision.present)
    worth, changes = _once(decision, shown, noise, rng, np.arange(n), _TIMES)
    spread = [_once(decision, shown, noise, rng, rng.integers(n, size=n), _TIMES_EACH)[0] for _ in range(_SAMPLINGS)]
    low, high = np.quantile(spread, [0.05, 0.95])
    turned = changes.mean(axis=0)
    order = np.argsort(-turned, kind="stable")
    return Worth(worth, min(float(low), worth), max(float(high), worth), float(changes.any(axis=1).mean()),
                 tuple(int(k) for k in order if turned[k] > 0.0))


def worth_of_certainty(decision: Decision) -> float:
    """
    How much better the choice of jobs would be if what each returns were known: no reading, nor all of them, is worth more.

    Expected value of perfect information (Raiffa & Schlaifer, 1961). [money]
    """
    if not decision.present.size:
        return 0.0
    now = np.where(decision.held, 0.0, decision.present.mean(axis=0))
    return max(float(decision.best(decision.present)[0].mean() - decision.best(now[None, :])[0][0]), 0.0)


def _once(decision: Decision, shown: Sequence[np.ndarray | None], noise: float, rng: np.random.Generator,
          draws: np.ndarray, times: int) -> tuple[float, np.ndarray]:
    """Worth on some draws, and in each simulated reading which jobs it turns, shape (n_readings, n_jobs)."""
    present = decision.present[draws]
    now = np.where(decision.held, 0.0, present.mean(axis=0))
    expected = np.repeat(now[None, :], len(draws) * times, axis=0)
    told: dict[int, np.ndarray] = {}  # by what is shown, since one reading has one noise
    for k, size in enumerate(shown):
        if size is not None:
            if id(size) not in told:
                told[id(size)] = np.tile(size[draws], times) + noise * rng.standard_normal(len(expected))
            expected[:, k] = given(told[id(size)], np.tile(present[:, k], times))
    before, taken_now = decision.best(now[None, :])
    after, taken = decision.best(expected)
    worth = float(after.mean() - before[0])
    return (worth if worth > _ROUNDING * max(np.abs(now).sum(), 1.0) else 0.0), taken != taken_now


def given(read: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Mean of the value given what was read: the monotone function of the reading that fits best."""
    order = np.argsort(read, kind="stable")
    centred = read - read.mean()
    fit = isotonic_regression(value[order], increasing=bool(centred @ value >= 0.0)).x
    out = np.empty(len(value))
    out[order] = fit
    return out
