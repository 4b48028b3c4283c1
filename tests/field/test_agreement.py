"""Tables held against each other and the sun."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.field.site import METER, read_site
from tests.portfolio.folder import SITE_FILE, with_site
from yieldwatch.errors import FieldDataError

TIMES = pd.date_range("2024-02-20", "2024-04-10", freq="h", inclusive="left", tz="Europe/London")
#: From six to six, as about the equinox.
HIGH = np.clip(np.sin((TIMES.hour.to_numpy() + 0.5 - 6) / 12 * np.pi), 0.0, None) * (TIMES.hour >= 6) * (TIMES.hour < 18)


def weather(moved_h: float = 0.0) -> str:
    times = (TIMES + pd.Timedelta(hours=moved_h)).strftime("%Y-%m-%dT%H:%M%z")
    return pd.DataFrame({"time": times, "ghi_w_m2": 600 * HIGH, "temp_air_c": 9.0}).to_csv(index=False)


def log(factor: float = 1.0, moved_h: float = 0.0) -> str:
    """Both inverters of 10 kW, up to 6 kW."""
    times = (TIMES + pd.Timedelta(hours=moved_h)).strftime("%Y-%m-%dT%H:%M%z")
    tables = [pd.DataFrame({"time": times, "inverter_id": name, "ac_power_kw": factor * 6 * HIGH}) for name in ("INV1", "INV2")]
    return pd.concat(tables).to_csv(index=False)


def meter(factor: float = 1.0) -> str:
    """March, of both inverters: 31 days of 12 x 12 x 2 / pi kWh."""
    return METER + f"2024-03-01,2024-04-01,{factor * 31 * 12 * 12 * 2 / np.pi:.4f}\n"


def test_right_clocks_and_units_raise_no_remark(tmp_path: Path) -> None:
    files = {"weather.csv": weather(), "readings/power/a.csv": log(), "readings/meter/m.csv": meter()}
    data = read_site(tmp_path, {**files, "load.csv": "time,load_kw\n2024-03-01T12:00Z,3\n2024-03-01T13:00Z,4\n"})
    assert data.load["load_kw"].tolist() == [3.0, 4.0]
    assert not [n for n in data.notices if "is down" in n or "rating in the mean" in n]


@pytest.mark.parametrize(("moved_h", "word"), [(5.5, "weather: ghi_w_m2"), (-10.5, "weather: ghi_w_m2")])
def test_light_in_the_night_is_refused(tmp_path: Path, moved_h: float, word: str) -> None:
    expected = rf"{word}: on most days \d+ % of it falls into hours in which the sun is down.*another zone"
    with pytest.raises(FieldDataError, match=expected):
        read_site(tmp_path, {"weather.csv": weather(moved_h)})


def test_power_in_the_night_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match=r"readings/power: ac_power_kw: on most days \d+ % of it falls into hours"):
        read_site(tmp_path, {"weather.csv": weather(), "readings/power/a.csv": log(moved_h=9.5)})


def test_a_sensors_offset_in_the_night_is_no_light(tmp_path: Path) -> None:
    # A dark month: 458 Wh/m² by day, and 72 Wh/m² that a sensor off its zero by 6 W/m² shows by night.
    light = np.where(HIGH > 0, 60 * HIGH, 6.0)
    table = pd.DataFrame({"time": TIMES.strftime("%Y-%m-%dT%H:%M%z"), "ghi_w_m2": light, "temp_air_c": 9.0})
    assert len(read_site(tmp_path, {"weather.csv": table.to_csv(index=False)}).weather) == len(TIMES)


def test_a_sensor_stuck_for_a_week_is_no_wrong_zone(tmp_path: Path) -> None:
    # 12 bright nights of 30 hold a fifth of the month's light.
    light = np.where((TIMES.month == 3) & (TIMES.day > 18), 300.0, 600 * HIGH)
    table = pd.DataFrame({"time": TIMES.strftime("%Y-%m-%dT%H:%M%z"), "ghi_w_m2": light, "temp_air_c": 9.0})
    data = read_site(tmp_path, {"weather.csv": table.to_csv(index=False)})
    assert not [n for n in data.notices if "is down" in n]


def test_a_clock_that_was_wrong_for_one_month_of_more_is_told(tmp_path: Path) -> None:
    times = pd.date_range("2024-02-01", "2024-05-01", freq="h", inclusive="left", tz="Europe/London")
    hour = (times.hour.to_numpy() + 0.5 - np.where(times.month == 3, 12, 0)) % 24
    table = pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M%z"), "temp_air_c": 9.0,
                          "ghi_w_m2": 600 * np.clip(np.sin((hour - 6) / 12 * np.pi), 0.0, None)})
    data = read_site(tmp_path, {"weather.csv": table.to_csv(index=False)})
    (notice,) = [n for n in data.notices if "is down" in n]
    assert "(2024-03)" in notice
    assert "used as they stand" in notice


def test_a_clock_that_the_data_set_right_later_is_not_refused(tmp_path: Path) -> None:
    read_site(tmp_path, {"weather.csv": weather(), "readings/power/a.csv": log(moved_h=1.0)})


@pytest.mark.parametrize(("of_meter", "of_log"), [(0.001, 1.0), (1.0, 0.001)])
def test_a_meter_and_a_log_a_thousand_apart_are_refused(tmp_path: Path, of_meter: float, of_log: float) -> None:
    files = {"weather.csv": weather(), "readings/power/a.csv": log(of_log), "readings/meter/m.csv": meter(of_meter)}
    with pytest.raises(FieldDataError, match=r"from 2024-03-01 to 2024-04-01 the meter shows .* Is one of them in another unit"):
        read_site(tmp_path, files)


@pytest.mark.parametrize(
    ("files", "word"),
    [({"readings/meter/m.csv": meter(0.001)}, "is it in MWh"), ({"readings/power/a.csv": log(0.001)}, "is it in MW?")],
)
def test_next_to_nothing_for_a_month_is_remarked(tmp_path: Path, files: dict[str, str], word: str) -> None:
    (said,) = [n for n in read_site(tmp_path, {"weather.csv": weather(), **files}).notices if "rating in the mean" in n]
    assert word in said


@pytest.mark.parametrize(
    ("file", "header", "more"),
    [("readings/meter/m.csv", "start,end,energy_kwh", "90"), ("statements.csv", "start,end,energy_kwh,amount", "90,9")],
)
def test_ends_that_are_last_days_are_remarked(tmp_path: Path, file: str, header: str, more: str) -> None:
    # 31 March is a day of 23 hours there.
    spans = ("2024-01-01,2024-01-31", "2024-02-01,2024-02-29", "2024-03-01,2024-03-30", "2024-03-31,2024-04-30")
    text = "\n".join([header, *(f"{span},{more}" for span in spans)])
    (said,) = [n for n in read_site(tmp_path, {"weather.csv": weather(), file: text}).notices if "end a day before" in n]
    assert f"{file.removesuffix('/m.csv').removesuffix('.csv')}: 3 of 4 periods" in said
    assert "the first on 2024-01-31" in said


def test_a_meter_by_the_hour_is_read_where_the_clock_goes_back(tmp_path: Path) -> None:
    times = pd.date_range("2024-10-26T12:00Z", "2024-10-28T12:00Z", freq="h")
    rows = "".join(f"{a.isoformat()},{b.isoformat()},5\n" for a, b in pairwise(times))
    data = read_site(tmp_path, {"readings/meter/m.csv": METER + rows})
    assert len(data.meter) == 48
    assert not [n for n in data.notices if "end a day before" in n]


def test_a_month_without_readings_is_no_last_day(tmp_path: Path) -> None:
    rows = "2024-01-01,2024-02-01,90\n2024-03-01,2024-04-01,90\n"
    assert not [n for n in read_site(tmp_path, {"readings/meter/m.csv": METER + rows}).notices if "end a day before" in n]


def test_many_odd_values_of_a_column_cast_doubt_on_the_others(tmp_path: Path) -> None:
    fahrenheit = "time,ghi_w_m2,temp_air_c\n" + "".join(f"2024-06-01T12:{d:02d}Z,800,{55 + d}\n" for d in range(1, 31))
    (said,) = [n for n in read_site(tmp_path, {"weather_2.csv": fahrenheit}).notices if "set aside" in n]
    assert said.startswith("sites/field/weather_2.csv: 20 values were set aside, first line 12: temp_air_c = 66, outside what is")
    assert "if it is in another unit, or holds another quantity, they are wrong too" in said


def test_times_are_told_as_they_stand_in_the_file(tmp_path: Path) -> None:
    rows = "2024-06-01,2024-05-01,90\n"
    changes = with_site("Europe/London", "Australia/Adelaide")
    data = read_site(tmp_path, {"readings/meter/m.csv": METER + rows}, settings={SITE_FILE: changes[SITE_FILE]})
    assert data.set_aside["value"].tolist() == ["2024-05-01 00:00:00+09:30"]


def test_the_hour_before_the_first_day_of_operation_is_no_energy_from_before_it(tmp_path: Path) -> None:
    changes = with_site("2019-06-14", "2024-06-01")
    power = "time,inverter_id,ac_power_kw\n2024-05-31T22:00Z,INV1,0\n2024-06-01T11:00Z,INV1,5\n2024-06-01T12:00Z,INV1,5\n"
    meter = METER + "2024-05-15,2024-06-15,900\n"
    data = read_site(tmp_path, {"readings/power/a.csv": power, "readings/meter/m.csv": meter}, settings=changes)
    assert not [n for n in data.notices if "commissioned" in n]
