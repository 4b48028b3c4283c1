"""
Weather of any phase, jitter and step comes onto one even grid; what was not measured is modelled and counted.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.expected.plain import ALTITUDE_M, LATITUDE, LONGITUDE, site
from yieldwatch.errors import FieldDataError
from yieldwatch.expected.power import site_model
from yieldwatch.expected.sun import sun_position
from yieldwatch.expected.weather import GridWeather, grid_weather

HOUR = pd.Timedelta(hours=1)


def stamps(start: str, end: str, freq: str) -> pd.DatetimeIndex:
    return pd.date_range(start, end, freq=freq, inclusive="left", tz="UTC", name="time")


def outside(times: pd.DatetimeIndex, step: pd.Timedelta) -> np.ndarray:
    """Horizontal light outside the atmosphere at the intervals' middles. [W/m²]"""
    sun = sun_position(times + step / 2, LATITUDE, LONGITUDE, ALTITUDE_M)
    return np.maximum(sun.dni_extra * sun.cos_zenith, 0.0)


def clear(times: pd.DatetimeIndex, step: pd.Timedelta = HOUR) -> pd.DataFrame:
    """Light that is 0.7 of that outside the atmosphere, at an even 12 °C."""
    return pd.DataFrame({"ghi": 0.7 * outside(times, step), "temp_air": 12.0}, times)


def grid(
    weather: pd.DataFrame, start: str, end: str, tz: str = "UTC", step: pd.Timedelta = HOUR
) -> GridWeather:
    return grid_weather(weather, step, site(), pd.Timestamp(start, tz=tz), pd.Timestamp(end, tz=tz))


# Phase


@pytest.mark.parametrize(
    ("tz", "offset"),
    [
        ("Asia/Kolkata", "0min"),
        ("Asia/Kolkata", "30min"),
        ("Asia/Kathmandu", "0min"),
        ("UTC", "15min"),
        ("UTC", "0min"),
    ],
)
def test_hourly_weather_keeps_its_stamps_wherever_local_midnight_falls(tz, offset):
    weather = clear(stamps("2023-06-01", "2023-06-20", "h") + pd.Timedelta(offset))
    found = grid(weather, "2023-06-05", "2023-06-10", tz)
    assert not found.modelled.any()
    assert len(found.table) == 5 * 24
    pd.testing.assert_frame_equal(found.table, weather.loc[found.table.index], check_freq=False)
    assert found.table.index[0] >= pd.Timestamp("2023-06-05", tz=tz)
    assert found.table.index[-1] < pd.Timestamp("2023-06-10", tz=tz)


def test_hourly_weather_on_the_utc_hour_drives_a_model_at_half_past_five():
    india = site(latitude=18.5, longitude=73.9, altitude_m=560.0, timezone="Asia/Kolkata")
    times = stamps("2023-03-01", "2023-03-04", "h")
    sun = sun_position(times + HOUR / 2, 18.5, 73.9, 560.0)
    weather = pd.DataFrame({"ghi": np.maximum(900.0 * sun.cos_zenith, 0.0), "temp_air": 30.0}, times)
    start, end = (pd.Timestamp(d, tz="Asia/Kolkata") for d in ("2023-03-02", "2023-03-03"))
    model = site_model(india, grid_weather(weather, HOUR, india, start, end))
    # About 6 kWh/m² x 60 kW: a day's yield, and none of it from a modelled interval.
    assert 200.0 < model.output().sum() < 400.0
    assert not model.weather.modelled.any()


def test_the_interval_of_a_time_follows_the_grids_phase():
    found = grid(
        clear(stamps("2023-06-01", "2023-06-03", "h") + pd.Timedelta("30min")), "2023-06-01", "2023-06-02"
    )
    times = pd.DatetimeIndex(["2023-06-01 05:29", "2023-06-01 05:30", "2023-05-30 00:10"], tz="UTC")
    assert found.floor(times).strftime("%m-%d %H:%M").tolist() == [
        "06-01 04:30",
        "06-01 05:30",
        "05-29 23:30",
    ]


# Rows that are off the grid


