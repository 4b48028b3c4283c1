"""
The electrical model of a module: one diode, moved over light and temperature.

The physics is given and the datasheet follows from it, so that the farm's
modules are exactly what their datasheet says, before the maker's spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pvlib

from .spec import ModuleSpec

THERMAL_V = 1.380649e-23 * 298.15 / 1.602176634e-19  # kT/q at 25 °C
LIGHT = np.concatenate([[1e-3], np.linspace(5, 100, 20), np.linspace(120, 1500, 47)])
HEAT = np.linspace(-30, 95, 26)


@dataclass(frozen=True)
class Curve:
    """The five diode parameters, arrays of one shape. [A, A, ohm, ohm, V]"""

    i_l: np.ndarray
    i_0: np.ndarray
    r_s: np.ndarray
    r_sh: np.ndarray
    n_v: np.ndarray

    def points(self) -> dict[str, np.ndarray]:
        found = pvlib.pvsystem.singlediode(self.i_l, self.i_0, self.r_s, self.r_sh, self.n_v)
        return {k: np.asarray(found[k]) for k in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")}

    def current(self, voltage: np.ndarray) -> np.ndarray:
        return np.asarray(
            pvlib.pvsystem.i_from_v(
                voltage, self.i_l, self.i_0, self.r_s, self.r_sh, self.n_v, method="brentq"
            )
        )


@dataclass(frozen=True)
class TwoPart:
    """A string as one module: a share `weak_share` of its bypass groups has a curve of its own, or is carried past."""

    sound: Curve
    weak: Curve
    weak_share: float
    bypass_v: float  # of all the module's diodes when they conduct

    def _sampled(self) -> tuple[np.ndarray, np.ndarray]:
        """Current and voltage, shape (n, points)."""
        current = np.linspace(0, 1, 240)[None, :] * self.sound.points()["i_sc"][:, None]
        volts = []
        for part in (self.sound, self.weak):
            with np.errstate(all="ignore"):
                found = pvlib.pvsystem.v_from_i(
                    current, *(p[:, None] for p in (part.i_l, part.i_0, part.r_s, part.r_sh, part.n_v))
                )
            volts.append(np.maximum(np.nan_to_num(found, nan=-np.inf), -self.bypass_v))
        return current, (1 - self.weak_share) * volts[0] + self.weak_share * volts[1]

    def points(self) -> dict[str, np.ndarray]:
        current, volts = self._sampled()
        row, top = np.arange(len(current)), np.argmax(current * volts, axis=1)
        i_mp, v_mp = current[row, top], volts[row, top]
        i_sc = np.array([np.interp(0.0, -v, i) for v, i in zip(volts, current, strict=True)])
        return {"i_sc": i_sc, "v_oc": volts[:, 0], "i_mp": i_mp, "v_mp": v_mp, "p_mp": i_mp * v_mp}

    def current(self, voltage: np.ndarray) -> np.ndarray:
        """Of a single curve, at voltages of shape (m,)."""
        current, volts = self._sampled()
        return np.interp(-voltage, -volts[0], current[0])


def curve(
    module: ModuleSpec,
    light: np.ndarray,
    temp: np.ndarray,
    r_s_more: np.ndarray | float = 0.0,
    shunt_ohm: np.ndarray | float | None = None,
) -> Curve:
    """The module's curve in `light` [W/m²] that reaches its cells at `temp` [°C]."""
    n_v = module.ideality * module.cells * THERMAL_V
    r_sh = module.r_sh_ohm
    # The photocurrent that gives the stated short-circuit current, and the dark current the stated voltage.
    i_l = module.i_sc_a * (1 + module.r_s_ohm / r_sh)
    v_oc = module.cells * module.v_oc_cell_v
    i_0 = (i_l - v_oc / r_sh) / np.expm1(v_oc / n_v)
    shape = np.broadcast(light, temp, r_s_more).shape
    made = pvlib.pvsystem.calcparams_desoto(
        np.maximum(light, 1e-3),
        temp,
        module.alpha_pct / 100 * module.i_sc_a,
        n_v,
        i_l,
        i_0,
        1.0,
        module.r_s_ohm,
        EgRef=module.gap_ev,
        dEgdT=-0.0002677,
    )
    # The module's own leak follows the light (De Soto 2006), some less than others; a fault's is a plain resistor beside it.
    leak = (np.maximum(light, 1.0) / 1000.0) ** module.leak_power / r_sh + (
        0.0 if shunt_ohm is None else 1.0 / np.asarray(shunt_ohm)
    )
    return Curve(
        *(np.broadcast_to(p, shape) for p in (made[0], made[1], made[2] + r_s_more, 1.0 / leak, made[4]))
    )


