"""The size of a step: what the textbook says where nothing wanders, and honest doubt where something does."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from yieldwatch.proof.effect import Prior, fit_effect, weighed


def series(before, after):
    value = np.r_[before, after]
    late = np.arange(len(value)) >= len(before)
    return np.arange(len(value), dtype=float), value, np.ones(len(value)), [late.astype(float)], late


def interval(effect):
    return np.quantile(effect.draws, [0.05, 0.95])


@pytest.mark.sourced
def test_it_is_the_difference_in_differences_of_a_published_study():
    # Card & Krueger, Am. Econ. Rev. 84 (1994) 772, table 3 (values from memory): mean employment of restaurants in New Jersey
    # 20.44 before and 21.03 after, in Pennsylvania 23.33 and 21.17; the difference in differences 2.76, by these rounded means
    # 2.75. Here in hundreds, with a scatter that adds up to nothing.
    scatter = np.tile([0.0004, -0.0004], 10)
    answer = fit_effect(*series((20.44 - 23.33) / 100 + scatter, (21.03 - 21.17) / 100 + scatter), drifts=(0.0,))
    assert 100 * answer.draws.mean() == pytest.approx(2.76, abs=0.02)


@pytest.mark.sourced
def test_without_drift_effect_and_doubt_are_those_of_least_squares_with_an_interaction():
    # statsmodels' ordinary least squares of two groups before and after, noise equal; the two groups' difference has one noise
    # of sqrt(2) the size, so that the interaction and the step are the same quantity.
    rng = np.random.default_rng(4)
    treated, control = rng.normal(0.0, 0.01, (2, 40))
    treated[20:] += 0.03
    late, group = np.tile(np.r_[np.zeros(20), np.ones(20)], 2), np.r_[np.ones(40), np.zeros(40)]
    design = sm.add_constant(np.column_stack([group, late, group * late]))
    book = sm.OLS(np.r_[treated, control], design).fit()
    difference = treated - control
    answer = fit_effect(*series(difference[:20], difference[20:]), drifts=(0.0,), n_draws=20_000)
    assert answer.draws.mean() == pytest.approx(book.params[3], abs=2e-4)
    # The scatter of a difference is estimated from other degrees of freedom than that of both groups: a tenth is within chance.
    assert answer.draws.std() == pytest.approx(book.bse[3], rel=0.12)


def test_a_series_that_wanders_has_wider_doubt_and_holds_the_truth():
    held, width = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        slow = np.zeros(120)
        for k in range(1, 120):
            slow[k] = 0.95 * slow[k - 1] + 0.003 * rng.normal()
        value = slow + 0.004 * rng.normal(size=120)
        value[60:] += 0.02
        low, high = interval(fit_effect(*series(value[:60], value[60:])))
        held.append(low <= 0.02 <= high)
        width.append(high - low)
    # 90 % of 40 are 36; fewer than 31 would be below it by two and a half standard deviations.
    assert np.sum(held) >= 31
    # White noise of that size alone would give 2 x 1.645 x 0.004 x sqrt(2/60).
    assert np.median(width) > 2 * 2 * 1.645 * 0.004 * np.sqrt(2 / 60)


def test_a_part_lost_months_later_is_not_the_works_doing():
    rng = np.random.default_rng(1)
    value = 1.0 + 0.002 * rng.normal(size=160)
    value[80:] += 0.01
    value[120:] -= 0.05
    low, high = interval(fit_effect(*series(value[:80], value[80:])))
    assert low < 0.01 < high
    assert high - low < 0.01


def test_what_may_have_moved_at_the_same_moment_leaves_the_effect_open():
    rng = np.random.default_rng(2)
    middle, value, weight, shapes, after = series(0.002 * rng.normal(size=40), 0.03 + 0.002 * rng.normal(size=40))
    sure = interval(fit_effect(middle, value, weight, shapes, after))
    open_ = interval(fit_effect(middle, value, weight, shapes, after, known=[(shapes[0], 0.04)]))
    assert sure[0] > 0.02
    # The sensor's step of 4 % stays in the interval: 1.645 x 0.04 to either side.
    assert open_[1] - open_[0] == pytest.approx(2 * 1.645 * 0.04, rel=0.15)


def test_a_few_days_on_one_side_tell_nothing():
    assert fit_effect(*series(np.ones(30), np.ones(2))) is None


USUAL = Prior((0.003, 0.015, 0.06), nothing=0.2, harms=0.05, chance=0.01)


def wandering(seed, step):
    rng = np.random.default_rng(seed)
    slow = np.zeros(120)
    for k in range(1, 120):
        slow[k] = 0.98 * slow[k - 1] + 0.0004 * rng.normal()
    value = 1.0 + slow + 0.002 * rng.normal(size=120)
    value[60:] += step
    return fit_effect(*series(value[:60], value[60:]), prior=USUAL)


def test_work_that_changed_nothing_is_seldom_said_to_have_worked_and_work_that_helped_is():
    # One-sided 5 % of 30 are 1.5; 5 would be beyond it by three standard deviations.
    assert sum(interval(wandering(seed, 0.0))[0] > 0.0 for seed in range(30)) <= 4
    assert sum(interval(wandering(seed, 0.015))[0] > 0.0 for seed in range(8)) >= 7


def test_mended_strings_win_no_more_than_they_hold():
    rng = np.random.default_rng(3)
    noise = 0.02 * rng.normal(size=40)
    answer = fit_effect(*series(0.9 + noise[:20], 1.0 + noise[20:]), prior=Prior((0.05,), harms=0.0, most=0.05))
    assert answer.draws.min() >= 0.0
    assert answer.draws.max() <= 0.05


def test_a_fall_at_the_visit_that_no_such_work_makes_is_taken_for_chance():
    rng = np.random.default_rng(5)
    noise = 0.002 * rng.normal(size=60)
    prior = Prior((0.003, 0.015), nothing=0.2, harms=0.001, chance=0.05)
    sure, open_ = (fit_effect(*series(1.0 + noise[:30], 0.8 + noise[30:]), prior=p) for p in (Prior(), prior))
    assert interval(sure)[1] < -0.19
    assert interval(open_)[1] > 0.0


def test_a_gain_within_its_own_noise_may_be_nothing_and_one_far_beyond_is_kept():
    rng = np.random.default_rng(6)
    near, far = (weighed(rng.normal(mean, 1.0, 4000), USUAL, rng) for mean in (1.0, 6.0))
    assert np.quantile(near, 0.05) < 0.01
    assert np.quantile(far, [0.05, 0.95]) == pytest.approx([6.0 - 1.645, 6.0 + 1.645], abs=0.1)
