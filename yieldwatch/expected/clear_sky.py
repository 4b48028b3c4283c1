"""
What a site would read and give under a cloudless sky, as a mirror for its clocks.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.expected.irradiance import reference_array
from yieldwatch.expected.power import site_model
from yieldwatch.expected.sun import sun_position
from yieldwatch.expected.weather import GridWeather
from yieldwatch.portfolio.model import Site

#: Aerosol depth at 700 nm and water of an ordinary clear day. [1, cm] They move the level, hardly the shape.
_AEROSOL, _WATER_CM = 0.1, 1.5


def clear_light(
    latitude: float, longitude: float, altitude_m: float, times: pd.DatetimeIndex, step: pd.Timedelta
) -> pd.DataFrame:
    """
    Light of each interval with no cloud: columns ghi, dni, dhi. [W/m²]

    Parameters
    ----------
    latitude, longitude : float
        North and east positive. [°]
    altitude_m : float
    times : DatetimeIndex, shape (n,)
        Starts of intervals of length `step`, UTC; they need not follow on each other.

    References
    ----------
    Ineichen, Solar Energy 82 (2008) 758: the clear sky.
    """
    sun = sun_position(times + step / 2, latitude, longitude, altitude_m)
    up = sun.elevation > 0
    pressure = float(pvlib.atmosphere.alt2pres(altitude_m))
    sky = pvlib.clearsky.simplified_solis(np.where(up, sun.elevation, 1.0), _AEROSOL, _WATER_CM, pressure, sun.dni_extra)
    return pd.DataFrame({name: np.where(up, np.asarray(sky[name]), 0.0) for name in ("ghi", "dni", "dhi")}, index=times)


def clear_site(
    site: Site, times: pd.DatetimeIndex, step: pd.Timedelta, temp_air: np.ndarray, each_inverter: bool = False
) -> pd.DataFrame:
    """
    Light and power of each interval with no cloud and nothing wrong.

    Parameters
    ----------
    times : DatetimeIndex, shape (n,)
        As for `clear_light`.
    temp_air : ndarray, shape (n,)
        [°C]

    Returns
    -------
    DataFrame
        Index `times`; columns ghi, poa_global (the weather's in-plane sensor) [W/m²] and power, all inverters together, or
        with `each_inverter` a column "power " with its name for each [kW].
    """
    table = clear_light(site.latitude, site.longitude, site.altitude_m, times, step)
    weather = GridWeather(table.assign(temp_air=temp_air, wind_speed=3.0), step, np.zeros(len(times), dtype=bool))
    model = site_model(site, weather)
    out = pd.DataFrame({"ghi": table["ghi"], "poa_global": 0.0}, index=times)
    out.iloc[model.at, 1] = model.planes[reference_array(site).id].poa_global
    each = np.zeros((len(model.inverter_ids), len(times)))
    each[:, model.at] = model.output() / weather.hours
    if not each_inverter:
        return out.assign(power=each.sum(axis=0))
    return out.assign(**{f"power {name}": row for name, row in zip(model.inverter_ids, each, strict=True)})
