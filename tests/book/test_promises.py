"""Promised against proven: little evidence moves little, and groups lend each other what they have in common."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from tests.book.build import raise_job
from yieldwatch.book import promises as module
from yieldwatch.book.facts import Job
from yieldwatch.book.keep import open_book
from yieldwatch.book.promises import PRIOR_MEAN, Promises

HALF_90 = 1.6448536269514722


@pytest.fixture(scope="module")
def base(tmp_path_factory) -> Job:
    job = raise_job(open_book(tmp_path_factory.mktemp("promises")))
    return replace(job, decision="do", done_on=dt.date(2025, 4, 1), verdict_days=30.0)


def judged(base: Job, ratio: float, sd: float = 0.1, cause: str = "soiling", contractor: str | None = "Moor",
           ref: int = 1) -> Job:
    """A job promised 100 kWh for the days measured, the promise itself certain."""
    gain, half = 100 * ratio, 100 * sd * HALF_90
    return replace(base, ref=ref, cause=cause, contractor=contractor, verdict_promised_kwh=100.0, verdict_kwh=gain,
                   verdict_low_kwh=gain - half, verdict_high_kwh=gain + half, agreed_low_kwh_per_year=None)


def test_with_no_job_measured_the_promise_stands_with_a_wide_interval():
    answer = Promises([]).correction("soiling", "Moor")
    assert answer.factor == pytest.approx(1.0)
    assert answer.low < 0.5
    assert answer.high > 1.5
    assert answer.n == 0


def test_one_job_moves_the_factor_part_of_the_way_and_many_most_of_it(base):
    one = Promises([judged(base, 0.5)]).correction("soiling", "Moor")
    many = Promises([judged(base, 0.5, ref=i) for i in range(30)]).correction("soiling", "Moor")
    assert 0.5 < many.factor < one.factor < 1.0
    assert many.factor == pytest.approx(0.5, abs=0.05)
    assert many.high - many.low < (one.high - one.low) / 2
    assert (one.n, many.n) == (1, 30)


def test_a_vague_verdict_moves_it_less_than_a_sharp_one(base):
    sharp, vague = (Promises([judged(base, 0.5, sd)]).correction("soiling", "Moor").factor for sd in (0.05, 1.0))
    assert sharp < vague - 0.1


def test_a_cause_is_told_apart_from_a_contractor_by_the_jobs_that_share_but_one(base):
    jobs = [judged(base, 0.5 if cause == "soiling" else 1.0, cause=cause, contractor=who, ref=10 * i + j)
            for i, cause in enumerate(("soiling", "string_fault"))
            for j, who in enumerate(("Moor", "Hill") * 6)]
    ledger = Promises(jobs)
    low, high = ledger.correction("soiling"), ledger.correction("string_fault")
    assert low.factor < 0.65
    assert high.factor > 0.85
    assert ledger.correction(contractor="Moor").factor == pytest.approx(ledger.correction(contractor="Hill").factor, abs=0.02)
    unseen = ledger.correction("shading")
    assert low.factor < unseen.factor < high.factor
    assert unseen.high - unseen.low > high.high - high.low
    assert unseen.n == 0


def test_a_contractors_name_is_one_whatever_its_capitals_and_blanks(base):
    ledger = Promises([judged(base, 0.6, contractor="Moor  Electrics"), judged(base, 0.6, contractor="moor electrics", ref=2)])
    assert ledger.correction(contractor="MOOR electrics").n == 2


def test_a_promise_that_was_itself_uncertain_counts_less(base):
    sure = judged(base, 0.5)
    unsure = replace(sure, agreed_kwh_per_year=400.0, agreed_low_kwh_per_year=0.0, agreed_high_kwh_per_year=800.0)
    (kept,) = Promises([unsure]).kept
    # Both intervals as standard deviations of the ratio: 0.1, and 400 kWh / 1.645 of 400 kWh.
    assert kept.sd == pytest.approx(np.hypot(0.1, 1 / HALF_90))


def test_what_cannot_be_held_against_a_promise_is_left_out_and_named(base):
    no_promise = replace(judged(base, 0.5, ref=5), verdict_promised_kwh=None)
    nil = replace(judged(base, 0.5, ref=6), verdict_promised_kwh=0.0)
    ledger = Promises([judged(base, 0.5), no_promise, nil, replace(base, ref=7)])
    assert [k.ref for k in ledger.kept] == [1]
    assert ledger.left_out == (5, 6)


def test_the_interval_holds_the_true_factor_nine_times_of_ten(base):
    """Farms drawn from the model's own prior: 90 % of intervals hold, within three standard errors of 150 draws."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(150):
        mean = rng.normal(PRIOR_MEAN, module.PRIOR_SD)
        spread = np.abs(rng.normal(0, module.SPREAD_SCALE, 3))
        causes, crews = rng.normal(0, spread[0], 3), rng.normal(0, spread[1], 2)
        jobs = [
            judged(base, mean + causes[i % 3] + crews[i % 2] + rng.normal(0, spread[2]) + rng.normal(0, 0.2), 0.2,
                   f"c{i % 3}", f"w{i % 2}", i)
            for i in range(9)
        ]
        answer = Promises(jobs).correction("c0", "w0")
        held += answer.low <= mean + causes[0] + crews[0] <= answer.high
    assert 0.90 - 3 * np.sqrt(0.09 / 150) <= held / 150


@pytest.mark.sourced
def test_jobs_that_are_alike_are_pooled_as_in_the_eight_schools(base, monkeypatch):
    """
    Rubin, J. Educ. Stat. 6 (1981) 377, in Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.5 (numbers from memory):
    eight effects and standard errors; pooled without differences between schools they give 7.7 with a standard error of 4.1.
    """
    effects, errors = [28, 8, -3, 7, -1, 1, 18, 12], [15, 10, 16, 11, 9, 11, 10, 18]
    monkeypatch.setattr(module, "_SPREADS", (0.0, 1e-9))
    monkeypatch.setattr(module, "PRIOR_SD", 1e4)
    ledger = Promises([judged(base, y, s, cause=f"school {i}", contractor=None, ref=i)
                       for i, (y, s) in enumerate(zip(effects, errors, strict=True))])
    answer = ledger.correction()
    assert answer.factor == pytest.approx(7.7, abs=0.05)
    assert (answer.high - answer.low) / (2 * HALF_90) == pytest.approx(4.1, abs=0.05)
