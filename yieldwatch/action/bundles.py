"""
All that can be done of a few jobs which meet nothing but the shared limits: each way worth having, with what it takes.

A plan then takes one bundle of each group. That is the same integer programme with a far tighter relaxation (Dantzig & Wolfe,
Operations Research 8 (1960) 101), which branch and bound closes in a few nodes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldwatch.action.problem import Offer, Problem

#: Ways to combine a group's offers up to which all are tried.
_MOST_WAYS = 10_000
#: Money and hours by which one way may miss being no dearer than another: rounding.
_SLACK = 1e-9


@dataclass(frozen=True)
class Bundle:
    """
    Offers taken together.

    Attributes
    ----------
    taken : tuple of Offer
    value : float
        Present value, all costs paid. [money]
    money : float
        What it takes of the budget.
    hours : float
        Crew hours. [h]
    """

    taken: tuple[Offer, ...]
    value: float
    money: float
    hours: float


def bundles(problem: Problem, must: np.ndarray, offers: Sequence[Offer]) -> list[Bundle] | None:
    """
    The ways to take a group's offers that no other way beats in value, money and hours.

    Parameters
    ----------
    problem : Problem
    must : ndarray of bool, shape (n_jobs,)
    offers : sequence of Offer
        Of the group's jobs.

    Returns
    -------
    list of Bundle or None
        The most valuable first; doing nothing is one of them unless a job must be done. None if there are too many to try.
    """
    jobs = sorted({o.job for o in offers})
    choices = [([] if must[job] else [None]) + [o for o in offers if o.job == job] for job in jobs]
    sizes = [len(c) for c in choices]
    if np.prod(sizes, dtype=float) > _MOST_WAYS:
        return None
    ways = np.array(list(itertools.product(*map(range, sizes))))
    net = [np.array([0.0 if o is None else o.value - problem.units(o) for o in c]) for c in choices]
    value = sum(own[ways[:, k]] for k, own in enumerate(net))
    turns = [np.array([0 if o is None else len(o.weeks) for o in c])[ways[:, k]] for k, c in enumerate(choices)]
    money = sum(problem.cost_units[job] * t for job, t in zip(jobs, turns, strict=True))
    possible = _compatible(problem, must, jobs, turns)
    hours = sum(problem.hours_units[job] * t for job, t in zip(jobs, turns, strict=True))
    for (visit, week) in sorted({(int(problem.visit[o.job]), w) for o in offers for w in o.weeks}):
        here = [k for k, job in enumerate(jobs) if problem.visit[job] == visit]
        there = _at(week, here, choices, ways)
        fixed = (there * problem.cost_per_visit[[jobs[k] for k in here]]).max(axis=1)
        value = value - fixed * problem.discount[week]
        money = money + fixed
        hours = hours + (there * problem.hours_per_visit[[jobs[k] for k in here]]).max(axis=1)
    at = np.flatnonzero(possible)
    kept = _best(value[at], np.c_[money[at], hours[at]])
    out = []
    for k in at[kept]:
        taken = tuple(o for c, n in zip(choices, ways[k], strict=True) if (o := c[n]) is not None)
        out.append(Bundle(taken, float(value[k]), float(money[k]), float(hours[k])))
    return out


def _compatible(problem: Problem, must: np.ndarray, jobs: list[int], turns: list[np.ndarray]) -> np.ndarray:
    """Ways that hold no two jobs which exclude each other."""
    place = {job: k for k, job in enumerate(jobs)}
    out = np.ones(len(turns[0]), dtype=bool)
    for a, b in problem.exclusive:
        if a in place and b in place and not (must[a] and must[b]):
            out &= (turns[place[a]] == 0) | (turns[place[b]] == 0)
    return out


def _at(week: int, here: list[int], choices: list[list[Offer | None]], ways: np.ndarray) -> np.ndarray:
    """Which jobs are done in one visit, shape (n_ways, n_here)."""
    return np.stack([np.array([o is not None and week in o.weeks for o in choices[k]])[ways[:, k]] for k in here], axis=1)


def _best(value: np.ndarray, takes: np.ndarray) -> np.ndarray:
    """Places of those that no other beats: of as much value, taking no more of anything; the most valuable first."""
    order = np.lexsort([*takes.T, -value])
    kept = np.zeros((0, takes.shape[1]))
    places = []
    for k in order:
        if not (kept <= takes[k] + _SLACK).all(axis=1).any():
            kept = np.vstack([kept, takes[k]])
            places.append(int(k))
    return np.array(places, dtype=int)
