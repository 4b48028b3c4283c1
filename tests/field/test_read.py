"""A site's readings: what is used, what is set aside and why, and what is said of it."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import time as clock

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.field.site import METER, POWER, WEATHER, aside, read_site
from tests.portfolio.folder import SITE


def _utc(text):
    return pd.Timestamp(text, tz="UTC")


def _with(settings_text):
    return {"sites/field/site.toml": SITE.replace("[[arrays]]", settings_text + "\n[[arrays]]")}


def test_a_site_without_readings_is_read_and_says_what_it_lacks(tmp_path):
    data = read_site(tmp_path, {})
    assert (data.weather, data.meter, data.power, data.prices) == (None, None, None, None)
    assert data.iv.empty
    assert {"string_id", "i_sc", "p_mp", "poa_global_end", "file", "line"} <= set(data.iv.columns)
    assert list(data.events.columns) == ["event_id", "kind", "start", "end", "scope", "cost", "note"]
    assert list(data.iv_curves.columns) == ["trace_id", "v", "i"]
    assert list(data.set_aside.columns) == ["file", "line", "column", "value", "reason", "part"]
    assert any("has no weather rows" in n for n in data.notices)
    assert any("has no readings at all" in n for n in data.notices)


def test_weather_takes_pvlib_names_and_keeps_the_night_offset(tmp_path):
    data = read_site(
        tmp_path,
        {
            "weather.csv": "time,ghi_w_m2,poa_global_w_m2,temp_air_c,wind_speed_m_s\n"
            "2024-06-01T00:15Z,-2,-1.5,9,\n2024-06-01T00:00Z,-2,-2,9,1\n"
        },
    )
    assert list(data.weather.columns) == ["ghi", "poa_global", "temp_air", "wind_speed"]
    assert data.weather.index.tolist() == [_utc("2024-06-01 00:00"), _utc("2024-06-01 00:15")]
    assert data.weather["poa_global"].tolist() == [-2, -1.5]
    assert np.isnan(data.weather["wind_speed"].iloc[1])
    assert data.weather_step == pd.Timedelta(minutes=15)
    assert data.set_aside.empty


@pytest.mark.parametrize("kind", ["csv", "csv.gz", "parquet", "folder"])
def test_each_ending_and_a_folder_serve_for_weather(tmp_path, kind):
    frame = pd.read_csv(io.StringIO(WEATHER), parse_dates=["time"])
    stored = io.BytesIO()
    frame.to_parquet(stored)
    first, second = WEATHER.splitlines(keepends=True)[1:]
    files = {
        "csv": {"weather.csv": WEATHER},
        "csv.gz": {"weather.csv.gz": gzip.compress(WEATHER.encode())},
        "parquet": {"weather.parquet": stored.getvalue()},
        "folder": {
            "weather/a.csv": "time,ghi_w_m2,temp_air_c\n" + second,
            "weather/b.csv": "time,ghi_w_m2,temp_air_c\n" + first,
        },
    }[kind]
    weather = read_site(tmp_path, files).weather
    assert weather.index.tolist() == [_utc("2024-06-01 12:00"), _utc("2024-06-01 12:15")]
    assert weather["ghi"].tolist() == [800, 810]


@pytest.mark.parametrize(("label", "first"), [("start", "12:00"), ("middle", "11:52:30"), ("end", "11:45")])
def test_times_become_the_start_of_the_interval(tmp_path, label, first):
    data = read_site(
        tmp_path,
        {"weather.csv": WEATHER},
        settings=_with(f'[data]\ninterval_label = {{ weather = "{label}" }}'),
    )
    assert data.weather.index[0] == _utc(f"2024-06-01 {first}")


def test_a_bad_value_beside_good_ones_is_set_aside_alone(tmp_path):
    data = read_site(
        tmp_path,
        {
            "weather.csv": "time,ghi_w_m2,temp_air_c,wind_speed_m_s\n"
            "2024-06-01T12:00Z,800,20,-999\n2024-06-01T12:15Z,2001,20,3\n"
            "2024-06-01T12:30Z,800,20,3\n"
        },
    )
    assert len(data.weather) == 3
    assert np.isnan(data.weather["wind_speed"].iloc[0])
    assert np.isnan(data.weather["ghi"].iloc[1])
    assert data.set_aside[["line", "column", "value", "part"]].to_numpy().tolist() == [
        [2, "wind_speed_m_s", "-999", "value"],
        [3, "ghi_w_m2", "2001", "value"],
    ]
    assert (
        "outside what is possible. Expected 0 to 100 m/s; the rest of the row is used"
        in data.set_aside["reason"][0]
    )
    assert [n.split(". Expected")[0] for n in data.notices if "set aside" in n] == [
        "sites/field/weather.csv: 1 value was set aside, first line 2: wind_speed_m_s = -999, outside what is possible",
        "sites/field/weather.csv: 1 value was set aside, first line 3: ghi_w_m2 = 2001, outside what is possible",
    ]


@pytest.mark.parametrize(
    ("row", "column", "value", "reason"),
    [
        ("noon,INV1,5", "time", "noon", "not a time"),
        ("2024-06-01T12:00Z,INV9,5", "inverter_id", "INV9", "not in inverters"),
        ("2024-06-01T12:00Z,INV 1,5", "inverter_id", "INV 1", "not an identifier"),
        ("2024-06-01T12:00Z,,5", "inverter_id", "", "blank, and each row needs it"),
        ('2024-06-01T12:00Z,INV1,"9,45"', "ac_power_kw", "9,45", "written with a decimal comma"),
        (
            "2024-06-01T12:00Z,INV1,9,45",
            "",
            "2024-06-01T12:00Z,INV1,9,45",
            "has 4 fields where the header has 3",
        ),
        ("2024-06-01T12:00Z,INV1,inf", "ac_power_kw", "inf", "not finite"),
        ("2024-06-01T12:00Z,INV1,n.a.", "ac_power_kw", "n.a.", "not a number"),
        # 10 kVA of rating: 1.3 x 10 = 13 kW at most; 5 000 W read as kW is far beyond.
        ("2024-06-01T12:00Z,INV1,5000", "ac_power_kw", "5000.0", "is it in W?"),
        ("2024-06-01T12:00Z,INV1,-2", "ac_power_kw", "-2.0", "times the inverter's kVA rating"),
    ],
)
def test_a_bad_row_is_set_aside_with_its_reason_and_stops_no_other(tmp_path, row, column, value, reason):
    data = read_site(tmp_path, {"readings/power/a.csv": POWER + row + "\n2024-06-01T12:15Z,INV1,5\n"})
    assert data.power["ac_power_kw"].tolist() == [5]
    (found,) = data.set_aside.itertuples(index=False)
    assert (found.file, found.line, found.column, found.value) == (
        "sites/field/readings/power/a.csv",
        2,
        column,
        value,
    )
    assert reason in found.reason
    stood = f"{column} = {value}, " if column else ""
    assert any(f"1 of 2 rows was set aside, first line 2: {stood}{found.reason}" in n for n in data.notices)


def log_of(inverters, factor, n=200):
    """A log of the site's 10 kVA inverters at half load, times a factor."""
    times = pd.date_range("2024-06-01", periods=n, freq="15min", tz="UTC")
    rows = [f"{t.isoformat()},{name},{5.0 * factor:g},{5.2 * factor:g}" for t in times for name in inverters]
    return "time,inverter_id,ac_power_kw,dc_power_kw\n" + "\n".join(rows) + "\n"


