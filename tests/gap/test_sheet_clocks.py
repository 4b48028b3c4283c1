"""A round whose sheet goes by another clock is found by its light, and one at a clear noon is left."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import Inferred, inferred
from yieldwatch.gap.sheet_clocks import at_right_time, minutes_late


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Inferred:
    return inferred(tmp_path_factory.mktemp("sheets"), start=dt.date(2023, 5, 1), end=dt.date(2023, 6, 20), log_minutes=15,
                    timezone="Europe/London")


def round_at(farm: Inferred, hour: float, late_min: float, noise: float = 0.01) -> pd.DataFrame:
    """Thirty readings over an hour and a half of the clearest day, a sensor 2 % high, stamped late."""
    model = farm.state.model
    poa = next(iter(model.planes.values())).poa_global
    days = pd.Series(poa, model.times).groupby(model.times.normalize())
    roughness = days.apply(lambda d: float(np.abs(np.diff(d, 2)).sum() / d.sum()))
    day = roughness[days.sum() > 0.8 * days.sum().max()].idxmin()
    times = day + pd.Timedelta(hours=hour) + pd.timedelta_range("0min", periods=30, freq="3min")
    middle = (model.times + model.weather.step / 2).as_unit("ns").asi8
    light = np.interp(times.as_unit("ns").asi8, middle, poa) * 1.02
    light *= 1.0 + noise * np.random.default_rng(1).standard_normal(30)
    return pd.DataFrame({"time": times + pd.Timedelta(minutes=late_min), "poa_global": light, "array": "A"})


@pytest.mark.parametrize("late", [0.0, 60.0, -60.0])
def test_a_morning_rounds_clock_is_told_from_the_rise_of_its_light(farm: Inferred, late: float) -> None:
    readings = round_at(farm, 8.0, late)

    assert minutes_late(farm.state.blocks, readings) == late
    moved = at_right_time(farm.state.blocks, readings)
    assert (readings["time"] - moved["time"]).unique().tolist() == [pd.Timedelta(minutes=late)]


def test_few_readings_or_a_short_while_tell_nothing(farm: Inferred) -> None:
    readings = round_at(farm, 8.0, 60.0)

    assert minutes_late(farm.state.blocks, readings[:9]) == 0.0
    assert minutes_late(farm.state.blocks, readings[:12]) == 0.0  # 33 minutes


def test_light_of_another_day_fits_nowhere_and_is_left(farm: Inferred) -> None:
    readings = round_at(farm, 8.0, 60.0)
    other = readings.assign(poa_global=np.random.default_rng(2).uniform(200.0, 900.0, 30))

    assert minutes_late(farm.state.blocks, other) == 0.0
