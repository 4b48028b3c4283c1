"""The chain to the meter: what physics and the contract's limits demand of it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.expected.plain import MODULE, SOUTH, inverter_type, measured_day, on_grid, site
from yieldwatch.expected.inverter import inverter_curve
from yieldwatch.expected.module import fit_module
from yieldwatch.expected.power import SiteModel, row_places, site_model
from yieldwatch.portfolio.model import Array, Site, String


def day_weather(**more: float) -> pd.DataFrame:
    return measured_day().assign(temp_air=2.0, wind_speed=2.0, **more)


def with_dc(farm: Site, dc: np.ndarray) -> SiteModel:
    """A site's chain with these DC powers; the interval is 5 minutes. [kW]"""
    return replace(_model(farm), dc=np.asarray(dc, float))


def _model(farm: Site) -> SiteModel:
    return site_model(farm, on_grid(day_weather()))


def kw(energy: np.ndarray) -> np.ndarray:
    """Mean power over 5 minutes. [kW]"""
    return energy * 12.0


LOSSLESS = {"ac_wiring_pct": 0.0, "transformer_pct": 0.0}
THREE = (inverter_type(50.0), inverter_type(50.0), inverter_type(100.0))


# Weather to DC


def test_one_interval_by_hand():
    # The chain's own parts put together again for the brightest interval: 6 strings of 25 modules, 1 % wiring
    # and 1 % mismatch before the inverter, 0.5 % and 0.8 % after it.
    model = _model(site())
    k = int(np.argmax(model.planes["A"].poa_global))
    effective, cell = model.planes["A"].effective["inner"][k], model.temp_cell["A"][k]
    dc = 6 * 25 * fit_module(MODULE).p_mp(np.array([effective]), np.array([cell]))[0] / 1000.0 * 0.99 * 0.99
    assert model.dc[0, k] == pytest.approx(dc, rel=1e-12)
    ac = inverter_curve(inverter_type()).ac_power(np.array([dc]))[0]
    assert ac > 40.0
    assert kw(model.output())[0, k] == pytest.approx(min(ac, 50.0) * 0.995 * 0.992, rel=1e-12)


def test_the_cell_is_cooled_by_faimans_law():
    model = _model(site())
    np.testing.assert_allclose(model.temp_cell["A"], 2.0 + model.planes["A"].poa_global / (25.0 + 6.84 * 2.0))


def test_only_daylight_is_kept_and_its_places_are_right():
    model = _model(site())
    assert (model.sun.elevation > -1.0).all()
    assert len(model.times) == len(model.at) == model.dc.shape[1]
    pd.testing.assert_index_equal(model.times, model.weather.table.index[model.at])
    # Winter at 37.7 N: a day of 9.6 hours, and twilight to 1 degree below.
    assert 9.5 * 12 < len(model.times) < 10.2 * 12


@pytest.mark.parametrize("column", ["ghi", "temp_air"])
def test_unknown_weather_is_unknown_power_and_never_none(column):
    table = day_weather()
    noon = 18 * 12
    table.iloc[noon, table.columns.get_loc(column)] = np.nan
    model = site_model(site(), on_grid(table))
    energy = model.output()
    unknown = model.at == noon
    assert unknown.sum() == 1
    assert np.isnan(energy[:, unknown]).all()
    assert np.isnan(model.unlimited()[:, unknown]).all()
    assert np.isfinite(energy[:, ~unknown]).all()


def test_darkness_gives_nothing():
    table = day_weather()
    table[["ghi", "dni", "dhi"]] = 0.0
    model = site_model(site(), on_grid(table))
    assert (model.output() == 0.0).all()


@settings(max_examples=15)
@given(more=st.floats(1.0, 1.6), temp=st.floats(-20.0, 40.0))
def test_more_light_gives_no_less_energy_and_heat_no_more(more, temp):
    table = day_weather()
    brighter = table.assign(
        ghi=table["ghi"] * more,
        dhi=table["dhi"] * more,
        dni=np.minimum(table["dni"] * more, 1300.0),
        temp_air=temp,
    )
    cool, warm = (site_model(site(), on_grid(t)) for t in (table.assign(temp_air=temp), brighter))
    assert warm.unlimited().sum() >= cool.unlimited().sum()
    hotter = site_model(site(), on_grid(table.assign(temp_air=temp + 10.0)))
    assert hotter.unlimited().sum() < cool.unlimited().sum()


