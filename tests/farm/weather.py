"""
The weather that came: a clear sky times clouds that persist, temperature, wind, rain and snow.

The sun is taken at each interval's middle. The three parts of the light fit
each other: ghi = dni cos(zenith) + dhi.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib
from scipy.signal import lfilter
from scipy.special import ndtr, ndtri

from .spec import FarmSpec


@dataclass(frozen=True)
class Climate:
    """Winter value, then summer value; cloud is the mean share of sky, wet the chance of rain a day."""

    cloud: tuple[float, float]
    wet: tuple[float, float]
    rain_mm: tuple[float, float]  # mean depth of a wet day
    temp: tuple[float, float]
    day_range: float
    wind: float
    aerosol: float
    water_cm: tuple[float, float]


CLIMATES = {
    "maritime": Climate((0.70, 0.58), (0.55, 0.38), (5.0, 4.5), (5.0, 16.0), 6.0, 4.2, 0.10, (1.1, 2.0)),
    "dry_summer": Climate((0.42, 0.10), (0.28, 0.03), (8.0, 4.0), (9.5, 27.0), 13.0, 2.8, 0.14, (1.1, 1.8)),
    "subtropical": Climate((0.35, 0.48), (0.18, 0.42), (8.0, 15.0), (14.0, 27.0), 9.0, 3.0, 0.16, (2.0, 4.0)),
    "continental": Climate((0.62, 0.40), (0.34, 0.33), (3.5, 7.0), (-4.0, 21.0), 9.5, 3.2, 0.11, (0.6, 2.4)),
}


def drift(rng: np.random.Generator, n: int, steps: float) -> np.ndarray:
    """Unit-variance noise that forgets itself over `steps` steps."""
    a = np.exp(-1.0 / steps)
    return lfilter([np.sqrt(1 - a * a)], [1, -a], rng.normal(size=n), zi=[a * rng.normal()])[0]


def time_grid(spec: FarmSpec) -> pd.DatetimeIndex:
    """Every interval start from the first local midnight to the last, in UTC."""
    ends = pd.DatetimeIndex([spec.start, spec.end]).tz_localize(spec.timezone).tz_convert("UTC")
    return pd.date_range(*ends, freq=f"{spec.step_minutes}min", inclusive="left", unit="s")


def summerness(spec: FarmSpec, times: pd.DatetimeIndex) -> np.ndarray:
    """0 in the coldest weeks of the year, 1 in the warmest; three weeks after the solstices."""
    phase = 2 * np.pi * (times.day_of_year.to_numpy() - 203) / 365.25
    return 0.5 + 0.5 * np.cos(phase) * (1 if spec.latitude > 0 else -1)


def _clouds(spec: FarmSpec, day: np.ndarray, cover: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Share of each interval in which the sun stands clear."""
    n, hour = day.size, 60.0 / spec.step_minutes
    daily = drift(rng, day[-1] + 1, 1.6)[day]
    cover_today = ndtr(1.25 * daily + ndtri(np.clip(cover, 0.03, 0.97)) * np.sqrt(1 + 1.25**2))
    passing = 0.75 * drift(rng, n, 1.8 * hour) + 0.66 * drift(rng, n, max(0.35 * hour, 0.3))
    return ndtr((ndtri(np.clip(1 - cover_today, 1e-3, 1 - 1e-3)) - passing) / 0.35)


