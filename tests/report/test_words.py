"""Figures as words."""

import math

import pandas as pd
import pytest

from yieldwatch.check import Source
from yieldwatch.cost import amounts
from yieldwatch.report import words
from yieldwatch.report.finding_words import finding_word
from yieldwatch.report.source_words import source_cells
from yieldwatch.report.totals import Amount
from yieldwatch.report.words import EnergyUnit


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1234567.8, 0, "1,234,568"),
        (-12.34, 1, "−12.3"),
        (-0.04, 1, "0.0"),
        (math.nan, 1, "not known"),
        (None, 0, "not known"),
        ("abc", 0, "not known"),
    ],
)
def test_numbers_have_thousands_a_true_minus_and_words_for_missing(value, decimals, text):
    assert words.number(value, decimals) == text


def test_energy_keeps_one_unit_for_a_table():
    assert EnergyUnit.fitting(9_999.0).text(9_999.0) == "9,999 kWh"
    large = EnergyUnit.fitting(10_000.0, 12.0)
    assert large.text(10_000.0) == "10.0 MWh"
    assert large.text(math.nan) == "not known"


@pytest.mark.parametrize(
    ("value", "text"),
    [(2279.6, "GBP 2,280"), (-53.2, "−GBP 53"), (3.5, "GBP 3.50"), (0, "GBP 0"), (math.nan, "not known"),
     (math.inf, "not known"), (-5.8e43, "−GBP 5.80e+43")],
)
def test_money_names_its_currency(value, text):
    assert words.money(value, "GBP") == text


@pytest.mark.parametrize(("low", "high", "text"), [
    (3.45, 3.55, "GBP 3.50 (3.45 to 3.55)"),
    # An interval of tens and hundreds: nobody knows the cents, nor those of its ends.
    (2.31, 134.57, "GBP 4 (2 to 135)"), (math.nan, math.nan, "GBP 3.50"),
])
def test_a_sum_is_stated_no_finer_than_its_interval_allows(low, high, text):
    assert words.money_with_span(Amount(3.5, low, high), "GBP") == text
    row = {"gain_per_year": 3.5, "gain_low_per_year": low, "gain_high_per_year": high}
    assert words.money_of(row, "gain_per_year", "GBP") == text.partition(" (")[0]
    assert amounts.money(3.5, "GBP", low, high) == text.partition(" (")[0]


def job(likely, low, high, gain=100.0):
    return {
        "payback_months": likely,
        "payback_low_months": low,
        "payback_high_months": high,
        "gain_per_year": gain,
    }


@pytest.mark.parametrize(
    ("record", "text"),
    [
        (job(9.1, 8.0, 10.6), "9 months (8 to 11 months)"),
        (job(30.0, 26.4, 60.0), "2.5 years (2.2 to 5.0 years)"),
        (job(29.3, 17.6, math.nan), "2.4 years (18 months to never)"),
        (job(math.nan, math.nan, math.nan), "does not pay back"),
        (job(math.nan, math.nan, math.nan, gain=math.nan), "not known"),
        # A claim: granted in 44 of 100 draws, so the middle draw has nothing and the whole is worth more than the letter.
        (job(math.nan, 3.1, math.nan) | {"chance_of_payback": 0.44}, "44 % chance (3 months to never)"),
        (job(math.nan, math.nan, math.nan) | {"chance_of_payback": 0.03}, "3 % chance"),
        (job(math.nan, math.nan, math.nan) | {"chance_of_payback": 0.004}, "does not pay back"),
    ],
)
def test_a_payback_is_a_range(record, text):
    assert words.payback(record) == text


def test_a_payback_is_under_a_month_where_the_table_has_less_than_one():
    # 0.96 stands as 1.0 in a column with one decimal, 0.94 as 0.9.
    assert (words.months_word(0.96), words.months_word(0.94)) == ("1 month", "under a month")


def test_a_reason_names_its_cause_in_words_and_other_text_stays():
    assert words.reason_words("inverter outage: No interval log.") == "inverters off: No interval log."
    assert words.reason_words("Light not measured: 3 months.") == "Light not measured: 3 months."


@pytest.mark.parametrize(("on_glass", "said"), [
    (0.86, "current low; if so, 86 % likely dirt on a module or two"), (0.02, "current low"), (None, "current low")])
def test_a_fault_that_may_be_dirt_says_so_beside_its_name(on_glass, said):
    assert finding_word({"finding": "current_low", "on_glass": on_glass}) == said


def test_a_payback_is_a_clause_of_a_sentence():
    assert words.pays_back(job(9.1, 8.0, 10.6)) == "pays back in 9 months (8 to 11 months)"
    chance = {"chance_of_payback": 0.44}
    assert words.pays_back(job(math.nan, 3.1, math.nan) | chance) == "pays back with 44 % chance (3 months to never)"
    assert words.pays_back(job(math.nan, math.nan, math.nan)) == "does not pay back"
    assert words.pays_back(job(math.nan, math.nan, math.nan, gain=math.nan)) == "not known"


