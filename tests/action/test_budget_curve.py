"""What the plan returns by budget; numbers are written-out arithmetic at a discount rate of nil."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.action.build import AS_OF, make_job, make_portfolio, make_site
from yieldwatch.action.budget_curve import STEPS, curve_points
from yieldwatch.action.plan import make_plan
from yieldwatch.action.plan_rows import OutOfTime, limits_of, plan_rows
from yieldwatch.action.ranking import rank_jobs


@pytest.fixture
def basis():
    jobs = [make_job(12.0, site="a"), make_job(20.0, site="b"), make_job(11.0, site="c")]
    owned = make_portfolio(*map(make_site, "abc"), budget=500.0)
    return make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {}).basis


@pytest.mark.parametrize("top", [None, 1000.0, 720.0])
def test_each_point_is_the_plan_of_its_budget_and_one_job_comes_in_at_each(basis, top):
    points = list(curve_points(basis, top, None, 60.0))
    # Three visits of 240 each, the job that returns most first.
    assert [p.budget for p in points] == [720.0, 480.0, 240.0, 0.0]
    assert [len(p.jobs) for p in points] == [3, 2, 1, 0]
    site = basis.jobs.set_index("job_id")["site_id"]
    assert [[site[j] for j in p.jobs.keys() - q.jobs.keys()] for p, q in pairwise(points)] == [["c"], ["a"], ["b"]]
    for point in points:
        whole = plan_rows(basis, limits_of(point.budget, None))
        assert (point.gain, point.low, point.high) == pytest.approx((whole.gain, whole.low, whole.high))


def test_what_is_done_for_safety_is_in_at_every_budget():
    jobs = [make_job(12.0, site="a"), make_job(0.0, site="b", safety=True)]
    owned = make_portfolio(*map(make_site, "ab"), budget=500.0)
    basis = make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {}).basis
    points = list(curve_points(basis, 1000.0, None, 60.0))
    assert [p.budget for p in points] == [480.0, 240.0]


def test_many_jobs_give_no_more_points_than_shares_of_the_whole():
    jobs = [make_job(10.0 + k, site=f"s{k}") for k in range(40)]
    owned = make_portfolio(*(make_site(f"s{k}") for k in range(40)))
    basis = make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {}).basis
    points = list(curve_points(basis, None, None, 60.0))
    assert 3 < len(points) <= STEPS + 2
    assert all(a.budget > b.budget and a.gain > b.gain for a, b in pairwise(points))


def test_a_budget_that_cannot_be_planned_in_time_is_said(basis):
    with pytest.raises(OutOfTime, match="0 seconds"):
        list(curve_points(basis, 500.0, None, 0.0))
