"""
A module's electrical behaviour from its datasheet: a single-diode model, fitted once a type.

Maximum power is tabulated over irradiance and temperature and then interpolated,
because solving the diode equation for each interval is the largest cost of the
usual route and buys nothing: the table agrees with the equation to 0.01 % above 10 W/m².
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pvlib
from scipy.optimize import least_squares

from yieldwatch.constants import IRRADIANCE_STC, TEMP_STC, THERMAL_VOLTAGE_PER_K, ZERO_CELSIUS_K
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.model import ModuleType

_KEY_POINTS = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")
#: Nodes of the table are even in the square root of irradiance, dense where efficiency bends. [W/m²]
_G_NODES, _G_MAX = 240, 1800.0
_ROOT_STEP = _G_MAX**0.5 / _G_NODES
_T_STEP, _T_MIN, _T_MAX = 5.0, -40.0, 110.0
#: Ideality of crystalline silicon: 1.07 of the module of De Soto et al. 2006, about 1.15 of the measured one that
#: tests/expected/test_module.py carries; other technologies have no usual one. The gap of silicon is 1.121 eV (De Soto et al.);
#: its spread here stands for coefficients that are rounded, and for cells whose voltage falls otherwise.
_IDEALITY, _IDEALITY_SD, _IDEALITY_SD_OTHER = 1.07, 0.06, 2.0
_GAP_EV, _GAP_SD_EV, _GAP_MOST_EV = 1.121, 0.14, 0.5
#: Trade names of cells that are no crystalline silicon, by their absorber. All others ("mono-PERC", "TOPCon", "poly", "n-type")
#: name how a silicon cell is made, and new ones come every year. Common practice, no source.
_OTHER_ABSORBER = re.compile(
    r"cd(se)?te|cadmium|\bci[gs]|copper.indium|amorph|\b(a|µc|μc|uc|nc)[- ]?si\b|micro(morph|crystal)|nanocrystal"
    r"|thin.?film|perovskite|organic|polymer|gaas|gallium|tandem|multi-?junction"
)
_HETEROJUNCTION = ("hetero", "hjt", "shj")
#: How near the datasheet's own points must come, against what is usual. [fraction of current]
_STATED_TO = 1e-5


@dataclass(frozen=True, eq=False)
class Module:
    """
    Single-diode model of one module type, with its table of maximum power.

    Attributes
    ----------
    module_type : ModuleType
    parameters : dict
        `alpha_sc` [A/K], `a_ref` [V], `I_L_ref` [A], `I_o_ref` [A], `R_sh_ref` [ohm], `R_s` [ohm], `EgRef` [eV]
        of De Soto et al., Solar Energy 80 (2006) 78.
    """

    module_type: ModuleType
    parameters: dict[str, float]
    _gain: np.ndarray

    def key_points(self, poa: np.ndarray | float, temp_cell: np.ndarray | float) -> dict[str, np.ndarray]:
        """
        Return i_sc, v_oc, i_mp, v_mp, p_mp of one module. [A, V, A, V, W]

        Parameters
        ----------
        poa : float or ndarray
            Effective irradiance, above zero. [W/m²]
        temp_cell : float or ndarray
            Cell temperature. [°C]

        Notes
        -----
        Voltages at the maximum power point, and power with them, carry the datasheet's power
        coefficient where the diode model's own differs from it.
        """
        poa, temp_cell = np.broadcast_arrays(np.asarray(poa, float), np.asarray(temp_cell, float))
        out = _solve(self.parameters, poa, temp_cell)
        correction = _gamma_correction(self.parameters, self.module_type, temp_cell)
        out["v_mp"], out["p_mp"] = out["v_mp"] * correction, out["p_mp"] * correction
        return out

    def p_mp(self, poa: np.ndarray, temp_cell: np.ndarray) -> np.ndarray:
        """
        Maximum power of one module by table, NaN where an input is NaN. [W]

        Irradiance outside 0 to 1800 W/m² and temperature outside -40 to 110 °C take the table's edge.
        """
        g = np.sqrt(np.clip(poa, 0.0, _G_MAX - 1e-6)) / _ROOT_STEP
        t = (np.clip(temp_cell, _T_MIN, _T_MAX - 1e-6) - _T_MIN) / _T_STEP
        g = np.where(np.isfinite(t), g, np.nan)
        known = np.isfinite(g)
        gi, ti = np.where(known, g, 0.0).astype(np.intp), np.where(known, t, 0.0).astype(np.intp)
        fg, ft = g - gi, t - ti
        flat, width = self._gain.ravel(), self._gain.shape[1]
        at = gi * width + ti
        low = flat[at] + ft * (flat[at + 1] - flat[at])
        high = flat[at + width] + ft * (flat[at + width + 1] - flat[at + width])
        return (low + fg * (high - low)) * np.clip(poa, 0.0, _G_MAX)


@lru_cache(maxsize=256)
def fit_module(module_type: ModuleType) -> Module:
    """
    Fit the single-diode model to a datasheet.

    Raises
    ------
    PortfolioError
        If no physical single-diode module has these datasheet values.
    """
    parameters = _fit(module_type)
    g = (np.arange(_G_NODES + 1) * _ROOT_STEP) ** 2
    t = np.arange(_T_MIN, _T_MAX + _T_STEP, _T_STEP)
    grid_g, grid_t = np.meshgrid(np.maximum(g, 1e-3), t, indexing="ij")
    p_mp = _solve(parameters, grid_g, grid_t)["p_mp"] * _gamma_correction(parameters, module_type, grid_t)
    return Module(module_type, parameters, p_mp / grid_g)


def _solve(parameters: dict[str, float], poa: np.ndarray, temp_cell: np.ndarray) -> dict[str, np.ndarray]:
    diode = pvlib.pvsystem.calcparams_desoto(poa, temp_cell, **parameters)
    shape = np.shape(poa)
    solved = pvlib.pvsystem.singlediode(*(np.atleast_1d(x).ravel() for x in np.broadcast_arrays(*diode)))
    return {name: np.asarray(solved[name]).reshape(shape) for name in _KEY_POINTS}


def _gamma_correction(parameters: dict[str, float], kind: ModuleType, temp_cell: np.ndarray) -> np.ndarray:
    """
    Ratio that gives the model the datasheet's power coefficient at 1000 W/m².

    The coefficient is measured on the module; the diode model's own follows from its other values
    and is often 0.02 %/°C off, which is half a per cent of a hot day.
    """
    t = np.linspace(_T_MIN, _T_MAX, 16)
    model = _solve(parameters, np.full_like(t, IRRADIANCE_STC), t)["p_mp"]
    stated = 1.0 + kind.gamma_p_mp_pct_per_c / 100.0 * (t - TEMP_STC)
    at_stc = np.interp(TEMP_STC, t, model)
    return np.interp(temp_cell, t, stated / (model / at_stc))


def _is_crystalline_silicon(kind: ModuleType) -> bool:
    """Whether no other absorber is named; a heterojunction is a crystalline cell, whatever its passivating layers are called."""
    name = kind.technology.lower()
    return any(word in name for word in _HETEROJUNCTION) or not _OTHER_ABSORBER.search(name)


def _fit(kind: ModuleType) -> dict[str, float]:
    """
    Solve for six parameters: short circuit, open circuit, maximum power point and its zero slope, the temperature
    coefficient of the open-circuit voltage, and what is usual for the ideality and for the gap.

    The coefficient fixes the gap, and the ideality only by what the gap usually is: were silicon's gap taken as exact,
    a datasheet's coefficient would make the ideality some 0.1 too low, and weak light too strong by 2 to 4 %.
    """
    alpha_sc = kind.alpha_i_sc_pct_per_c / 100.0 * kind.i_sc_a
    beta_voc = kind.beta_v_oc_pct_per_c / 100.0 * kind.v_oc_v
    v_thermal = kind.cells_in_series * THERMAL_VOLTAGE_PER_K * (TEMP_STC + ZERO_CELSIUS_K)
    t2 = TEMP_STC + 10.0
    ideality_sd = _IDEALITY_SD if _is_crystalline_silicon(kind) else _IDEALITY_SD_OTHER

    def unpack(x: np.ndarray) -> dict[str, float]:
        a_ref, r_s, r_sh = v_thermal * np.exp(x[0]), np.exp(x[1]), np.exp(x[2])
        i_o = kind.i_sc_a * np.exp(-kind.v_oc_v / a_ref) * np.exp(x[3])
        i_l = kind.i_sc_a * (1.0 + r_s / r_sh) * np.exp(x[4])
        return {"alpha_sc": alpha_sc, "a_ref": a_ref, "I_L_ref": i_l,
                "I_o_ref": i_o, "R_sh_ref": r_sh, "R_s": r_s, "EgRef": x[5]}

    def misfit(x: np.ndarray) -> np.ndarray:
        p = unpack(x)
        i_l, i_o, _, _, a = pvlib.pvsystem.calcparams_desoto(IRRADIANCE_STC, np.array([TEMP_STC, t2]), **p)
        r_s, r_sh = p["R_s"], p["R_sh_ref"]

        def current(v: float, i: float, k: int) -> float:
            u = v + i * r_s
            return i_l[k] - i_o[k] * np.expm1(min(u / a[k], 700.0)) - u / r_sh - i

        at_mp = min((kind.v_mp_v + kind.i_mp_a * r_s) / a[0], 700.0)
        conductance = i_o[0] / a[0] * np.exp(at_mp) + 1.0 / r_sh
        slope = conductance / (1.0 + r_s * conductance)
        stated = np.array([
            current(0.0, kind.i_sc_a, 0), current(kind.v_oc_v, 0.0, 0), current(kind.v_mp_v, kind.i_mp_a, 0),
            kind.i_mp_a - kind.v_mp_v * slope, current(kind.v_oc_v + beta_voc * (t2 - TEMP_STC), 0.0, 1),
        ]) / kind.i_sc_a
        usual = [(np.exp(x[0]) - _IDEALITY) / ideality_sd, (x[5] - _GAP_EV) / _GAP_SD_EV]
        return np.r_[stated / _STATED_TO, usual]

    lossless = max(kind.v_oc_v - kind.v_mp_v, 0.1) / kind.i_mp_a
    shunt = kind.v_mp_v / kind.i_mp_a
    start = np.array([np.log(1.1), np.log(0.2 * lossless), np.log(100.0 * shunt), 0.0, 0.0, _GAP_EV])
    bounds = ([np.log(0.5), np.log(1e-3 * lossless), np.log(3.0 * shunt), -5.0, -0.1, _GAP_EV - _GAP_MOST_EV],
              [np.log(3.0), np.log(0.95 * lossless), np.log(1e5 * shunt), 5.0, 0.1, _GAP_EV + _GAP_MOST_EV])
    found = least_squares(misfit, start, bounds=bounds, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12,
                          max_nfev=500)
    parameters = unpack(found.x)
    at_stc = _solve(parameters, np.array([IRRADIANCE_STC]), np.array([TEMP_STC]))
    error = abs(at_stc["p_mp"][0] / (kind.i_mp_a * kind.v_mp_v) - 1.0)
    no_such_gap = abs(parameters["EgRef"] - _GAP_EV) > 0.99 * _GAP_MOST_EV
    if no_such_gap or not error < 0.01:
        raise PortfolioError(
            f"module_types.csv, module type {kind.module_type}: i_sc {kind.i_sc_a} A, "
            f"v_oc {kind.v_oc_v} V, i_mp {kind.i_mp_a} A, v_mp {kind.v_mp_v} V, "
            f"beta_v_oc {kind.beta_v_oc_pct_per_c} %/°C belong to no single-diode module with "
            f"{kind.cells_in_series} cells in series (nearest is {100 * error:.1f} % off in power). "
            "Expected values of one datasheet. Check units, and the count of cells in series.")
    return parameters