def test_a_job_for_safety_is_not_held_against_its_return():
    safe = job(math.nan, math.nan, math.nan, gain=0.0) | {"safety": True, "chance_of_payback": 0.0}
    assert words.payback(safe) == words.pays_back(safe) == "for safety, not for its return"


@pytest.mark.parametrize(("share", "text"), [(1.0, "over 99 %"), (0.5, "50 %"), (0.0, "under 1 %"), (None, "")])
def test_a_chance_is_never_certain(share, text):
    assert words.chance_word(share) == text


def test_months_that_have_holes_are_counted():
    assert words.months_span(["2025-01", "2025-02", "2025-03"]) == "Jan 2025 to Mar 2025"
    assert words.months_span(["2025-01", "2025-03"]) == "2 months of Jan 2025 to Mar 2025"
    assert words.months_span(["2025-03"]) == "Mar 2025"
    assert words.months_span([]) == "no month"


def test_control_and_direction_characters_cannot_disguise_text():
    assert words.plain("a\x1b[31mred\u202egnp\n b") == "a [31mredgnp b"


def test_figures_are_tied_to_their_units_on_the_page():
    tied = words.tied("1 Jul 2025 to 31 Jul 2025: 3.4 MWh (7.1 to 11.7), GBP 784, 8 %")
    assert tied.replace("\u00a0", "_") == ("1_Jul_2025 to 31_Jul_2025: 3.4_MWh (7.1_to_11.7), GBP_784, 8_%")


@pytest.mark.parametrize(("numbers", "said"), [("1 2 8 9 10 11 12", "Aug to Feb"), ("2 4 6 7 8 11", "Feb, Apr, Jun to Aug, Nov"),
                                               ("1 12", "Dec, Jan"), ("1 2 3 4 5 6 7 8 9 10 11 12", "all months"), ("", "")])
def test_months_in_which_shade_bites_are_said_in_runs(numbers, said):
    assert words.months_in_words(numbers) == said


def test_a_half_goes_up_as_in_a_spreadsheet_and_rounding_keeps_the_sign():
    # Written out: 26.5, 0.125 and -2.5 lie half way.
    assert [words.number(v, d) for v, d in ((26.5, 0), (0.125, 2), (-2.5, 0), (4.05, 1), (-0.04, 1))] == [
        "27", "0.13", "−3", "4.1", "0.0"]
    # 0.285 times 100 is 28.499999999999996 in binary figures.
    assert [words.per_cent(share, 0) for share in (0.265, 0.285)] == ["27 %", "29 %"]


def test_dates_in_a_sentence_are_written_as_people_do_and_those_in_names_of_files_stay():
    said = "traced 2025-05-26; see sites/a/readings/iv/round-02-2025-06-08.csv line 3, 2024-11-09 08:15. Claim by 2044-10-03."
    assert words.in_day_words(said) == (
        "traced 26 May 2025; see sites/a/readings/iv/round-02-2025-06-08.csv line 3, 9 Nov 2024 08:15. Claim by 3 Oct 2044.")
    assert words.in_day_words("won back 58 (-1 to 119), -3.6 % of INV-2; job-5, 2-3") == (
        "won back 58 (−1 to 119), −3.6 % of INV-2; job-5, 2-3")


def test_an_inspection_says_what_is_looked_at_where_its_cause_tells():
    assert words.job_word("inspect", "soiling") == "wash two strings to see the dirt"
    assert words.job_word("inspect", "inverter_outage") == "inspect"
    assert words.job_word("clean", "soiling") == "clean the modules"


def test_a_stamp_to_the_second_stays_as_the_file_has_it():
    text = "line 69965: time = 2023-09-06 08:15:00+00:00, repeat of line 6423; from 2023-09-06 08:15 on"
    assert words.in_day_words(text) == (
        "line 69965: time = 2023-09-06 08:15:00+00:00, repeat of line 6423; from 6 Sep 2023 08:15 on")


def test_a_source_says_what_it_holds_in_words_and_ends_with_its_last_day():
    start, end = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2024-07-01", tz="UTC")
    meter = Source("revenue meter", 6, start, end, 1.0, is_end=True)
    assert source_cells(meter, "UTC")[2:5] == ("1 Jan 2024", "30 Jun 2024", "100.0 %")
    weather = Source("weather", 6, start, end, 0.5, "ghi, poa_global, temp_air, own_column")
    assert source_cells(weather, "UTC")[3:] == (
        "1 Jul 2024", "50.0 %", "global light, light in the module plane, air temperature, own_column")
