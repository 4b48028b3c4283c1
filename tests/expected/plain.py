"""A plain site and plain weather for tests of the expected yield."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from yieldwatch.expected.irradiance import SkyLight
from yieldwatch.expected.sun import Sun, sun_position
from yieldwatch.expected.weather import GridWeather
from yieldwatch.portfolio.model import Array, Inverter, InverterType, ModuleType, Site, String

SOUTH = Array("A", "fixed", tilt_deg=30.0, azimuth_deg=180.0)
CURVE = (
    (0.05, 0.92),
    (0.10, 0.95),
    (0.20, 0.968),
    (0.30, 0.973),
    (0.50, 0.976),
    (0.75, 0.975),
    (1.00, 0.971),
)
MODULE = ModuleType(
    "M400",
    "mono-Si",
    p_mp_w=400.0,
    i_sc_a=10.3,
    v_oc_v=49.1,
    i_mp_a=9.76,
    v_mp_v=41.0,
    alpha_i_sc_pct_per_c=0.05,
    beta_v_oc_pct_per_c=-0.28,
    gamma_p_mp_pct_per_c=-0.36,
    cells_in_series=72,
    bypass_diodes=3,
    tolerance_minus_pct=0.0,
    tolerance_plus_pct=3.0,
)
#: Where the measured day was measured.
LATITUDE, LONGITUDE, ALTITUDE_M = 37.70, -105.92, 2317.0
#: Where the winter's hours were.
WINTER_AT = {"latitude": 39.742, "longitude": -105.179, "altitude_m": 1829.0}
DATA = Path(__file__).parents[1] / "data"


def inverter_type(
    rated_kw: float = 50.0, rated_kva: float | None = None, points: tuple[tuple[float, float], ...] = CURVE
) -> InverterType:
    return InverterType(
        "K", rated_kw, rated_kw if rated_kva is None else rated_kva, None, 2, None, None, points
    )


def site(
    arrays: tuple[Array, ...] = (SOUTH,),
    kinds: tuple[InverterType, ...] = (inverter_type(),),
    strings_each: int = 6,
    **more: Any,
) -> Site:
    """
    A site at the measured day's place; each inverter has `strings_each` strings of 25 modules on each array.
    """
    inverters = tuple(Inverter(f"I{k}", kind) for k, kind in enumerate(kinds))
    strings = tuple(
        String(f"S{i.inverter_id}{a.id}{n}", i.inverter_id, a.id, MODULE, 25)
        for i in inverters
        for a in arrays
        for n in range(strings_each)
    )
    settings: dict[str, Any] = {
        "id": "s",
        "name": "S",
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "altitude_m": ALTITUDE_M,
        "timezone": "Etc/GMT+7",
        "commissioned": dt.date(2015, 1, 1),
    }
    return Site(**settings | more, arrays=arrays, inverters=inverters, strings=strings)


def measured_day() -> pd.DataFrame:
    """Global, beam and diffuse light of a clear winter day; see tests/data/README.md. [W/m²]"""
    rows = pd.read_csv(DATA / "irradiance_one_day.csv", parse_dates=["time"], index_col="time")
    rows.index = rows.index.tz_convert("UTC")
    return rows.set_axis([c.removesuffix("_w_m2") for c in rows], axis=1)


def winter_hours(lowest: float, highest: float) -> tuple[pd.DataFrame, SkyLight, Sun, np.ndarray]:
    """
    Measured hours of a winter, see tests/data/README.md: their index and global light, their light, the sun, and which of them
    have it between two heights. [W/m², °]
    """
    rows = pd.read_csv(DATA / "irradiance_winter_hours.csv", parse_dates=["time"], index_col="time")
    rows.index = rows.index.tz_convert("UTC")
    light = SkyLight(*(rows[f"{c}_w_m2"].to_numpy(float) for c in ("ghi", "dni", "dhi")))
    place = (WINTER_AT[c] for c in ("latitude", "longitude", "altitude_m"))
    sun = sun_position(rows.index + pd.Timedelta(minutes=30), *place)
    within = (sun.elevation > lowest) & (sun.elevation < highest)
    return pd.DataFrame({"ghi": light.ghi}, rows.index), light, sun, within


def sun_over(times: pd.DatetimeIndex, minutes: float = 5.0) -> Sun:
    """The sun at the intervals' middles, at the measured day's place."""
    return sun_position(times + pd.Timedelta(minutes=minutes / 2), LATITUDE, LONGITUDE, ALTITUDE_M)


def daylight(table: pd.DataFrame, lowest: float = 0.0) -> tuple[pd.DataFrame, Sun]:
    """Rows with the sun above `lowest` degrees, and the sun there."""
    sun = sun_over(table.index)
    up = sun.elevation > lowest
    return table[up], Sun(sun.zenith[up], sun.azimuth[up], sun.dni_extra[up])


def measured_light() -> tuple[pd.DataFrame, SkyLight, Sun]:
    """The measured day with the sun above 5°: its rows, its light and the sun."""
    day, sun = daylight(measured_day(), lowest=5.0)
    return day, SkyLight(*(day[c].to_numpy(float) for c in ("ghi", "dni", "dhi"))), sun


def sun_at(zenith: object, azimuth: object) -> Sun:
    """A sun anywhere."""
    zenith, azimuth = np.broadcast_arrays(
        np.atleast_1d(np.asarray(zenith, float)), np.asarray(azimuth, float)
    )
    return Sun(zenith.copy(), azimuth.copy(), np.full(zenith.shape, 1361.0))


def on_grid(table: pd.DataFrame, minutes: float = 5.0) -> GridWeather:
    """Weather that is on its grid already, gaps and all."""
    return GridWeather(table, pd.Timedelta(minutes=minutes), table.isna().any(axis=1).to_numpy())
