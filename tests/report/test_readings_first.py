"""What must be read before a job is on the sheet of the crew that may read it."""

from dataclasses import replace

import pandas as pd
import pytest

from tests.report.invented import assessment
from yieldwatch.portfolio.model import JobCost
from yieldwatch.report.crew_sheets import crew_sheets_html
from yieldwatch.report.readings_first import with_readings
from yieldwatch.report.visit_calendar import visits_ics
from yieldwatch.report.visits import planned_visits, working_spans


def planned(kind="wash_witness", crew="cleaning", start="2025-07-22", job="J2", first="J2"):
    """A repair on 15 July, and after it a visit of `crew` with a job that has a reading before it."""
    done = assessment()
    head, repair, rest = (done.plan.iloc[k:k + 1] for k in (0, 1, 2))
    visit = head.assign(visit_id="V02", start=start, crew=crew, safety=False, crew_hours=5.0, crew_days=0.63)
    work = repair.assign(visit_id="V02", start=start, crew=crew, job_id=job, job_kind="clean", scope="site", cause="soiling")
    listed = done.work_list.assign(read_first_kind=[kind if j == first else "" for j in done.work_list["job_id"]])
    return replace(done, plan=pd.concat([head, repair, visit, work, rest], ignore_index=True), work_list=listed)


def test_strings_are_washed_on_the_electricians_visit_and_the_cleaning_waits_for_what_they_show():
    repair, cleaning = with_readings(planned_visits(planned()))
    assert [j.job_id for j in repair.jobs] == ["J1", "J2-reading"]
    reading = repair.jobs[1]
    assert (reading.work, reading.scope) == ("look_at_dirt", ("site",))
    assert "whether to clean the modules (visit V02, week 22 Jul 2025 to 28 Jul 2025) hangs on it" in reading.listed["why"]
    assert "Visit V01 in the week 15 Jul 2025 to 21 Jul 2025 does that" in cleaning.jobs[0].first
    assert (cleaning.reading_hours, repair.jobs[0].first) == (0.0, "")


def test_sheet_and_calendar_of_both_visits_say_it_and_the_plans_own_hours_stay():
    html = " ".join(crew_sheets_html(planned()).replace("\xa0", " ").split())
    assert "2. Wash two strings to see the dirt: the whole site" in html
    assert "leave as it is" in html
    assert "First: wash two strings" in html
    calendar = visits_ics(planned()).decode().replace("\r\n ", "")
    assert "repair strings and wash two strings to see the dirt" in calendar
    assert "the planner calls the work off" in calendar
    # The invented farms have no price of an inspection: four strings at 0.3 h.
    done = planned()
    birch, alder = done.sites
    costs = {**alder.site.job_costs, "inspect": JobCost("inspect", 150.0, 15.0, "string", 1.0, 0.3, 5.0)}
    done = replace(done, sites=(birch, replace(alder, site=replace(alder.site, job_costs=costs))))
    assert with_readings(planned_visits(done))[0].reading_hours == pytest.approx(1.2)
    assert "6.0 h (0.8 days of 8 h), and 1.2 h for what is read before other work, of one crew" in " ".join(
        crew_sheets_html(done).replace("\xa0", " ").split())


def test_a_reading_that_does_not_fit_in_the_day_takes_another():
    repair = with_readings(planned_visits(planned()))[0]
    for hours, days in ((0.0, 1), (1.5, 1), (2.5, 2)):  # beside 0.75 days of 8 hours
        ((first, last),) = working_spans(replace(repair, reading_hours=hours))
        assert (last - first).days + 1 == days


def test_where_no_electrician_comes_before_the_work_the_sheet_says_so():
    repair, cleaning = with_readings(planned_visits(planned(start="2025-07-08")))
    assert len(repair.jobs) == 1
    assert "No visit of the plan has it" in cleaning.jobs[0].first


def test_a_crew_that_may_read_does_so_before_its_own_work():
    for at, done in ((0, planned(kind="test_strings", first="J1")), (1, planned(kind="test_strings", crew="electrical"))):
        visit = with_readings(planned_visits(done))[at]
        assert len(visit.jobs) == 1
        assert visit.jobs[0].first.startswith("First, on this visit: trace the string")


def test_a_plan_without_readings_stays_as_it_is():
    found = with_readings(planned_visits(planned(first="")))
    assert [[(j.job_id, j.first) for j in v.jobs] for v in found] == [[("J1", "")], [("J2", "")]]
