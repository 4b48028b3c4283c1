"""What is said of a site's files: those that cannot be used, and those that are not read."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.field.site import METER, POWER, WEATHER, read_site
from tests.portfolio.folder import SITE
from yieldwatch.errors import FieldDataError

IV_HEADER = "time,string_id,poa_global_w_m2,temp_module_c,i_sc_a,v_oc_v,i_mp_a,v_mp_v\n"
IV = IV_HEADER + "2024-06-01T12:00:00+01:00,S1,900,45,9.4,690,9,570\n"


@pytest.mark.parametrize(
    ("files", "message"),
    [
        (
            {"weather.csv": "time,dni_w_m2,temp_air_c\n2024-06-01T12:00Z,800,20\n"},
            "has neither ghi_w_m2 nor poa_global",
        ),
        ({"weather.csv": "time,ghi_w_m2\n2024-06-01T12:00Z,800\n"}, "column temp_air_c is missing"),
        ({"weather.csv": "ghi_w_m2,temp_air_c\n800,20\n"}, "weather.csv, header: column time is missing"),
        (
            {"readings/iv/r.csv": IV.replace("i_sc_a", "isc_a")},
            r'column i_sc_a is missing. Did you mean "isc_a"\?',
        ),
        (
            {"readings/meter/m.csv": "start,end,energy_kwh,export_kwh\n"},
            "energy_kwh and export_kwh mean the same",
        ),
        ({"readings/meter/m.csv": b"start,end,energy_kwh\n\xff"}, "m.csv, line 2: byte 21 is not UTF-8"),
        ({"weather.csv": WEATHER, "weather.csv.gz": b""}, "weather: found more than once"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused(tmp_path, files, message):
    with pytest.raises(FieldDataError, match=message):
        read_site(tmp_path, files)


def test_all_unusable_files_are_told_at_once(tmp_path):
    with pytest.raises(FieldDataError) as caught:
        read_site(tmp_path, {"readings/iv/r.csv": "time\n", "readings/clamp/c.csv": "time\n"})
    assert len(caught.value.problems) == 2


def test_unknown_columns_of_many_files_are_one_notice(tmp_path):
    row = "time,inverter_id,ac_power_kw,colour\n2024-06-0{}T12:00Z,INV1,5,5\n"
    data = read_site(tmp_path, {f"readings/power/{i}.csv": row.format(i) for i in (1, 2, 3)})
    assert [n for n in data.notices if "unknown columns" in n] == [
        "sites/field/readings/power/1.csv and 2 more files: ignored unknown columns colour."
    ]
    assert len(data.power) == 3


def test_misspelt_files_are_noticed(tmp_path):
    data = read_site(
        tmp_path, {"wether.csv": WEATHER, "weather_2024.csv": WEATHER, "costs 2024 final.csv": "date,amount\n",
                   "readings/mete/m.csv": METER, "plan.pdf": b"", "photos/a.csv": b""}
    )
    assert 'sites/field/wether.csv: ignored, not part of the format. Did you mean "weather"?' in data.notices
    assert 'sites/field/readings/mete: ignored, not part of the format. Did you mean "meter"?' in data.notices
    for name, of in (("weather_2024.csv", "weather"), ("costs 2024 final.csv", "costs")):
        assert (f"sites/field/{name}: ignored, not part of the format. Put it into a folder {of}, or rename it {of}."
                in data.notices)
    assert not any("plan.pdf" in n or "photos" in n for n in data.notices)


def test_weather_in_long_steps_stops_the_run(tmp_path):
    rows = "".join(f"2024-06-{day:02d},150,15\n" for day in range(1, 5))
    with pytest.raises(FieldDataError, match=r"its rows come every 24 hours. Expected a step of an hour or less"):
        read_site(tmp_path, {"weather.csv": "time,ghi_w_m2,temp_air_c\n" + rows})


def test_energy_from_before_the_first_day_of_operation_is_noticed(tmp_path):
    late = SITE.replace("2019-06-14", "2031-01-01")
    meter = METER + "2024-06-01,2024-07-01,900\n"
    data = read_site(tmp_path, {"weather.csv": WEATHER, "readings/meter/m.csv": meter}, settings={"sites/field/site.toml": late})
    assert any("commissioned = 2031-01-01, but there is energy from" in n for n in data.notices)


def test_tables_in_the_wrong_place_or_of_another_kind_are_noticed(tmp_path):
    data = read_site(tmp_path, {"weather.xlsx": b"PK", "meter.csv": METER, "readings/power.xlsx": b"PK", "letter.xlsx": b"PK"})
    said = [n for n in data.notices if "ignored" in n]
    assert [n.split(":")[0].removeprefix("sites/field/") for n in said] == ["meter.csv", "weather.xlsx", "readings/power.xlsx"]
    assert "Move it to sites/field/readings/meter." in said[0]
    assert "Export it as CSV." in said[1]


def test_market_prices_that_are_missing_are_noticed(tmp_path):
    data = read_site(
        tmp_path,
        {"weather.csv": WEATHER},
        settings={"sites/field/site.toml": SITE + '[[tariffs]]\nfrom = 2020-01-01\nkind = "market"\n'},
    )
    assert any("there is no prices table" in n for n in data.notices)


@pytest.mark.parametrize(
    "header",
    [
        {"weather.csv": "time,ghi_w_m2,temp_air_c\n"},
        {"readings/power/a.csv": POWER},
        {"readings/iv/a.csv": IV_HEADER},
        {"readings/meter/a.csv": METER},
        {"events.csv": "event_id,kind,start,scope\n"},
        {"readings/string_current/a.csv": "time,string_id,dc_current_a\n"},
        {"readings/iv_curves/a.csv": "trace_id,v_v,i_a\n"},
        {"readings/clamp/a.csv": "time,inverter_id\n"},
        {"prices.csv": "time,price_per_kwh\n"},
        {"costs.csv": "date,amount\n"},
        {"statements.csv": "start,end,energy_kwh,amount\n"},
    ],
    ids=lambda h: next(iter(h)),
)
def test_a_header_alone_is_an_empty_table(tmp_path, header):
    data = read_site(tmp_path, header, as_of=dt.date(2024, 7, 1))
    assert data.files["rows"].tolist() == [0]
    assert data.set_aside.empty
