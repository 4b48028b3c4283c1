"""What is wrong with the station's own light sensors: dirt, a lean, shade, a stuck value, a ceiling."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from .instruments import whole_grid
from .simulate import Farm
from .sky import plane
from .spec import ArraySpec, SensorFault


def faulty_light(farm: Farm, column: str, true: np.ndarray) -> np.ndarray:
    """
    What the sensor of `column` is shown in place of the true light, before its own bias and noise.

    Parameters
    ----------
    true : ndarray, shape (n_times,)
        Light in its plane. [W/m²]
    """
    out = true.copy()
    for fault in farm.spec.instruments.sensor_faults:
        if fault.column == column and fault.kind in ("tilt", "shade", "dirt"):
            out = {"tilt": _leaning, "shade": _shaded, "dirt": _dirty}[fault.kind](farm, fault, out)
    return out


def stuck_or_capped(farm: Farm, column: str, read: np.ndarray) -> np.ndarray:
    """What the logger keeps of what the sensor reads."""
    out = read.copy()
    step = farm.spec.step_minutes / 60
    for fault in farm.spec.instruments.sensor_faults:
        if fault.column == column and fault.kind == "ceiling":
            out = np.minimum(out, fault.size)
        if fault.column == column and fault.kind == "stuck":
            rng = farm.spec.rng(f"stuck {column}")
            for _ in range(rng.poisson(fault.size * len(out) * step / 8766)):
                begin = int(rng.integers(len(out)))
                out[begin : begin + max(2, int(rng.uniform(4, 40) / step))] = out[begin]
    return out


def _own_plane(farm: Farm, fault: SensorFault) -> ArraySpec:
    first = farm.spec.arrays[0]
    return first if fault.column == "poa_global_w_m2" else replace(first, mount="fixed", tilt=0.0, azimuth=180.0)


def _leaning(farm: Farm, fault: SensorFault, light: np.ndarray) -> np.ndarray:
    own = _own_plane(farm, fault)
    tilt, azimuth, toward = np.radians([own.tilt, own.azimuth, fault.toward])
    normal = np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])
    lean = np.tan(np.radians(fault.size)) * np.array([np.sin(toward), np.cos(toward), 0.0])
    normal = (normal + lean) / np.linalg.norm(normal + lean)
    turned = replace(
        own, tilt=float(np.degrees(np.arccos(normal[2]))), azimuth=float(np.degrees(np.arctan2(*normal[:2])) % 360)
    )
    wx = farm.wx[farm.lit]
    straight, leaning = (plane(farm.spec, a, wx, 1).poa_global for a in (own, turned))
    return light * whole_grid(farm, leaning / np.maximum(straight, 1e-6))


def _shaded(farm: Farm, fault: SensorFault, light: np.ndarray) -> np.ndarray:
    wx = farm.wx[farm.lit]
    off = (wx["azimuth"].to_numpy() - fault.toward + 180) % 360 - 180
    behind = (np.abs(off) < fault.width / 2) & (wx["elevation"].to_numpy() < fault.size)
    own = _own_plane(farm, fault)
    lit, dark = (plane(farm.spec, own, w, 1).poa_global for w in (wx, wx.assign(dni=0.0)))
    return light * whole_grid(farm, np.where(behind, dark / np.maximum(lit, 1e-6), 1.0))


def _dirty(farm: Farm, fault: SensorFault, light: np.ndarray) -> np.ndarray:
    days = np.asarray((farm.wx.index.normalize() - farm.wx.index[0].normalize()).days)
    rain = np.bincount(days, farm.wx["precipitation"].to_numpy())
    dirt, now = np.zeros(len(rain)), 0.0
    washed = {(day - farm.wx.index[0].date()).days for day in fault.cleaned}
    for d in range(len(rain)):
        now = 0.0 if d in washed else now
        dirt[d] = now
        now = (now + fault.size / 100) * np.exp(-rain[d] / fault.rain_mm)
    return light * (1 - np.minimum(dirt, 0.4))[days]


def light_of(farm: Farm, wx: pd.DataFrame) -> dict[str, np.ndarray]:
    """Light that each of the station's sensors is shown. [W/m²]"""
    true = {
        "poa_global_w_m2": whole_grid(farm, farm.sensor_plane.poa_global),
        "ghi_w_m2": wx["ghi"].to_numpy(),
    }
    return {name: faulty_light(farm, name, values) for name, values in true.items()}
