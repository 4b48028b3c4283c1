"""The plan against every plan there is, and against published knapsacks."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.action.test_choice import P01, P02, P03, P04, P05, P06, P07, P08
from yieldwatch.action import bundles
from yieldwatch.action.problem import Limits, Offer, Problem
from yieldwatch.action.schedule import Planner

ALL_KNAPSACKS = (P01, P02, P03, P04, P05, P06, P07, P08)


def optimum(capacity, weights, profits):
    """Best profit of a 0/1 knapsack by dynamic programming over reachable weights (Bellman)."""
    best = {0: 0}
    for weight, profit in zip(weights, profits, strict=True):
        for used, gained in sorted(best.items(), reverse=True):
            if used + weight <= capacity:
                best[used + weight] = max(best.get(used + weight, 0), gained + profit)
        # Keep only loads that no lighter one beats.
        best = dominant(best)
    return max(best.values())


def dominant(best):
    kept, top = {}, -1
    for used in sorted(best):
        if best[used] > top:
            kept[used], top = best[used], best[used]
    return kept


def knapsack(weights, profits):
    """Each item a job with a visit of its own that costs nothing more; what it returns is its profit beyond its weight."""
    n, nil = len(weights), np.zeros(len(weights))
    worth = np.add(weights, profits, dtype=float)
    offers = [Offer(k, (0,), worth[k]) for k in range(n)]
    return Problem(offers, np.arange(n), np.array(weights, float), nil, nil, nil, nil.astype(bool), np.ones(1))


@pytest.mark.sourced
@pytest.mark.parametrize("case", ALL_KNAPSACKS, ids=lambda c: f"capacity {c[0]}")
def test_published_knapsacks_are_planned_to_their_published_optimum(case):
    """J. Burkardt's KNAPSACK_01 data set, as in `test_choice`; P03 to P06 from memory, so each optimum is worked out too."""
    capacity, weights, profits, best, _ = case
    assert optimum(capacity, weights, profits) == best
    found = Planner(knapsack(weights, profits), Limits(budget=capacity)).best()
    assert found.gap <= 1e-7
    assert sum(profits[o.job] for o in found.taken) == best


@st.composite
def books(draw):
    """Up to six jobs of two crews over three weeks; some recur, one may have to be done, one pair may exclude each other."""
    n = draw(st.integers(1, 6))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    offers = []
    for job in range(n):
        first = rng.uniform(0, 500)
        for week in rng.permutation(3)[: rng.integers(1, 4)]:
            value = first * rng.uniform(0.6, 1.0)
            offers.append(Offer(job, (int(week),), value))
        if rng.random() < 0.3:
            value = first * rng.uniform(1.0, 1.8)
            offers.append(Offer(job, (0, 2), value))
    must = np.zeros(n, bool)
    must[0] = rng.random() < 0.3
    exclusive = [(1, 2)] if n > 2 and rng.random() < 0.4 else []
    return Problem(offers, rng.integers(0, 2, n), rng.uniform(20, 200, n), rng.uniform(30, 200, n), rng.uniform(1, 8, n),
                rng.uniform(1, 4, n), must, 0.9 ** np.arange(3), exclusive)


LIMITS = st.builds(Limits, budget=st.sampled_from([np.inf, 300.0, 600.0]), hours=st.sampled_from([np.inf, 15.0]))


def every_plan(problem, limits, forced=None):
    """Value of the best plan by trying all, or None."""
    must = problem.must.copy()
    first = [next(o for o in problem.offers if o.job == k) for k in np.flatnonzero(must)]
    money, hours = problem.spent(first)
    most = Limits(max(limits.budget, money), max(limits.hours, hours))
    if forced is not None:
        must[forced] = True
    choices = [[None, *(o for o in problem.offers if o.job == job)] for job in range(len(must))]
    values = []
    for picks in itertools.product(*choices):
        taken = [o for o in picks if o]
        jobs = {o.job for o in taken}
        if not set(np.flatnonzero(must)) <= jobs or any(a in jobs and b in jobs for a, b in problem.exclusive):
            continue
        if most.hold(*problem.spent(taken)):
            values.append(problem.value(taken))
    return max(values, default=None)


@pytest.fixture(params=["bundles", "offer by offer"], autouse=True, scope="module")
def both_ways(request):
    """Everything holds for the two ways to write the programme."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param != "bundles":
            patch.setattr(bundles, "_MOST_WAYS", 0)
        yield


@settings(max_examples=150, deadline=None, derandomize=True)
@given(books(), LIMITS)
def test_no_other_plan_is_worth_more(problem, limits):
    found = Planner(problem, limits).best()
    assert found.gap <= 1e-7
    # The solver's own feasibility tolerance, 1e-6, in money.
    assert found.value == pytest.approx(every_plan(problem, limits), abs=1e-3)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(books(), LIMITS, st.integers(0, 5))
def test_no_other_plan_with_a_given_job_in_it_is_worth_more(problem, limits, job):
    job %= len(problem.must)
    found = Planner(problem, limits).best(forced=job)
    best = every_plan(problem, limits, forced=job)
    if best is None:
        assert found is None
    else:
        assert job in {o.job for o in found.taken}
        assert found.value == pytest.approx(best, abs=1e-3)


def test_what_must_be_done_may_exceed_the_limits_and_leaves_nothing_for_others():
    one = np.ones(2)
    offers = [Offer(0, (0,), 0.0), Offer(1, (0,), 500.0)]
    problem = Problem(offers, np.array([0, 1]), 100 * one, 50 * one, one, one, np.array([True, False]), np.ones(1))
    assert [o.job for o in Planner(problem, Limits(budget=80.0)).best().taken] == [0]
    assert [o.job for o in Planner(problem, Limits(budget=300.0)).best().taken] == [0, 1]
