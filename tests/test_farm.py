"""The generator of invented farms: its truth closes, and simple farms give what arithmetic says."""

import ast
import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.farm import diode, shade, sky
from tests.farm.plain import MODULE, plain
from tests.farm.simulate import Farm, build, conversion, shapley, truth
from tests.farm.spec import (
    ArraySpec,
    Curtailment,
    Degradation,
    Grass,
    Hedge,
    InverterSpec,
    Makers,
    Outages,
    Paper,
    Snow,
    Soiling,
    StringFault,
)
from tests.farm.weather import weather

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def mixed() -> Farm:
    """A farm with causes of most kinds, and limits near enough to matter."""
    return build(
        plain(
            Degradation(),
            Makers(),
            Soiling(0.1, cleanings=((dt.date(2023, 6, 5), "INV1", 200.0),)),
            Hedge(180, 140, 6.0, 3.0),
            StringFault("INV1.1.1", "open", dt.date(2023, 5, 20)),
            StringFault("INV2.1.2", "series_resistance", dt.date(2023, 1, 1), 4.0),
            Outages(20.0, 4.0),
            Curtailment(60.0, 0.5),
            inverters=(InverterSpec("I", 27.0, 27.0, 2),),
            paper=Paper(export_limit_kw=50.0),
        )
    )


def test_the_generator_imports_nothing_of_the_analysis():
    for path in (HERE / "farm").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [n for n in names if n.split(".")[0] == "yieldwatch"], path


# ---- light and modules --------------------------------------------------------------------------


def test_the_parts_of_the_light_fit_each_other():
    wx = weather(plain())
    beam = wx["dni"] * np.cos(np.radians(wx["zenith"])).clip(lower=0)
    assert np.allclose(beam + wx["dhi"], wx["ghi"], atol=1e-9)
    assert (wx.loc[wx["elevation"] < 0, "ghi"] == 0).all()


@pytest.mark.sourced
def test_clear_noons_agree_with_a_published_clear_sky():
    # Source: Haurwitz, J. Meteorology 2 (1945) 154: ghi = 1098 cos z exp(-0.059 / cos z), as in pvlib 0.16.
    # It knows no haze; between clean and hazy air clear skies differ by about a tenth (common practice).
    wx = weather(plain(climate="dry_summer"))
    noon = wx[(wx["clear"] > 0.995) & (wx["elevation"] > 45)]
    cos_z = np.cos(np.radians(noon["zenith"]))
    ratio = (noon["ghi"] / (1098 * cos_z * np.exp(-0.059 / cos_z))).mean()
    assert len(noon) > 100
    assert ratio == pytest.approx(1.0, abs=0.10)


def test_a_flat_plane_receives_the_horizontal_light():
    spec = plain()
    wx = weather(spec)
    lit = wx[wx["elevation"] > 3]  # nearer the horizon the sky model bounds the beam's projection
    found = sky.plane(replace(spec, sky_model="haydavies"), ArraySpec("A", tilt=0.0), lit, 1)
    # A horizontal plane sees the whole sky and no ground, so it receives ghi itself.
    assert np.allclose(found.poa_global, lit["ghi"], rtol=1e-6, atol=1e-6)


def test_the_table_of_powers_gives_the_datasheet_at_its_own_conditions():
    sheet = diode.datasheet(MODULE)
    found = diode.power(MODULE, np.array([1000.0, 1000.0]), np.array([25.0, 65.0]))
    assert found[0] == pytest.approx(sheet["p_mp"], rel=1e-4)  # bilinear between nodes 5 °C and 21 W/m² apart
    assert found[1] / found[0] == pytest.approx(1 + 40 * sheet["gamma"] / 100, rel=1e-4)
    assert sheet["i_mp"] < sheet["i_sc"]
    assert -0.45 < sheet["gamma"] < -0.28  # crystalline silicon, common practice, no source


