"""What expected energy is worth where nobody measured the light."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.modelled_light import light_doubt, light_not_measured

#: Two months of twelve hours of light a day, each hour good for 10 kWh.
TIMES = pd.date_range("2025-06-01", "2025-08-01", freq="h", tz="UTC", inclusive="left")
LIGHT = TIMES[(TIMES.hour >= 6) & (TIMES.hour < 18)]
MONTH = (LIGHT.month == 7).astype(int)
EXPECTED = np.full(len(LIGHT), 10.0)
MONTHS = ("2025-06", "2025-07")


def model(modelled):
    weather = SimpleNamespace(modelled=np.asarray(modelled))
    return SimpleNamespace(weather=weather, at=np.arange(len(LIGHT)), times=LIGHT, site=SimpleNamespace(tz="UTC"))


def doubt(modelled):
    draws = light_doubt(model(modelled), EXPECTED, MONTH, 2, 4000, np.random.default_rng(0))
    return draws.std(axis=0)


def test_measured_light_leaves_no_doubt():
    assert doubt(np.zeros(len(LIGHT), dtype=bool)).tolist() == [0.0, 0.0]
    assert light_not_measured(model(np.zeros(len(LIGHT), dtype=bool)), EXPECTED, MONTH, MONTHS) == []


def test_one_day_filled_from_its_neighbours_is_off_by_a_day_s_scatter():
    # 120 kWh by 0.45 for the day itself and by 0.1 for the usual light, in squares.
    june, july = doubt(LIGHT.date == pd.Timestamp("2025-06-10").date())
    assert june == pytest.approx(120 * np.hypot(0.45, 0.1), rel=0.05)
    assert july == 0.0


def test_a_month_without_light_is_hardly_known_and_is_named():
    gone = MONTH == 1
    june, july = doubt(gone)
    assert june == 0.0
    # The first 15 of 31 days are near June; 120 kWh a day.
    usual = 120 * (15 * 0.1 + 16 * 0.3)
    assert july == pytest.approx(np.hypot(usual, 120 * 0.45 * np.sqrt(31)), rel=0.05)
    (said,) = light_not_measured(model(gone), EXPECTED, MONTH, MONTHS)
    assert "2025-07 (100 %)" in said
    assert "2025-06" not in said