def test_planes_east_and_west_make_their_own_halves_of_the_day():
    east, west = replace(SOUTH, id="E", azimuth_deg=90.0), replace(SOUTH, id="W", azimuth_deg=270.0)
    model = _model(site((east, west)))
    morning = model.times < pd.Timestamp("2016-01-01 18:00", tz="UTC")
    assert model.planes["E"].poa_global[morning].sum() > 1.5 * model.planes["W"].poa_global[morning].sum()
    assert model.planes["W"].poa_global[~morning].sum() > 1.5 * model.planes["E"].poa_global[~morning].sum()
    assert model.plane_share["E"] == pytest.approx([0.5])
    single = [_model(site((a,))).dc for a in (east, west)]
    np.testing.assert_allclose(model.dc, single[0] + single[1], rtol=1e-12)


def test_insolation_is_weighted_by_the_arrays_capacity():
    flat = replace(SOUTH, id="B", tilt_deg=0.0)
    farm = site((SOUTH, flat))
    third = tuple(s for k, s in enumerate(farm.strings) if s.array_id == "A" or k % 2 == 0)
    model = _model(replace(farm, strings=third))
    hand = (6 * model.planes["A"].poa_global + 3 * model.planes["B"].poa_global) / 9 / 12 / 1000
    np.testing.assert_allclose(model.insolation(), hand)


def test_a_sensor_in_the_plane_sets_the_level():
    table = day_weather()
    plain = _model(site())
    seen = np.full(len(table), 0.0)
    seen[plain.at] = 0.9 * plain.planes["A"].poa_global
    model = site_model(site(), on_grid(table.assign(poa_global=seen)))
    bright = plain.planes["A"].poa_global > 50.0
    np.testing.assert_allclose(
        model.planes["A"].effective["inner"][bright], 0.9 * plain.planes["A"].effective["inner"][bright]
    )


@pytest.mark.sourced
def test_a_pyranometers_zero_offset_is_added_back():
    # ISO 9060, zero offset a: a thermal pyranometer under a clear sky reads a few W/m² below zero, by night
    # and by day.
    table = day_weather()
    table["ghi"] = np.maximum(table["ghi"], 0.0)
    low = table.assign(ghi=table["ghi"] - 4.0)
    model, true = (site_model(site(), on_grid(t[["ghi", "temp_air"]])) for t in (low, table))
    assert model.night_offset == {"ghi": pytest.approx(-4.0)}
    np.testing.assert_allclose(model.output(), true.output(), rtol=1e-9, atol=1e-12)
    assert true.night_offset == {}


def test_a_large_reading_at_night_is_not_taken_for_an_offset():
    model = site_model(site(), on_grid(day_weather()[["ghi", "temp_air"]] - [40.0, 0.0]))
    assert model.night_offset == {}


# Rows


@pytest.mark.parametrize(
    ("array", "first"),
    [
        (replace(SOUTH, pitch_m=6.0, collector_width_m=3.0), "south"),
        (replace(SOUTH, pitch_m=6.0, collector_width_m=3.0, azimuth_deg=0.0), "north"),
    ],
)
def test_the_first_row_of_a_fixed_array_is_the_one_that_nothing_stands_before(array, first):
    at = {"south": 0.0, "middle": 6.0, "north": 12.0}
    rows = tuple(String(name, "I0", "A", MODULE, 25, x_m=3.0, y_m=y) for name, y in at.items())
    places = row_places(replace(site((array,)), strings=rows))
    assert [name for name, place in places.items() if place == "front"] == [first]


@pytest.mark.parametrize("axis", [0.0, 180.0])
def test_a_trackers_outer_rows_are_named_by_where_they_are(axis):
    array = Array(
        "A", "single_axis", axis_azimuth_deg=axis, max_angle_deg=55.0, pitch_m=6.0, collector_width_m=2.0
    )
    rows = tuple(
        String(name, "I0", "A", MODULE, 25, x_m=x, y_m=0.0)
        for name, x in (("w", 0.0), ("m", 6.0), ("e", 12.0))
    )
    assert row_places(replace(site((array,)), strings=rows)) == {"w": "west", "m": "inner", "e": "east"}


def test_without_a_full_layout_every_row_has_others_around_it():
    array = replace(SOUTH, pitch_m=6.0, collector_width_m=3.0)
    farm = site((array,))
    some = (replace(farm.strings[0], x_m=0.0, y_m=0.0), *farm.strings[1:])
    assert set(row_places(replace(farm, strings=some)).values()) == {"inner"}


# Limits


