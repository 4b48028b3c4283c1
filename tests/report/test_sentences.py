"""The answer in sentences."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import EXPECTED, assessment
from yieldwatch.report import sentences
from yieldwatch.report.totals import Amount, site_total


def total(measured=True):
    return site_total(assessment().sites[1 if measured else 0])


def said(the_total, **kwargs):
    return " ".join(sentences.site_sentences(the_total, "GBP", **kwargs))


def test_a_farm_is_told_in_figures_with_their_period_and_interval():
    text = said(total())
    assert "Alder Hill delivered 148.6 MWh in Jan 2025 to Jun 2025" in text
    assert "13.4 MWh (8.3 %) is missing, worth GBP 1,103." in text
    # 2.1 + 1.2 + 1.8 + 0.2 + 0.6 = 5.9 % of 162.0 MWh; the three largest are named.
    assert "Of that, 9.6 MWh (90 % interval" in text
    assert (
        "dirt on the glass 3.4 MWh, string faults 2.9 MWh and shade from plants or obstacles 1.9 MWh." in text
    )
    assert "ageing 4.1 MWh (from published values, not from this farm)" in text
    assert "Readings cover 93 % of the expected energy; the rest is estimated." in text


def test_a_rest_beyond_its_interval_is_a_question_and_one_within_is_not():
    within = replace(total(), unexplained=replace(total().unexplained, energy=Amount(-600.0, -1700.0, 400.0)))
    beyond = replace(total(), unexplained=replace(total().unexplained, energy=Amount(900.0, 200.0, 1600.0)))
    assert "is not explained: within the error of meter and model." in said(within)
    assert "is not explained: its interval leaves out zero, so something is not named yet." in said(beyond)


def test_a_farm_that_beat_its_expectation_is_not_told_that_energy_is_missing():
    text = said(replace(total(), gap_kwh=-2_000.0, gap_pct=-1.2))
    assert "That is 2.0 MWh (1.2 %) more than expected." in text
    assert "missing" not in text
    assert "Of that" not in text


def test_energy_without_a_price_has_no_worth_and_says_why():
    text = said(replace(total(), gap_money=np.nan, months_priced=0))
    assert "what it was worth is not known, because no price covers it" in text
    partly = said(replace(total(), months_priced=4))
    assert "in the 4 months with a price" in partly


def test_months_left_out_are_named_with_what_was_expected_in_them():
    text = said(replace(total(), months_left_out=("2025-07",), expected_other_kwh=40_000.0))
    assert "Nothing measured Jul 2025 (40.0 MWh expected): those months are in none of these figures." in text


def test_an_unmeasured_farm_is_not_given_an_output():
    text = said(total(measured=False))
    assert "what it delivered is not known; 162.0 MWh was to be expected" in text
    assert "missing" not in text


def test_the_plan_is_aged_to_each_month():
    site = assessment().sites[1].site
    text = " ".join(sentences.plan_sentences(site, total()))
    # Commissioned 14 June 2019, so the mid of January to June 2025 is 5.59 to 6.01 years on, 5.80 in
    # the middle: 6 x 27 000 x 0.995 ^ 5.80 = 157 360. Delivered: 162 000 x 0.917 = 148 554.
    assert "was 157.4 MWh: delivered is 5.6 % below it." in text
    assert EXPECTED.sum() == 162_000.0


def test_bounds_over_farms_are_added_and_unknown_ones_are_left_out():
    together = sentences.added([Amount(10.0, 8.0, 13.0), Amount(5.0, 4.0, 5.5), Amount(np.nan)])
    assert together == Amount(15.0, 12.0, 18.5)
    assert not sentences.added([Amount(np.nan)]).known


def test_decisions_state_cost_and_return_of_what_is_to_be_approved():
    text = " ".join(sentences.decision_sentences(assessment()))
    assert "1 job is a matter of safety and comes first, whatever the return." in text
    # Costs 180 + 210 + 150, returns 238 + 254 (what the inspection returns is not known).
    assert "3 jobs are to be approved: GBP 540 in all, against GBP 492" in text
    assert "1 more job would pay, but not within this year's budget or crew days." in text


def test_the_opening_names_what_was_in_hand_and_what_nothing_measured():
    whole = assessment()
    totals = tuple(site_total(s) for s in whole.sites)
    text = " ".join(sentences.portfolio_sentences(whole, totals))
    assert "was good for 162.0 MWh with nothing wrong: 13.4 MWh (8.3 %) more, worth GBP 1,103." in text
    assert "was in our hands, worth GBP 784" in text
    assert text.endswith("delivered is not known: no meter or log covers the period.")


@pytest.mark.parametrize(
    ("gap", "words"), [(-1_000.0, "so nothing is missing in sum"), (1_000.0, "more, worth")]
)
def test_the_opening_knows_the_sign_of_the_gap(gap, words):
    whole = assessment(farms=1)
    one = replace(total(), measured_kwh=162_000.0 - gap, gap_kwh=gap)
    assert words in " ".join(sentences.portfolio_sentences(whole, (one,)))
