"""Which reading to make next: its worth, its cost, and what is said of it."""

from dataclasses import replace

import numpy as np
import pytest

from tests.action.build import make_job, make_portfolio, make_site
from yieldwatch.action.candidates import candidates
from yieldwatch.action.costing import job_id
from yieldwatch.action.next_measurements import next_measurements
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.readings import Reading, readings
from yieldwatch.portfolio.model import Assumption


def _ranked(jobs, found, portfolio=None):
    portfolio = portfolio or make_portfolio()
    listed, _ = rank_jobs(portfolio, jobs, make_site().commissioned)
    return next_measurements(portfolio, jobs, found, listed)


def _clean(low, high, n=200):
    """A cleaning that returns `low` or `high` over its 36 months, with even odds; 16 for the modules and 300 the visit."""
    per_month = np.where(np.arange(n) % 2 == 0, low, high) / 36.0
    return make_job(per_month, kind="clean", scope=("site",), cause="soiling", units={"module": 40.0})


def _witness(job, noise=0.001):
    shown = np.where(job.gain_value[:, 0] > job.gain_value[:, 0].mean(), 0.03, 0.0)
    return Reading("moor", "wash_witness", ("site",), {job_id(job): shown}, noise, {"visit": 1.0})


def test_a_sure_reading_is_worth_half_of_what_the_bad_case_would_lose():
    job = _clean(116.0, 716.0)
    table, notices = _ranked([job], [_witness(job)])
    row = table.iloc[0]
    # In the mean 416 for 316: do it, 100. Told, it is done in half of all cases for 400: 200. An inspection costs 130 and 50.
    assert row["worth"] == pytest.approx(100.0, rel=0.01)
    assert row["worth_if_certain"] == pytest.approx(100.0)
    assert row["chance_of_change"] == pytest.approx(0.5, abs=0.01)
    assert row["cost"] == row["cost_alone"] == 180.0
    assert row["net_worth"] == pytest.approx(-80.0, abs=1.0)
    assert "decide without it" in row["verdict"]
    assert "DC is live" in row["caution"]
    assert row["may_turn"] == job_id(job)
    assert len(notices) == 1


def test_a_crew_that_comes_anyway_is_not_paid_twice_for_its_visit():
    job, repair = _clean(116.0, 716.0), make_job(np.full(200, 100.0), kind="repair_string")
    row = _ranked([job, repair], [_witness(job)])[0].iloc[0]
    # The repair's visit of 160 covers the inspection's 130.
    assert (row["cost"], row["cost_alone"]) == (50.0, 180.0)
    assert "read before deciding" in row["verdict"]


def test_a_reading_that_cannot_turn_a_decision_is_said_to_change_none():
    job = _clean(5000.0, 6000.0)
    table, notices = _ranked([job], [_witness(job)])
    assert table["worth"].iloc[0] == 0.0
    assert table["verdict"].iloc[0] == "No outcome that is likely would change a decision."
    assert notices == ("No reading would change a decision.",)


def test_a_logger_without_a_stated_cost_says_what_to_state():
    job = _clean(116.0, 716.0)
    logger = replace(_witness(job), kind="fit_logger")
    row = _ranked([job], [logger])[0].iloc[0]
    assert np.isnan(row["cost"])
    assert "logger_cost" in row["verdict"]
    priced = make_portfolio(make_site(assumptions={"logger_cost": Assumption(70.0, "quote", None)}))
    assert _ranked([job], [logger], priced)[0]["net_worth"].iloc[0] == pytest.approx(30.0, abs=1.0)


def test_an_inspection_for_what_only_the_log_saw_is_worth_its_returns():
    look = make_job(np.r_[np.zeros(100), np.full(100, 20.0)], kind="inspect", scope=("I1",))
    row = _ranked([look], [])[0].iloc[0]
    assert row["worth"] == pytest.approx(360.0)
    assert row["chance_of_change"] == 0.5


def test_without_readings_there_is_no_list():
    table, notices = _ranked([_clean(116.0, 716.0)], [])
    assert table.empty
    assert notices == ()


def test_where_cleaning_is_in_question_witness_strings_and_the_sensor_are_offered(dusty):
    jobs = candidates(*dusty)[0]
    found = readings(dusty.site, dusty.state, jobs)
    assert {r.kind for r in found} == {"wash_witness", "check_light_sensor"}
    assert all(len(shown) == 200 for r in found for shown in r.shows.values())
    clean = next(j for j in jobs if j.job_kind == "clean")
    # More dirt read means more to win back.
    assert np.corrcoef(found[0].shows[job_id(clean)], clean.gain_value.sum(axis=1))[0, 1] > 0.3


def test_a_string_surely_open_needs_no_test(broken):
    jobs = candidates(*broken)[0]
    assert "test_strings" not in {r.kind for r in readings(broken.site, broken.state, jobs)}


