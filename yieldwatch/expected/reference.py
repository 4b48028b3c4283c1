"""
A field reading brought to 1000 W/m², 25 °C, so that strings can be compared.

Whole curves follow IEC 60891. A summary (four key points, no curve) is translated by its own module's
single-diode model: what the model says the change of light and temperature does to each
key point is taken out of the reading.
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


def translate_procedure_1(
    v: np.ndarray | float, i: np.ndarray | float, i_sc: float, poa: float, temp: float, *,
    alpha: float, beta: float, r_s: float, kappa: float,
    poa_to: float = IRRADIANCE_STC, temp_to: float = TEMP_STC,
) -> tuple[np.ndarray, np.ndarray]:
    """
    Translate points of a curve by IEC 60891 procedure 1.

    Parameters
    ----------
    v, i : float or ndarray, same shape
        Points as measured. [V, A]
    i_sc : float
        Short-circuit current as measured. [A]
    poa, temp : float
        Irradiance and cell temperature during the trace. [W/m², °C]
    alpha, beta : float
        Temperature coefficients of the whole device. [A/K, V/K]
    r_s, kappa : float
        Internal series resistance and curve correction factor. [ohm, ohm/K]
    poa_to, temp_to : float
        Target conditions. [W/m², °C]

    Returns
    -------
    v, i : ndarray
        Translated points. [V, A]

    References
    ----------
    IEC 60891, procedure 1.
    """
    rise = temp_to - temp
    i_to = np.asarray(i) + i_sc * (poa_to / poa - 1.0) + alpha * rise
    v_to = np.asarray(v) - r_s * (i_to - i) - kappa * i_to * rise + beta * rise
    return v_to, i_to


def translate_procedure_2_2009(
    v: np.ndarray | float, i: np.ndarray | float, v_oc: float, poa: float, temp: float, *,
    alpha_rel: float, beta_rel: float, a: float, r_s: float, kappa: float,
    poa_to: float = IRRADIANCE_STC, temp_to: float = TEMP_STC,
) -> tuple[np.ndarray, np.ndarray]:
    """
    Translate points of a curve by IEC 60891:2009 procedure 2.

    Parameters are those of `translate_procedure_1`, but for `v_oc`, the open-circuit voltage as
    measured [V], relative temperature coefficients [1/K] and `a`, the irradiance factor of
    the open-circuit voltage [unitless].
    """
    rise = temp_to - temp
    i_to = np.asarray(i) * (1.0 + alpha_rel * rise) * poa_to / poa
    v_to = (np.asarray(v) + v_oc * (beta_rel * rise + a * np.log(poa_to / poa))
            - r_s * (i_to - i) - kappa * i_to * rise)
    return v_to, i_to


def translate_procedure_2_2021(
    v: np.ndarray | float, i: np.ndarray | float, poa: float, temp: float, *, v_oc_stc: float,
    alpha_rel: float, beta_rel: float, b_1: float, b_2: float, r_s: float, kappa: float,
    poa_to: float = IRRADIANCE_STC, temp_to: float = TEMP_STC,
) -> tuple[np.ndarray, np.ndarray]:
    """
    Translate points of a curve by IEC 60891:2021 procedure 2.

    As `translate_procedure_2_2009`, with the open-circuit voltage at standard conditions `v_oc_stc` [V] and
    its irradiance factors `b_1`, `b_2` [unitless] in ``f(G) = b_2 ln²(1000/G) + b_1 ln(1000/G) + 1``.
    """
    def light_term(g: float) -> float:
        x = np.log(IRRADIANCE_STC / g)
        return float(b_2 * x**2 + b_1 * x + 1.0)

    f_from, f_to = light_term(poa), light_term(poa_to)
    warmth_from, warmth_to = temp - TEMP_STC, temp_to - TEMP_STC
    i_to = np.asarray(i) * (poa_to / poa) * (1.0 + alpha_rel * warmth_to) / (1.0 + alpha_rel * warmth_from)
    shift = beta_rel * (f_to * warmth_to - f_from * warmth_from) + 1.0 / f_to - 1.0 / f_from
    v_to = (np.asarray(v) - (r_s + kappa * warmth_from) * (i_to - i) - kappa * i_to * (temp_to - temp)
            + v_oc_stc * shift)
    return v_to, i_to


def scalar_to_stc(
    poa: np.ndarray | float, temp: np.ndarray | float, *, i_sc: np.ndarray | float, v_oc: np.ndarray | float,
    p_mp: np.ndarray | float, alpha_rel: float, beta_rel: float, gamma_rel: float,
) -> dict[str, np.ndarray]:
    """
    Bring three scalars to standard conditions by temperature coefficients alone.

    The voltage's dependence on light is left out: use it as a check by hand, and
    `summary_to_stc` for results. Common practice, no source.

    Returns
    -------
    dict
        i_sc, v_oc, p_mp at 1000 W/m², 25 °C, in the units given.
    """
    warmth, light = np.asarray(temp) - TEMP_STC, IRRADIANCE_STC / np.asarray(poa)
    return {
        "i_sc": i_sc * light / (1.0 + alpha_rel * warmth),
        "v_oc": v_oc / (1.0 + beta_rel * warmth),
        "p_mp": p_mp * light / (1.0 + gamma_rel * warmth),
    }


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


def combined_uncertainty(
    sensitivity: np.ndarray, u: np.ndarray, correlation: np.ndarray | None = None
) -> float:
    """
    Combined standard uncertainty of a result of several inputs.

    Parameters
    ----------
    sensitivity, u : ndarray, shape (n,)
        Partial derivatives of the result, and standard uncertainties of the inputs.
    correlation : ndarray, shape (n, n), optional
        Correlation coefficients of the inputs; uncorrelated if left out.

    References
    ----------
    JCGM 100:2008, equations 10 and 16.
    """
    c = np.asarray(sensitivity, float) * np.asarray(u, float)
    r = np.eye(len(c)) if correlation is None else np.asarray(correlation, float)
    return float(np.sqrt(c @ r @ c))


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
