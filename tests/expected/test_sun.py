"""Sun position against the published worked example and pvlib's full algorithm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.expected.plain import measured_day, sun_over
from yieldwatch.expected.sun import sun_position


@pytest.mark.sourced
def test_worked_example_of_the_solar_position_algorithm():
    # Reda & Andreas, Solar Energy 76 (2004) 577, appendix (from memory; pvlib carries it in its tests):
    # 2003-10-17 12:30:30 at UTC-7, 39.742476 N, 105.1786 W, 1830.14 m: zenith 50.11162°, azimuth 194.34024°.
    # It takes 820 hPa, 11 °C and TT-UT1 67 s; ours takes the pressure of the altitude, 12 °C and today's 69
    # s, worth 0.0003° of refraction.
    when = pd.DatetimeIndex(["2003-10-17 12:30:30"]).tz_localize("Etc/GMT+7")
    sun = sun_position(when, 39.742476, -105.1786, 1830.14)
    assert sun.zenith[0] == pytest.approx(50.11162, abs=0.0005)
    assert sun.azimuth[0] == pytest.approx(194.34024, abs=0.0005)
    assert sun.elevation[0] == pytest.approx(90.0 - 50.11162, abs=0.0005)


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("latitude", "longitude", "altitude_m"),
    [
        (0.0, 0.0, 0.0),
        (51.5, -1.9, 95.0),
        (-33.9, 150.9, 40.0),
        (28.6, 77.2, 216.0),
        (69.6, 18.9, 10.0),
        (-77.8, 166.7, 24.0),
        (39.74, -105.18, 1830.0),
    ],
)
def test_a_year_agrees_with_the_full_algorithm(latitude, longitude, altitude_m):
    # pvlib 0.16, solarposition.get_solarposition(method="nrel_numpy"), same pressure, temperature and TT-UT1.
    # The bound is a tenth of what the module promises (0.003°); azimuth counts by the sine of zenith, as it
    # means nothing overhead.
    times = pd.date_range("2024-01-01", "2025-01-01", freq="37min", tz="UTC")
    ours = sun_position(times, latitude, longitude, altitude_m)
    full = pvlib.solarposition.get_solarposition(
        times,
        latitude,
        longitude,
        altitude_m,
        pressure=pvlib.atmosphere.alt2pres(altitude_m),
        temperature=12.0,
        method="nrel_numpy",
        delta_t=69.2,
    )
    up = full["apparent_elevation"].to_numpy() > 0
    off_zenith = (ours.zenith - full["apparent_zenith"].to_numpy())[up]
    turn = (ours.azimuth - full["azimuth"].to_numpy() + 180.0) % 360.0 - 180.0
    off_azimuth = turn[up] * np.sin(np.radians(ours.zenith[up]))
    assert up.sum() > 6000
    assert np.abs(off_zenith).max() < 0.0003
    assert np.abs(off_azimuth).max() < 0.0003


def test_the_zone_of_the_stamps_does_not_move_the_sun():
    utc = pd.date_range("2024-06-01", periods=30, freq="h", tz="UTC")
    here, there = (sun_position(t, 51.0, 0.0, 0.0) for t in (utc, utc.tz_convert("Asia/Kolkata")))
    np.testing.assert_allclose(here.zenith, there.zenith, rtol=0, atol=1e-9)


def test_one_instant_is_the_same_alone_and_within_a_year():
    year = pd.date_range("2023-01-01", "2024-01-01", freq="11h", tz="UTC")
    whole, alone = (sun_position(t, -20.0, 30.0, 900.0) for t in (year, year[400:401]))
    assert alone.zenith[0] == pytest.approx(whole.zenith[400], abs=2e-4)
    assert alone.azimuth[0] == pytest.approx(whole.azimuth[400], abs=2e-4)


@pytest.mark.sourced
def test_light_outside_the_atmosphere_over_the_year():
    # Spencer (1971) series with 1366.1 W/m²: early January is 3.5 % above the mean, early July 3.3 % below
    # (Duffie & Beckman, Solar Engineering of Thermal Processes, eq. 1.4.1b; from memory).
    sun = sun_position(pd.DatetimeIndex(["2023-01-03", "2023-07-04"], tz="UTC"), 0.0, 0.0, 0.0)
    assert sun.dni_extra / 1366.1 == pytest.approx([1.035, 0.967], abs=0.001)


@pytest.mark.sourced
def test_measured_beam_and_diffuse_add_up_to_measured_global_light_under_our_sun():
    # Closure of three independent instruments: within 8 % below 75° of zenith (quality limits of the Baseline
    # Surface Radiation Network, Long & Dutton 2002; from memory). A clock or azimuth slip of 20 minutes
    # breaks it on a clear day.
    day = measured_day()
    sun = sun_over(day.index)
    high = sun.zenith < 75.0
    ratio = ((day["dni"] * sun.cos_zenith + day["dhi"]) / day["ghi"])[high]
    assert high.sum() > 70
    assert ratio.between(0.92, 1.08).all()
    late = sun_over(day.index + pd.Timedelta(minutes=20))
    broken = ((day["dni"] * late.cos_zenith + day["dhi"]) / day["ghi"])[high]
    assert not broken.between(0.92, 1.08).all()
