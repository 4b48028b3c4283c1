"""The verdict: a word by the interval, the promise and the cost, and how many more days it takes."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from yieldwatch.proof.done import DoneJob
from yieldwatch.proof.result import Proof
from yieldwatch.proof.verdict import days_more, judge, proof_table

JOB = DoneJob("moor", "job 3", 3, "repair_string", "string_fault", ("I1.1",), dt.date(2025, 4, 1), cost=100.0)


def proof(mean: float, sd: float, cost: float | None = 100.0, **changes) -> Proof:
    """Draws at even quantiles of a normal; 0.1 a kWh, 100 days measured, a year four times that."""
    at = np.array([-1.6449, -0.8, -0.3, 0.0, 0.3, 0.8, 1.6449])
    draws = np.repeat(mean + sd * at, [50, 100, 200, 300, 200, 100, 50])
    base = Proof(replace(JOB, cost=cost), dt.date(2025, 4, 2), dt.date(2025, 7, 10), draws, 0.1, 4.0, ("peers",), ("I2", "I3"),
                 100, 100)
    return replace(base, **changes)


@pytest.mark.parametrize(("mean", "cost", "word"), [
    (2000.0, 100.0, "paid_back"), (500.0, 100.0, "on_its_way"), (500.0, 10_000.0, "too_dear"), (500.0, None, "worked"),
])
def test_a_job_that_worked_is_judged_by_its_cost(mean, cost, word):
    # 500 kWh at 0.1 are 50 so far, 200 a year and 600 in three years.
    assert judge(proof(mean, 60.0, cost), 36, "EUR").word == word


def test_money_is_said_in_the_portfolios_currency():
    assert "it cost EUR 100." in judge(proof(2000.0, 60.0, 100.0), 36, "EUR").words


def test_the_judgement_follows_the_sums_that_it_rests_on():
    said = judge(proof(500.0, 60.0, 10_000.0), 36, "EUR").words
    assert said.index("That is EUR 50") < said.index("it cost EUR 10,000.") < said.index("It does not pay at this cost.")


def test_a_wash_is_owed_one_year_only():
    wash = proof(500.0, 60.0, 400.0)
    again = replace(wash, job=replace(wash.job, cause="soiling"))
    assert (judge(wash, 36, "EUR").word, judge(again, 36, "EUR").word) == ("on_its_way", "too_dear")


def test_nil_within_the_interval_is_no_effect_only_if_the_promise_is_ruled_out():
    assert judge(proof(10.0, 50.0, promised_kwh=300.0), 36, "EUR").word == "no_effect"
    assert judge(proof(10.0, 50.0, promised_kwh=50.0), 36, "EUR").word == "not_told"
    assert judge(proof(10.0, 50.0), 36, "EUR").word == "not_told"
    assert judge(proof(-300.0, 50.0), 36, "EUR").word == "no_effect"


def test_more_days_are_told_by_the_variance_of_a_difference_of_means():
    # sd² = s² (1/b + 1/a) with b = a = 100 days, so s² = 50 sd². The half width 1.645 s sqrt(1/100 + 1/n) falls to an aim of
    # 1.3 sd where 1/n = (1.3 / 1.645)² / 50 - 1/100 = 0.0024905: 401.5 days, 302 more.
    case = proof(0.0, 100.0)
    sd = float(case.gain_kwh.std())
    case = replace(case, gain_kwh=case.gain_kwh + 1.3 * sd)
    assert days_more(case) == pytest.approx(302, abs=2)


def test_where_too_few_days_before_leave_the_doubt_no_more_days_are_advised():
    assert np.isnan(days_more(proof(60.0, 100.0)))
    words = judge(proof(60.0, 100.0), 36, "EUR").words
    assert words.startswith("Cannot be told: ")
    assert "would not tell" in words


def test_where_no_more_days_count_none_are_waited_for():
    case = proof(0.0, 100.0)
    open_ = replace(case, gain_kwh=case.gain_kwh + 1.2 * float(case.gain_kwh.std()), before_days=400, after_days=30)
    assert "more days are needed" in judge(open_, 36, "EUR").words
    told = judge(replace(open_, closed=True), 36, "EUR")
    assert np.isnan(told.days_more)
    assert told.words.startswith("Cannot be told: ")
    assert "The days that count are over" in told.words
    in_doubt = proof(500.0, 60.0, 600.0)
    assert judge(in_doubt, 36, "EUR").words.endswith("Whether it pays cannot be told yet.")
    assert judge(replace(in_doubt, closed=True), 36, "EUR").words.endswith("Whether it pays cannot be told.")


def test_what_nothing_tells_is_said_and_left_blank():
    table = proof_table([proof(0.0, 1.0, gain_kwh=np.array([]), methods=(), doubts=("No log.",))], 36, "EUR")
    assert table.loc[0, ["gain_kwh", "gain", "chance"]].isna().all()
    assert table.loc[0, "verdict"] == "not_told"
    assert table.loc[0, "words"] == "Cannot be told. No log."