def test_the_apparent_power_rating_holds_where_it_is_the_smaller():
    # At unity power factor kW = kVA; 45 kVA on a 50 kW unit, and 60 kVA on another.
    farm = site(kinds=(inverter_type(50.0, 45.0), inverter_type(50.0, 60.0)), **LOSSLESS)
    np.testing.assert_allclose(kw(with_dc(farm, [[80.0], [80.0]]).output())[:, 0], [45.0, 50.0])


@pytest.mark.sourced
def test_reactive_power_at_the_rating_costs_real_power_by_the_triangle():
    # S² = P² + Q²: a 100 kVA unit that gives 31.2250 kvar has 95 kW left (algebra).
    farm = site(kinds=(inverter_type(100.0),), **LOSSLESS)
    left = np.sqrt(100.0**2 - 31.2250**2)
    model = with_dc(farm, [[120.0, 50.0]])
    held = kw(model.output(cap_kw=left))[0]
    assert held[0] == pytest.approx(95.0, abs=1e-4)
    assert held[1] == kw(model.output())[0, 1]


def test_an_export_limit_is_shared_in_proportion():
    # 30, 20 and 80 kW before it (97 % efficient at any load): 60 kW at the meter leaves each 60/130.
    flat = tuple(inverter_type(r, points=((1.0, 0.97),)) for r in (50.0, 50.0, 100.0))
    farm = site(kinds=flat, export_limit_kw=60.0, **LOSSLESS)
    dc = np.array([[30.0], [20.0], [80.0]]) / 0.97
    np.testing.assert_allclose(
        kw(with_dc(farm, dc).output())[:, 0], np.array([30.0, 20.0, 80.0]) * 60.0 / 130.0
    )
    # The limit is at the meter, after the losses to it, which scale all alike.
    lossy = replace(farm, ac_wiring_pct=2.0, transformer_pct=1.0)
    assert kw(with_dc(lossy, dc).output()).sum() == pytest.approx(60.0)


def test_a_site_that_may_export_nothing_exports_nothing():
    assert with_dc(site(export_limit_kw=0.0), [[40.0]]).output().sum() == 0.0


def test_the_lower_of_the_standing_limit_and_an_instruction_holds():
    model = with_dc(site(kinds=THREE, export_limit_kw=60.0), np.full((3, 3), 40.0))
    total = kw(model.output(site_cap_kw=np.array([np.inf, 25.0, 90.0]))).sum(axis=0)
    assert total == pytest.approx([60.0, 25.0, 60.0])


def test_an_unknown_inverter_leaves_the_others_known():
    energy = with_dc(site(kinds=THREE, export_limit_kw=500.0), [[np.nan], [30.0], [30.0]]).output()[:, 0]
    assert np.isnan(energy[0])
    assert np.isfinite(energy[1:]).all()


def test_part_of_the_intervals_gives_the_same_as_all():
    model = _model(site(kinds=THREE, export_limit_kw=90.0))
    where = np.array([5, 50, 60, 61])
    factor = np.linspace(0.5, 1.0, 4)
    whole = np.ones(len(model.times))
    whole[where] = factor
    np.testing.assert_array_equal(
        model.output(dc_factor=factor, where=where), model.output(dc_factor=whole)[:, where]
    )


def test_more_light_by_the_sensor_is_more_dc():
    model = _model(site())
    np.testing.assert_allclose(model.scaled_light(1.02).dc, 1.02 * model.dc)


@cache
def limited_three() -> SiteModel:
    return _model(site(kinds=THREE, export_limit_kw=150.0))


@given(seed=st.integers(0, 2**32 - 1))
def test_every_limit_holds_in_any_state(seed):
    rng = np.random.default_rng(seed)
    dc, factor, ac = (
        rng.uniform(0.0, high, (3, 4)) * (rng.random((3, 4)) > 0.1) for high in (150.0, 1.2, 1.0)
    )
    cap, site_cap = rng.uniform(0.0, 120.0, (3, 4)), rng.uniform(0.0, 250.0, 4)
    model = replace(limited_three(), dc=dc)
    power = kw(model.output(factor, ac, cap, site_cap))
    rating = np.array([[50.0], [50.0], [100.0]])
    tight = 1.0 + 1e-12
    assert (power >= 0.0).all()
    assert (power <= np.minimum(rating, cap) * tight).all()
    assert (power.sum(axis=0) <= np.minimum(150.0, site_cap) * tight).all()
    # Energy: no more out of the inverter than went in.
    assert (power <= dc * factor * tight).all()
    assert (
        kw(model.output(factor * 0.9, ac, cap)).sum(axis=0)
        <= kw(model.output(factor, ac, cap)).sum(axis=0) * tight
    ).all()
    assert (model.output() <= model.unlimited() * tight).all()
