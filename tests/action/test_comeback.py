"""How what a job took away comes back, by written-out arithmetic."""

import numpy as np
import pytest

from yieldwatch.action.comeback import against_mean, kept, paces


def test_what_is_kept_is_the_mean_of_all_paces():
    years = np.array([0.0, 1.0, 3.0, 10.0])
    pace = np.linspace(0.0, 1.0 / 4.0, 100_001)
    assert kept(years, 4.0) == pytest.approx(np.exp(-pace[:, None] * years).mean(axis=0), abs=1e-5)
    # The slowest pace never comes back, the fastest by 63 % in the years stated.
    assert np.exp(-pace[[0, -1]] * 4.0) == pytest.approx([1.0, np.exp(-1.0)])


def test_the_draws_keep_as_much_as_their_mean():
    pace = paces(3.0, 20_000, np.random.default_rng(1))
    assert pace.min() >= 0.0
    assert pace.max() <= 1.0 / 3.0
    # Of 20 000 draws whose spread is under 0.2 the mean is good to 0.005.
    assert against_mean(pace, 3.0, 36).mean(axis=0) == pytest.approx(np.ones(36), abs=0.005)
