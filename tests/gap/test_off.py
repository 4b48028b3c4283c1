"""Off, or only in shade or under snow."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import Inferred, inferred
from tests.farm.spec import GridOutages, Snow
from yieldwatch.gap.mechanisms.snow import snow_days
from yieldwatch.gap.off import Off, find_off

WINTER = {"start": dt.date(2023, 11, 1), "end": dt.date(2024, 4, 1)}


def days(times: pd.DatetimeIndex, off: np.ndarray) -> set[str]:
    return set(times[off].strftime("%Y-%m-%d"))


def true_days(folder: Path, farm: Inferred) -> set[str]:
    """Days on which the grid was off for an hour of daylight or more."""
    model = farm.state.model
    light = model.output(site_cap_kw=np.inf).sum(axis=0) > 0.05 * model.rating.sum()
    spells = pd.read_csv(folder / "truth" / "spells.csv", parse_dates=["start", "end"])
    grid = spells[(spells["scope"] == "site") & (spells["kind"] == "outage")]
    return {day for s in grid.itertuples() for day in days(model.times, light & (model.times >= s.start) & (model.times < s.end))}


def told_days(farm: Inferred, off: Off) -> set[str]:
    return days(farm.state.model.times, off.grid.min(axis=0) < 1.0)


@pytest.fixture(scope="module")
def sunny(tmp_path_factory: pytest.TempPathFactory) -> tuple[Inferred, set[str]]:
    """A farm that loses its grid now and then, and the days on which it did."""
    folder = tmp_path_factory.mktemp("sunny")
    farm = inferred(folder, GridOutages(12.0, 4.0, 0.0), latitude=26.0, climate="dry_summer", **WINTER)
    return farm, true_days(folder, farm)


def off_with(farm: Inferred, ac: np.ndarray) -> Off:
    none = np.zeros(len(farm.state.model.times), dtype=bool)
    return find_off(farm.state.model, replace(farm.state.log, ac=ac), farm.data, none)


def test_what_takes_every_evening_is_shade_and_the_grid_is_still_seen(sunny: tuple[Inferred, set[str]]) -> None:
    farm, true = sunny
    times = farm.state.model.times
    evening = np.asarray((times.hour >= 16) & (times.month == 12))
    assert (farm.state.log.ac[:, evening].max(axis=1) > 3.0).all()

    off = off_with(farm, np.where(evening, 0.0, farm.state.log.ac))

    assert len(true) >= 4
    # Within some days of the first and the last such evening the usual turns.
    assert told_days(farm, off) ^ true <= {"2023-12-01", "2023-12-31"}


def test_three_evenings_without_power_are_no_shade(sunny: tuple[Inferred, set[str]]) -> None:
    farm, true = sunny
    dates = {"2023-12-04", "2023-12-05", "2023-12-06"}
    evening = np.asarray(farm.state.model.times.hour >= 15) & np.isin(farm.state.model.times.strftime("%Y-%m-%d"), list(dates))

    assert told_days(farm, off_with(farm, np.where(evening, 0.0, farm.state.log.ac))) == true | dates


def test_an_inverter_that_stops_every_noon_for_weeks_is_off(sunny: tuple[Inferred, set[str]]) -> None:
    farm, _ = sunny
    times = farm.state.model.times
    noon = np.asarray((times.hour == 12) & (times.month == 2)) & (farm.state.model.dc[0] > 0.3 * farm.state.model.rating[0])
    ac = farm.state.log.ac.copy()
    ac[0, noon] = 0.0

    assert noon.sum() > 10
    assert (off_with(farm, ac).inverter[0, noon] == 0.0).mean() > 0.9


def test_the_dark_part_of_the_first_hour_of_each_day_is_no_outage(sunny: tuple[Inferred, set[str]]) -> None:
    farm, true = sunny
    model, log = farm.state.model, farm.state.log
    quarters = pd.DatetimeIndex([t + pd.Timedelta(minutes=15 * n) for t in model.times for n in range(4)])
    readings = pd.DataFrame(np.repeat(log.ac.T, 4, axis=0), quarters, list(model.inverter_ids))
    first = np.asarray((quarters.hour == 7) & (quarters.minute < 30) & (quarters.month == 12))
    assert first.sum() > 50
    readings.loc[first] = 0.0
    log = replace(log, readings=readings, step=pd.Timedelta(minutes=15))

    off = find_off(model, log, farm.data, np.zeros(len(model.times), dtype=bool))
    assert told_days(farm, off) ^ true <= {"2023-12-01", "2023-12-31"}


def test_an_inverter_is_not_off_where_the_others_have_next_to_nothing(sunny: tuple[Inferred, set[str]]) -> None:
    farm, _ = sunny
    model = farm.state.model
    noon = np.asarray(model.times.strftime("%Y-%m-%d %H") == "2023-12-04 12")
    for rest, told in ((0.01, False), (0.9, True)):
        ac = farm.state.log.ac.copy()
        ac[:, noon] *= rest
        ac[0, noon] = 0.0
        assert (off_with(farm, ac).inverter[0, noon] < 1.0).all() == told


def test_snow_that_covers_all_is_not_the_grid_and_the_grid_goes_on_snow_days_too(tmp_path: Path) -> None:
    farm = inferred(tmp_path, Snow(6.0), GridOutages(15.0, 4.0, 0.0), latitude=49.0, climate="continental", **WINTER)
    true = true_days(tmp_path, farm)
    snow = days(farm.state.model.times, snow_days(farm.state.model))
    dead = told_days(farm, off_with(farm, farm.state.log.ac))

    told = told_days(farm, farm.state.off)

    assert len((dead - true) & snow) > 20
    assert len(true & snow) >= 2
    assert told <= true
    # One that ends with the day's light under falling snow cannot be told from it.
    assert len(true - told) <= 1


def test_a_film_of_snow_makes_a_snow_day(sunny: tuple[Inferred, set[str]]) -> None:
    model = sunny[0].state.model
    table = model.weather.table.assign(precipitation=0.0, snow_depth=0.0)
    table.loc["2023-12-04 06:00":"2023-12-04 09:00", "snow_depth"] = 0.003
    model = replace(model, weather=replace(model.weather, table=table))

    assert days(model.times, snow_days(model)) == {"2023-12-04"}
