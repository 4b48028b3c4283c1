"""Due dates, worked by hand on a calendar."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.action.build import make_job, make_site
from yieldwatch.action.due import due_dates
from yieldwatch.portfolio.model import Assumption


def day(text):
    return dt.date.fromisoformat(text)


def test_a_job_for_any_time_is_due_in_ninety_days_once_the_crew_can_come():
    got = due_dates(make_site(), make_job(1.0), day("2025-04-01"), 7)
    assert got == (day("2025-04-08"), day("2025-07-07"))
    site = make_site(assumptions={"due_window_days": Assumption(30.0, "contract")})
    assert due_dates(site, make_job(1.0), day("2025-04-01"), 7)[1] == day("2025-05-08")
    assert due_dates(make_site(), make_job(1.0), day("2025-04-01"), float("nan"))[0] == day("2025-04-01")


def test_a_safety_job_is_due_at_once():
    job = make_job(0.0, "inspect", safety=True)
    assert due_dates(make_site(), job, day("2025-04-01"), 5) == (day("2025-04-01"), day("2025-04-06"))


@pytest.mark.parametrize(
    ("as_of", "expected"),
    [
        ("2025-01-01", ("2025-03-15", "2025-05-31")),  # before the season
        ("2025-05-01", ("2025-05-11", "2025-05-31")),  # in it
        ("2025-05-25", ("2026-03-15", "2026-05-31")),  # ready only after its end
    ],
)
def test_a_season_bounds_the_dates(as_of, expected):
    job = make_job(1.0, "clean", best_from="03-15", best_to="05-31")
    assert due_dates(make_site(), job, day(as_of), 10) == tuple(map(day, expected))


def test_a_season_over_new_year_and_to_the_end_of_february():
    job = make_job(1.0, "cut_vegetation", best_from="09-01", best_to="02-29")
    assert due_dates(make_site(), job, day("2025-01-10"), 0) == (day("2025-01-10"), day("2025-02-28"))
    assert due_dates(make_site(), job, day("2027-10-01"), 0) == (day("2027-10-01"), day("2028-02-29"))


def test_cutting_keeps_out_of_the_nesting_season_of_its_hemisphere():
    job = make_job(1.0, "cut_vegetation")
    north = due_dates(make_site(), job, day("2025-04-01"), 14)
    assert north == (day("2025-09-01"), day("2026-02-28"))
    south = due_dates(make_site(latitude=-33.0), job, day("2025-10-01"), 14)
    assert south == (day("2026-03-01"), day("2026-08-31"))
    ruled = {"nesting_to_month": Assumption(7.0, "local rule")}
    assert due_dates(make_site(assumptions=ruled), job, day("2025-04-01"), 14)[0] == day("2025-08-01")
