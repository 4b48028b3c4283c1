"""
Which jobs to do in which weeks, chosen together: an integer programme over visits.

Each job has offers, of which one at most is taken: one week, or for work that recurs several. Jobs of one site and crew in one
week share a visit, which costs and lasts as its largest job. Without a limit that all share, groups of jobs do not meet, and each
is solved by itself; only if that exceeds a limit are all solved in one, of most groups by their `bundles`.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint
from scipy.sparse import csr_array

from yieldwatch.action.bundles import Bundle, bundles
from yieldwatch.action.problem import Limits, Offer, Problem, Solution
from yieldwatch.action.solver import solved

#: Share of its value by which a plan may miss the best one, and branches after which the best one found is taken: counted, not
#: timed, so that a run repeats.
EXACT = {"mip_rel_gap": 1e-7, "node_limit": 20_000}


class Planner:
    """
    Finds the plan with the largest present value.

    Parameters
    ----------
    problem : Problem
    limits : Limits
    deadline : float, optional
        Of `time.monotonic`, after which the best plan found is taken. [s]

    Notes
    -----
    Solved by branch and bound (HiGHS) to a relative gap of 1e-7, or as near as 20 000 branches bring it; the solution says
    how near.
    """

    def __init__(self, problem: Problem, limits: Limits, deadline: float | None = None) -> None:
        self.problem = problem
        self._deadline = deadline
        self.limits = _relaxed(problem, limits)
        self._alone: dict[tuple[tuple[int, ...], int | None], tuple[Solution | None, list[Bundle] | None]] = {}

    def best(self, forced: int | None = None) -> Solution | None:
        """The best plan, or the best that holds a forced job; None if no plan within the limits does, or none is
        found by the deadline."""
        must = self.problem.must.copy()
        if forced is not None:
            must[forced] = True
        groups = _components(self.problem, must)
        parts, worth, ways = [], [], []
        for group in groups:
            solution, known = self._part(tuple(group), must, forced)
            if solution is None:
                return None
            parts.append(solution)
            # A part that is worth nothing without limits is worth nothing within them.
            if solution.taken and known is not None:
                ways.append(known)
            elif solution.taken:
                worth += group
        together = tuple(offer for s in parts for offer in s.taken)
        if self.limits.hold(*self.problem.spent(together)):
            return Solution(together, self.problem.value(together), max((s.gap for s in parts), default=0.0))
        return _solve(self.problem, must, self.limits, worth, ways, self._deadline)

    def _part(self, group: tuple[int, ...], must: np.ndarray,
              forced: int | None) -> tuple[Solution | None, list[Bundle] | None]:
        """A group's best without shared limits, and all its bundles where there are few enough."""
        key = (group, forced if forced in group else None)
        if key not in self._alone:
            known = bundles(self.problem, must, _offers(self.problem, must, group))
            if known is None:
                self._alone[key] = _solve(self.problem, must, Limits(), group, [], self._deadline), None
            else:
                self._alone[key] = Solution(known[0].taken, known[0].value, 0.0) if known else None, known
        return self._alone[key]


def _offers(problem: Problem, must: np.ndarray, jobs: Sequence[int]) -> list[Offer]:
    """Offers of some jobs that can be worth taking."""
    here = set(jobs)
    return [o for o in problem.offers if o.job in here and (must[o.job] or o.value > problem.units(o))]


def _relaxed(problem: Problem, limits: Limits) -> Limits:
    """Limits that hold at least what must be done."""
    first = {o.job: o for o in reversed(problem.offers) if problem.must[o.job]}
    money, hours = problem.spent(list(first.values()))
    return Limits(max(limits.budget, money), max(limits.hours, hours))


def _components(problem: Problem, must: np.ndarray) -> list[list[int]]:
    """Jobs that have an offer worth taking, in groups that share no visit and exclude each other in no pair."""
    offered = sorted({o.job for o in problem.offers if must[o.job] or o.value > problem.units(o)})
    root = {int(v): int(v) for v in problem.visit[offered]}

    def find(v: int) -> int:
        while root[v] != v:
            v = root[v]
        return v

    here = set(offered)
    for a, b in problem.exclusive:
        if a in here and b in here:
            root[find(int(problem.visit[a]))] = find(int(problem.visit[b]))
    groups: dict[int, list[int]] = {}
    for job in offered:
        groups.setdefault(find(int(problem.visit[job])), []).append(job)
    return list(groups.values())