def test_a_clock_that_jitters_moves_no_row():
    times = stamps("2023-06-01", "2023-06-02", "5min")
    rng = np.random.default_rng(5)
    shaken = times + pd.to_timedelta(
        np.where(rng.random(len(times)) < 0.6, 0, rng.integers(-20, 20, len(times))), unit="s"
    )
    weather = pd.DataFrame({"ghi": np.arange(288.0), "temp_air": 10.0}, shaken)
    found = grid(weather, "2023-06-01", "2023-06-02", step=pd.Timedelta("5min"))
    np.testing.assert_array_equal(found.table["ghi"], np.arange(288.0))
    assert not found.modelled.any()


def test_finer_rows_are_averaged_and_their_rain_summed():
    coarse, fine = stamps("2023-06-01", "2023-06-02", "h"), stamps("2023-06-02", "2023-06-02 06:00", "10min")
    weather = pd.concat(
        [
            pd.DataFrame({"ghi": 100.0, "temp_air": 10.0, "precipitation": 1.2}, coarse),
            pd.DataFrame(
                {
                    "ghi": np.tile([100.0, 200.0, 300.0, 400.0, 500.0, 600.0], 6),
                    "temp_air": 10.0,
                    "precipitation": 0.1,
                },
                fine,
            ),
        ]
    )
    found = grid(weather, "2023-06-01", "2023-06-02 06:00")
    # (100 + ... + 600) / 6 = 350, 6 x 0.1 = 0.6.
    np.testing.assert_allclose(found.table["ghi"], np.r_[np.full(24, 100.0), np.full(6, 350.0)])
    np.testing.assert_allclose(found.table["precipitation"], np.r_[np.full(24, 1.2), np.full(6, 0.6)])


def test_rows_of_a_longer_step_are_held_for_it_and_their_rain_shared_out():
    coarse, fine = (
        stamps("2023-06-01", "2023-06-01 12:00", "30min"),
        stamps("2023-06-01 12:00", "2023-06-03", "10min"),
    )
    weather = pd.concat(
        [
            pd.DataFrame({"ghi": 300.0, "temp_air": 10.0, "precipitation": 0.6}, coarse),
            pd.DataFrame({"ghi": 500.0, "temp_air": 10.0, "precipitation": 0.1}, fine),
        ]
    )
    found = grid(weather, "2023-06-01", "2023-06-03", step=pd.Timedelta("10min"))
    table = found.table
    # The record's first row has no neighbour before it to tell its step by: it counts for 10 minutes.
    assert np.flatnonzero(found.modelled).tolist() == [1, 2]
    np.testing.assert_array_equal(table["ghi"].iloc[3:72], 300.0)
    np.testing.assert_allclose(table["precipitation"].iloc[3:72], 0.2)
    # No rain is lost or made: 24 rows of 0.6 mm and 36 hours of six times 0.1 mm.
    assert table["precipitation"].sum() == pytest.approx(24 * 0.6 + 36 * 6 * 0.1, abs=1e-9)


def test_a_missing_row_is_not_bridged_by_its_neighbour():
    weather = clear(stamps("2023-06-01", "2023-06-08", "10min"), pd.Timedelta("10min"))
    lost = weather.index[500]
    found = grid(weather.drop(lost), "2023-06-01", "2023-06-08", step=pd.Timedelta("10min"))
    assert found.table.index[found.modelled].tolist() == [lost]


# Gaps


def test_a_gap_is_filled_from_the_days_around_it_and_counted():
    weather = clear(stamps("2023-06-01", "2023-06-21", "h"))
    holed = weather.copy()
    holed.loc["2023-06-10":"2023-06-11", "ghi"] = np.nan
    holed.loc["2023-06-15 18:00", "temp_air"] = np.nan
    found = grid(holed, "2023-06-01", "2023-06-21")
    assert found.modelled.sum() == 2 * 24 + 1
    # The share of the light outside is the same every day: so the fill is what was there, up to the lowest
    # sun.
    light = weather["ghi"].to_numpy()
    np.testing.assert_allclose(found.table["ghi"], light, atol=1.0)
    assert found.table["temp_air"].eq(12.0).all()


def test_weather_that_ends_before_the_period_is_carried_on_by_season():
    # Half a year known, January to June. The light of the other half follows the sun's: not half a year's
    # mean.
    whole = clear(stamps("2023-01-01", "2024-01-01", "h"))
    found = grid(whole.loc[:"2023-06-30"], "2023-01-01", "2024-01-01")
    assert found.modelled.sum() == 184 * 24
    monthly, truth = (t["ghi"].groupby(t.index.month).sum() for t in (found.table, whole))
    np.testing.assert_allclose(monthly, truth, rtol=0.02)


