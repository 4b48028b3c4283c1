"""Columns that are possible value by value and wrong as a whole are refused or left out, and it is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.field.site import read_site
from yieldwatch.errors import FieldDataError
from yieldwatch.field.credible import daily_extraterrestrial_kwh_m2

TIMES = pd.date_range("2024-06-03", "2024-06-13", freq="h", inclusive="left", tz="Europe/London")
HIGH = np.maximum(np.sin((TIMES.hour.to_numpy() - 5) / 16 * np.pi) * (TIMES.hour > 4) * (TIMES.hour < 22), 0.0)


def weather(light: np.ndarray, **more: np.ndarray) -> str:
    table = pd.DataFrame({"time": TIMES.strftime("%Y-%m-%dT%H:%M%z"), "ghi_w_m2": light, "temp_air_c": 15.0, **more})
    return table.to_csv(index=False)


def log(dc_over_ac: float = 1.03) -> str:
    table = pd.concat(
        pd.DataFrame(
            {
                "time": TIMES.strftime("%Y-%m-%dT%H:%M%z"),
                "inverter_id": name,
                "ac_power_kw": power * HIGH,
                "dc_power_kw": factor * power * HIGH,
            }
        )
        for name, power, factor in (("INV1", 8.0, 1.03), ("INV2", 4.0, dc_over_ac))
    )
    return table.to_csv(index=False)


def days_without(light: pd.Series) -> list[str]:
    empty = light.isna().groupby(light.index.tz_convert("Europe/London").date).all()
    return [str(day) for day in empty.index[empty]]


@pytest.mark.parametrize("name", ["weather.csv", "weather_2.csv"])
def test_light_in_kilowatts_is_refused(tmp_path: Path, name: str) -> None:
    files = {"weather.csv": weather(800 * HIGH), name: weather(0.8 * HIGH)}
    with pytest.raises(FieldDataError, match=r"weather.*ghi_w_m2 never passes 0\.80.*kW/m²"):
        read_site(tmp_path, files)


def test_a_winter_of_faint_light_is_not_taken_for_kilowatts(tmp_path: Path) -> None:
    data = read_site(tmp_path, {"weather.csv": weather(9 * HIGH)})
    assert data.weather is not None
    assert data.weather["ghi"].max() == pytest.approx(9 * HIGH.max())


@pytest.mark.parametrize(
    ("witness", "word"), [("log", "inverters' log"), ("second", "ghi of weather_2"), ("plane", "poa_global of the same file")]
)
def test_days_of_a_dead_sensor_become_missing(tmp_path: Path, witness: str, word: str) -> None:
    dead = (TIMES.day == 6) | (TIMES.day == 7)
    light = np.where(dead, 0.0, 800 * HIGH)
    files = {"weather.csv": weather(light, **({"poa_global_w_m2": 850 * HIGH} if witness == "plane" else {}))}
    if witness == "log":
        files["readings/power/a.csv"] = log()
    if witness == "second":
        files["weather_2.csv"] = weather(790 * HIGH)
    data = read_site(tmp_path, files)
    assert data.weather is not None
    assert days_without(data.weather["ghi"]) == ["2024-06-06", "2024-06-07"]
    (notice,) = [n for n in data.notices if "shows no light" in n]
    assert "2 days from 2024-06-06 to 2024-06-07" in notice
    assert word in notice


def test_a_dark_day_that_nothing_contradicts_is_kept(tmp_path: Path) -> None:
    light = np.where(TIMES.day == 6, 0.0, 800 * HIGH)
    data = read_site(tmp_path, {"weather.csv": weather(light)})
    assert data.weather is not None
    assert not days_without(data.weather["ghi"])
    assert not [n for n in data.notices if "shows no light" in n]


def test_a_day_whose_middle_is_missing_is_no_dead_sensor(tmp_path: Path) -> None:
    light = np.where((TIMES.day == 6) & (HIGH > 0.02), np.nan, 800 * HIGH)
    data = read_site(tmp_path, {"weather.csv": weather(light), "readings/power/a.csv": log()})
    assert not [n for n in data.notices if "shows no light" in n]


@pytest.mark.parametrize("factor", [10.3, 0.5])
def test_dc_power_that_cannot_be_is_not_used(tmp_path: Path, factor: float) -> None:
    data = read_site(tmp_path, {"weather.csv": weather(800 * HIGH), "readings/power/a.csv": log(factor)})
    assert data.power is not None
    used = data.power.groupby("inverter_id")["dc_power_kw"].count()
    assert used["INV2"] == 0
    assert used["INV1"] == len(TIMES)
    (notice,) = [n for n in data.notices if "AC over DC" in n]
    assert "INV2" in notice
    assert "INV1" not in notice


def by_month(*dc_over_ac: float) -> str:
    """A log of ten days of May, June and so on, whose DC power of INV2 is so many times its AC power."""
    days = [pd.date_range(f"2024-{m:02d}-03", periods=240, freq="h", tz="Europe/London") for m in range(5, 5 + len(dc_over_ac))]
    table = pd.concat(
        pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M%z"), "inverter_id": name, "ac_power_kw": power * HIGH,
                      "dc_power_kw": factor * power * HIGH})
        for times, own in zip(days, dc_over_ac, strict=True) for name, power, factor in (("INV1", 8.0, 1.03), ("INV2", 4.0, own)))
    return table.to_csv(index=False)


@pytest.mark.parametrize(("factors", "months"), [
    ((1.03, 1.03, 1.35), []),  # AC over DC fell by a quarter: that is the inverter's, and no wrong unit
    ((1.03, 0.5, 1.03), [6]),  # for a month it gave more than it got
    ((1.35, 1.35, 1.35), [5, 6, 7]),
])
def test_dc_power_is_set_aside_in_the_months_in_which_it_cannot_be(
    tmp_path: Path, factors: tuple[float, ...], months: list[int]
) -> None:
    data = read_site(tmp_path, {"weather.csv": weather(800 * HIGH), "readings/power/a.csv": by_month(*factors)})
    assert data.power is not None
    own = data.power[data.power["inverter_id"] == "INV2"]
    without = own["dc_power_kw"].isna().groupby(own["time"].dt.month).all()
    assert list(without.index[without]) == months
    notices = [n for n in data.notices if "AC over DC" in n]
    assert len(notices) == bool(months)
    assert not months or ("2024-06" in notices[0]) == (months == [6])


@pytest.mark.sourced
def test_light_outside_the_atmosphere() -> None:
    """Duffie & Beckman, Solar Engineering of Thermal Processes, Example 1.10.1: 15 April, 43° north, 33.8 MJ/m². From memory."""
    assert daily_extraterrestrial_kwh_m2(43.0, np.array([105]))[0] * 3.6 == pytest.approx(33.8, abs=0.1)


def test_no_light_in_the_polar_night() -> None:
    assert daily_extraterrestrial_kwh_m2(78.0, np.array([355]))[0] == 0.0