def test_a_log_in_w_is_brought_to_kw_and_said(tmp_path):
    data = read_site(tmp_path, {"readings/power/a.csv": log_of(["INV1"], 1000.0)})

    np.testing.assert_allclose(data.power[["ac_power_kw", "dc_power_kw"]], [[5.0, 5.2]] * 200)
    assert data.set_aside.empty
    assert any("ac_power_kw of INV1" in n and "divided by 1000" in n for n in data.notices)


@pytest.mark.parametrize("factor", [10.0, 4000.0])
def test_a_log_beyond_its_rating_that_is_not_in_w_is_set_aside(tmp_path, factor):
    data = read_site(tmp_path, {"readings/power/a.csv": log_of(["INV1"], factor)})

    assert data.power.empty
    assert len(data.set_aside) == 200


def test_dc_power_that_no_array_gives_is_set_aside_and_its_row_kept(tmp_path):
    text = log_of(["INV1"], 1.0, 20).replace(",5.2\n", ",52\n", 1)
    data = read_site(tmp_path, {"readings/power/a.csv": text})

    assert data.power["ac_power_kw"].notna().all()
    assert data.power["dc_power_kw"].isna().sum() == 1
    assert "Expected kW, -3 to 3 times the inverter's kVA rating; is it in W?" in data.set_aside["reason"][0]
    assert data.set_aside[["column", "value", "part"]].to_numpy().tolist() == [["dc_power_kw", 52.0, "value"]]


def test_a_blank_power_is_a_gap_and_not_zero(tmp_path):
    data = read_site(tmp_path, {"readings/power/a.csv": POWER + "2024-06-01T12:00Z,INV1,\n"})
    assert np.isnan(data.power["ac_power_kw"].iloc[0])
    assert data.set_aside.empty


