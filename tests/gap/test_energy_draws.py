"""Energy by draw, and which energies move together."""

from __future__ import annotations

import numpy as np
import pytest

from yieldwatch.gap.energy_draws import rivals


def draws(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Two independent standard series whose sample correlation is exactly nil and spread exactly one."""
    a, b = np.random.default_rng(seed).normal(size=(2, 400))
    a = (a - a.mean()) / a.std()
    b = b - b.mean()
    b = b - a * (a @ b) / (a @ a)
    return a, b / b.std()


def test_a_trade_is_told_with_its_sign_and_the_energy_that_moves():
    a, b = draws()
    # r = -0.6 by construction; 100 kWh of spread; the end of a Gaussian 90 % interval is 1.645 deviations away:
    # 0.6 x 1.645 x 100 = 98.7 kWh.
    energy = {"soiling": 500.0 + 100.0 * a, "degradation": 900.0 + 50.0 * (-0.6 * a + 0.8 * b)}

    (found,) = rivals("soiling", energy)

    assert found.name == "degradation"
    assert found.correlation == pytest.approx(-0.6, abs=1e-9)
    assert found.moves_kwh == pytest.approx(98.7, abs=1e-6)


def test_what_moves_is_the_regression_on_the_rival():
    # The same figure the other way round: a rival at the end of its interval, 1.645 x 50 kWh off, moves the cause by the slope
    # cov / var = -0.6 x 100 / 50 = -1.2 kWh per kWh, so by 98.7 kWh.
    a, b = draws(2)
    cause, rival = 100.0 * a, 50.0 * (-0.6 * a + 0.8 * b)

    slope = np.polyfit(rival, cause, 1)[0]

    assert rivals("x", {"x": cause, "y": rival})[0].moves_kwh == pytest.approx(abs(slope) * 1.645 * 50.0, rel=1e-9)


def test_what_is_unrelated_or_small_is_not_told():
    a, b = draws(3)
    energy = {"soiling": 100.0 * a, "shading": 100.0 * b, "degradation": 100.0 * (-0.29 * a + np.sqrt(1 - 0.29**2) * b)}

    assert rivals("soiling", energy) == ()
    assert rivals("shading", energy, least_kwh=1e4) == ()
    assert [r.name for r in rivals("shading", energy)] == ["degradation"]


def test_the_strongest_comes_first_and_a_cause_without_unknowns_has_none():
    a, b = draws(4)
    energy = {"one": a, "weak": 0.4 * a + np.sqrt(1 - 0.16) * b, "strong": -a, "fixed": np.zeros(400)}

    assert [r.name for r in rivals("one", energy)] == ["strong", "weak"]
    assert rivals("fixed", energy) == ()
    assert rivals("snow", energy) == ()
