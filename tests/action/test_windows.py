"""Weeks that are closed to a job, by calendar and handbook."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from tests.action.build import make_job, make_site
from yieldwatch.action.windows import daylight_hours, usual_weeks, why_not
from yieldwatch.portfolio.model import Assumption, DaysOff

NEW_YEAR = dt.date(2025, 1, 1)


def usual(**columns):
    plain = {"daylight_h": 12.0, "test_days": 5.0, "temp_air_c": 15.0, "wind_m_s": 4.0}
    return pd.DataFrame(plain | columns, index=range(53))


def closed(job, site=None, as_of=NEW_YEAR, lead=0.0, weather=None):
    """Weeks that are closed."""
    return [w for w, reason in enumerate(why_not(site or make_site(), job, as_of, lead, weather)) if reason]


def test_no_job_starts_before_its_crew_can_come():
    # 15 days' notice: weeks 0, 1 and 2 begin on days 0, 7 and 14.
    assert closed(make_job(1.0), lead=15.0) == [0, 1, 2]
    assert closed(make_job(1.0), lead=float("nan")) == []
    assert "15 days' notice" in why_not(make_site(), make_job(1.0), NEW_YEAR, 15.0, None)[2]


def test_hedges_are_left_alone_in_the_nesting_months_of_their_hemisphere():
    hedge = make_job(1.0, "cut_vegetation")
    # From 1 January: week 8 is 26 February to 4 March, week 34 27 August to 2 September, week 35 begins on 3 September.
    assert closed(hedge) == list(range(8, 35))
    # South: September to February. 26 February is in week 8, 27 August to 2 September is week 34.
    assert closed(hedge, make_site(latitude=-35.0)) == [*range(9), *range(34, 53)]
    assert "local rules" in why_not(make_site(), hedge, NEW_YEAR, 0.0, None)[20]
    own = make_site(assumptions={"nesting_from_month": Assumption(4.0, "local rule")})
    assert closed(hedge, own)[0] == 12  # 26 March to 1 April


def test_a_mown_field_and_a_repair_know_no_nesting_season():
    assert closed(make_job(1.0, "cut_vegetation", best_from="05-01", best_to="06-15")) == []
    assert closed(make_job(1.0)) == []


def test_weather_closes_the_weeks_in_which_it_usually_forbids_the_work():
    frost = usual(temp_air_c=np.where(np.arange(53) < 4, 1.0, 15.0))
    assert closed(make_job(1.0, "clean"), weather=frost) == [0, 1, 2, 3]
    assert closed(make_job(1.0), weather=frost) == []
    dull = usual(test_days=np.where(np.arange(53) < 2, 0.5, 3.0))
    assert closed(make_job(1.0), weather=dull) == [0, 1]
    assert closed(make_job(1.0, "clean"), weather=dull) == []
    assert closed(make_job(1.0, "clean"), weather=usual(wind_m_s=11.0)) == [*range(53)]
    assert closed(make_job(1.0), weather=usual(daylight_h=5.0)) == [*range(53)]
    hardy = make_site(assumptions={"least_cleaning_c": Assumption(0.0, "hot water")})
    assert closed(make_job(1.0, "clean"), hardy, weather=frost) == []


def test_what_the_record_does_not_hold_forbids_nothing():
    nothing = usual(test_days=np.nan, temp_air_c=np.nan, wind_m_s=np.nan)
    assert closed(make_job(1.0), weather=nothing) == closed(make_job(1.0, "clean"), weather=nothing) == []


def test_a_job_for_safety_waits_for_its_crew_alone():
    job = make_job(0.0, "inspect", safety=True)
    assert closed(job, lead=5.0, weather=usual(test_days=0.0, daylight_h=1.0)) == [0]


@pytest.mark.sourced
def test_daylight_is_that_of_the_almanac():
    # London (51.5° N), from memory of the almanac: 7 h 50 min at the winter solstice, 16 h 38 min at midsummer. Weeks from
    # 1 January: 24 June lies in week 24, 21 December in week 50; ten-minute steps.
    hours = daylight_hours(make_site(latitude=51.5), NEW_YEAR)
    assert hours[50] == pytest.approx(7.83, abs=0.2)
    assert hours[24] == pytest.approx(16.63, abs=0.2)


def test_a_dry_summer_s_usual_weeks_are_bright_in_july_and_warmest_then(dusty):
    weeks = usual_weeks(dusty.state, dusty.as_of)
    assert weeks.index.tolist() == list(range(53))
    assert weeks["test_days"].iloc[:6].min() > 5.0
    assert weeks["test_days"].max() <= 7.0
    assert weeks["temp_air_c"].iloc[:8].mean() > weeks["temp_air_c"].iloc[24:32].mean() + 5.0  # July against January


def test_a_week_without_a_day_on_which_a_crew_works_is_closed_even_to_safety_but_not_to_a_claim():
    # Week 1 is 8 to 14 January 2025, Wednesday to Tuesday; week 2 has one working day off.
    off = make_site(days_off=(DaysOff(dt.date(2025, 1, 8), dt.date(2025, 1, 15), "works holiday"),))
    assert closed(make_job(1.0), off) == [1]
    assert closed(make_job(1.0, safety=True), off) == [1]
    assert closed(make_job(1.0, "claim"), off) == []
    assert why_not(off, make_job(1.0), NEW_YEAR, 0.0, None)[1] == "no crew works: works holiday"
