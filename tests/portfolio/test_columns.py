"""The vocabulary holds together."""

from __future__ import annotations

import pytest

from yieldwatch.columns import INTERVAL_TABLES, OPTIONAL, TABLES, VALUE
from yieldwatch.portfolio import keys

#: How the end of a name states the unit, as the format has it.
SUFFIXES = {
    "_w_m2": "W/m²", "_pct_per_c": "%/°C", "_pct_per_year": "%/year", "_m_s": "m/s", "_per_kwh": "money/kWh",
    "_pct": "%", "_kvar": "kVAr", "_kva": "kVA", "_kwh": "kWh", "_kw": "kW", "_mm": "mm", "_years": "years",
    "_w": "W", "_a": "A", "_v": "V", "_c": "°C", "_m": "m",
}  # fmt: skip


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES.keys())
def test_names_are_unique_and_keys_exist(table):
    names = [c.name for c in table.columns]
    assert len(set(names)) == len(names)
    assert len({c.code_name for c in table.columns}) == len(names)
    assert set(table.key) <= set(names)
    assert set(table.order_by) <= set(table.key)
    assert all(c.meaning for c in table.columns)


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES.keys())
def test_a_name_ends_in_its_unit(table):
    for column in table.columns:
        if column.kind == "number":
            stated = next((unit for suffix, unit in SUFFIXES.items() if column.name.endswith(suffix)), None)
            assert stated in (None, column.unit), column.name


def test_interval_tables_need_a_time():
    for name in INTERVAL_TABLES:
        assert TABLES[name].column("time").need == VALUE


def test_what_is_expected_is_said_in_words():
    weather, iv = TABLES["weather"], TABLES["iv"]
    assert weather.column("ghi_w_m2").expected == "-50 to 2000 W/m²"
    assert TABLES["load"].column("load_kw").expected == "0 to 1000000 kW"
    assert TABLES["meter"].column("energy_kwh").expected == "0 kWh or more"
    assert TABLES["power"].column("ac_power_kw").expected == "-0.1 to 1.3 times the inverter's kVA rating"
    assert TABLES["prices"].column("price_per_kwh").expected == "a number of money/kWh"
    assert (
        TABLES["job_costs"].column("unit").expected
        == "one of hectare, inverter, metre, module, string, visit"
    )
    assert iv.column("string_id").expected == "letters, digits, -, _ and ."


def test_the_tables_and_columns_are_those_of_format_1():
    names = [c.name for c in TABLES["iv"].columns]
    assert names[:5] == ["time", "string_id", "poa_global_w_m2", "temp_module_c", "i_sc_a"]
    assert names[5:8] == ["v_oc_v", "i_mp_a", "v_mp_v"]
    assert names[8:] == ["p_mp_w", "poa_global_end_w_m2", "instrument", "trace_id", "note"]
    assert [c.name for c in TABLES["strings"].columns if c.need == OPTIONAL] == [
        "mppt", "x_m", "y_m", "row", "fuse_a", "cable_route"]
    assert [c.name for c in TABLES["inverters"].columns if c.need == OPTIONAL] == ["serial", "place", "x_m", "y_m"]
    assert [k.name for k in keys.PORTFOLIO if k.need == OPTIONAL] == [
        "works_budget",
        "crew_days",
        "horizon_months",
        "days_off",
    ]
