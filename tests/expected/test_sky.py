"""
The split of global light into beam and sky, against a measured day and what physics demands.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.expected.plain import SOUTH, WINTER_AT, daylight, measured_day, measured_light, site, winter_hours
from yieldwatch.errors import FieldDataError
from yieldwatch.expected.irradiance import (
    SkyLight,
    beam_from_two_planes,
    plane_light,
    reference_array,
    sky_light,
)


@pytest.mark.sourced
def test_beam_of_a_clear_mountain_day_from_global_light_alone():
    # Against the measured beam. Perez et al. 1992 give DIRINT hourly errors of about 10 to 15 % of the mean
    # (from memory); a whole clear day should do better: 10 %. At 2300 m, sea-level pressure would make the
    # air mass a third too large.
    day, sun = daylight(measured_day(), lowest=-1.0)
    split = sky_light(day[["ghi"]], sun, site())
    assert split.dni.sum() == pytest.approx(day["dni"].sum(), rel=0.10)
    at_sea = sky_light(day[["ghi"]], sun, site(altitude_m=0.0))
    assert abs(split.dni.sum() - day["dni"].sum()) < abs(at_sea.dni.sum() - day["dni"].sum())


@pytest.mark.sourced
def test_a_low_winter_sun_keeps_its_beam_in_a_split_of_global_light_alone():
    # Measured hours, see tests/data/README.md. pvlib's DIRINT alone stands beside.
    light, measured, sun, low = winter_hours(5.0, 20.0)
    beam = sky_light(light, sun, site(**WINTER_AT)).dni * sun.cos_zenith
    truth = measured.dni * sun.cos_zenith
    assert beam[low].sum() == pytest.approx(truth[low].sum(), rel=0.10)

    def error(of: np.ndarray) -> float:
        return float(np.sqrt(np.mean((of - truth)[low] ** 2)))

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        dirint = pvlib.irradiance.dirint(light["ghi"], pd.Series(sun.zenith, light.index), light.index,
                                         pressure=pvlib.atmosphere.alt2pres(WINTER_AT["altitude_m"])).fillna(0.0)
    alone = dirint.to_numpy() * sun.cos_zenith
    assert alone[low].sum() < 0.87 * truth[low].sum()
    assert error(beam) < error(alone)


@pytest.mark.sourced
def test_a_low_winter_sun_keeps_its_beam_behind_an_in_plane_reading():
    # The same hours in a plane by Perez's sky (pvlib), which is not the one inverted.
    light, measured, sun, low = winter_hours(5.0, 20.0)
    up = sun.elevation > 3.0
    tilt, facing = float(SOUTH.tilt_deg or 0.0), float(SOUTH.azimuth_deg or 0.0)
    cosine = np.maximum(np.cos(np.radians(pvlib.irradiance.aoi(tilt, facing, sun.zenith, sun.azimuth))), 0.0)
    sky = pvlib.irradiance.perez(tilt, facing, measured.dhi, measured.dni, sun.dni_extra, sun.zenith, sun.azimuth,
                                 pvlib.atmosphere.get_relative_airmass(sun.zenith))
    ground = measured.ghi * SOUTH.albedo * (1.0 - np.cos(np.radians(tilt))) / 2.0
    plane = np.where(up, measured.dni * cosine + np.nan_to_num(sky) + ground, 0.0)
    found = sky_light(pd.DataFrame({"poa_global": plane}, light.index), sun, site(**WINTER_AT))
    assert (found.dni * cosine)[low].sum() == pytest.approx((measured.dni * cosine)[low].sum(), rel=0.05)


def test_the_measured_parts_are_used_where_they_are_known_and_modelled_where_not():
    day, sun = daylight(measured_day(), lowest=5.0)
    day.iloc[20, day.columns.get_loc("dhi")] = np.nan
    day.iloc[20, day.columns.get_loc("dni")] = np.nan
    split = sky_light(day, sun, site())
    known = np.arange(len(day)) != 20
    np.testing.assert_array_equal(split.dni[known], day["dni"].to_numpy()[known])
    np.testing.assert_array_equal(split.dhi[known], day["dhi"].to_numpy()[known])
    assert 0.0 < split.dni[20] < 1361.0


@pytest.mark.parametrize("given_part", ["dhi", "dni"])
def test_one_part_beside_global_light_gives_the_other(given_part):
    day, sun = daylight(measured_day(), lowest=10.0)
    split = sky_light(day[["ghi", given_part]], sun, site())
    # ghi = dni cos(zenith) + dhi, by definition.
    np.testing.assert_allclose(split.dni * sun.cos_zenith + split.dhi, split.ghi, rtol=1e-9)
    np.testing.assert_array_equal(getattr(split, given_part), day[given_part].to_numpy())


def test_unknown_global_light_is_not_darkness_and_harms_no_neighbour():
    day, sun = daylight(measured_day(), lowest=10.0)
    light = day[["ghi"]].copy()
    light.iloc[[10, 12, 40]] = np.nan
    split = sky_light(light, sun, site())
    unknown = np.isnan(light["ghi"].to_numpy())
    for part in (split.ghi, split.dni, split.dhi):
        np.testing.assert_array_equal(np.isnan(part), unknown)
    # Interval 11 is clear, alone between two unknown ones.
    assert split.dni[11] > 0.6 * day["dni"].iloc[11]


def test_global_light_on_uneven_stamps_is_split():
    day, sun = daylight(measured_day(), lowest=10.0)
    keep = np.flatnonzero(np.random.default_rng(3).random(len(day)) > 0.4)
    some = replace(sun, zenith=sun.zenith[keep], azimuth=sun.azimuth[keep], dni_extra=sun.dni_extra[keep])
    split = sky_light(day[["ghi"]].iloc[keep], some, site())
    assert split.dni.sum() == pytest.approx(day["dni"].iloc[keep].sum(), rel=0.15)


def test_an_in_plane_reading_alone_is_given_back_in_its_plane():
    _, sky, sun = measured_light()
    farm = site()
    reading = plane_light(SOUTH, sky, sun, farm).poa_global
    reading[5] = np.nan
    found = sky_light(pd.DataFrame({"poa_global": reading}, measured_light()[0].index), sun, farm)
    back = plane_light(SOUTH, found, sun, farm).poa_global
    # Bisection stops at 1.3 x 1400 W/m² / 2^24 = 0.0001 W/m².
    np.testing.assert_allclose(back, reading, atol=0.01)
    assert np.isnan(found.ghi[5])
    # The decomposition is not the measured one, but the level of the global light must come out: 5 %.
    assert np.nansum(found.ghi) == pytest.approx(np.delete(sky.ghi, 5).sum(), rel=0.05)


def test_a_tilted_reading_beside_the_level_one_sharpens_the_beam():
    _, sky, sun = measured_light()
    farm = site()
    # The instruments close to 1 to 6 %; what is under test is the split, so global light is made their sum.
    sky = SkyLight(sky.dni * sun.cos_zenith + sky.dhi, sky.dni, sky.dhi)
    day = pd.DataFrame({"ghi": sky.ghi}, measured_light()[0].index)
    tilted = plane_light(SOUTH, sky, sun, farm).poa_global
    rough = sky_light(day, sun, farm)
    sharp = beam_from_two_planes(rough, tilted, SOUTH, sun, farm)
    error = [np.abs(guess.dni - sky.dni).sum() for guess in (rough, sharp)]
    assert error[1] < 0.5 * error[0]
    np.testing.assert_array_equal(sharp.ghi, rough.ghi)


def test_a_gap_in_the_tilted_reading_leaves_the_split_as_it_was():
    day, sun = daylight(measured_day(), lowest=5.0)
    rough = sky_light(day[["ghi"]], sun, site())
    sharp = beam_from_two_planes(rough, np.full(len(day), np.nan), SOUTH, sun, site())
    np.testing.assert_allclose(sharp.dni, rough.dni)


def test_no_light_at_all_is_said():
    day, sun = daylight(measured_day())
    with pytest.raises(FieldDataError, match=r"sites/s/weather.csv: no light. Expected ghi_w_m2"):
        sky_light(day[["dni"]], sun, site())


def test_the_sensors_plane_is_the_named_array_or_the_first():
    east = replace(SOUTH, id="E", azimuth_deg=90.0)
    assert reference_array(site((SOUTH, east))).id == "A"
    assert reference_array(site((SOUTH, east), poa_array="E")).id == "E"
