"""A new assessment finds its jobs again, raises only what is new, and keeps to what people decided."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.action.build import make_portfolio, make_site
from tests.book.build import AS_OF, finding, findings, raise_job
from yieldwatch.book.reconcile import SETTLING_DAYS, Reconciled, reconcile
from yieldwatch.book.states import state

LATER = dt.date(2025, 6, 1)


def run(book, *rows, as_of=LATER, sites=("moor",), tested=None) -> Reconciled:
    portfolio = make_portfolio(make_site("moor"), make_site("fell"))
    return reconcile(findings(*rows), book, portfolio, as_of, sites, tested)


def test_what_is_new_is_raised_and_found_again_the_next_time(book):
    first = run(book, finding("I1.1"), finding("I1.2"))
    assert first.words == "2 new, 0 known, 0 gone"
    assert list(first.work_list["job_ref"]) == [1, 2]
    assert list(first.work_list["job_state"]) == ["proposed", "proposed"]
    before = book.jobs(), book.history()
    second = run(book, finding("I1.1"), finding("I1.2"))
    assert (second.words, (book.jobs(), book.history())) == ("0 new, 2 known, 0 gone", before)
    assert second.work_list.equals(first.work_list)


@pytest.mark.parametrize("other", [{"kind": "replace_modules"}, {"cause": "soiling"}, {"site": "fell"}, {"scope": "I1.2"}])
def test_another_kind_cause_site_or_place_is_another_job(book, other):
    raise_job(book)
    assert run(book, finding(**other), sites=("moor", "fell")).new == (2,)


@pytest.mark.parametrize(("kept", "found"), [
    ("I1", "I1.2"), ("I1.2", "I1"), ("site", "I1.1"), ("I1.1", "site"), ("I1.1 I1.2", "I1.2"),
])
def test_scopes_that_share_a_string_are_one_job_and_its_scope_follows(book, kept, found):
    raise_job(book, scope=kept)
    assert run(book, finding(found)).known == (1,)
    assert book.job(1).scope == found
    change = next(c for c in book.history(1) if c.field == "scope" and c.version == 2)
    assert (change.who, change.old, change.new) == ("assessment", kept, found)


def test_findings_of_one_job_add_up(book):
    raise_job(book, scope="I1.1 I1.2")
    run(book, finding("I1.1", 100.0), finding("I1.2", 300.0, chosen=False))
    job = book.job(1)
    assert (job.scope, job.gain_kwh_per_year, job.gain_low_kwh_per_year, job.cost_estimate) == ("I1.1 I1.2", 400.0, 300.0, 300.0)
    assert (job.advised, job.why) == (True, "I1.1 is weak. I1.2 is weak.")


def test_a_missing_figure_of_one_finding_is_missing_of_the_sum(book):
    raise_job(book, scope="I1.1 I1.2")
    run(book, finding("I1.1", cost=float("nan")), finding("I1.2"))
    assert book.job(1).cost_estimate is None


def test_a_job_whose_findings_another_holds_is_not_raised_again_nor_counted_twice(book):
    raise_job(book, scope="I1.1")
    raise_job(book, scope="I1.2")
    assert run(book, finding("I1.1 I1.2")).words == "0 new, 1 known, 1 gone"
    assert [(state(j), j.covered_by) for j in book.jobs()] == [("proposed", None), ("gone", 1)]
    assert run(book, finding("I1.1"), finding("I1.2")).known == (1, 2)
    assert [state(j) for j in book.jobs()] == ["proposed", "proposed"]


def test_what_is_no_longer_found_is_gone_and_comes_back_as_the_same_job(book):
    raise_job(book)
    assert run(book).gone == (1,)
    assert state(book.job(1)) == "gone"
    assert run(book).words == "0 new, 0 known, 0 gone"
    assert run(book, finding()).known == (1,)
    assert state(book.job(1)) == "proposed"


def test_an_approved_job_that_is_no_longer_found_stays_approved_and_says_so(book):
    raise_job(book)
    book.change(1, "Ann", {"decision": "do"})
    assert run(book).gone == (1,)
    assert (state(book.job(1)), book.job(1).found) == ("approved", False)


def test_a_site_that_was_not_assessed_keeps_its_jobs(book):
    raise_job(book, site_id="fell")
    assert run(book, sites=("moor",)).gone == ()
    assert book.job(1).found


def test_an_assessment_of_an_older_day_writes_nothing(book):
    run(book, finding("I1.1"))
    before = book.jobs(), book.history()
    answer = run(book, finding("I1.1", 9.0), finding("I1.2"), as_of=AS_OF)
    assert answer.older == ("moor",)
    assert "nothing written of moor" in answer.words
    assert (book.jobs(), book.history()) == before
    assert answer.work_list["job_ref"].isna().tolist() == [False, True]


def declined(book) -> None:
    """A job declined at 400 kWh and 40 a year."""
    raise_job(book)
    book.change(1, "Ann", {"decision": "no", "reason": "under 60 a year"})


@pytest.mark.parametrize(("gain", "more", "now"), [
    (590.0, {}, "declined"),                            # less than half as much again
    (620.0, {}, "proposed"),                            # 1.55 times, low end 46.5 above 40
    (620.0, {"gain_low_per_year": 39.0}, "declined"),   # grown, but it may be as it was
    (400.0, {"safety": True}, "proposed"),
])
def test_a_declined_job_comes_back_only_if_its_gain_grew_materially(book, gain, more, now):
    declined(book)
    answer = run(book, finding(gain=gain, **more))
    assert answer.new == ()
    assert (state(book.job(1)), answer.reopened) == (now, (1,) if now == "proposed" else ())
    if now == "proposed":
        entry = next(c for c in book.history(1) if c.field == "decision" and c.new is None)
        assert entry.why in ("its gain grew from 40 to 62 in money a year since it was declined", "has become a matter of safety")


def test_small_growths_of_a_declined_job_add_up(book):
    declined(book)
    run(book, finding(gain=590.0))
    assert run(book, finding(gain=640.0)).reopened == (1,)


@pytest.mark.parametrize(("until", "now"), [(LATER, "proposed"), (LATER + dt.timedelta(days=1), "put off"), (None, "put off")])
def test_a_job_put_off_comes_back_on_its_day(book, until, now):
    raise_job(book)
    book.change(1, "Ann", {"decision": "not_now", "put_off_until": until})
    run(book, finding())
    assert state(book.job(1)) == now


def done(book, day=AS_OF) -> None:
    raise_job(book)
    book.change(1, "Ann", {"decision": "do"})
    book.change(1, "Ann", {"done_on": day})


def test_a_cause_that_is_back_after_the_work_raises_a_job_that_refers_to_it(book):
    done(book)
    answer = run(book, finding(), tested={("moor", "I1.1"): dt.date(2025, 5, 20)})
    assert (answer.new, book.job(2).follows, state(book.job(1))) == ((2,), 1, "done")
    assert run(book, finding(), tested={("moor", "I1.1"): dt.date(2025, 5, 20)}).known == (2,)


@pytest.mark.parametrize(("as_of", "tested"), [
    (AS_OF + dt.timedelta(days=SETTLING_DAYS - 1), dt.date(2025, 4, 20)),  # too little history from after the work
    (LATER, dt.date(2025, 3, 20)),                                         # the string was last tested before it
    (AS_OF - dt.timedelta(days=1), dt.date(2025, 3, 20)),
])
def test_a_finding_from_before_the_work_does_not_raise_it_again(book, as_of, tested):
    done(book)
    answer = run(book, finding(), as_of=as_of, tested={("moor", "I1.1"): tested})
    assert (answer.new, answer.known) == ((), (1,))
    assert answer.work_list["job_state"].item() == "done"


def test_two_findings_of_one_list_that_overlap_are_two_jobs_and_stay_so(book):
    wide, narrow = finding("site", kind="clean", cause="soiling"), finding("I1", kind="clean", cause="soiling")
    assert run(book, wide, narrow).new == (1, 2)
    again = run(book, wide, narrow)
    assert (again.words, list(again.work_list["job_ref"])) == ("0 new, 2 known, 0 gone", [1, 2])


def test_an_empty_work_list_has_the_columns_too(book):
    answer = run(book)
    assert {"job_ref", "job_state"} <= set(answer.work_list.columns)
