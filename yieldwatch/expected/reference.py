"""
A field reading brought to 1000 W/m², 25 °C, so that strings can be compared.

A reading's key points are translated by its own module's single-diode model: what the model says the
change of light and temperature does to each is taken out of the reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.constants import CELL_ABOVE_BACK, IRRADIANCE_STC, TEMP_STC
from yieldwatch.expected.module import fit_module
from yieldwatch.portfolio.model import ModuleType

#: Key points that a summary is made of; `p_mp` follows from two of them.
SUMMARY_POINTS = ("i_sc", "v_oc", "i_mp", "v_mp")


def cell_from_back(temp_module: np.ndarray | float, poa_global: np.ndarray | float) -> np.ndarray:
    """
    Cell temperature behind which a sensor on the module's back reads `temp_module`. [°C]

    Equation 12 of King et al., SAND2004-3535 (2004).
    """
    return np.asarray(temp_module) + CELL_ABOVE_BACK * np.asarray(poa_global) / IRRADIANCE_STC


def model_to_stc(kind: ModuleType, poa: np.ndarray, temp_cell: np.ndarray) -> dict[str, np.ndarray]:
    """
    Factors that bring key points of this module type from a condition to 1000 W/m², 25 °C.

    Parameters
    ----------
    kind : ModuleType
    poa, temp_cell : ndarray, same shape
        Conditions of the trace; where either is NaN, or no light is there, the factor is NaN. [W/m², °C]

    Returns
    -------
    dict of str to ndarray
        For i_sc, v_oc, i_mp, v_mp, p_mp: value at standard conditions over value at the condition. [unitless]
    """
    module = fit_module(kind)
    poa, temp_cell = np.broadcast_arrays(np.asarray(poa, float), np.asarray(temp_cell, float))
    known = (poa > 0) & np.isfinite(temp_cell)
    there = module.key_points(np.where(known, poa, IRRADIANCE_STC), np.where(known, temp_cell, TEMP_STC))
    stc = module.key_points(IRRADIANCE_STC, TEMP_STC)
    return {name: np.where(known, stc[name] / there[name], np.nan) for name in (*SUMMARY_POINTS, "p_mp")}


@dataclass(frozen=True)
class Uncertainty:
    """Relative standard uncertainty (k = 1) of translated key points. [fraction]"""

    i_sc: float
    v_oc: float
    i_mp: float
    v_mp: float
    p_mp: float


def root_sum_square(*parts: float) -> float:
    """
    Combined standard uncertainty of uncorrelated parts (JCGM 100:2008, equation 10, unit sensitivities).
    """
    return float(np.sqrt(np.sum(np.square(parts))))


# Standard uncertainties (k = 1) of one trace, common practice, no source. Between strings tested minutes
# apart the shared part of each cancels and only drift and repeatability stay. [fraction; °C]
_ABSOLUTE = {"light": 0.020, "spectrum": 0.015, "temp_c": 2.0, "tracer": 0.010, "translation": 0.010}
_BETWEEN = {"light": 0.005, "spectrum": 0.002, "temp_c": 0.9, "tracer": 0.003, "translation": 0.003}


def stc_uncertainty(kind: ModuleType, between_strings: bool) -> Uncertainty:
    """
    Relative standard uncertainty of key points translated to standard conditions.

    Parameters
    ----------
    kind : ModuleType
        Its temperature coefficients weigh the temperature's uncertainty.
    between_strings : bool
        True for the difference of two strings of one visit, False for a reading on its own.

    Notes
    -----
    Current and voltage each carry the tracer's part over √2, so that power carries all of it. Light
    enters voltage by its logarithm only, about 0.03 of a relative change in light.
    """
    part = _BETWEEN if between_strings else _ABSOLUTE
    channel, log_light = part["tracer"] / np.sqrt(2.0), 0.03 * part["light"]
    alpha, beta, gamma = (abs(c) / 100.0 * part["temp_c"] for c in (
        kind.alpha_i_sc_pct_per_c, kind.beta_v_oc_pct_per_c, kind.gamma_p_mp_pct_per_c))
    current = root_sum_square(part["light"], part["spectrum"], alpha, channel, part["translation"])
    at_mp = gamma + alpha  # v_mp carries the power coefficient less that of current, which has the other sign
    return Uncertainty(
        i_sc=current, v_oc=root_sum_square(log_light, beta, channel, part["translation"]), i_mp=current,
        v_mp=root_sum_square(log_light, at_mp, channel, part["translation"]),
        p_mp=root_sum_square(part["light"], part["spectrum"], gamma, part["tracer"], part["translation"]))
