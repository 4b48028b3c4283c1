"""A job's state follows from its facts, and only allowed steps are taken."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields, replace

import pytest

from tests.book.build import raise_job
from yieldwatch.book import states
from yieldwatch.book.facts import FACTS, Job
from yieldwatch.book.keep import open_book
from yieldwatch.errors import BookError

NOW = dt.datetime(2025, 7, 1, 9, 30, tzinfo=dt.UTC)
TODAY = NOW.date()
DAY = dt.date(2025, 5, 6)


@pytest.fixture
def job(tmp_path) -> Job:
    return raise_job(open_book(tmp_path))


def step(job: Job, **facts) -> Job:
    return replace(job, **states.settled(job, facts, "Ann", NOW))


def test_every_fact_of_the_record_is_explained():
    assert {f.name for f in fields(Job)} == set(FACTS) | {"ref", "version"}
    assert set(states.MOVES) == set(states.MEANINGS) == {*states.OPEN, *states.FINISHED}


def test_the_usual_way_of_a_job(job):
    seen = [states.state(job)]
    for facts in ({"decision": "do"}, {"waiting_for": "part", "waiting_note": "fuses"}, {"waiting_for": None},
                  {"booked_for": DAY, "contractor": "Moor"}, {"done_on": DAY, "cost": 140.0}):
        job = step(job, **facts)
        seen.append(states.state(job))
    assert seen == ["proposed", "approved", "waiting", "approved", "booked", "done"]
    assert (job.decided_by, job.decided_on, job.waiting_note) == ("Ann", TODAY, None)


def test_what_was_promised_when_it_was_decided_is_kept(job):
    job = step(job, decision="do")
    later = replace(job, gain_kwh_per_year=9.0, scope="I1.1 I1.2")
    assert (later.agreed_kwh_per_year, later.agreed_low_kwh_per_year, later.agreed_scope) == (400.0, 300.0, "I1.1")


def test_who_decided_may_be_another_than_who_records_it(job):
    assert step(job, decision="no", decided_by="The board", reason="under 60 a year").decided_by == "The board"


@pytest.mark.parametrize("decision", ["no", "not_now", None])
def test_a_job_turned_down_has_no_booking_left(job, decision):
    booked = step(step(job, decision="do"), booked_for=DAY)
    turned = step(booked, decision=decision)
    assert turned.booked_for is None
    assert states.state(turned) == {"no": "declined", "not_now": "put off", None: "proposed"}[decision]


def test_work_done_ends_the_wait(job):
    waiting = step(step(job, decision="do"), waiting_for="weather")
    assert step(waiting, done_on=DAY).waiting_for is None


@pytest.mark.parametrize(("before", "facts", "message"), [
    ({}, {"booked_for": DAY}, r"is proposed \(nothing decided yet\), and cannot become booked .* approved, put off, declined"),
    ({"decision": "no"}, {"booked_for": DAY}, "is declined .* cannot become booked"),
    ({}, {"done_on": DAY}, "cannot become done"),
    ({}, {"waiting_for": "part"}, "cannot become waiting"),
    ({"decision": "do"}, {"done_on": dt.date(2025, 7, 2)}, "after today.* Book the job for that day"),
    ({}, {"decision": "others_pay"}, "without a payer"),
    ({}, {"reason": "because"}, "of a decision, and none is made"),
    ({"decision": "do"}, {"put_off_until": DAY}, "not put off"),
])
def test_a_step_that_is_not_allowed_says_what_is(job, before, facts, message):
    job = step(job, **before) if before else job
    with pytest.raises(BookError, match=message):
        step(job, **facts)


def test_what_was_decided_of_a_job_done_stays_until_it_is_not_done(job):
    done = step(step(job, decision="do"), done_on=DAY)
    with pytest.raises(BookError, match="what was decided stays"):
        step(done, decision="no")
    with pytest.raises(BookError, match="Expected nothing to wait"):
        step(done, waiting_for="part")
    assert states.state(step(done, done_on=None)) == "approved"


def test_work_is_not_undone_under_its_verdict(job):
    judged = replace(step(step(job, decision="do"), done_on=DAY), verdict_kwh=90.0, verdict_low_kwh=60.0, verdict_high_kwh=120.0)
    with pytest.raises(BookError, match="take the verdict back"):
        step(judged, done_on=None)


@pytest.mark.parametrize(("low", "high", "promised", "word"), [
    (10.0, 90.0, 100.0, "proven"),          # wholly above nil
    (-40.0, 120.0, 100.0, "done"),          # holds both nil and the promise: cannot tell yet
    (-40.0, 60.0, 100.0, "without effect"),  # holds nil and not the promise
    (-40.0, -5.0, None, "without effect"),  # a loss, whatever was promised
    (-40.0, 60.0, None, "done"),            # no promise for these days to hold it against
])
def test_a_verdict_decides_by_nil_and_by_the_promise(job, low, high, promised, word):
    done = step(step(job, decision="do"), done_on=DAY)
    judged = replace(done, verdict_kwh=(low + high) / 2, verdict_low_kwh=low, verdict_high_kwh=high, verdict_days=30.0,
                     verdict_promised_kwh=promised)
    assert states.state(judged) == word


def test_a_years_promise_is_not_spread_over_part_of_a_year(job):
    done = replace(step(step(job, decision="do"), done_on=DAY), verdict_kwh=90.0, verdict_days=90.0)
    assert states.promised_kwh(done) is None
    assert states.promised_kwh(replace(done, verdict_days=730.5)) == pytest.approx(800.0)


def test_work_is_done_on_a_day_that_has_begun_somewhere(job):
    approved = step(job, decision="do")
    # 10 p.m. in UTC is the next morning in Adelaide, and in Auckland.
    late = NOW.replace(hour=22)
    done = replace(approved, **states.settled(approved, {"done_on": dt.date(2025, 7, 2)}, "Ann", late))
    assert states.state(done) == "done"
    with pytest.raises(BookError, match="after today"):
        states.settled(approved, {"done_on": dt.date(2025, 7, 2)}, "Ann", NOW)
    with pytest.raises(BookError, match="after today"):
        states.settled(approved, {"done_on": dt.date(2025, 7, 3)}, "Ann", late)
