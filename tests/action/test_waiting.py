"""What waiting costs, by written-out arithmetic at a discount rate of nil unless said."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from tests.action.build import AS_OF, make_job, make_portfolio
from tests.action.farm_state import inferred
from tests.farm.spec import Hedge
from yieldwatch.action.candidates import candidates
from yieldwatch.action.costing import price_jobs
from yieldwatch.action.starts import START_DAYS
from yieldwatch.action.waiting import timing, waiting_table, waits

MONTH = 365.25 / 12


def wait_of(job, **portfolio):
    owned = make_portfolio(**portfolio)
    return owned, waits(owned, [job], price_jobs(owned, [job]), AS_OF, {})[0]


def test_a_fault_left_longer_returns_what_is_left_of_the_horizon():
    _, wait = wait_of(make_job(30.0))
    mean = wait.gain.mean(axis=0)
    # 30 a month over 36 months, less 30 for each month of 30.4 days gone by: within a month's rounding of the grid.
    assert mean[0] == pytest.approx(36 * 30.0)
    assert mean[4] == pytest.approx(36 * 30.0 - 30.0 * 28 / MONTH)
    assert mean[52] == pytest.approx(36 * 30.0 - 30.0 * 364 / MONTH)
    assert (np.diff(mean) < 0).all()


def test_each_week_s_delay_has_its_price_and_interval():
    owned, wait = wait_of(make_job(np.linspace(20.0, 40.0, 101)))
    got = timing(owned, wait, 240.0, AS_OF)
    # 7 days' notice: week 1 is the first. A week is 7/30.4375 of a month of 30, 21 and 39 in the 5 and 95 % draws.
    assert got["best_start"] == "2025-04-08"
    assert got["delay_cost_per_week"] == pytest.approx(30.0 * 7 / MONTH)
    assert got["delay_cost_low_per_week"] == pytest.approx(21.0 * 7 / MONTH)
    assert got["delay_cost_high_per_week"] == pytest.approx(39.0 * 7 / MONTH)
    assert got["npv_best_start"] == pytest.approx(36 * 30.0 - 30.0 * 7 / MONTH - 240.0)
    assert "Do nothing: GBP 360 stays lost in the coming year" in got["options"]
    assert "Do not wait" in got["options"]


def test_a_job_that_never_pays_is_best_left_and_says_so():
    owned, wait = wait_of(make_job(2.0))
    got = timing(owned, wait, 240.0, AS_OF)
    assert got["latest_start"] is None
    assert got["options"].endswith("Doing nothing is the best of these.")


def test_a_job_that_pays_in_the_mean_is_not_put_off_though_it_may_lose_money():
    owned, wait = wait_of(make_job(np.r_[np.zeros(60), np.full(40, 60.0)]))
    assert "Do not wait" in timing(owned, wait, 240.0, AS_OF)["options"]


def test_a_loss_that_comes_back_has_its_best_week_where_its_return_is_largest():
    later = np.zeros((len(START_DAYS), 1, 36))
    later[:, 0, 11] = np.linspace(100.0, 200.0, len(START_DAYS))  # the more has gathered the more a wash returns
    owned, wait = wait_of(make_job(10.0, "clean", ("site",), later=later))
    got = timing(owned, wait, 50.0, AS_OF)
    assert got["best_start"] == (AS_OF + dt.timedelta(days=364)).isoformat()
    assert wait.gain[0, 0] == pytest.approx(100.0)
    assert wait.gain[0, 2] == pytest.approx(100.0 + 0.5 * 100.0 / 13)  # half-way to the second of 14 start days
    assert "Best from 2026-03-31" in got["options"]


def test_a_claim_is_best_made_at_once_though_a_later_letter_would_cost_less_today():
    later = np.zeros((len(START_DAYS), 1, 36))
    later[:, 0, 30] = 300.0
    owned, wait = wait_of(make_job(10.0, "claim", later=later), rate=0.07)
    got = timing(owned, wait, 90.0, AS_OF)
    first = int(np.flatnonzero(wait.allowed)[0])
    assert got["best_start"] == (AS_OF + dt.timedelta(days=7 * first)).isoformat()
    # A larger sum for a later week beside the advice not to wait would contradict it.
    assert "Wait to" not in got["options"]
    assert "stays unclaimed" in got["options"]
    assert got["options"].endswith("and after the last day to claim it brings nothing.")


def test_a_turn_returns_until_the_next_one():
    later = np.zeros((len(START_DAYS), 1, 36))
    later[:, 0, :12] = 10.0
    _, wait = wait_of(make_job(10.0, "clean", ("site",), later=later))
    # Done again after 280 days, of twelve months of 30.4 days: 280/30.4 months of 10.
    assert wait.returns(0, until=40)[0] == pytest.approx(10.0 * 280 / MONTH)
    assert wait.returns(0)[0] == pytest.approx(120.0)


def test_the_table_has_every_week_with_what_forbids_it():
    _, wait = wait_of(make_job(30.0))
    table = waiting_table([wait], AS_OF)
    assert len(table) == 53
    assert table["allowed"].tolist() == [False] + [True] * 52
    assert table["why_not"].iloc[0] == "the crew needs 7 days' notice"
    assert table["start"].iloc[1] == "2025-04-08"
    assert (table["low"] <= table["gain"]).all()


def test_safety_does_not_wait_and_a_missing_price_has_no_price_of_waiting():
    owned, wait = wait_of(make_job(0.0, "inspect", safety=True))
    assert "neither waiting nor doing nothing" in timing(owned, wait, 130.0, AS_OF)["options"]
    owned, wait = wait_of(make_job(np.nan))
    got = timing(owned, wait, 240.0, AS_OF)
    assert np.isnan(got["npv_best_start"])
    assert "no price" in got["options"]


def test_a_wash_is_worth_less_once_the_dry_summer_is_over(dusty):
    job = next(j for j in candidates(*dusty)[0] if j.job_kind == "clean")
    later = job.later.mean(axis=1)
    # As of 1 July of a dry summer: by mid-December (day 168) rain has washed what a wash would have taken in the three months
    # after it, but for the layer that rain leaves.
    assert later[6, 5:8].sum() < 0.2 * later[0, 0:3].sum()
    # The candidate itself is reckoned through the whole chain; the linear reckoning is brought to its sum.
    assert later[0].sum() == pytest.approx(job.gain_value.sum(axis=1).mean(), rel=0.02)


def test_a_cut_that_waits_returns_nothing_before_it_and_starts_whole(tmp_path):
    hedge = inferred(tmp_path, Hedge(distance_m=5.0, height_m=3.5, growth_m_year=0.2), start=dt.date(2023, 6, 1),
                     end=dt.date(2024, 6, 1))
    job = next(j for j in candidates(*hedge)[0] if j.job_kind == "cut_vegetation")
    at_once, after = job.later[0].mean(axis=0), job.later[6].mean(axis=0)  # after 168 days
    assert at_once.sum() == pytest.approx(job.gain_value.sum(axis=1).mean(), rel=0.05)
    assert np.abs(after[:5]).max() == 0.0
    # In months after both cuts the later one has grown back for 168 days less: by 63 % in three years at most, in the mean of
    # all paces from nil to that (1 - exp(-x)) / x.
    x = (np.arange(7, len(at_once)) + 0.5) / 12.0 / 3.0
    less = x - 168 / 365.25 / 3.0
    later = (at_once[7:] * (1.0 - np.exp(-less)) / less * x / (1.0 - np.exp(-x))).sum()
    assert after[7:].sum() == pytest.approx(later, rel=0.02)


def test_a_wash_later_in_the_dry_season_finds_what_has_fallen_by_then(dusty):
    job = next(j for j in candidates(*dusty)[0] if j.job_kind == "clean")
    after = job.later[2].mean(axis=0)  # done after 56 days
    assert after[0] == pytest.approx(0.0, abs=1e-9)
    assert after[2:4].sum() > job.later[0].mean(axis=0)[2:4].sum()
