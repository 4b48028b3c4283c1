"""The year's plan as people read it."""

import io
from dataclasses import replace

import openpyxl
import pandas as pd

from tests.report.invented import assessment
from yieldwatch.report import jobs, year
from yieldwatch.report.page import render_page
from yieldwatch.report.workbook import workbook_xlsx


def test_a_visit_says_what_it_does_and_what_it_takes():
    grid = year.plan_grid(assessment())
    (row,) = grid.rows
    assert row[:4] == ("15 Jul 2025", "Alder Hill", "electrical", "repair strings S21; for safety")
    assert row[4:] == ("0.8", "GBP 250", "GBP 700", "GBP 600 to 800")
    assert "local codes and licensed practice" in grid.caption


def test_an_inspection_says_what_it_is_for_and_desk_work_takes_no_crew_days():
    done = assessment()
    plan = done.plan.copy()
    for cause, said in (("shading", "look at what shades S21"), ("inverter_outage", "inspect (inverters off) S21")):
        plan.loc[plan["row"] == "job", ["job_kind", "cause"]] = ["inspect", cause]
        ((_, _, _, what, days, *_),) = year.plan_grid(replace(done, plan=plan)).rows
        assert (what, days) == (f"{said}; for safety", "0.8")
    plan.loc[plan["row"] == "visit", ["row", "crew"]] = "office"
    ((_, _, crew, _, days, *_),) = year.plan_grid(replace(done, plan=plan)).rows
    assert (crew, days) == ("office", "")


def test_a_job_that_missed_the_cut_says_what_it_needs():
    ((job, start, cost, gain, span, why),) = year.left_out_grid(assessment()).rows
    assert (job, start, cost) == ("cut back vegetation S01 S02 at Alder Hill", "2 Sep 2025", "GBP 300")
    assert (gain, span) == ("GBP 342", "GBP 200 to 500")
    assert why


def test_the_price_of_waiting_stands_beside_doing_nothing():
    plan = jobs.work_plan(assessment())
    (row,) = year.when_grid(plan.do, "GBP").rows
    assert row[1:4] == ("15 Jul 2025", "GBP 12 (−3 to 30)", "1 Apr 2026")
    assert row[4].startswith("Do nothing")
    timed = next(job for job in plan.do if jobs.text(job, "options"))
    (never,) = year.when_grid([{**timed, "safety": False, "npv_best_start": -5.0}], "GBP").rows
    assert never[1:3] == ("", "")
    (safety,) = year.when_grid([{**timed, "safety": True, "npv_best_start": -5.0}], "GBP").rows
    assert safety[1:3] == row[1:3]


def test_the_page_has_the_plan_and_leaves_it_out_where_there_is_none():
    assert 'id="year"' in render_page(assessment())
    bare = assessment()
    quiet = replace(bare, plan=pd.DataFrame(), waiting=pd.DataFrame(), work_list=bare.work_list.drop(columns="options"))
    page = render_page(quiet)
    assert 'id="year"' not in page
    assert "#year" not in page


def test_the_workbook_has_visits_with_their_jobs_below_them():
    book = openpyxl.load_workbook(io.BytesIO(workbook_xlsx(assessment())))
    sheet = book["Plan of the year"]
    heads = [cell.value for cell in sheet[3]]
    what = [row[heads.index("What to do")].value for row in sheet.iter_rows(min_row=4)]
    assert what == ["visit, for safety", "repair strings"]
    assert book["Left out of the plan"]["C4"].value == "cut back vegetation"
    assert sheet.cell(5, heads.index("Caution") + 1).value == "Isolate first."
    assert sheet.cell(4, heads.index("Week from") + 1).is_date
