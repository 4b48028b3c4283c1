"""Whether a fall of conversion goes on, by losses of known shape."""

import numpy as np
import pytest

from yieldwatch.action.conversion_ahead import Slope, slope_of

NOISE = np.random.default_rng(2).normal(0.0, 0.0004, 24)


def test_a_loss_that_began_in_the_last_year_and_grew_ever_since_goes_on_at_its_pace():
    # 1.8 points a year from month 14 on, told in 24 months.
    found = slope_of(0.0015 * np.clip(np.arange(24) - 14.0, 0.0, None) + NOISE)

    assert found.now == pytest.approx(0.0135, rel=0.1)
    assert found.rate == pytest.approx(0.018, rel=0.1)
    assert found.chance > 0.95


def test_a_part_that_broke_stays_broken_and_no_more():
    assert slope_of(0.02 * (np.arange(24) >= 14) + NOISE).chance < 0.01


@pytest.mark.parametrize("months_ago", [1, 2, 3])
def test_a_part_that_broke_in_the_last_months_is_no_growth_of_an_eighth_a_year(months_ago):
    found = slope_of(0.04 * (np.arange(24) >= 24 - months_ago) + NOISE)

    assert found.now == pytest.approx(0.04, rel=0.03)
    assert found.per_year < 0.002


def test_a_loss_within_the_doubt_of_its_months_is_left_as_it_was_thought_before():
    assert 0.05 < slope_of(0.002 * (np.arange(24) >= 20) + NOISE).chance < 0.9


@pytest.mark.parametrize("monthly", [0.01 * np.arange(5), np.r_[0.003 * np.arange(20), np.zeros(4)], np.zeros(24)])
def test_what_is_too_short_mended_or_nil_does_not_grow(monthly):
    assert slope_of(monthly).per_year == 0.0


def test_the_mean_of_a_slope_counts_the_chance_that_it_goes_on():
    slope = Slope(0.01, 0.02, 0.5)

    assert slope.at(np.array([0.0, 1.0, 3.0])) == pytest.approx([0.01, 0.02, 0.04])
    assert slope.at(1000.0) == 0.7
