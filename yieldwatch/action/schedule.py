"""
Which jobs to do in which weeks, chosen together: an integer programme over visits.

Each job has offers, of which one at most is taken: one week, or for work that recurs several. Jobs of one site and crew in one
week share a visit, which costs and lasts as its largest job. Without a limit that all share the sites do not meet, and each is
solved by itself; only if that exceeds a limit are all solved in one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

#: Branches after which the best plan found so far is taken; counted, not timed, so that a run repeats.
_NODE_LIMIT = 20_000
#: Share of its value by which a plan may miss the best one. Far below a coin in any budget.
_GAP = 1e-7


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
    carries : tuple of float
        What each of those visits returns at least as likely as not, before its cost. [money]
    """

    job: int
    weeks: tuple[int, ...]
    value: float
    carries: tuple[float, ...]


@dataclass(frozen=True)
class Book:
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

    def spent(self, taken: Sequence[Offer]) -> tuple[float, dict[int, float]]:
        """Money, and crew hours of each week, that a plan takes. [money, h]"""
        money, hours = 0.0, dict.fromkeys((w for offer in taken for w in offer.weeks), 0.0)
        for (_, week), jobs in self.visits(taken).items():
            money += self.cost_units[jobs].sum() + self.cost_per_visit[jobs].max()
            hours[week] += self.hours_units[jobs].sum() + self.hours_per_visit[jobs].max()
        return float(money), hours


@dataclass(frozen=True)
class Limits:
    """Most money, crew hours and crew hours a week; what must be done alone may exceed them. [money, h, h]"""

    budget: float = np.inf
    hours: float = np.inf
    hours_a_week: float = np.inf

    def hold(self, money: float, hours: dict[int, float]) -> bool:
        most = max(hours.values(), default=0.0)
        slack = 1e-6
        return money <= self.budget + slack and sum(hours.values()) <= self.hours + slack and most <= self.hours_a_week + slack


@dataclass(frozen=True)
class Solution:
    """The offers taken, what they are worth [money], and whether no better plan exists."""

    taken: tuple[Offer, ...]
    value: float
    proven: bool


class Planner:
    """
    Finds the plan with the largest present value.

    Parameters
    ----------
    book : Book
    limits : Limits

    Notes
    -----
    Solved by branch and bound (HiGHS) to a relative gap of 1e-7. Beyond the limits, each visit's jobs must carry it with
    what they return at least as likely as not, so that none is sent out that is more likely than not to lose money; jobs
    that must be done bring their visit with them.
    """

    def __init__(self, book: Book, limits: Limits) -> None:
        self.book = book
        self.limits = _relaxed(book, limits)
        self._alone: dict[tuple[tuple[int, ...], int | None], Solution | None] = {}

    def best(self, forced: int | None = None) -> Solution | None:
        """The best plan, or the best that holds a forced job; None if no plan within the limits does."""
        must = self.book.must.copy()
        if forced is not None:
            must[forced] = True
        groups = _components(self.book, must)
        alone = [self._part(tuple(group), must, forced) for group in groups]
        parts = [s for s in alone if s is not None]
        if len(parts) < len(alone):
            return None
        together = tuple(offer for s in parts for offer in s.taken)
        if self.limits.hold(*self.book.spent(together)):
            return Solution(together, self.book.value(together), all(s.proven for s in parts))
        # A part that is worth nothing without limits is worth nothing within them.
        worth = [job for s, group in zip(parts, groups, strict=True) if s.taken for job in group]
        return _solve(self.book, must, self.limits, worth)

    def _part(self, group: tuple[int, ...], must: np.ndarray, forced: int | None) -> Solution | None:
        key = (group, forced if forced in group else None)
        if key not in self._alone:
            self._alone[key] = _solve(self.book, must, Limits(), group)
        return self._alone[key]


def _relaxed(book: Book, limits: Limits) -> Limits:
    """Limits that hold at least what must be done."""
    first = {o.job: o for o in reversed(book.offers) if book.must[o.job]}
    money, hours = book.spent(list(first.values()))
    return Limits(max(limits.budget, money), max(limits.hours, sum(hours.values())),
                  max(limits.hours_a_week, max(hours.values(), default=0.0)))


def _components(book: Book, must: np.ndarray) -> list[list[int]]:
    """Jobs that have an offer worth taking, in groups that share no visit and exclude each other in no pair."""
    offered = sorted({o.job for o in book.offers if must[o.job] or o.value > book.units(o)})
    root = {int(v): int(v) for v in book.visit[offered]}

    def find(v: int) -> int:
        while root[v] != v:
            v = root[v]
        return v

    here = set(offered)
    for a, b in book.exclusive:
        if a in here and b in here:
            root[find(int(book.visit[a]))] = find(int(book.visit[b]))
    groups: dict[int, list[int]] = {}
    for job in offered:
        groups.setdefault(find(int(book.visit[job])), []).append(job)
    return list(groups.values())


