"""
What a plan is made from: the offers of each job, what they cost, and the limits that all share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

#: By how much a limit may be passed: the solver's own tolerance. [money, h]
_SLACK = 1e-6


@dataclass(frozen=True)
class Offer:
    """
    One way to do a job.

    Attributes
    ----------
    job : int
    weeks : tuple of int
        When it is done, each in a visit of its own.
    value : float
        Present value of what it returns, before its cost. [money]
    """

    job: int
    weeks: tuple[int, ...]
    value: float


@dataclass(frozen=True)
class Problem:
    """
    All that a plan is made from, arrays of shape (n_jobs,) unless said otherwise.

    Attributes
    ----------
    offers : sequence of Offer
        Every job that must be done has one.
    visit : ndarray of int
        Jobs with the same number are one crew's at one site.
    cost_units, cost_per_visit : ndarray
        [money]
    hours_units, hours_per_visit : ndarray
        [h]
    must : ndarray of bool
        Done whatever they return.
    discount : ndarray, shape (n_weeks,)
        Present value of a unit of money paid in each week.
    exclusive : sequence of (int, int)
        Pairs of jobs of which one at most can be done.
    """

    offers: Sequence[Offer]
    visit: np.ndarray
    cost_units: np.ndarray
    cost_per_visit: np.ndarray
    hours_units: np.ndarray
    hours_per_visit: np.ndarray
    must: np.ndarray
    discount: np.ndarray
    exclusive: Sequence[tuple[int, int]] = field(default=())

    def units(self, offer: Offer) -> float:
        """Present cost of an offer's own units. [money]"""
        return float(self.cost_units[offer.job] * self.discount[list(offer.weeks)].sum())

    def visits(self, taken: Sequence[Offer]) -> dict[tuple[int, int], list[int]]:
        """Jobs of each visit, by (number, week)."""
        out: dict[tuple[int, int], list[int]] = {}
        for offer in taken:
            for week in offer.weeks:
                out.setdefault((int(self.visit[offer.job]), week), []).append(offer.job)
        return out

    def value(self, taken: Sequence[Offer]) -> float:
        """Present value of a plan, all costs paid. [money]"""
        gain = sum(offer.value - self.units(offer) for offer in taken)
        return gain - sum(self.cost_per_visit[jobs].max() * self.discount[week] for (_, week), jobs in self.visits(taken).items())

    def spent(self, taken: Sequence[Offer]) -> tuple[float, float]:
        """Money and crew time that a plan takes. [money, h]"""
        visits = self.visits(taken).values()
        return (
            float(sum(self.cost_units[jobs].sum() + self.cost_per_visit[jobs].max() for jobs in visits)),
            float(sum(self.hours_units[jobs].sum() + self.hours_per_visit[jobs].max() for jobs in visits)),
        )


@dataclass(frozen=True)
class Limits:
    """Most money and crew time; what must be done alone may exceed them. [money, h]"""

    budget: float = np.inf
    hours: float = np.inf

    def hold(self, money: float, hours: float) -> bool:
        return money <= self.budget + _SLACK and hours <= self.hours + _SLACK


@dataclass(frozen=True)
class Solution:
    """The offers taken, what they are worth [money], and the share by which a better plan could at most be worth more."""

    taken: tuple[Offer, ...]
    value: float
    gap: float
