"""
Strings: where they lie, what every round read of them, and the last curve of those that stand out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.expected.module import fit_module
from yieldwatch.pictures.base import Picture, Subject, rounded
from yieldwatch.portfolio.model import String

#: Curves kept a site, the worst strings first, and points of each.
_MOST_CURVES, _POINTS = 60, 30
_POINT_NAMES = ("i_sc", "v_oc", "i_mp", "v_mp")
_RATIOS = ("p_mp", "i_sc", "v_oc", "fill_factor")


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    The layout (x east, y north [m]) with the key points of each string's last fit trace and of its plate, at standard conditions
    [A, V]; one picture an inverter with a row a trace, and one a curve [V, A] beside what the datasheet
    gives in the same light and warmth.
    """
    strings = subject.site.strings
    rounds = subject.rounds
    fit = rounds[rounds["grade"].isin(["good", "usable"])] if len(rounds) else rounds
    last = fit.sort_values("time").groupby("string_id", observed=True).tail(1).set_index("string_id") if len(fit) else None
    yield Picture(
        "string_layout",
        "",
        {
            "string_id": [s.string_id for s in strings],
            "inverter_id": [s.inverter_id for s in strings],
            "mppt": [s.mppt or "" for s in strings],
            "row": [s.row or "" for s in strings],
            "x_m": rounded((np.nan if s.x_m is None else s.x_m for s in strings), 1),
            "y_m": rounded((np.nan if s.y_m is None else s.y_m for s in strings), 1),
            "modules": [s.modules_in_series for s in strings],
            "p_mp_w": rounded((s.p_mp_w for s in strings), 0),
            **{name: _key_points(last, strings, name) for name in _POINT_NAMES},
            **{f"plate_{name}": rounded((_plate(s, name) for s in strings), 2) for name in _POINT_NAMES},
        },
        {"unit": "m"},
    )
    if rounds.empty:
        return
    days = pd.DatetimeIndex(rounds["time"]).tz_convert(subject.site.tz).strftime("%Y-%m-%d")
    for inverter, part in rounds.assign(day=days).groupby("inverter_id", observed=True):
        yield _rounds(str(inverter), part)
    yield from _curves(subject)


def _key_points(last: pd.DataFrame | None, strings: Sequence[String], name: str) -> list[float]:
    values = {} if last is None else last[f"{name}_stc"].to_dict()
    return rounded((values.get(s.string_id, np.nan) for s in strings), 2)


def _plate(string: String, name: str) -> float:
    kind = string.module_type
    return {
        "i_sc": kind.i_sc_a,
        "i_mp": kind.i_mp_a,
        "v_oc": kind.v_oc_v * string.modules_in_series,
        "v_mp": kind.v_mp_v * string.modules_in_series,
    }[name]


def _rounds(inverter: str, part: pd.DataFrame) -> Picture:
    columns: dict[str, list] = {
        "string_id": list(part["string_id"]),
        "day": list(part["day"]),
        "round": [str(r) for r in part["round_id"]],
        "grade": list(part["grade"]),
        "reason": list(part["reason"].fillna("")),
        "light_w_m2": rounded(part["poa_global"], 0),
        "p_mp_stc_w": rounded(part["p_mp_stc"], 0),
    }
    for name in _RATIOS:
        columns[f"{name}_peer"] = rounded(part[f"{name}_peer"], 4)
    columns["p_mp_peer_u"] = rounded(part["u_p_mp_between"], 4)
    return Picture("string_rounds", inverter, columns, {"unit": "ratio to the peers of the same round", "interval_sd": 1.645})


def _curves(subject: Subject) -> Iterator[Picture]:
    data, rounds = subject.data, subject.rounds
    traced = rounds[rounds["trace_id"].isin(data.iv_curves["trace_id"].unique())] if len(data.iv_curves) else rounds.iloc[:0]
    if traced.empty:
        return
    found = subject.gap.string_findings.set_index("string_id")
    sound = found["finding"].isin(["ok", "not_tested"])
    worst = pd.DataFrame({"sound": sound, "ratio": found["p_mp_ratio"]}).sort_values(["sound", "ratio"]).index
    last = traced.sort_values("time").groupby("string_id", observed=True).tail(1).set_index("string_id")
    by_id = {s.string_id: s for s in subject.site.strings}
    points = dict(iter(data.iv_curves.groupby("trace_id")))
    for string_id in [s for s in worst if s in last.index][:_MOST_CURVES]:
        row = last.loc[string_id]
        yield _curve(by_id[string_id], row, points[row["trace_id"]].sort_values("v"), subject)


def _curve(string: String, row: pd.Series, points: pd.DataFrame, subject: Subject) -> Picture:
    at = np.unique(np.linspace(0, len(points) - 1, min(_POINTS, len(points))).astype(int))
    v, i = points["v"].to_numpy(float)[at], points["i"].to_numpy(float)[at]
    sound_v, sound_i = _sound(string, row, len(v))
    return Picture(
        "string_curve",
        string.string_id,
        {"v": rounded(v, 1), "i": rounded(i, 3), "sound_v": rounded(sound_v, 1), "sound_i": rounded(sound_i, 3)},
        {
            "unit": "A over V",
            "day": row["time"].tz_convert(subject.site.tz).date(),
            "light_w_m2": float(row["poa_global"]),
            "temp_cell_c": float(row["temp_cell"]),
            "points": len(points),
            "trace_id": str(row["trace_id"]),
        },
    )


def _sound(string: String, row: pd.Series, points: int) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and current of a string as on its plate, in the trace's light and warmth; NaN where these are not known. [V, A]"""
    if not (np.isfinite(row["poa_global"]) and np.isfinite(row["temp_cell"]) and row["poa_global"] > 0):
        return np.full(points, np.nan), np.full(points, np.nan)
    module = fit_module(string.module_type)
    circuit = tuple(
        float(np.squeeze(x)) for x in pvlib.pvsystem.calcparams_desoto(row["poa_global"], row["temp_cell"], **module.parameters)
    )
    v_oc = float(module.key_points(row["poa_global"], row["temp_cell"])["v_oc"])
    # Dense towards open circuit, where the curve bends.
    v = v_oc * (1.0 - np.linspace(1.0, 0.0, points) ** 2)
    return v * string.modules_in_series, np.maximum(pvlib.pvsystem.i_from_v(v, *circuit), 0.0)