def _solve(book: Book, must: np.ndarray, limits: Limits, jobs: Sequence[int]) -> Solution | None:
    """Solve for some jobs. Variables: their offers; each visit's cost, its hours, and the cost that must be paid anyway."""
    here = set(jobs)
    offers = [o for o in book.offers if o.job in here and (must[o.job] or o.value > book.units(o))]
    if not offers:
        return Solution((), 0.0, True)
    place = {key: n for n, key in enumerate(book.visits(offers))}
    n, m = len(offers), len(place)
    week = np.array([w for _, w in place])
    brought = _brought(book, must, offers, place)
    result = milp(
        -np.r_[[o.value - book.units(o) for o in offers], -book.discount[week], np.zeros(2 * m)],
        integrality=np.r_[np.ones(n), np.zeros(3 * m)],
        bounds=Bounds(np.zeros(n + 3 * m), np.r_[np.ones(n), np.full(2 * m, np.inf), brought]),
        constraints=[*_one_offer(offers, must, book.exclusive, n + 3 * m), *_visits(book, must, offers, place),
                     *_limits(book, limits, week, offers)],
        options={"mip_rel_gap": _GAP, "node_limit": _NODE_LIMIT},
    )
    if result.x is None:
        return None
    taken = tuple(offers[k] for k in np.flatnonzero(result.x[:n] > 0.5))
    return Solution(taken, book.value(taken), result.status == 0)


def _brought(book: Book, must: np.ndarray, offers: list[Offer], place: dict[tuple[int, int], int]) -> np.ndarray:
    """Most of each visit's cost that jobs which must be done bring with them, shape (n_visits,). [money]"""
    most = np.zeros(len(place))
    for offer in offers:
        if must[offer.job]:
            at = [place[int(book.visit[offer.job]), week] for week in offer.weeks]
            most[at] = np.maximum(most[at], book.cost_per_visit[offer.job])
    return most


def _rows(entries: list[dict[int, float]], width: int) -> csr_array:
    row = [r for r, entry in enumerate(entries) for _ in entry]
    column = [c for entry in entries for c in entry]
    return csr_array(([v for entry in entries for v in entry.values()], (row, column)), shape=(len(entries), width))


def _one_offer(offers: list[Offer], must: np.ndarray, exclusive: Sequence[tuple[int, int]], width: int) -> list[LinearConstraint]:
    by_job: dict[int, list[int]] = {}
    for k, offer in enumerate(offers):
        by_job.setdefault(offer.job, []).append(k)
    rows = [dict.fromkeys(ks, 1.0) for ks in by_job.values()]
    least = [float(must[job]) for job in by_job]
    pairs = [(a, b) for a, b in exclusive if a in by_job and b in by_job]
    rows += [dict.fromkeys(by_job[a] + by_job[b], 1.0) for a, b in pairs]
    # Two jobs that must both be done do not exclude each other.
    most = [1.0] * len(by_job) + [max(1.0, float(must[a]) + float(must[b])) for a, b in pairs]
    return [LinearConstraint(_rows(rows, width), np.r_[least, np.zeros(len(pairs))], most)]


def _visits(book: Book, must: np.ndarray, offers: list[Offer], place: dict[tuple[int, int], int]) -> list[LinearConstraint]:
    """A visit costs and lasts as its largest job; the jobs that need not be done carry what the others do not bring."""
    n, m = len(offers), len(place)
    shared: dict[tuple[int, int], dict[int, float]] = {}
    carry: list[dict[int, float]] = [{n + at: -1.0, n + 2 * m + at: 1.0} for at in range(m)]
    bring: list[dict[int, float]] = [{n + 2 * m + at: -1.0} for at in range(m)]
    for k, offer in enumerate(offers):
        for week, returned in zip(offer.weeks, offer.carries, strict=True):
            at = place[int(book.visit[offer.job]), week]
            shared.setdefault((offer.job, at), {})[k] = 1.0
            if must[offer.job]:
                bring[at][k] = float(book.cost_per_visit[offer.job])
            else:
                carry[at][k] = returned - book.units(offer) / len(offer.weeks)
    rows = []
    for block, largest in enumerate((book.cost_per_visit, book.hours_per_visit)):
        rows += [{n + block * m + at: 1.0} | {k: -float(largest[job]) for k in ks} for (job, at), ks in shared.items()]
    return [LinearConstraint(_rows(r, n + 3 * m), 0.0, np.inf) for r in (rows, carry, bring)]


def _limits(book: Book, limits: Limits, week: np.ndarray, offers: list[Offer]) -> list[LinearConstraint]:
    n, m = len(offers), len(week)
    of = [o.job for o in offers]
    times = np.array([len(o.weeks) for o in offers])
    out = []
    if np.isfinite(limits.budget):
        row = np.r_[book.cost_units[of] * times, np.ones(m), np.zeros(2 * m)]
        out.append(LinearConstraint(row[None], -np.inf, limits.budget))
    if np.isfinite(limits.hours):
        row = np.r_[book.hours_units[of] * times, np.zeros(m), np.ones(m), np.zeros(m)]
        out.append(LinearConstraint(row[None], -np.inf, limits.hours))
    if np.isfinite(limits.hours_a_week):
        rows: dict[int, dict[int, float]] = {int(w): {} for w in week}
        for at, w in enumerate(week):
            rows[int(w)][n + m + at] = 1.0
        for k, offer in enumerate(offers):
            for w in offer.weeks:
                rows[w][k] = float(book.hours_units[offer.job])
        out.append(LinearConstraint(_rows(list(rows.values()), n + 3 * m), -np.inf, limits.hours_a_week))
    return out
