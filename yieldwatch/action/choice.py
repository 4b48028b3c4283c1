"""
Which jobs to do together: the best plan of a single week, over jobs and the visits that they share.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from yieldwatch.action.problem import Limits, Offer, Problem
from yieldwatch.action.schedule import EXACT, Planner


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
    The planner's programme (`schedule.Planner`), whose bundles leave the solver little to do.
    """
    n = len(jobs.value)
    chosen = jobs.must.copy()
    if not n:
        return chosen, True
    offers = [Offer(job, (0,), float(value)) for job, value in enumerate(jobs.value)]
    problem = Problem(offers, jobs.visit, jobs.cost_units, jobs.cost_per_visit, jobs.hours_units, jobs.hours_per_visit, jobs.must,
                      np.ones(1), tuple(jobs.exclusive))
    found = Planner(problem, Limits(budget, hours)).best()
    if found is None:
        return chosen, False
    chosen[[offer.job for offer in found.taken]] = True
    return chosen, found.gap <= EXACT["mip_rel_gap"]


def set_total(units: np.ndarray, per_visit: np.ndarray, visit: np.ndarray, chosen: np.ndarray) -> float:
    """Cost or time of a set of jobs: their units, and each visit's largest fixed part once."""
    if not chosen.any():
        return 0.0
    top = np.zeros(int(visit.max()) + 1)
    np.maximum.at(top, visit[chosen], per_visit[chosen])
    return float(units[chosen].sum() + top.sum())
