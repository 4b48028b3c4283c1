"""What the terminal says."""

import io
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from rich.console import Console

from tests.report.invented import assessment
from tests.report.invented_jobs import HOSTILE_NAME
from yieldwatch.check import PortfolioCheck, check_site
from yieldwatch.report.terminal import print_assessment, print_check


def said(show, *arguments, width=110):
    stream = io.StringIO()
    show(Console(file=stream, width=width, highlight=False), *arguments)
    return stream.getvalue()


@pytest.fixture(scope="module")
def answer():
    return said(print_assessment, assessment(), Path("out"))


def test_the_answer_gives_figures_period_and_interval(answer):
    assert "1 Jan 2025 to 30 Jun 2025" in answer
    lost = next(
        line for line in answer.splitlines() if line.strip().startswith("lost") and "known" not in line
    )
    # 8.3 % of 162.0 MWh at 0.082 a kWh.
    assert lost.split() == ["lost", "13.4", "8.3", "1,103"]
    hands = next(line for line in answer.splitlines() if "in our hands" in line)
    assert "MWh; GBP" in hands


def test_the_three_jobs_first_come_with_their_payback(answer):
    assert "1. SAFETY: Repair strings at Alder Hill: S21 (string faults)" in answer
    assert "pays back in 9 months (8 to 11 months); costs GBP 180" in answer
    assert "3. Wash two strings to see the dirt at" in answer
    assert "what it returns is not known beforehand" in answer
    assert "4. " not in answer


def test_what_could_not_be_told_and_the_folder_are_named(answer):
    assert "Reactive power: no reading holds kVAr" in answer
    assert "3 input rows were set aside" in answer
    assert "out: monthly_report.html" in answer


def test_a_farm_that_is_left_out_is_named():
    whole = assessment()
    said_of_it = said(print_assessment, replace(whole, sites=whole.sites[1:]), Path("out"))
    assert "Left out of every figure, for want of usable weather in the period: <script>" in said_of_it


def test_only_what_is_written_is_named():
    whole = assessment()
    empty = replace(whole, plan=whole.plan.iloc[:0])
    assert "visits.ics" in said(print_assessment, whole, Path("out"))
    assert "visits.ics" not in said(print_assessment, empty, Path("out"))


def test_user_text_is_not_read_as_markup():
    whole = assessment()
    site = replace(whole.sites[1], site=replace(whole.sites[1].site, name="[bold]x[/nope] \x1b[2J"))
    shown = said(print_assessment, replace(whole, sites=(site,)), Path("out"))
    assert "[bold]x[/nope] [2J" in shown
    assert "\x1b" not in shown


def test_an_empty_work_list_is_said(answer):
    quiet = said(print_assessment, replace(assessment(), work_list=pd.DataFrame()), Path("out"))
    assert "No job was found on this evidence." in quiet


def test_no_line_is_wider_than_the_terminal():
    lines = said(print_assessment, assessment(), Path("out"), width=70).splitlines()
    assert max(map(len, lines)) <= 70


def test_check_says_what_is_there_and_what_cannot_be_told():
    whole = assessment()
    checked = PortfolioCheck(whole.portfolio, None, tuple(check_site(s.site, s.data) for s in whole.sites))
    shown = " ".join(said(print_check, checked).split())
    assert HOSTILE_NAME in shown
    assert "inverter log none" in shown
    assert "inverter log 8,688 1 Jan 2025 1 Jul 2025 100.0 % 2 of 2 inverters" in shown
    assert "Cannot tell - How much is missing in all" in shown
    assert "3 input rows set aside: - sites/alder/readings/iv/a.csv: 2 x not a number, first line 4: i_sc_a = " in shown


def test_check_says_once_what_was_set_aside():
    whole = assessment()
    rows = "sites/alder/readings/iv/a.csv: 3 of 90 rows were set aside, first line 4: i_sc_a = x, not a number."
    value = "sites/alder/weather.csv: 1 value was set aside, first line 2: ghi_w_m2 = 2001, outside what is possible."
    alone = pd.DataFrame({"file": ["sites/alder/weather.csv"], "line": 2, "column": "ghi_w_m2", "value": "2001",
                          "reason": "outside what is possible", "part": "value"})
    sites = [check_site(s.site, replace(s.data, notices=(rows, value), set_aside=pd.concat([s.data.set_aside, alone])))
             for s in whole.sites[1:]]
    shown = " ".join(said(print_check, PortfolioCheck(whole.portfolio, None, tuple(sites))).split())
    assert "of 90 rows" not in shown
    assert f"Note: {value}" in shown
    assert shown.count("ghi_w_m2") == 1
    assert "3 input rows set aside" in shown
