"""
Cell temperature: the farm's own sensor where it is sane, else wind-cooled by Faiman's model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.constants import CELL_ABOVE_BACK

#: Wind assumed where none is measured. [m/s] Common practice, no source.
WIND_ASSUMED = 1.5


@dataclass(frozen=True)
class CellTemperature:
    """`temp_cell` [°C] per interval, and where it came from in words."""

    temp_cell: np.ndarray
    source: str


def cell_temperature(poa_global: np.ndarray, weather: pd.DataFrame) -> CellTemperature:
    """
    Cell temperature of an array.

    Faiman, Prog. Photovolt. 16 (2008) 307: seven silicon modules in the Negev on an open rack, u0 25.0 W/m²K,
    u1 6.84 W·s/m³K (pvlib's defaults). The farm's own module sensor, where present, replaces it if it rises
    with the light as a sensor on a module's back must; its gaps are filled by the model.

    Parameters
    ----------
    poa_global : ndarray
        [W/m²]
    weather : DataFrame
        temp_air [°C], and optionally wind_speed [m/s], temp_module [°C].
    """
    air = weather["temp_air"].to_numpy(float)
    if "wind_speed" in weather:
        wind = weather["wind_speed"].to_numpy(float)
        wind = np.where(np.isfinite(wind), np.clip(wind, 0.0, 30.0), WIND_ASSUMED)
        source = "air temperature and wind (Faiman)"
    else:
        wind = np.full_like(air, WIND_ASSUMED)
        source = f"air temperature, wind assumed {WIND_ASSUMED} m/s (Faiman)"
    modelled = np.asarray(pvlib.temperature.faiman(np.maximum(poa_global, 0.0), air, wind))
    if "temp_module" not in weather:
        return CellTemperature(modelled, source)
    back = weather["temp_module"].to_numpy(float)
    if not _sane(back, air, poa_global):
        return CellTemperature(
            modelled, source + "; the module temperature sensor does not follow the light and is not used")
    cell = back + CELL_ABOVE_BACK * np.maximum(poa_global, 0.0) / 1000.0
    return CellTemperature(np.where(np.isfinite(cell), cell, modelled),
                           "the module temperature sensor; gaps by " + source)


def _sane(back: np.ndarray, air: np.ndarray, poa: np.ndarray) -> bool:
    """
    A sensor on a module's back stands 10 to 45 °C above the air at full sun (common practice, no source).
    """
    bright = np.isfinite(back) & np.isfinite(air) & (poa > 500.0)
    if bright.sum() < 50:
        return False
    rise = float(np.median((back - air)[bright] / poa[bright] * 1000.0))
    return 10.0 <= rise <= 45.0