def test_resistance_costs_most_in_bright_light_and_a_shunt_in_dim_light():
    light, temp = np.array([200.0, 1000.0]), np.array([25.0, 25.0])
    whole = diode.power(MODULE, light, temp)
    series = 1 - diode.power(MODULE, light, temp, r_s_more=0.1) / whole
    shunt = 1 - diode.power(MODULE, light, temp, shunt_ohm=40.0) / whole
    # I²R by hand at the power point: 0.1 ohm x 10.77 A / 40.77 V = 2.6 %, at full light.
    assert series[1] == pytest.approx(0.026, abs=0.002)
    assert series[0] < series[1] / 3
    # V²/R by hand: 40.77² / 40 / 439 W = 9.5 %, at full light.
    assert shunt[1] == pytest.approx(0.095, abs=0.008)
    assert shunt[0] > 3 * shunt[1]


# ---- causes -------------------------------------------------------------------------------------


def test_shapley_shares_by_hand():
    # Two causes: a alone 100 -> 90, b alone 100 -> 80, both 72.
    # a: (10 + 8) / 2 = 9; b: (20 + 18) / 2 = 19; together 28 = 100 - 72.
    worth = {
        frozenset(): np.array([100.0]),
        frozenset("a"): np.array([90.0]),
        frozenset("b"): np.array([80.0]),
        frozenset("ab"): np.array([72.0]),
    }
    found = shapley(worth, ("a", "b"))
    assert found["a"][0] == pytest.approx(9.0)
    assert found["b"][0] == pytest.approx(19.0)


def test_truth_closes_to_the_last_watt_hour(mixed):
    result = truth(mixed)
    assert set(result.losses) == {
        "degradation",
        "unexplained",
        "soiling",
        "shading",
        "string_fault",
        "inverter_outage",
        "curtailment",
    }
    total = np.sum(list(result.losses.values()), axis=0)
    assert np.allclose(total, result.expected - result.exported, atol=1e-6)
    assert all(np.all(v > -1e-6) for c, v in result.losses.items() if c != "unexplained")


def test_with_nothing_wrong_nothing_is_lost():
    result = truth(build(plain()))
    assert result.losses == {}
    assert np.array_equal(result.expected, result.exported)


def test_expected_energy_is_light_times_plate_less_the_design_losses_and_heat():
    farm = build(plain())
    p = farm.planes["A", False]
    hours = 0.25
    kw = 8 * 20 * diode.datasheet(MODULE)["p_mp"] / 1000
    light = p.effective.sum() / 1000 * hours
    heat = 1 + diode.datasheet(MODULE)["gamma"] / 100 * (np.average(p.temp_cell, weights=p.effective) - 25)
    # Plate x hours of full light x heat x wiring, mismatch, conversion, AC wiring, transformer.
    by_hand = kw * light * heat * 0.99 * 0.99 * 0.98 * 0.995 * 0.992
    # The hand's chain leaves out the modules' own loss in dim light and the inverters' start: a few per cent.
    assert truth(farm).expected.sum() == pytest.approx(by_hand, rel=0.04)
    assert truth(farm).expected.sum() < by_hand


def test_one_open_string_of_eight_costs_an_eighth():
    result = truth(build(plain(StringFault("INV1.1.1", "open", dt.date(2020, 1, 1)))))
    # The inverter's curve is flat and nothing limits; its start threshold makes it a touch more than 1/8.
    assert (result.losses["string_fault"] / result.expected) == pytest.approx([0.125, 0.125], abs=0.001)


def test_a_string_short_of_two_modules_loses_a_tenth():
    result = truth(build(plain(StringFault("INV2.2.1", "wrong_count", dt.date(2020, 1, 1), 2))))
    # 2 of its 20 modules, of one string in eight: 1/80.
    assert result.losses["string_fault"].sum() / result.expected.sum() == pytest.approx(1 / 80, abs=2e-4)


def test_a_repaired_string_loses_nothing_more():
    fault = StringFault("INV1.1.1", "open", dt.date(2020, 1, 1), repaired=dt.date(2023, 6, 1))
    lost = truth(build(plain(fault, days=90))).losses["string_fault"]
    assert lost[0] > 0
    assert lost[2] == pytest.approx(0, abs=1e-9)  # July; the repair was made at noon of 1 June


