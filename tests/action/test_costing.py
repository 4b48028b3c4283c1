"""Costs of jobs and of the visits they share; numbers are written-out arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from tests.action.build import COSTS, make_job, make_portfolio, make_site
from yieldwatch.action.costing import job_id, price_jobs, share_visits
from yieldwatch.errors import InputError
from yieldwatch.portfolio.model import JobCost


def shares(jobs, chosen, safety=None, surplus=None):
    n = len(jobs)
    safety = np.zeros(n, bool) if safety is None else np.array(safety)
    surplus = np.ones(n) if surplus is None else np.array(surplus, float)
    return share_visits(jobs, np.array(chosen), safety, surplus)


def test_units_and_visits_come_from_the_sites_cost_rows():
    wash = make_job(1.0, "clean", ("site",), units={"module": 500.0})
    jobs = price_jobs(make_portfolio(), [make_job(1.0), wash])
    assert jobs["cost_units"].tolist() == pytest.approx([80.0, 200.0])
    assert jobs["hours_units"].tolist() == pytest.approx([1.5, 5.0])
    assert jobs["crew"].tolist() == ["electrical", "cleaning"]
    assert jobs["visit"].nunique() == 2


def test_a_kind_without_a_row_and_a_unit_that_is_not_known_have_a_reason_and_no_cost():
    jobs = price_jobs(make_portfolio(), [make_job(1.0, "fix_settings"), make_job(1.0, "cut_vegetation")])
    assert jobs["cost_units"].isna().all()
    assert "no row for fix_settings" in jobs["unpriced"].iloc[0]
    assert "by the metre" in jobs["unpriced"].iloc[1]


def test_a_visit_is_shared_in_proportion_to_what_each_job_leaves():
    repairs = [make_job(1.0), make_job(1.0, scope=("I1.2",))]
    jobs = price_jobs(make_portfolio(), [*repairs, make_job(1.0, "inspect")])
    got = shares(jobs, [True, True, False], surplus=[300.0, 100.0, 0.0])
    assert got["cost"].tolist() == pytest.approx([80 + 120, 80 + 40, 50.0])  # the crew comes anyway
    assert got["cost_alone"].tolist() == pytest.approx([240.0, 240.0, 180.0])
    assert got["crew_hours"].tolist() == pytest.approx([1.5 + 1, 1.5 + 1, 3.0])


def test_a_visit_costs_its_largest_mobilisation():
    jobs = price_jobs(make_portfolio(), [make_job(1.0), make_job(1.0, "replace_modules", ("I1.2",))])
    assert shares(jobs, [True, False])["cost"].tolist() == pytest.approx([80 + 160, 2000 + 240 - 160])
    assert shares(jobs, [True, True])["cost"].sum() == pytest.approx(80 + 2000 + 240)
    assert shares(jobs, [False, False])["cost"].tolist() == pytest.approx([240.0, 2240.0])


@pytest.mark.sourced
def test_no_job_of_a_shared_visit_costs_more_than_alone():
    # Source: Littlechild & Owen, Management Science 20 (1973) 370: what a user does not need, the user does not pay for. Visits
    # of 240, 160 and 130 share one of 240: 80 is the dearest's, 30 the two dearer ones', 130 all three's, by what is left.
    three = [make_job(1.0, "replace_modules"), make_job(1.0, scope=("I1.2",)), make_job(1.0, "inspect", ("I1",))]
    jobs = price_jobs(make_portfolio(), three)
    got = shares(jobs, [True, True, True], surplus=[100.0, 100.0, 9000.0])
    left = np.array([100 - 80 - 30 * 20 / 120, 100 - 30 * 100 / 120, 9000.0])
    visit = [80 + 30 * 20 / 120, 30 * 100 / 120, 0.0] + 130 * left / left.sum()
    assert (got["cost"] - jobs["cost_units"]).tolist() == pytest.approx(visit.tolist())
    assert (got["cost"] <= got["cost_alone"]).all()
    assert (got["cost"] - jobs["cost_units"]).sum() == pytest.approx(240.0)


def test_safety_jobs_carry_the_visit_that_is_made_for_them():
    jobs = price_jobs(make_portfolio(), [make_job(0.0, "inspect"), make_job(1.0, "replace_modules")])
    got = shares(jobs, [True, True], safety=[True, False], surplus=[-50.0, 10.0])
    assert got["cost"].tolist() == pytest.approx([50 + 130, 2000 + 240 - 130])


def test_a_letter_carries_nothing_of_a_visit_that_others_need():
    costs = (*COSTS, JobCost("claim", 0.0, 75.0, "visit", 0.0, 2.0, 60))
    jobs = price_jobs(make_portfolio(make_site(costs=costs)), [make_job(1.0, "claim", units={}), make_job(1.0)])
    assert shares(jobs, [True, True], surplus=[5000.0, 10.0])["cost"].tolist() == pytest.approx([75.0, 80 + 160])


def test_jobs_of_other_sites_and_crews_do_not_share():
    portfolio = make_portfolio(make_site("a"), make_site("b"))
    repairs = [make_job(1.0, site="a"), make_job(1.0, site="b")]
    jobs = price_jobs(portfolio, [*repairs, make_job(1.0, "clean", site="a")])
    assert shares(jobs, [True, True, True])["cost"].tolist() == pytest.approx([240.0, 240.0, 308.0])


def test_job_ids_repeat_and_differ_by_cause_and_scope():
    job = make_job(1.0, scope=("I1.1", "I1.2"))
    assert job_id(job) == job_id(make_job(5.0, scope=("I1.2", "I1.1")))
    assert job_id(job).startswith("moor-repair_string-")
    assert job_id(job) != job_id(make_job(1.0))
    assert job_id(job) != job_id(make_job(1.0, scope=("I1.1", "I1.2"), cause="soiling"))


def test_a_visit_unit_needs_no_count():
    costs = (*COSTS, JobCost("claim", 0.0, 75.0, "visit", 0.0, 2.0, 60))
    jobs = price_jobs(make_portfolio(make_site(costs=costs)), [make_job(1.0, "claim", units={})])
    assert jobs["cost_units"].tolist() == [75.0]


def test_an_unknown_site_or_kind_is_refused():
    with pytest.raises(InputError, match="site_id = fen"):
        price_jobs(make_portfolio(), [make_job(1.0, site="fen")])
    with pytest.raises(InputError, match="job_kind = paint"):
        price_jobs(make_portfolio(), [make_job(1.0, "paint")])


def test_a_look_at_plants_is_made_by_electricians_where_they_come_anyway_else_by_those_who_cut():
    look = make_job(1.0, "inspect", cause="shading")
    assert price_jobs(make_portfolio(), [look])["crew"].tolist() == ["vegetation"]
    # A repair of 40 a month pays for its visit of 160 and its units; one of a hundredth does not.
    assert price_jobs(make_portfolio(), [look, make_job(40.0)])["crew"].tolist() == ["electrical", "electrical"]
    assert price_jobs(make_portfolio(), [look, make_job(0.01)])["crew"].tolist() == ["vegetation", "electrical"]
    safe = make_job(0.0, "inspect", ("I1.2",), safety=True)
    assert price_jobs(make_portfolio(), [look, safe])["visit"].nunique() == 1


def test_a_claim_costs_its_letter_and_takes_no_crew_and_no_notice():
    costs = (*COSTS, JobCost("claim", 60.0, 75.0, "visit", 1.0, 2.0, 60))
    (row,) = price_jobs(make_portfolio(make_site(costs=costs)), [make_job(1.0, "claim", units={})]).to_dict("records")
    assert (row["crew"], row["cost_units"], row["cost_per_visit"]) == ("office", 75.0, 0.0)
    assert (row["hours_units"], row["hours_per_visit"], row["lead_days"]) == (0.0, 0.0, 0.0)
