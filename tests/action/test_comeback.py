"""How what a job took away comes back, by written-out arithmetic."""

from types import SimpleNamespace

import numpy as np
import pytest

from yieldwatch.action.comeback import against_mean, kept, paces
from yieldwatch.action.dirt_ahead import DirtAhead


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


def test_droppings_come_back_before_the_layer_that_rain_leaves():
    rains = np.ones((1, 731))  # no rain takes anything
    dirt = SimpleNamespace(rains=rains)
    site = SimpleNamespace(assumed=lambda name, default: {"cleaning_takes_off_share": 1.0}.get(name, default))
    share, none = np.array([0.02]), np.zeros(1)
    day = np.array([0, 730])
    layer = DirtAhead.cleaned_less(dirt, site, day, none, share, none)
    drops = DirtAhead.cleaned_less(dirt, site, day, none, none, share)

    assert layer[0, 0] == drops[0, 0] == pytest.approx(0.02)
    # After two years: (1 - exp(-x)) / x of it, x = 2 / 4 and 2 / 0.5.
    assert layer[0, 1] == pytest.approx(0.02 * (1.0 - np.exp(-0.5)) / 0.5, rel=1e-3)
    assert drops[0, 1] == pytest.approx(0.02 * (1.0 - np.exp(-4.0)) / 4.0, rel=1e-3)