def test_repeats_are_set_aside_and_contradictions_keep_the_first(tmp_path):
    rows = "2024-06-01T12:00Z,INV1,5\n"
    data = read_site(
        tmp_path,
        {
            "readings/power/a.csv": POWER
            + rows
            + rows
            + "2024-06-01T12:00Z,INV1,6\n2024-06-01T12:00Z,INV2,7\n",
            "readings/power/b.csv": POWER + "2024-06-01T13:00:00+01:00,INV1,5\n",
        },
    )
    assert data.power[["inverter_id", "ac_power_kw"]].to_numpy().tolist() == [["INV1", 5], ["INV2", 7]]
    assert aside(data) == [
        (3, "time", "repeat of line 2"),
        (4, "time", "contradicts line 2 (same key), which was kept"),
        (2, "time", "repeat of line 2 of sites/field/readings/power/a.csv"),
    ]


def test_rows_of_an_inverters_inputs_are_not_repeats_of_each_other(tmp_path):
    data = read_site(
        tmp_path,
        {
            "readings/power/a.csv": "time,inverter_id,mppt,ac_power_kw,dc_power_kw\n"
            "2024-06-01T12:00Z,INV1,1,,4\n2024-06-01T12:00Z,INV1,2,,5\n"
            "2024-06-01T12:00Z,INV1,,8.8,9\n"
        },
    )
    assert data.power["mppt"].isna().tolist() == [False, False, True]
    assert data.power["dc_power_kw"].tolist() == [4, 5, 9]


def test_local_times_are_resolved_for_each_inverter_and_said(tmp_path):
    rows = "".join(
        f"2024-10-27T{t},{i},0\n"
        for t in ("00:30", "01:00", "01:30", "01:00", "01:30", "02:00")
        for i in ("INV1", "INV2")
    )
    data = read_site(tmp_path, {"readings/power/a.csv": POWER + rows})
    assert data.power["time"].drop_duplicates().diff().dropna().unique().tolist() == [
        pd.Timedelta(minutes=30)
    ]
    assert len(data.power) == 12
    assert (
        "sites/field/readings/power/a.csv: times without an offset in time were read as "
        "wall time of Europe/London."
    ) in data.notices


def test_a_parquet_row_is_set_aside_by_its_number(tmp_path):
    stored = io.BytesIO()
    pd.DataFrame(
        {
            "time": pd.to_datetime(["2024-06-01 12:00", "2024-06-01 12:15"], utc=True),
            "inverter_id": ["INV1", "INV1"],
            "ac_power_kw": [5.0, 5000.0],
        }
    ).to_parquet(stored)
    data = read_site(tmp_path, {"readings/power/a.parquet": stored.getvalue()})
    assert data.set_aside["line"].tolist() == [2]
    assert len(data.power) == 1


def test_events_name_what_they_touched(tmp_path):
    data = read_site(
        tmp_path,
        {
            "events.csv": "event_id,kind,start,end,scope,cost,note\n"
            "E1,cleaning,2024-06-01,,site,250,\nE2,outage,2024-05-01T10:00Z,2024-05-01T12:00Z,"
            'INV1 S3,,"tripped, reset"\nE3,repair,2024-05-02,,S9,,\n'
            "E4,washing,2024-05-02,,site,,\nE5,outage,2024-05-02,2024-05-01,site,,\n"
        },
    )
    assert data.events[["event_id", "scope"]].to_numpy().tolist() == [
        ["E2", ("INV1", "S3")],
        ["E1", ("site",)],
    ]
    assert data.events["end"].isna().tolist() == [False, True]
    assert [(line, column) for line, column, _ in aside(data)] == [(4, "scope"), (5, "kind"), (6, "end")]
    assert "S9 is neither an inverter nor a string of the site." in aside(data)[0][2]


def test_prices_load_and_the_second_weather(tmp_path):
    data = read_site(
        tmp_path,
        {
            "prices.csv": "time,price_per_kwh\n2024-06-01T13:00Z,-0.01\n2024-06-01T12:00Z,0.05\n",
            "load.parquet": _parquet({"time": ["2024-06-01T12:00Z"], "load_kw": [3.5]}),
            "weather_2.csv": "time,ghi_w_m2\n2024-06-01T12:00Z,790\n",
        },
    )
    assert data.prices["price_per_kwh"].tolist() == [0.05, -0.01]
    assert data.load["load_kw"].tolist() == [3.5]
    assert data.weather_2["ghi"].tolist() == [790]


def _parquet(columns):
    stored = io.BytesIO()
    pd.DataFrame(columns).to_parquet(stored)
    return stored.getvalue()


def test_string_current_beyond_its_modules_is_set_aside(tmp_path):
    data = read_site(
        tmp_path,
        {
            "readings/string_current/a.csv": "time,string_id,dc_current_a\n"
            "2024-06-01T12:00Z,S1,9\n2024-06-01T12:00Z,S2,21.1\n2024-06-01T12:00Z,S3,21\n"
        },
    )
    assert data.string_current["dc_current_a"].tolist() == [9, 21]  # 2 x 10.5 A
    assert "is it in mA" in aside(data)[0][2]


