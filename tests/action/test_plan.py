"""The year's plan; numbers are written-out arithmetic at a discount rate of nil."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import AS_OF, COSTS, make_job, make_portfolio, make_site
from yieldwatch.action.plan import PLAN_COLUMNS, TIMING_COLUMNS, make_plan
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.starts import START_DAYS
from yieldwatch.portfolio.model import JobCost

MONTH = 365.25 / 12


def planned(jobs, *sites, **portfolio):
    owned = make_portfolio(*sites, **portfolio)
    work_list, _ = rank_jobs(owned, jobs, AS_OF)
    return make_plan(owned, jobs, work_list, AS_OF, {})


def rows(plan, kind):
    return plan.plan[plan.plan["row"] == kind].reset_index(drop=True)


def test_jobs_of_one_crew_share_a_visit_where_the_later_one_can_wait_for_no_less():
    # Repair after 7 days' notice, replacement after 30 (week 5): a visit costs 160 and 240, one for both 240.
    jobs = [make_job(4.0), make_job(150.0, "replace_modules", ("I1.2",), units={"module": 1.0})]
    plan = planned(jobs)
    visits, done = rows(plan, "visit"), rows(plan, "job")
    # Waiting four weeks costs the small repair under 4; a visit of its own 160.
    assert visits["start"].tolist() == ["2025-05-06"]
    assert visits["cost"].tolist() == [240.0 + 80.0 + 100.0]
    assert sorted(done["cost"]) == [80.0, 100.0]
    assert visits["crew_hours"].iloc[0] == 2.0 + 1.5 + 0.5
    assert visits["gain"].iloc[0] == pytest.approx(done["gain"].sum())


def test_a_loss_too_large_to_wait_gets_a_visit_of_its_own():
    jobs = [make_job(400.0), make_job(150.0, "replace_modules", ("I1.2",), units={"module": 1.0})]
    assert rows(planned(jobs), "visit")["start"].tolist() == ["2025-04-08", "2025-05-06"]


def test_a_hedge_is_cut_once_the_birds_have_left():
    later = np.zeros((len(START_DAYS), 1, 36))
    later[:, 0, :] = 100.0
    plan = planned([make_job(100.0, "cut_vegetation", ("site",), units={"metre": 10.0}, later=later)])
    assert rows(plan, "job")["start"].iloc[0] >= "2025-09-01"
    assert any("nest" in n for n in plan.notices)


def test_work_that_recurs_is_done_as_often_as_it_pays():
    # Each wash returns 200 in the month after it and nothing later; with its visit it costs 300 + 20 x 0.4: never. With a visit
    # of 10, as often as the plan offers.
    later = np.zeros((len(START_DAYS), 1, 36))
    for k, day in enumerate(START_DAYS):
        later[k, 0, int(day // MONTH) + 1] = 200.0
    job = make_job(0.0, "clean", ("site",), gain_value=later[0], later=later)
    dear = planned([job])
    assert not len(rows(dear, "visit"))
    site = make_site()
    cheap = make_site(costs=[replace(c, cost_per_visit=10.0) for c in site.job_costs.values()])
    plan = planned([job], cheap)
    assert rows(plan, "job")["turn"].tolist() == ["1 of 4", "2 of 4", "3 of 4", "4 of 4"]


def test_what_misses_the_budget_says_by_how_much_and_what_would_bring_it_in():
    jobs = [make_job(12.0, site="a"), make_job(20.0, site="b"), make_job(11.0, site="c")]
    plan = planned(jobs, *map(make_site, "abc"), budget=500.0)
    assert rows(plan, "job")["site_id"].tolist() == ["a", "b"]
    (missed,) = rows(plan, "left_out").to_dict("records")
    assert missed["site_id"] == "c"
    assert missed["needs_budget"] == pytest.approx(3 * 240.0 - 500.0)
    # In the place of a: one a month less, over 36 months less the week of notice.
    assert missed["needs_gain"] == pytest.approx(36.0 - 7 / MONTH)
    assert "GBP 220 more would carry it" in missed["why"]


def test_what_does_not_pay_says_what_it_would_take():
    (left,) = rows(planned([make_job(2.0)]), "left_out").to_dict("records")
    assert left["needs_gain"] == pytest.approx(240.0 - (72.0 - 2.0 * 7 / MONTH))
    assert np.isnan(left["needs_budget"])
    assert left["why"].startswith("Doing nothing is better")
    assert pd.isna(left["start"]), "no week is best for what pays in none"


def test_a_job_that_pays_in_the_mean_is_planned_though_it_may_lose_money():
    draws = np.r_[np.zeros(60), np.full(40, 60.0)]
    assert len(rows(planned([make_job(draws)]), "job")) == 1
    (left,) = rows(planned([make_job(draws / 10.0)]), "left_out").to_dict("records")
    assert left["why"].startswith("Doing nothing is better")


def test_safety_comes_first_beyond_the_budget_and_carries_its_cautions():
    jobs = [make_job(0.0, "inspect", ("I1.2",), site="b", safety=True), make_job(20.0, site="a")]
    plan = planned(jobs, make_site("a"), make_site("b"), budget=100.0)
    visit, job = rows(plan, "visit"), rows(plan, "job")
    assert visit["safety"].tolist() == [True]
    assert job["start"].tolist() == ["2025-04-08"]  # 5 days' notice
    assert "live" in job["caution"].iloc[0]
    assert rows(plan, "left_out")["site_id"].tolist() == ["a"]


def test_a_claim_goes_out_at_once_from_the_office_without_crew_mobilisation_or_notice():
    letter = JobCost("claim", 60.0, 30.0, "visit", 1.0, 1.0, 5)
    paid = np.zeros((1, 36))
    paid[0, 3] = 500.0  # the same whenever the letter goes out, while the letter costs less the later it does
    job = make_job(0.0, "claim", units={"visit": 1.0}, gain_value=paid, left=np.ones((len(START_DAYS), 36)))
    plan = planned([job], make_site(costs=(*COSTS, letter)), rate=0.08)
    assert rows(plan, "visit").empty
    (office,), (claim,) = (rows(plan, row).to_dict("records") for row in ("office", "job"))
    assert (office["visit_id"], office["crew"], office["start"]) == ("O01", "office", "2025-04-01")
    assert (office["crew_hours"], office["crew_days"], office["cost"]) == (0.0, 0.0, 30.0)
    assert (claim["visit_id"], claim["cause"], claim["crew_hours"]) == ("O01", job.cause, 0.0)


def test_a_claim_is_planned_where_no_crew_day_is_left():
    letter = JobCost("claim", 60.0, 30.0, "visit", 1.0, 1.0, 5)
    paid = np.zeros((1, 36))
    paid[0, 3] = 500.0
    job = make_job(0.0, "claim", units={"visit": 1.0}, gain_value=paid, left=np.ones((len(START_DAYS), 36)))
    plan = planned([job, make_job(20.0)], make_site(costs=(*COSTS, letter)), crew_days=0.0)
    assert rows(plan, "job")["job_kind"].tolist() == ["claim"]
    assert rows(plan, "left_out")["job_kind"].tolist() == ["repair_string"]


def test_two_ways_to_mend_one_loss_are_one_choice():
    jobs = [make_job(20.0), make_job(20.0, "replace_modules", units={"module": 1.0})]
    plan = planned(jobs)
    assert len(rows(plan, "job")) == 1
    why = rows(plan, "left_out")["why"].iloc[0]
    assert "planned for the same loss" in why
    # People know a job by what is done, not by its identifier.
    assert why.startswith('Not beside "repair strings')
    assert not any(name in why for name in rows(plan, "job")["job_id"])


def test_a_job_without_a_cost_says_so():
    (left,) = rows(planned([make_job(20.0, "repair_inverter", ("I1",))]), "left_out").to_dict("records")
    assert "job_costs.csv has no row for repair_inverter" in left["why"]


def test_the_work_list_keeps_its_rows_and_gets_the_dates():
    plan = planned([make_job(20.0), make_job(2.0, scope=("I1.2",), cause="other")])
    assert list(plan.plan.columns) == PLAN_COLUMNS
    assert set(TIMING_COLUMNS) <= set(plan.work_list.columns)
    assert plan.work_list["rank"].tolist() == [1, 2]
    assert plan.work_list["planned_start"].iloc[0] == "2025-04-08"


def test_no_jobs_is_an_empty_plan():
    plan = planned([])
    assert plan.plan.empty
    assert plan.waiting.empty
    assert list(plan.plan.columns) == PLAN_COLUMNS
