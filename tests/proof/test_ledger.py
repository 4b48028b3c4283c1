"""Promises corrected by what earlier ones came to, and the job book that keeps people's own verdicts."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from tests.book.build import AS_OF, raise_job
from yieldwatch.action.candidate import Candidate
from yieldwatch.book.facts import Verdict
from yieldwatch.book.keep import open_book
from yieldwatch.book.promises import Promises
from yieldwatch.proof.ledger import corrected, ledger_table

MEASURED = Verdict(50.0, 45.0, 55.0, 100.0, "Worked.", promised_kwh=100.0)


@pytest.fixture
def book(tmp_path):
    """One job, decided and done."""
    book = open_book(tmp_path)
    job = raise_job(book, promise_factor=0.5)
    book.change(job.ref, "Ann", {"decision": "do"})
    book.change(job.ref, "Ann", {"done_on": AS_OF})
    return book


def candidate() -> Candidate:
    gain = np.full((400, 12), 10.0)
    return Candidate(
        "moor", "repair_string", "string_fault", ("I1.2",), {"string": 1.0}, gain, gain * 0.1, 0.9, "Weak.", "Stays.")


def test_without_a_proven_promise_nothing_changes():
    job = candidate()
    assert corrected([job], Promises([])) == [job]


def test_gains_are_multiplied_by_the_factor_and_its_doubt_and_the_reason_says_so(book):
    book.record_measured({1: MEASURED}, AS_OF)
    jobs = [replace(j, agreed_factor=None, ref=n) for n in range(20) for j in book.jobs()]
    promises = Promises(jobs)
    factor = promises.correction(cause="string_fault").factor
    (answer,) = corrected([candidate()], promises)
    assert 0.4 < factor < 0.7
    assert answer.gain_kwh.mean() == pytest.approx(10.0 * factor, rel=0.01)
    assert answer.gain_value.mean() == pytest.approx(1.0 * factor, rel=0.01)
    assert answer.gain_kwh.std() > 0
    assert "20 proven jobs of this cause" in answer.why
    assert answer.promise_factor == pytest.approx(factor, abs=1e-3)


def test_what_somebody_owes_is_no_promise_of_work(book):
    book.record_measured({1: MEASURED}, AS_OF)
    owed = replace(candidate(), job_kind="claim", cause="inverter_outage")
    assert corrected([owed], Promises(book.jobs())) == [owed]


def test_a_promise_that_held_a_factor_is_judged_without_it(book):
    # Promised 100 with a factor of one half in it, 200 without; 50 came: a quarter, and not a half.
    book.record_measured({1: MEASURED}, AS_OF)
    (kept,) = Promises(book.jobs()).kept
    assert kept.ratio == pytest.approx(0.25)
    table = ledger_table(Promises(book.jobs()))
    assert table["of"].tolist() == ["all", "cause"]
    assert table["promised_kwh"].tolist() == [200.0, 200.0]


def test_what_a_person_recorded_stays_and_what_an_assessment_measured_is_renewed(book):
    book.record_measured({1: MEASURED}, AS_OF)
    assert book.record_measured({1: replace(MEASURED, gain_kwh=52.0)}, AS_OF) == ()
    assert book.job(1).verdict_kwh == 52.0
    version = book.job(1).version
    book.record_verdict(1, "Ann", replace(MEASURED, gain_kwh=48.0), version)
    assert book.record_measured({1: MEASURED}, AS_OF) == (1,)
    assert book.job(1).verdict_kwh == 48.0
    book.record_verdict(1, "Ann", None, book.job(1).version)
    assert book.record_measured({1: MEASURED}, AS_OF) == ()
    assert book.job(1).verdict_kwh == 50.0


def test_an_assessment_of_an_older_day_writes_no_verdict(book):
    with book.writing() as pages:
        pages.looked("moor", AS_OF)
    book.record_measured({1: MEASURED}, AS_OF - dt.timedelta(days=1))
    assert book.job(1).verdict_kwh is None
