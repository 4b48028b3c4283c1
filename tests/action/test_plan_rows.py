"""A plan made anew from what was kept; numbers are written-out arithmetic at a discount rate of nil."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.action.build import AS_OF, make_job, make_portfolio, make_site
from yieldwatch.action.plan import make_plan
from yieldwatch.action.plan_rows import OutOfTime, PlanBasis, limits_of, plan_rows
from yieldwatch.action.ranking import rank_jobs


@pytest.fixture
def made():
    jobs = [make_job(12.0, site="a"), make_job(20.0, site="b"), make_job(11.0, site="c")]
    owned = make_portfolio(*map(make_site, "abc"), budget=500.0)
    return make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {})


def test_a_kept_basis_makes_the_same_plan(made):
    kept = PlanBasis.from_bytes(made.basis.to_bytes())
    again = plan_rows(kept, limits_of(500.0, None))
    # Draws are kept to single precision.
    pd.testing.assert_frame_equal(again.table, made.plan, rtol=1e-6)
    assert again.notices == made.notices


def test_more_money_brings_in_the_job_that_missed_the_cut(made):
    # Three visits of 240 each.
    jobs = [(plan_rows(made.basis, limits_of(budget, None)).table["row"] == "job").sum() for budget in (500.0, 719.0, 720.0)]
    assert jobs == [2, 2, 3]


def test_crew_days_limit_the_plan_and_no_limit_is_none(made):
    hours = made.plan.loc[made.plan["row"] == "visit", "crew_hours"].iloc[0]
    few = plan_rows(made.basis, limits_of(None, hours / 8.0)).table
    assert few.loc[few["row"] == "visit", "site_id"].tolist() == ["b"]
    assert (plan_rows(made.basis, limits_of(None, None)).table["row"] == "left_out").sum() == 0


def test_the_whole_plans_return_adds_up_over_its_visits(made):
    whole = plan_rows(made.basis, limits_of(None, None))
    visits = whole.table[whole.table["row"] == "visit"]
    assert whole.gain == pytest.approx(visits["gain"].sum())
    assert whole.low <= whole.gain <= whole.high


def test_a_job_that_is_done_meanwhile_is_left_out_and_frees_its_money(made):
    planned = made.plan[made.plan["row"] == "job"].set_index("site_id")["job_id"]
    assert sorted(planned.index) == ["a", "b"]
    again = plan_rows(made.basis.without({planned["b"]: "It is done."}), limits_of(500.0, None)).table
    assert sorted(again.loc[again["row"] == "job", "site_id"]) == ["a", "c"]
    assert again.loc[(again["row"] == "left_out") & (again["site_id"] == "b"), "why"].tolist() == ["It is done."]
    assert made.basis.without({"another": "It is done."}) is made.basis


def test_safety_work_that_is_done_meanwhile_is_not_planned_either():
    jobs = [make_job(0.0, "inspect", ("I1",), site="a", safety=True), make_job(20.0, site="a")]
    owned = make_portfolio(make_site("a"))
    basis = make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {}).basis
    first = plan_rows(basis, limits_of(None, None))
    inspect = first.table[(first.table["row"] == "job") & (first.table["job_kind"] == "inspect")]["job_id"].item()
    assert first.must_cost > 0
    again = plan_rows(basis.without({inspect: "It is done."}), limits_of(None, None))
    assert again.table.loc[again.table["row"] == "job", "job_kind"].tolist() == ["repair_string"]
    assert again.must_cost == 0


def test_a_plan_cut_off_by_time_says_so_and_is_no_plan(made):
    rng = np.random.default_rng(1)
    jobs = [make_job(float(g), site=f"s{k}") for k, g in enumerate(rng.uniform(8.0, 30.0, 40))]
    owned = make_portfolio(*(make_site(f"s{k}") for k in range(40)))
    many = make_plan(owned, jobs, rank_jobs(owned, jobs, AS_OF)[0], AS_OF, {})
    with pytest.raises(OutOfTime, match="0 seconds"):
        plan_rows(many.basis, limits_of(4_321.0, 9.7), seconds=0.0)


def test_what_is_no_basis_is_refused():
    with pytest.raises(ValueError, match="basis"):
        PlanBasis.from_bytes(b"something else")
