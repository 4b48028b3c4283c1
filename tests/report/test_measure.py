"""The next measurement as people read it."""

from dataclasses import replace

import pandas as pd

from tests.report.invented import assessment
from yieldwatch.report import measure
from yieldwatch.report.page import render_page


def test_a_reading_says_what_it_is_worth_and_what_it_costs():
    first, second = measure.next_grid(assessment()).rows
    assert first[:3] == ("wash two strings to see the dirt", "Alder Hill", "31 %")
    assert first[3:] == ("GBP 173", "GBP 133 to 196", "GBP 60", "Read before deciding.")
    assert second[0] == "read clamps I1"
    after = measure.next_grid(assessment()).after
    assert "To know for certain what each job of this farm returns would be worth GBP 210" in after
    assert second[-1] == "No outcome that is likely would change a decision."


def test_the_likeliest_hour_of_a_month_is_shown_and_an_unknown_month_is_not():
    assert measure.light_grid(assessment()).rows == (("Alder Hill", "Jul 2025", "12:00 to 13:00", "14", "9 to 19"),)


def test_the_page_has_the_section_and_leaves_it_out_where_no_reading_bears_on_a_job():
    assert 'id="measure"' in render_page(assessment())
    page = render_page(replace(assessment(), next_measurements=pd.DataFrame()))
    assert "#measure" not in page
    assert 'id="measure"' not in page