def _solve(problem: Problem, must: np.ndarray, limits: Limits, jobs: Sequence[int],
           ways: Sequence[Sequence[Bundle]], deadline: float | None) -> Solution | None:
    """
    Solve for some jobs offer by offer, and for some groups by their bundles.

    Variables: the offers; each visit's cost and its hours; the bundles.
    """
    offers = _offers(problem, must, jobs)
    place = {key: n for n, key in enumerate(problem.visits(offers))}
    flat = [bundle for group in ways for bundle in group]
    n, m, q = len(offers), len(place), len(flat)
    if not n + q:
        return Solution((), 0.0, 0.0)
    week = np.array([w for _, w in place], dtype=int)
    width = n + 2 * m + q
    constraints = [*_one_offer(offers, must, problem.exclusive, width), *_visits(problem, offers, place, width),
                   *_one_bundle(ways, width), *_limits(problem, limits, week, offers, flat)]
    result = solved(
        -np.r_[[o.value - problem.units(o) for o in offers], -problem.discount[week], np.zeros(m), [b.value for b in flat]],
        integrality=np.r_[np.ones(n), np.zeros(2 * m), np.ones(q)],
        bounds=Bounds(np.zeros(width), np.r_[np.ones(n), np.full(2 * m, np.inf), np.ones(q)]),
        constraints=[c for c in constraints if c.A.shape[0]],
        # Bundles leave presolve nothing to do.
        options={**EXACT, "presolve": not ways, **_time_left(deadline)},
    )
    if result.x is None:
        return None
    taken = [offers[k] for k in np.flatnonzero(result.x[:n] > 0.5)]
    taken += [offer for k in np.flatnonzero(result.x[n + 2 * m:] > 0.5) for offer in flat[k].taken]
    return Solution(tuple(taken), problem.value(taken), float(result.mip_gap))


def _time_left(deadline: float | None) -> dict[str, float]:
    return {} if deadline is None else {"time_limit": max(deadline - time.monotonic(), 0.0)}


def _one_bundle(ways: Sequence[Sequence[Bundle]], width: int) -> list[LinearConstraint]:
    rows, at = [], width - sum(map(len, ways))
    for group in ways:
        rows.append(dict.fromkeys(range(at, at + len(group)), 1.0))
        at += len(group)
    return [LinearConstraint(_rows(rows, width), 1.0, 1.0)]


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


def _visits(problem: Problem, offers: list[Offer], place: dict[tuple[int, int], int], width: int) -> list[LinearConstraint]:
    """A visit costs and lasts as its largest job."""
    n, m = len(offers), len(place)
    shared: dict[tuple[int, int], dict[int, float]] = {}
    for k, offer in enumerate(offers):
        for week in offer.weeks:
            shared.setdefault((offer.job, place[int(problem.visit[offer.job]), week]), {})[k] = 1.0
    rows = []
    for block, largest in enumerate((problem.cost_per_visit, problem.hours_per_visit)):
        rows += [{n + block * m + at: 1.0} | {k: -float(largest[job]) for k in ks} for (job, at), ks in shared.items()]
    return [LinearConstraint(_rows(rows, width), 0.0, np.inf)]


def _limits(problem: Problem, limits: Limits, week: np.ndarray, offers: list[Offer],
            flat: list[Bundle]) -> list[LinearConstraint]:
    m = len(week)
    of = [o.job for o in offers]
    times = np.array([len(o.weeks) for o in offers], dtype=int)
    out = []
    if np.isfinite(limits.budget):
        row = np.r_[problem.cost_units[of] * times, np.ones(m), np.zeros(m), [b.money for b in flat]]
        out.append(LinearConstraint(row[None], -np.inf, limits.budget))
    if np.isfinite(limits.hours):
        row = np.r_[problem.hours_units[of] * times, np.zeros(m), np.ones(m), [b.hours for b in flat]]
        out.append(LinearConstraint(row[None], -np.inf, limits.hours))
    return out