def _rain(
    spec: FarmSpec,
    day: np.ndarray,
    wet: np.ndarray,
    depth: np.ndarray,
    cloudy: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Rain in each interval, falling on the cloudier days in one spell. [mm]"""
    n_days = day[-1] + 1
    first = np.searchsorted(day, np.arange(n_days))
    gloom = np.bincount(day, cloudy) / np.bincount(day)
    chance = wet[first] * np.clip(gloom / np.clip(gloom.mean(), 0.05, None), 0.05, 2.2)
    amount = np.where(rng.random(n_days) < chance, rng.gamma(0.75, depth[first] / 0.75), 0.0)
    hour = 60.0 / spec.step_minutes
    begin = first + (rng.random(n_days) * 20 * hour).astype(int)
    length = np.maximum(1, (rng.gamma(2.0, 1.5, n_days) * hour).astype(int))
    rain = np.zeros(day.size)
    for d in np.flatnonzero(amount > 0.1):
        rain[begin[d] : begin[d] + length[d]] += amount[d] / length[d]
    return rain


def _snow(rain: np.ndarray, temp: np.ndarray, step_h: float) -> tuple[np.ndarray, np.ndarray]:
    """Depth on the ground [m] and new snow in each interval [m]."""
    new = np.where(temp < 0.5, rain * 0.01, 0.0)
    melt = np.clip(temp, 0, None) * 0.0009 * step_h + 0.0004 * step_h
    depth = np.zeros(rain.size)
    level = 0.0
    for i in range(rain.size if new.any() else 0):
        level = max(0.0, level + new[i] - melt[i])
        depth[i] = level
    return depth, new


def _light(
    spec: FarmSpec,
    climate: Climate,
    sun: pd.DataFrame,
    summer: np.ndarray,
    clear: np.ndarray,
    thick: np.ndarray,
) -> pd.DataFrame:
    water = np.interp(summer, (0, 1), climate.water_cm)
    pressure = pvlib.atmosphere.alt2pres(spec.altitude_m)
    sky = pvlib.clearsky.simplified_solis(
        sun["elevation"].to_numpy(), climate.aerosol, water, pressure, 1364.0
    )
    up = sun["elevation"].to_numpy() > 0
    cos_zenith = np.cos(np.radians(sun["zenith"].to_numpy()))
    dni = np.where(up, clear * sky["dni"], 0.0)
    dhi = np.where(up, clear * sky["dhi"] * (1 + 0.9 * (1 - clear)) + (1 - clear) * thick * sky["ghi"], 0.0)
    return pd.DataFrame({"dni": dni, "dhi": dhi, "ghi": dni * np.clip(cos_zenith, 0, None) + dhi}, sun.index)


def weather(spec: FarmSpec) -> pd.DataFrame:
    """
    Draw the weather of the farm's history.

    Returns
    -------
    DataFrame
        Index interval start, UTC. Columns zenith, elevation, azimuth [deg]; dni, dhi, ghi [W/m²];
        clear (share of the interval with the sun clear); temp_air [°C]; wind_speed [m/s];
        precipitation [mm]; snow_depth, new_snow [m].
    """
    climate, times = CLIMATES[spec.climate], time_grid(spec)
    rng = spec.rng("weather")
    middle = times + pd.Timedelta(minutes=spec.step_minutes / 2)
    position = pvlib.solarposition.get_solarposition(
        middle, spec.latitude, spec.longitude, spec.altitude_m, method="nrel_numpy"
    )
    sun = position.set_axis(times)[["apparent_zenith", "apparent_elevation", "azimuth"]]
    sun.columns = pd.Index(["zenith", "elevation", "azimuth"])
    local = times.tz_convert(spec.timezone)
    day = np.asarray((local.tz_localize(None).normalize() - pd.Timestamp(spec.start)).days)
    summer, hour = summerness(spec, times), 60.0 / spec.step_minutes
    clear = _clouds(spec, day, np.interp(summer, (0, 1), climate.cloud), rng)
    thick = np.clip(0.36 + 0.13 * drift(rng, times.size, 5 * hour), 0.1, 0.75)
    out = sun.join(_light(spec, climate, sun, summer, clear, thick))
    out["clear"] = clear
    rain = _rain(
        spec,
        day,
        np.interp(summer, (0, 1), climate.wet),
        np.interp(summer, (0, 1), climate.rain_mm),
        1 - clear,
        rng,
    )
    solar_hour = (middle.hour + middle.minute / 60 + spec.longitude / 15) % 24
    swing = climate.day_range * (0.25 + 0.3 * summer) * (0.5 + 0.7 * clear)
    out["temp_air"] = (
        np.interp(summer, (0, 1), climate.temp)
        + swing * np.cos(2 * np.pi * (np.asarray(solar_hour) - 15) / 24)
        + 3.2 * drift(rng, times.size, 60 * hour)
    )
    gust = np.exp(0.45 * drift(rng, times.size, 9 * hour) + 0.12 * rng.normal(size=times.size))
    out["wind_speed"] = (
        climate.wind * gust * (0.8 + 0.2 * np.cos(2 * np.pi * (np.asarray(solar_hour) - 14) / 24))
    )
    out["precipitation"] = rain
    out["snow_depth"], out["new_snow"] = _snow(rain, out["temp_air"].to_numpy(), 1 / hour)
    return out
