"""
String curves: what a traced one shows, and what a circuit with a given defect would show.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.expected.module import Module

#: Forward voltage of a bypass diode that conducts. [V] Common practice, no source.
BYPASS_DROP = 0.5
_POINTS = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp", "slope_sc", "slope_oc")


@dataclass(frozen=True)
class Part:
    """
    Like bypass groups of a string.

    Attributes
    ----------
    groups : float or ndarray
        How many.
    light : float or ndarray
        Photocurrent over that of a sound group.
    shunt : float or ndarray
        Shunt resistance over that of a sound group, at 1000 W/m². A sound module's rises as the light falls; what a fault leaks
        beside it is a plain resistor, and takes more of a smaller current.
    """

    groups: float | np.ndarray
    light: float | np.ndarray = 1.0
    shunt: float | np.ndarray = 1.0


def circuit_key_points(module: Module, poa: float, temp_cell: float, parts: tuple[Part, ...],
                       series_ohm: float | np.ndarray = 0.0) -> dict[str, np.ndarray]:
    """
    Key points of strings made of bypass groups in series, some of them not sound.

    Parameters
    ----------
    module : Module
    poa, temp_cell : float
        [W/m², °C]
    parts : tuple of Part
        Their values may be arrays of one shape (n,): that many strings are solved at once.
    series_ohm : float or ndarray, shape (n,)
        Resistance in the string beside the modules' own. [ohm]

    Returns
    -------
    dict of str to ndarray, shape (n,)
        i_sc, v_oc, i_mp, v_mp, p_mp of the global maximum [A, V, A, V, W];
        slope_sc = -dI/dV over the lowest fifth of the voltage, times v_oc/i_sc; slope_oc = -dV/dI at
        open circuit, times i_sc/v_oc [unitless].
    """
    diodes = module.module_type.bypass_diodes
    light, saturation, r_s, r_sh, thermal = (float(np.squeeze(x)) for x in pvlib.pvsystem.calcparams_desoto(
        poa, temp_cell, **module.parameters))
    arrays = [np.atleast_1d(x) for p in parts for x in (p.groups, p.light, p.shunt)] + [
        np.atleast_1d(series_ohm)
    ]
    arrays = list(np.broadcast_arrays(*arrays))
    # Dense near zero current, where the slope at open circuit is read.
    share = np.r_[np.linspace(0.0, 0.1, 6), np.linspace(0.12, 1.0, 300)]
    current = share[None, :] * light * 1.02
    v = -arrays[-1][:, None] * current
    sound_ohm = float(module.parameters["R_sh_ref"])
    for k in range(len(parts)):
        groups, own_light, shunt = (a[:, None] for a in arrays[3 * k: 3 * k + 3])
        parallel = 1.0 / (1.0 / r_sh + (1.0 / shunt - 1.0) / sound_ohm)
        v_module = pvlib.pvsystem.v_from_i(*np.broadcast_arrays(
            current, light * own_light, saturation, r_s, parallel, thermal))
        v = v + groups * np.maximum(np.nan_to_num(v_module / diodes, nan=-np.inf), -BYPASS_DROP)
    rows = [_points_of_curve(v[k], current[0]) for k in range(v.shape[0])]
    return {name: np.array([row[name] for row in rows]) for name in _POINTS}


def _points_of_curve(v: np.ndarray, i: np.ndarray) -> dict[str, float]:
    """Key points of a curve with `i` rising and `v` falling; refined between samples by a parabola."""
    power = v * i
    top = int(np.argmax(power))
    if 0 < top < len(i) - 1:
        bend = np.polyfit(i[top - 1: top + 2] - i[top], power[top - 1: top + 2], 2)
        i_mp = i[top] - 0.5 * bend[1] / bend[0] if bend[0] < 0 else i[top]
        i_mp = float(np.clip(i_mp, i[top - 1], i[top + 1]))
    else:
        i_mp = float(i[top])
    v_mp = float(np.interp(i_mp, i, v))
    v_oc, i_sc = float(v[0]), float(np.interp(0.0, -v, i))
    fifth = float(np.interp(-0.2 * v_oc, -v, i))
    near = i <= 0.1 * i_sc
    return {
        "i_sc": i_sc,
        "v_oc": v_oc,
        "i_mp": i_mp,
        "v_mp": v_mp,
        "p_mp": i_mp * v_mp,
        "slope_sc": (i_sc - fifth) / (0.2 * i_sc),
        "slope_oc": -np.polyfit(i[near], v[near], 1)[0] * i_sc / v_oc,
    }


def traced_key_points(v: np.ndarray, i: np.ndarray) -> dict[str, float]:
    """
    Key points and end slopes of a traced curve.

    Parameters
    ----------
    v, i : ndarray, same shape
        Points in any order; NaN, negative and repeated points are cleared first. [V, A]

    Returns
    -------
    dict
        i_sc, v_oc, i_mp, v_mp, p_mp [A, V, A, V, W], and slope_sc, slope_oc as in `circuit_key_points`;
        NaN where the curve does not reach the axis closely enough or has fewer than 10 usable points.

    Notes
    -----
    Straight lines through the ends and a polynomial through the top, as ASTM E1036 has it.
    """
    raw_v, raw_i = np.asarray(v, float), np.asarray(i, float)
    clean_v, clean_i = rectified_curve(raw_v, raw_i, decimals=6)
    nothing = dict.fromkeys(_POINTS, np.nan)
    if len(clean_v) < 10 or not np.max(clean_i) > 0:
        return nothing
    # Points beyond the axes help the straight lines through the ends: they stay in for these.
    ok = np.flatnonzero(np.isfinite(raw_v) & np.isfinite(raw_i))
    order = ok[np.argsort(raw_v[ok], kind="stable")]
    if clean_v[0] > 0.2 * clean_v[-1] or clean_i[-1] > 0.35 * np.max(clean_i):
        return nothing
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", np.exceptions.RankWarning)
            found = pvlib.ivtools.utils.astm_e1036(raw_v[order], raw_i[order])
    except (IndexError, TypeError, ValueError, np.linalg.LinAlgError, np.exceptions.RankWarning):
        return nothing  # the ends or the top hold too few different points
    points = {"i_sc": float(found["isc"]), "v_oc": float(found["voc"]), "i_mp": float(found["imp"]),
              "v_mp": float(found["vmp"]), "p_mp": float(found["pmp"])}
    return points | _end_slopes(clean_v, clean_i, points["v_oc"], points["i_sc"])


def rectified_curve(
    v: np.ndarray, i: np.ndarray, decimals: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """
    Put a traced curve in order.

    Parameters
    ----------
    v, i : ndarray, same shape
        [V, A]
    decimals : int, optional
        Voltages that agree to this many decimals become one point, with their mean current.

    Returns
    -------
    v, i : ndarray
        Without NaN and negative values, by rising voltage, then rising current. [V, A]
    """
    keep = np.isfinite(v) & np.isfinite(i) & (v >= 0) & (i >= 0)
    order = np.lexsort((i[keep], v[keep]))
    v, i = v[keep][order], i[keep][order]
    if decimals is None:
        return v, i
    v, place = np.unique(np.round(v, decimals), return_inverse=True)
    return v, np.bincount(place, weights=i, minlength=len(v)) / np.bincount(place, minlength=len(v))


def _end_slopes(v: np.ndarray, i: np.ndarray, v_oc: float, i_sc: float) -> dict[str, float]:
    flat, steep = v <= 0.2 * v_oc, (v >= 0.8 * v_oc) & (i <= 0.35 * i_sc)
    slope_sc = -np.polyfit(v[flat], i[flat], 1)[0] * v_oc / i_sc if flat.sum() >= 3 else np.nan
    slope_oc = np.nan
    # A tracer that rounds small currents to nil leaves points of one current, through which no line of v over i goes.
    if len(np.unique(i[steep])) >= 3:
        # The vertical leg bends: a parabola of v over i, its slope taken at zero current.
        slope_oc = -np.polyfit(i[steep], v[steep], 2 if steep.sum() >= 5 else 1)[-2] * i_sc / v_oc
    return {"slope_sc": float(slope_sc), "slope_oc": float(slope_oc)}


def trace_features(curves: pd.DataFrame) -> pd.DataFrame:
    """
    Key points of every traced curve.

    Parameters
    ----------
    curves : DataFrame
        trace_id, v [V], i [A].

    Returns
    -------
    DataFrame
        Index trace_id; columns of `traced_key_points`.
    """
    rows = {trace: traced_key_points(points["v"].to_numpy(), points["i"].to_numpy())
            for trace, points in curves.groupby("trace_id", sort=True)}
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(_POINTS)).rename_axis("trace_id")