def test_rain_and_a_cleaning_take_the_dust_away():
    soil = Soiling(0.2, rain_mm=4.0, cleanings=((dt.date(2023, 6, 1), "INV1", 1.0),))
    farm = build(plain(soil, days=60))
    kept = farm.dc_factors["soiling"]
    first, second = kept[0], kept[-1]  # strings of INV1, INV2
    after = farm.times.date == dt.date(2023, 6, 1)
    assert first[after][-1] > 0.9985
    before = farm.times.date < dt.date(2023, 6, 1)
    assert np.array_equal(first[before], second[before])
    rain = farm.wx["precipitation"].groupby(farm.wx.index.date).sum()
    wet = rain.idxmax()
    assert rain.max() > 6
    day = kept[-1][farm.times.date == wet]
    eve = kept[-1][farm.times.date == wet - dt.timedelta(days=1)]
    assert day[0] > eve[-1]


def test_what_a_cleaning_takes_off_comes_back_at_its_pace():
    # 4 % of the light on all strings and 6 % more on one; what is taken off at the start comes back by 63 % in a year, and in a
    # quarter of one. 0.9 of the layer is taken.
    soil = Soiling(0.0, persistent_pct_year=0.0, start_pct=0.0, start_persistent_pct=4.0, droppings=(("INV1.1.1", 6.0),),
                   return_pace=1.0, drop_pace=4.0, taken_pct=3.6, drops_taken=1.0)
    farm = build(plain(soil, days=365))
    kept = farm.dc_factors["soiling"]
    assert 1.0 - kept[-1, [0, -1]] == pytest.approx([0.004, 0.04 - 0.036 * np.exp(-1.0)], abs=2e-4)
    assert 1.0 - (kept[0] / kept[-1])[[0, -1]] == pytest.approx([0.0, 0.06 * (1.0 - np.exp(-4.0))], abs=2e-4)


def test_a_hedge_in_the_south_costs_most_in_winter_and_more_each_year():
    spec = plain(Hedge(180, 140, 8.0, 3.0, 0.6), start=dt.date(2022, 1, 1), end=dt.date(2024, 1, 1))
    result = truth(build(spec))
    share = pd.Series(result.losses["shading"] / result.expected, result.months)
    assert share["2022-12"] > 3 * share["2022-06"] > 0
    assert share["2023-12"] > share["2022-12"]


def test_grass_grows_in_its_season_and_mowing_sets_it_back():
    spec = plain(start=dt.date(2023, 1, 1), end=dt.date(2024, 1, 1))
    days = pd.date_range("2023-01-01", "2023-12-31", tz="UTC")
    height = pd.Series(shade.grass_height(spec, Grass(mowings=((dt.date(2023, 7, 10), 1.0),)), days), days)
    assert height["2023-02-01"] == pytest.approx(height["2023-01-10"], abs=0.02)  # winter
    assert 0.7 < height["2023-07-09"] < 0.2 + 0.35 * 4.5  # at most 0.35 m a month from March on
    assert height["2023-07-12"] == pytest.approx(0.15, abs=0.05)


def test_snow_lies_only_in_the_cold_months():
    spec = plain(Snow(), climate="continental", start=dt.date(2022, 7, 1), end=dt.date(2023, 7, 1))
    result = truth(build(spec))
    lost = pd.Series(result.losses["snow"] / result.expected, result.months)
    assert lost[["2022-12", "2023-01", "2023-02"]].max() > 0.03
    assert lost[["2022-07", "2022-08", "2023-06"]].max() < 1e-9


def test_limits_hold(mixed):
    result = truth(mixed)
    assert result.actual.meter.max() <= 50.0 + 1e-9
    assert result.actual.ac.max() <= 27.0 + 1e-9
    assert (result.actual.held & (result.actual.ac > 26.99)).any()  # the rating was reached
    instructed = np.isfinite(mixed.ac.site_cap)
    assert instructed.any()
    assert np.all(result.actual.meter[instructed] <= mixed.ac.site_cap[instructed] + 1e-9)


def test_the_inverter_curve_passes_through_its_datasheet():
    dc, ac = conversion(InverterSpec("I", 50.0, 50.0))
    # 98.4 % at half load: 25 kW out of 25 / 0.984 = 25.4065 kW.
    assert np.interp(25.4065, dc, ac) == pytest.approx(25.0, abs=1e-3)