@lru_cache(maxsize=64)
def _table(module: ModuleSpec, r_s_more: float, shunt_ohm: float | None) -> tuple[np.ndarray, np.ndarray]:
    light, heat = np.meshgrid(LIGHT, HEAT, indexing="ij")
    found = curve(module, light.ravel(), heat.ravel(), r_s_more, shunt_ohm).points()
    return found["p_mp"].reshape(light.shape), found["v_mp"].reshape(light.shape)


def _look_up(table: np.ndarray, light: np.ndarray, temp: np.ndarray) -> np.ndarray:
    """Bilinear in light and temperature."""
    row = np.interp(light, LIGHT, np.arange(LIGHT.size))
    col = np.interp(temp, HEAT, np.arange(HEAT.size))
    r, c = np.minimum(row.astype(int), LIGHT.size - 2), np.minimum(col.astype(int), HEAT.size - 2)
    u, v = row - r, col - c
    low = (1 - v) * table[r, c] + v * table[r, c + 1]
    high = (1 - v) * table[r + 1, c] + v * table[r + 1, c + 1]
    return (1 - u) * low + u * high


def power(
    module: ModuleSpec,
    light: np.ndarray,
    temp: np.ndarray,
    r_s_more: float = 0.0,
    shunt_ohm: float | None = None,
) -> np.ndarray:
    """Maximum power of one module. [W]"""
    return _look_up(_table(module, r_s_more, shunt_ohm)[0], light, temp)


@lru_cache(maxsize=64)
def _weak_table(module: ModuleSpec, kept: float, weak_share: float) -> np.ndarray:
    light, heat = np.meshgrid(LIGHT, HEAT, indexing="ij")
    found = weak_part(module, light.ravel(), heat.ravel(), kept, weak_share).points()
    return found["p_mp"].reshape(light.shape)


def weak_part(module: ModuleSpec, light: np.ndarray, temp: np.ndarray, kept: float, weak_share: float) -> TwoPart:
    """A string with `kept` of the current in a share of its bypass groups."""
    return TwoPart(curve(module, light, temp), curve(module, light * kept, temp), weak_share, 0.5 * module.bypass)


def weak_power(module: ModuleSpec, light: np.ndarray, temp: np.ndarray, kept: float, weak_share: float) -> np.ndarray:
    """Maximum power of one module's share of such a string. [W]"""
    return _look_up(_weak_table(module, kept, weak_share), light, temp)


def voltage(module: ModuleSpec, light: np.ndarray, temp: np.ndarray) -> np.ndarray:
    """Voltage of one module at maximum power. [V]"""
    return _look_up(_table(module, 0.0, None)[1], light, temp)


@lru_cache(maxsize=64)
def datasheet(module: ModuleSpec) -> dict[str, float]:
    """Values at 1000 W/m², 25 °C; coefficients from 25 to 65 °C, in per cent per degree."""
    found = curve(module, np.array([1000.0, 1000.0]), np.array([25.0, 65.0])).points()
    cold = {k: float(v[0]) for k, v in found.items()}
    slope = {k: float(v[1] / v[0] - 1) / 40 * 100 for k, v in found.items()}
    return cold | {"alpha": slope["i_sc"], "beta": slope["v_oc"], "gamma": slope["p_mp"]}
