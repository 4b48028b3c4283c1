"""Jobs in words."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import assessment
from tests.report.invented_jobs import work_list
from yieldwatch.report import jobs
from yieldwatch.report.blocks import job_card


@pytest.fixture
def clean():
    return next(job for job in jobs.work_plan(assessment()).do if job["job_id"] == "J2")


def test_jobs_are_sorted_by_what_was_decided():
    listed = work_list()
    listed.loc[4, "npv"] = np.nan
    plan = jobs.work_plan(replace(assessment(), work_list=listed.iloc[::-1]))
    assert [job["job_id"] for job in plan.do] == ["J1", "J2", "J3"]
    assert [job["job_id"] for job in plan.over_budget] == ["J4"]
    assert plan.not_worth == ()
    assert [job["job_id"] for job in plan.not_ranked] == ["J5"]


def test_a_safety_job_is_on_even_where_it_was_not_chosen():
    listed = work_list()
    listed.loc[0, "chosen"] = False
    assert jobs.work_plan(replace(assessment(), work_list=listed)).first[0]["job_id"] == "J1"


def test_a_claim_that_is_about_no_one_loss_names_none(clean):
    assert jobs.title(clean | {"job_kind": "claim", "cause": "unexplained", "scope": ("site",)}) == "Make a claim at Alder Hill"


def test_a_title_names_the_first_parts_and_counts_the_rest(clean):
    clean["scope"] = tuple(f"S{n}" for n in range(1, 10))
    assert (
        jobs.title(clean)
        == "Clean the modules at Alder Hill: S1 S2 S3 S4 S5 S6 and 3 more (dirt on the glass)"
    )


def test_gain_and_worth_carry_their_intervals(clean):
    assert jobs.gain(clean) == "3,100 kWh a year (1,900 to 4,400)"
    clean |= {"gain_low_per_year": 156.0, "gain_high_per_year": 361.0}
    assert jobs.worth(clean, "GBP") == "GBP 254 a year (156 to 361)"
    assert jobs.worth(clean | {"job_kind": "claim"}, "GBP") == "GBP 254 once (156 to 361)"


def test_what_a_job_costs_alone_is_said_where_it_is_another_sum(clean):
    def said(cost, alone):
        return dict(job_card(clean | {"cost": cost, "cost_alone": alone}, "GBP").facts).get("Costs")

    assert said(180.0, 320.0) == "GBP 180 (GBP 320 if done alone)"
    assert said(210.0, 210.0) == "GBP 210"
    assert said(np.nan, np.nan) is None


def test_a_job_that_the_plan_does_after_its_dates_says_when(clean):
    dates = {"due_from": "2025-07-11", "due_to": "2025-10-09"}
    later = clean | dates | {"planned_start": "2026-03-10"}
    said = "11 Jul 2025 to 9 Oct 2025; the year's plan has it in the week of 10 Mar 2026"
    assert jobs.due(later) == said
    # What must be made safe does not wait for a plan of whole weeks.
    assert jobs.due(later | {"safety": True}) == f"{said}: agree a sooner day with the crew"
    assert jobs.due(later | {"planned_start": "2025-08-05"}) == "11 Jul 2025 to 9 Oct 2025"


@pytest.mark.parametrize(("change", "said"), [
    ({"npv": 100.0}, "No job fits this year's budget or crew days: 5 jobs would pay, and would need more."),
    ({"npv": np.nan}, "No job can be weighed: 5 jobs lack a cost or a price."),
    ({"npv": -1.0}, "No job is worth its cost on this evidence."),
])
def test_nothing_to_do_says_whether_money_figures_or_worth_lacks(change, said):
    listed = work_list().assign(chosen=False, safety=False, **change)
    assert jobs.nothing_to_do(jobs.work_plan(replace(assessment(), work_list=listed))) == said


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        ("2025-07-01", "2025-07-31", "1 Jul 2025 to 31 Jul 2025"),
        ("2025-07-01", None, "from 1 Jul 2025"),
        (None, "2025-07-31", "by 31 Jul 2025"),
        (None, np.nan, "any time"),
    ],
)
def test_the_season_is_said_in_words(clean, start, end, text):
    assert jobs.due(clean | {"due_from": start, "due_to": end}) == text


def test_a_claim_or_a_test_wins_no_energy_back_and_that_is_said_in_words(clean):
    nothing = dict.fromkeys(("gain_kwh_per_year", "gain_low_kwh_per_year", "gain_high_kwh_per_year", "gain_per_year",
                             "gain_low_per_year", "gain_high_per_year"), 0.0)
    assert (jobs.gain(clean | nothing), jobs.worth(clean | nothing, "GBP")) == ("no energy", "nothing by itself")
    safe = clean | nothing | {"safety": np.True_, "payback_months": np.nan, "chance_of_payback": 0.0}
    assert jobs.worth_line(safe, "GBP").startswith("for safety, not for its return; costs GBP")
    assert "returns" not in jobs.worth_line(safe, "GBP")


def test_a_job_that_the_plan_has_in_a_later_week_is_not_called_turned_down():
    job = {"chosen": False, "safety": False, "planned_start": "2026-06-30", "verdict": "Not worth doing now."}
    assert jobs.advice(job) == "later"
    assert jobs.verdict(job) == (
        "Not worth doing now. The year's plan has it in the week of 30 Jun 2026, when it is worth its cost.")
    assert jobs.advice({**job, "planned_start": None}) == "not now"
    assert jobs.verdict({**job, "planned_start": None}) == "Not worth doing now."