def test_weather_that_starts_late_or_has_rows_beyond_the_period():
    weather = clear(stamps("2023-06-05", "2023-07-20", "h"))
    found = grid(weather, "2023-06-01", "2023-06-11")
    assert found.modelled.tolist() == [True] * (4 * 24) + [False] * (6 * 24)
    assert found.table["ghi"].notna().all()


def test_an_hour_never_measured_lies_between_its_neighbours():
    weather = clear(stamps("2023-06-01", "2023-06-11", "h"))
    asleep = weather.index.hour == 18
    found = grid(weather[~asleep], "2023-06-01", "2023-06-11")
    assert found.modelled.sum() == 10
    np.testing.assert_allclose(found.table["ghi"], weather["ghi"], rtol=0.05, atol=1.0)


def test_measured_parts_are_not_put_together_with_invented_ones():
    weather = clear(stamps("2023-06-01", "2023-06-08", "h"))
    weather["dhi"], weather["poa_global"] = 0.3 * weather["ghi"], 1.1 * weather["ghi"]
    weather.loc["2023-06-03", ["dhi", "poa_global"]] = np.nan  # ghi goes on
    weather.loc["2023-06-05", ["ghi", "dhi"]] = np.nan  # the tilted sensor goes on
    found = grid(weather, "2023-06-01", "2023-06-08")
    table = found.table
    assert table.loc["2023-06-03", ["dhi", "poa_global"]].isna().all(axis=None)
    assert not found.modelled[48:72].any()
    assert found.modelled[96:120].all()
    np.testing.assert_array_equal(
        table.loc["2023-06-05", "poa_global"], weather.loc["2023-06-05", "poa_global"]
    )
    np.testing.assert_allclose(table.loc["2023-06-05", "dhi"], 0.3 * table.loc["2023-06-05", "ghi"])


def test_other_columns_keep_their_gaps():
    weather = clear(stamps("2023-06-01", "2023-06-03", "h"))
    weather["wind_speed"], weather["precipitation"] = 2.0, 0.1
    weather.iloc[7:9] = np.nan
    table = grid(weather, "2023-06-01", "2023-06-03").table
    assert table["ghi"].notna().all()
    assert np.flatnonzero(table["wind_speed"].isna()).tolist() == [7, 8]
    assert np.flatnonzero(table["precipitation"].isna()).tolist() == [7, 8]


def test_an_empty_light_column_does_not_stand_before_a_full_one():
    weather = (
        clear(stamps("2023-06-01", "2023-06-03", "h"))
        .rename(columns={"ghi": "poa_global"})
        .assign(ghi=np.nan)
    )
    found = grid(weather, "2023-06-01", "2023-06-03")
    assert "ghi" not in found.table
    assert not found.modelled.any()
    assert site_model(site(), found).output().sum() > 100.0


@pytest.mark.parametrize("lacks", ["ghi", "temp_air"])
@pytest.mark.parametrize("how", ["column", "values"])
def test_no_light_or_no_air_temperature_is_said(lacks, how):
    weather = clear(stamps("2023-06-01", "2023-06-03", "h"))
    weather = weather.drop(columns=lacks) if how == "column" else weather.assign(**{lacks: np.nan})
    with pytest.raises(
        FieldDataError,
        match=r"sites/s/weather.csv: no usable light or air temperature between 2023-06-01 and",
    ):
        grid(weather, "2023-06-01", "2023-06-03")


@pytest.mark.parametrize(("start", "end"), [("2020-01-01", "2020-02-01"), ("2023-06-02", "2023-06-02")])
def test_weather_that_does_not_reach_the_period_is_said(start, end):
    with pytest.raises(FieldDataError, match="Add weather that covers the period"):
        grid(clear(stamps("2023-06-01", "2023-06-03", "h")), start, end)


def test_the_inputs_are_left_as_they_were():
    weather = clear(stamps("2023-06-01", "2023-06-05", "h"))
    weather.iloc[5] = np.nan
    before = weather.copy()
    grid(weather, "2023-06-01", "2023-06-05")
    pd.testing.assert_frame_equal(weather, before)
