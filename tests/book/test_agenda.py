"""What people turned down or have just done takes no money from the rest of the work list."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.action.build import AS_OF, make_job, make_portfolio
from yieldwatch.book.agenda import rank_with_book
from yieldwatch.book.keep import open_book

#: Two strings; one visit of 160 and 80 each. The budget pays for one job alone: 240.
JOBS = [make_job([50.0], scope=("I1.1",)), make_job([40.0], scope=("I1.2",))]
PORTFOLIO = make_portfolio(budget=250.0)


@pytest.fixture
def kept(tmp_path):
    return open_book(tmp_path)


def ranked(kept, jobs=JOBS):
    return rank_with_book(PORTFOLIO, jobs, AS_OF, kept, ["moor"])[0].work_list


def test_without_a_decision_the_better_job_is_chosen(kept):
    assert list(zip(ranked(kept)["scope"], ranked(kept)["chosen"], strict=True)) == [("I1.1", True), ("I1.2", False)]


def test_a_declined_job_leaves_its_money_to_the_next(kept):
    first = ranked(kept)
    ref = int(first.set_index("scope")["job_ref"]["I1.1"])
    kept.change(ref, "Ann", {"decision": "no", "reason": "Roof is to be renewed."})
    again = ranked(kept)
    assert list(zip(again["scope"], again["chosen"], again["job_state"], strict=True)) == [
        ("I1.2", True, "proposed"), ("I1.1", False, "declined")]
    assert list(again["rank"]) == [1, 2]
    assert "Declined by Ann on" in again["verdict"].iloc[1]
    assert again["verdict"].iloc[1].endswith("Roof is to be renewed.")
    before = kept.jobs(), kept.history()
    assert ranked(kept).equals(again)
    assert (kept.jobs(), kept.history()) == before


def test_a_job_just_done_is_not_chosen_again(kept):
    ref = int(ranked(kept).set_index("scope")["job_ref"]["I1.1"])
    kept.change(ref, "Ann", {"decision": "do"})
    kept.change(ref, "Ann", {"done_on": AS_OF - dt.timedelta(days=5)})
    again = ranked(kept).set_index("scope")
    assert list(again["chosen"]) == [True, False]
    assert again.loc["I1.1", "verdict"].startswith(f"Done on {AS_OF - dt.timedelta(days=5)} as job {ref};")


def test_all_jobs_declined_leave_a_list_that_chooses_none(kept):
    for ref in ranked(kept)["job_ref"]:
        kept.change(int(ref), "Ann", {"decision": "not_now"})
    assert list(ranked(kept)["job_state"]) == ["put off", "put off"]
    assert not ranked(kept)["chosen"].any()


def test_a_matter_of_safety_stays_first_though_it_was_declined(kept):
    jobs = [make_job([0.0], scope=("I1.1",), safety=True), JOBS[1]]
    ref = int(ranked(kept, jobs)["job_ref"].iloc[0])
    kept.change(ref, "Ann", {"decision": "no"})
    again = ranked(kept, jobs)
    assert (again["safety"].iloc[0], again["chosen"].iloc[0], again["job_state"].iloc[0]) == (True, True, "declined")
