"""Jobs and the readings before them tell one story."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import make_job, make_portfolio, make_site
from tests.action.test_next_measurements import _clean, _witness
from yieldwatch.action.next_measurements import next_measurements
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.read_first import one_story
from yieldwatch.report import jobs as told
from yieldwatch.report import words


def story(jobs, found, portfolio=None):
    portfolio = portfolio or make_portfolio()
    listed, _ = rank_jobs(portfolio, jobs, make_site().commissioned)
    readings, _ = next_measurements(portfolio, jobs, found, listed)
    after, readings = one_story(listed, readings, portfolio.currency)
    assert list(after["chosen"]) == list(listed["chosen"]), "which jobs are chosen stays"
    return after.set_index("job_kind"), readings


def test_a_job_that_a_reading_may_turn_stays_advised_and_says_what_comes_before_it():
    # The repair's visit carries the reading for 50, which spares half of all cleanings 200: worth 100.
    job, repair = _clean(116.0, 716.0), make_job(np.full(200, 100.0), kind="repair_string")
    jobs, readings = story([job, repair], [_witness(job)])
    clean = jobs.loc["clean"]
    assert clean["verdict"].startswith("Do: returns ")
    assert "Before it, wash two strings" in clean["verdict"]
    assert "for GBP 50, with a chance of 50 % that it tells against the work and spares its cost." in clean["verdict"]
    assert clean["read_first"].startswith("wash two strings")
    assert told.advice({**clean, "safety": False}) == "yes, after a reading"
    assert jobs.loc["repair_string", "read_first"] == ""
    assert "read before" not in jobs.loc["repair_string", "verdict"]
    assert readings["verdict"].iloc[0].endswith("read before the work is done.")


def test_a_reading_that_is_not_worth_its_cost_comes_before_no_job():
    job = _clean(116.0, 716.0)
    jobs, readings = story([job], [_witness(job)])  # 180 on a visit of its own, for 100
    assert jobs.loc["clean", "read_first"] == ""
    assert "decide without it" in readings["verdict"].iloc[0]


def test_a_reading_that_is_a_job_of_the_list_says_so_and_has_that_jobs_worth():
    held = replace(_clean(16.0, 516.0), awaits_look=True)
    look = replace(make_job(np.where(np.arange(200) % 2 == 0, 0.0, 210.0 / 36.0), kind="inspect", scope=("site",),
                            units={"visit": 1.0}), cause="soiling", chance_of_work=0.37)
    repair = make_job(np.full(200, 100.0), kind="repair_string")
    jobs, readings = story([held, look, repair], [_witness(held)])
    own = jobs.loc["inspect"]
    assert own["chosen"]
    assert own["worth_of_look"] == pytest.approx(105.0)
    assert readings["verdict"].iloc[0] == f"A job of its own, No. {own['rank']} of the work list."
    assert readings["worth"].iloc[0] == own["worth_of_look"]
    assert readings["chance_of_change"].iloc[0] == own["chance_of_work"] == 0.37
    assert readings["worth_low"].iloc[0] <= readings["worth"].iloc[0] <= readings["worth_high"].iloc[0]
    assert jobs.loc["clean", "verdict"].startswith("Not before a look")


def test_a_look_has_no_payback_but_the_worth_of_the_decision_that_it_betters():
    # Half of all looks find something that leaves 400: 200 in the mean, for 180, though the middle draw never pays back.
    look = make_job(np.where(np.arange(200) % 2 == 0, 0.0, 400.0 / 36.0), kind="inspect", scope=("site",), units={"visit": 1.0})
    row = story([look], [])[0].loc["inspect"]
    assert row["chosen"]
    assert pd.isna(row["payback_months"])
    assert pd.isna(row["payback_low_months"])
    assert row["verdict"] == ("Do: what it may lead to is worth GBP 200 in the mean, once that is paid, against GBP 180 for the "
                              "look. It is judged by the decision that it betters, not by a payback.")
    record = {"job_kind": "inspect", **row.to_dict()}
    assert words.payback(record) == words.pays_back(record) == "betters a decision by 1.1 times its cost"
    assert words.payback({**record, "worth_of_look": np.nan}) == words.NOT_KNOWN
    assert words.payback({**record, "safety": True}) != words.look_worth(record)


def test_a_look_that_is_not_worth_its_cost_says_so_without_a_price_that_would_change_it():
    look = make_job(np.full(200, 1.0), kind="inspect", scope=("site",), units={"visit": 1.0})
    row = story([look], [])[0].loc["inspect"]
    assert row["verdict"] == ("Not worth doing: what it may lead to is worth GBP 36 in the mean, once that is paid, less than "
                              "the GBP 180 that the look costs.")