CELL = st.sampled_from(["5", "", "inf", "9,45", "x", "5000", "-3"])
TIME = st.sampled_from(
    ["2024-06-01T12:00Z", "2024-06-01T12:15Z", "2024-07-05T12:00Z", "2024-03-31T01:30", "noon", ""]
)
ROW = st.tuples(TIME, st.sampled_from(["INV1", "INV2", "INV9", "", "a b"]), CELL, CELL)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(files=st.lists(st.lists(ROW, max_size=12), min_size=1, max_size=3))
def test_every_row_is_used_set_aside_or_after_the_history(tmp_path_factory, files):
    header = ["time", "inverter_id", "ac_power_kw", "dc_power_kw"]
    written = {
        f"readings/power/{i}.csv": pd.DataFrame(rows, columns=header).to_csv(index=False)
        for i, rows in enumerate(files)
    }
    data = read_site(tmp_path_factory.mktemp("p"), written, as_of=dt.date(2024, 7, 1))

    account = data.files
    assert account["rows"].tolist() == [len(rows) for rows in files]
    assert (account["rows"] == account["used"] + account["set_aside"] + account["after_as_of"]).all()
    assert account["used"].sum() == len(data.power)
    whole = data.set_aside[data.set_aside["part"] == "row"]
    assert not whole.duplicated(["file", "line"]).any()  # no row is counted twice
    assert (data.set_aside["reason"] != "").all()


def test_a_million_bad_rows_take_seconds(tmp_path):
    n = 1_000_000
    stored = io.BytesIO()
    pd.DataFrame(
        {
            "time": np.datetime64("2024-01-01T00:00", "ns") + np.arange(n) * np.timedelta64(1, "m"),
            "inverter_id": "INV9",
            "ac_power_kw": 5.0,
        }
    ).to_parquet(stored)
    began = clock.monotonic()
    data = read_site(tmp_path, {"readings/power/a.parquet": stored.getvalue()})
    assert len(data.set_aside) == n
    # Row by row this would take minutes; the border leaves room for a slow machine.
    assert clock.monotonic() - began < 30


def test_a_file_without_rows_is_named_but_for_events_of_which_there_may_be_none(tmp_path):
    events = "event_id,kind,start,end,scope,cost,note\n"
    data = read_site(tmp_path, {"weather.csv": WEATHER, "readings/meter/june.csv": METER, "events.csv": events})
    assert not [said for said in data.notices if "events.csv" in said]
    assert "sites/field/readings/meter/june.csv: has a header row and no rows below it. Expected readings. Export it again, or " \
        "take the file away." in data.notices


@pytest.mark.parametrize(("end", "said"), [("2024-06-02", False), ("2024-07-11", True)])
def test_energy_without_weather_is_counted_in_days(tmp_path, end, said):
    # Weather of half an hour at noon of 1 June 2024: what is before and after it has none.
    data = read_site(tmp_path, {"weather.csv": WEATHER, "readings/meter/june.csv": f"{METER}2024-06-01,{end},10\n"})
    told = [n for n in data.notices if "have no weather to be held against" in n]
    assert len(told) == said
    if said:
        # 40 days less that half hour.
        assert "meter has readings from 2024-06-01 to 2024-07-11" in told[0]
        assert "40 days" in told[0]


@pytest.mark.parametrize(
    ("tariff", "told"),
    [
        ("from = 2019-06-14", []),
        ("from = 2024-06-03", ["no tariff from 2024-06-01 to 2024-06-03;"]),
        ("from = 2019-06-14\nto = 2024-05-01", ["no tariff from 2024-06-01 to 2024-06-05;"]),
        ("from = 2019-06-14\nto = 2024-06-04", ["no tariff from 2024-06-04 to 2024-06-05;"]),
    ],
)
def test_days_of_the_record_without_a_tariff_are_told(tmp_path, tariff, told):
    weather = "time,ghi_w_m2,temp_air_c\n" + "".join(f"2024-06-0{d}T{h:02}:00Z,800,20\n" for d in range(1, 6) for h in (11, 12))
    settings = {"sites/field/site.toml": f'{SITE}\n[[tariffs]]\n{tariff}\nkind = "fixed"\nprice_per_kwh = 0.08\n'}
    data = read_site(tmp_path, {"weather.csv": weather}, settings=settings)
    assert [n for n in data.notices if "no tariff" in n] == [
        f"sites/field/site.toml: {t} energy of that time has no price. Add one, or correct its `from` or `to`." for t in told]
