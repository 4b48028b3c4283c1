"""What a reading is worth, against the textbook's closed form."""

import numpy as np
import pytest
from scipy.stats import norm

from yieldwatch.action.information import Decision, worth_of_certainty, worth_of_reading


def unit_normal_loss(u):
    """Mean of what a standard normal exceeds `u` by."""
    return norm.pdf(u) - u * norm.sf(u)


def _decision(present, units=(0.0,), visits=(0.0,), crew=(0,), coming=None, held=None) -> Decision:
    present = np.asarray(present, dtype=float)
    coming = np.zeros(len(units)) if coming is None else np.asarray(coming)
    held = np.zeros(len(units), dtype=bool) if held is None else np.asarray(held)
    return Decision(present.reshape(len(present), -1), np.array(units), np.array(visits), np.array(crew), coming, held)


@pytest.mark.sourced
def test_the_textbook_s_own_table_of_the_loss_integral_is_met():
    # Raiffa & Schlaifer, Applied Statistical Decision Theory (1961), table of the unit normal loss integral (from memory).
    for u, loss in ((0.0, 0.3989), (0.5, 0.1978), (1.0, 0.08332), (1.5, 0.02931), (2.0, 0.008491)):
        assert unit_normal_loss(u) == pytest.approx(loss, rel=2e-3)


@pytest.mark.sourced
@pytest.mark.parametrize("noise", [0.0, 40.0, 100.0])
def test_a_reading_on_two_actions_with_a_normal_prior_is_worth_the_textbook_s_figure(noise):
    # Raiffa & Schlaifer (1961): worth = s' L(|mean - cost| / s'), s' = s² / sqrt(s² + noise²); here mean 500, cost 530, s 100.
    draws = np.random.default_rng(1).standard_normal(4000)
    present = 500.0 + 100.0 * (draws - draws.mean()) / draws.std()
    spread = 100.0**2 / np.hypot(100.0, noise)
    exact = spread * unit_normal_loss(30.0 / spread)
    found = worth_of_reading(_decision(present, units=(530.0,)), [present], noise, np.random.default_rng(2))
    assert found.mean == pytest.approx(exact, rel=0.06)
    assert found.low < exact < found.high
    # The decision turns where the reading leads one to expect more than 530: beyond 0.3 of a spread of 100, or less often.
    assert found.chance_of_change == pytest.approx(float(np.mean(present > 530.0)) if noise == 0.0 else 0.35, abs=0.07)


@pytest.mark.sourced
def test_certainty_is_worth_the_textbook_s_figure():
    # Raiffa & Schlaifer (1961): expected value of perfect information s L(|mean - cost| / s); here mean 500, cost 530, s 100.
    draws = np.random.default_rng(1).standard_normal(20_000)
    present = 500.0 + 100.0 * (draws - draws.mean()) / draws.std()
    assert worth_of_certainty(_decision(present, units=(530.0,))) == pytest.approx(100.0 * unit_normal_loss(0.3), rel=0.02)


def test_certainty_of_two_jobs_on_one_visit_spares_the_visit_where_neither_pays():
    # Each returns 300 or nothing for 100, the visit costs 100. Now both: 2 (150 - 100) - 100 = 0. Known: of four equal cases
    # one brings 300, two bring 100, and one nothing: 125 in the mean.
    present = np.array([[300.0, 300.0], [300.0, 0.0], [0.0, 300.0], [0.0, 0.0]])
    assert worth_of_certainty(_decision(present, (100.0, 100.0), (100.0, 100.0), (0, 0))) == pytest.approx(125.0)
    assert worth_of_certainty(_decision(np.full((4, 1), 300.0), (100.0,))) == 0.0


def test_where_there_is_no_job_certainty_is_worth_nothing():
    nothing = np.zeros(0)
    assert worth_of_certainty(Decision(np.zeros((0, 0)), nothing, nothing, nothing.astype(int), nothing, nothing > 0)) == 0.0


def test_two_hundred_draws_are_near_the_textbook_too():
    exact = 100.0 * np.sqrt(0.5) * unit_normal_loss(0.3 / np.sqrt(0.5))
    found = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        draws = rng.standard_normal(200)
        present = 500.0 + 100.0 * (draws - draws.mean()) / draws.std()
        found.append(worth_of_reading(_decision(present, units=(530.0,)), [present], 100.0, rng).mean)
    # A monotone fit to few draws follows some of their chance: a few per cent too much.
    assert np.mean(found) == pytest.approx(exact, rel=0.1)


def test_a_job_that_waits_for_its_look_owes_it_all_that_it_brings():
    # Even odds of 900 or nothing, for 400: done at once it brings 50 in the mean, after a clear look 250.
    present = np.repeat([0.0, 900.0], 100)
    for held, worth in ((False, 200.0), (True, 250.0)):
        found = worth_of_reading(_decision(present, units=(400.0,), held=[held]), [present], 1.0, np.random.default_rng(4))
        assert found.mean == pytest.approx(worth, rel=0.01)
    blind = worth_of_reading(_decision(present, units=(400.0,), held=[True]), [None], 1.0, np.random.default_rng(4))
    assert blind.mean == 0.0


def test_a_reading_that_tells_nothing_is_worth_next_to_nothing():
    rng = np.random.default_rng(3)
    present = rng.normal(500.0, 100.0, 200)
    pure_noise = worth_of_reading(_decision(present, units=(530.0,)), [np.zeros(200)], 1.0, rng)
    of_no_job = worth_of_reading(_decision(present, units=(530.0,)), [None], 1.0, rng)
    assert pure_noise.mean < 2.0
    assert (of_no_job.mean, of_no_job.chance_of_change, of_no_job.turns) == (0.0, 0.0, ())


def test_where_no_outcome_changes_the_decision_the_reading_is_worth_nothing():
    sure = np.random.default_rng(4).normal(5000.0, 100.0, 200)
    found = worth_of_reading(_decision(sure, units=(530.0,)), [sure], 1.0, np.random.default_rng(5))
    assert (found.mean, found.chance_of_change) == (0.0, 0.0)


def test_a_visit_is_paid_once_by_all_that_share_it():
    # Two jobs of 100 each over their units, one visit of 150, of which 60 is paid anyway.
    both = _decision([[200.0, 200.0]], (100.0, 100.0), (150.0, 150.0), (0, 0))
    assert both.best(np.array([[200.0, 200.0], [200.0, 90.0]]))[0].tolist() == [50.0, 0.0]
    paid = _decision([[200.0, 200.0]], (100.0, 100.0), (150.0, 150.0), (0, 0), (60.0, 60.0))
    worth, taken = paid.best(np.array([[200.0, 200.0], [200.0, 90.0]]))
    assert worth.tolist() == [110.0, 10.0]
    assert taken.tolist() == [[True, True], [True, False]]
    apart = _decision([[200.0, 200.0]], (100.0, 100.0), (150.0, 150.0), (0, 1))
    assert apart.best(np.array([[200.0, 200.0]]))[0].tolist() == [0.0]


def test_a_dear_visit_is_made_only_for_a_job_that_carries_it():
    # Visits of 100 and 300: the second job brings 150 beyond its units, and makes the visit 200 dearer.
    jobs = _decision([[250.0, 150.0]], (0.0, 0.0), (100.0, 300.0), (0, 0))
    worth, taken = jobs.best(np.array([[250.0, 150.0], [250.0, 400.0]]))
    assert worth.tolist() == [150.0, 350.0]
    assert taken.tolist() == [[True, False], [True, True]]
