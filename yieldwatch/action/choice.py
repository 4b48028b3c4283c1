"""
Which jobs to do together: an integer programme over jobs and the visits that they share.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

#: Branches after which the best set found so far is taken; counted, not timed, so that a run repeats.
_NODE_LIMIT = 100_000


@dataclass(frozen=True)
class Jobs:
    """
    The figures that a choice is made on, one value a job.

    Attributes
    ----------
    value : ndarray, shape (n_jobs,)
        Present value of what the job is expected to return. [money]
    cost_units, cost_per_visit : ndarray, shape (n_jobs,)
        The job's own cost, and what its visit costs at least. [money]
    hours_units, hours_per_visit : ndarray, shape (n_jobs,)
        [h]
    visit : ndarray of int, shape (n_jobs,)
        Jobs with the same number share a visit, which costs the largest `cost_per_visit` among them.
    must : ndarray of bool, shape (n_jobs,)
        Done whatever they return.
    exclusive : iterable of (int, int)
        Pairs of which one at most can be done.
    """

    value: np.ndarray
    cost_units: np.ndarray
    cost_per_visit: np.ndarray
    hours_units: np.ndarray
    hours_per_visit: np.ndarray
    visit: np.ndarray
    must: np.ndarray
    exclusive: Iterable[tuple[int, int]] = field(default=())


def best_set(jobs: Jobs, budget: float = np.inf, hours: float = np.inf) -> tuple[np.ndarray, bool]:
    """
    The set of jobs with the largest value beyond its cost.

    Parameters
    ----------
    jobs : Jobs
    budget : float
        Most that the set may cost, jobs that must be done included; where those alone cost more,
        they are the limit. [money]
    hours : float
        Most crew time that it may take, in the same way. [h]

    Returns
    -------
    chosen : ndarray of bool, shape (n_jobs,)
    proven : bool
        False where the search was cut off; the set keeps to all limits but a better one may exist.

    Notes
    -----
    Solved exactly by branch and bound (HiGHS).
    """
    n = len(jobs.value)
    if not n:
        return np.zeros(0, dtype=bool), True
    n_visits = int(jobs.visit.max()) + 1
    possible = jobs.must | (jobs.value > jobs.cost_units)
    costs = np.r_[jobs.cost_units, np.ones(n_visits), np.zeros(n_visits)]
    gains = np.r_[jobs.value - jobs.cost_units, -np.ones(n_visits), np.zeros(n_visits)]
    time = np.r_[jobs.hours_units, np.zeros(n_visits), np.ones(n_visits)]
    result = milp(
        -gains,
        integrality=np.r_[np.ones(n), np.zeros(2 * n_visits)],
        bounds=Bounds(
            np.r_[jobs.must.astype(float), np.zeros(2 * n_visits)],
            np.r_[possible.astype(float), np.full(2 * n_visits, np.inf)],
        ),
        constraints=[
            *_visits(jobs, n_visits), *_limits(jobs, costs, budget, time, hours), *_pairs(jobs, n_visits),
        ],
        options={"mip_rel_gap": 0.0, "node_limit": _NODE_LIMIT},
    )
    if result.x is None:
        return jobs.must.copy(), False
    return result.x[:n] > 0.5, result.status == 0


def _visits(jobs: Jobs, n_visits: int) -> list[LinearConstraint]:
    """A visit costs and lasts at least as its largest job."""
    n = len(jobs.value)
    job = np.arange(n)
    out = []
    for block, largest in enumerate((jobs.cost_per_visit, jobs.hours_per_visit)):
        at = n + block * n_visits + jobs.visit
        rows = coo_array(
            (np.r_[np.ones(n), -largest], (np.r_[job, job], np.r_[at, job])), shape=(n, n + 2 * n_visits)
        )
        out.append(LinearConstraint(rows.tocsr(), 0.0, np.inf))
    return out


def _limits(
    jobs: Jobs, costs: np.ndarray, budget: float, time: np.ndarray, hours: float
) -> list[LinearConstraint]:
    """Money and crew time; what must be done is allowed to be all that they are spent on."""
    out = []
    for row, limit, units, per_visit in (
        (costs, budget, jobs.cost_units, jobs.cost_per_visit),
        (time, hours, jobs.hours_units, jobs.hours_per_visit),
    ):
        if np.isfinite(limit):
            needed = set_total(units, per_visit, jobs.visit, jobs.must)
            out.append(LinearConstraint(row[None], -np.inf, max(limit, needed)))
    return out


def _pairs(jobs: Jobs, n_visits: int) -> list[LinearConstraint]:
    pairs = np.array(list(jobs.exclusive), dtype=int).reshape(-1, 2)
    if not len(pairs):
        return []
    rows = np.repeat(np.arange(len(pairs)), 2)
    table = coo_array(
        (np.ones(len(rows)), (rows, pairs.ravel())), shape=(len(pairs), len(jobs.value) + 2 * n_visits)
    )
    return [LinearConstraint(table.tocsr(), -np.inf, 1.0)]


def set_total(units: np.ndarray, per_visit: np.ndarray, visit: np.ndarray, chosen: np.ndarray) -> float:
    """Cost or time of a set of jobs: their units, and each visit's largest fixed part once."""
    if not chosen.any():
        return 0.0
    top = np.zeros(int(visit.max()) + 1)
    np.maximum.at(top, visit[chosen], per_visit[chosen])
    return float(units[chosen].sum() + top.sum())
