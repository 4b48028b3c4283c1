"""Rules that flag readings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from yieldwatch.field.quality import impossible_energy, stuck


@pytest.mark.parametrize(
    ("values", "flags"),
    [
        ([1, 2, 2, 2, 3], [0, 1, 1, 1, 0]),
        ([2, 2, 3, 3, 3, 3], [0, 0, 1, 1, 1, 1]),
        ([0, 0, 0, 0], [0, 0, 0, 0]),  # night
        ([np.nan, np.nan, np.nan, 1], [0, 0, 0, 0]),
        ([5, 5, np.nan, 5, 5], [0, 0, 0, 0, 0]),  # a gap ends the run
        ([], []),
        ([4], [0]),
    ],
)
def test_stuck_flags_runs_of_three(values, flags):
    assert stuck(np.array(values, dtype=float), 3).tolist() == [bool(f) for f in flags]


def test_stuck_refuses_runs_of_one():
    with pytest.raises(ValueError, match="min_run = 1, too short"):
        stuck(np.ones(3), 1)


def _periods(energy, hours=1.0):
    start = pd.Series(
        pd.date_range("2024-06-01", periods=len(energy), freq=pd.Timedelta(hours=hours), tz="UTC")
    )
    return start, start + pd.Timedelta(hours=hours), pd.Series(energy, dtype=float)


def test_energy_beyond_the_rating_is_flagged_with_the_gap_it_makes_up_for():
    # 20 kW deliver 20 kWh in an hour, 21 with the margin of 5 %.
    start, end, energy = _periods([10, 0, 0, 50, 21, 21.1])
    spikes, since = impossible_energy(start, end, energy, pac0_kw=20)
    assert spikes.tolist() == [False, False, False, True, False, True]
    assert since[3] == end[0]
    assert since[5] is pd.NaT  # follows a period with energy: no gap to catch up with


def test_a_missing_period_counts_as_a_gap():
    start, end, energy = (s.drop(index=[1, 2]).reset_index(drop=True) for s in _periods([10, 0, 0, 50]))
    _, since = impossible_energy(start, end, energy, pac0_kw=20)
    assert since[1] == end[0]


def test_a_half_hour_holds_half_the_energy():
    spikes, _ = impossible_energy(*_periods([10.4, 10.6], hours=0.5), pac0_kw=20)
    assert spikes.tolist() == [False, True]  # 20 kW x 0.5 h x 1.05 = 10.5 kWh
