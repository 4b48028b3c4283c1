"""
Strings: where they lie, what every round read of them, and their last curves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.expected.module import fit_module
from yieldwatch.pictures.base import Picture, Subject, rounded
from yieldwatch.portfolio.model import String

#: Curves kept a site, the worst strings first, and points of each.
_MOST_CURVES, _POINTS = 5000, 30
#: How far a peer's light and warmth may be from a string's for its curve to be laid beside it. [share, °C] Common practice, no
#: source.
_LIKE_LIGHT, _LIKE_WARMTH = 0.1, 5.0
_POINT_NAMES = ("i_sc", "v_oc", "i_mp", "v_mp")
_RATIOS = ("p_mp", "i_sc", "v_oc", "fill_factor")


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    The layout (x east, y north [m]); one picture an inverter with the key points of each string's last fit trace and of its
    plate, at standard conditions [A, V]; one with a row a trace; and one a curve [V, A] beside what the datasheet gives in the
    same light and warmth, with the name of a sound peer whose curve may be laid beside it.
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
            "row": [s.row or "" for s in strings],
            "x_m": rounded((np.nan if s.x_m is None else s.x_m for s in strings), 1),
            "y_m": rounded((np.nan if s.y_m is None else s.y_m for s in strings), 1),
        },
        {"unit": "m"},
    )
    for inverter in dict.fromkeys(s.inverter_id for s in strings):
        own = [s for s in strings if s.inverter_id == inverter]
        yield Picture(
            "string_points",
            inverter,
            {
                "string_id": [s.string_id for s in own],
                **{name: _key_points(last, own, name) for name in _POINT_NAMES},
                **{f"plate_{name}": rounded((_plate(s, name) for s in own), 2) for name in _POINT_NAMES},
            },
            {"unit": "A, V"},
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
    last = last.loc[[s for s in worst if s in last.index][:_MOST_CURVES]]
    by_id = {s.string_id: s for s in subject.site.strings}
    plates = _by_plate(last, by_id)
    peers = _peers(last, by_id, set(found.index[found["finding"] == "ok"]))
    points = {
        trace: table[["v", "i"]].to_numpy(float)[np.argsort(table["v"].to_numpy(float))]
        for trace, table in data.iv_curves.groupby("trace_id", observed=True)
    }
    days = pd.DatetimeIndex(last["time"]).tz_convert(subject.site.tz).date
    for (string_id, row), day in zip(last.iterrows(), days, strict=True):
        traced = points[row["trace_id"]]
        at = np.unique(np.linspace(0, len(traced) - 1, min(_POINTS, len(traced))).astype(int))
        plate_v, plate_i = (plate[np.linspace(0, _POINTS - 1, len(at)).round().astype(int)] for plate in plates[string_id])
        yield Picture(
            "string_curve",
            str(string_id),
            {
                "v": rounded(traced[at, 0], 1),
                "i": rounded(traced[at, 1], 3),
                "plate_v": rounded(plate_v, 1),
                "plate_i": rounded(plate_i, 3),
            },
            {
                "unit": "A over V",
                "day": day,
                "light_w_m2": float(row["poa_global"]),
                "temp_cell_c": float(row["temp_cell"]),
                "points": len(traced),
                "trace_id": str(row["trace_id"]),
                "peer": peers.get(string_id, ""),
            },
        )


def _peers(last: pd.DataFrame, by_id: Mapping[str, String], sound: set[str]) -> dict[str, str]:
    """For each string, of the sound ones of its type and length traced on its round in like light and warmth, the most usual."""
    frame = pd.DataFrame({
        "kind": [(by_id[s].module_type.module_type, by_id[s].modules_in_series) for s in last.index],
        "round": last["round_id"].astype(str), "light": last["poa_global"], "warmth": last["temp_cell"],
        "off": (last["p_mp_peer"] - 1.0).abs(),
    }, index=last.index)  # fmt: skip
    out = {}
    for _, alike in frame.groupby(["kind", "round"]):
        good = alike[alike.index.isin(sound) & alike["off"].notna()].sort_values("off")
        for own in alike.itertuples():
            near = ((good["light"] / own.light - 1.0).abs() < _LIKE_LIGHT) & ((good["warmth"] - own.warmth).abs() < _LIKE_WARMTH)
            fits = good.index[near & (good.index != own.Index)]
            if len(fits):
                out[str(own.Index)] = str(fits[0])
    return out


def _by_plate(last: pd.DataFrame, by_id: Mapping[str, String]) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Voltage and current of strings as on their plates, in their traces' light and warmth; NaN where it is not known. [V, A]"""
    out = {s: (np.full(_POINTS, np.nan),) * 2 for s in last.index}
    known = last[last["poa_global"].gt(0) & last["temp_cell"].notna()]
    # Dense towards open circuit, where the curve bends.
    share = 1.0 - np.linspace(1.0, 0.0, _POINTS) ** 2
    kinds = pd.Series([by_id[s].module_type for s in known.index], known.index, dtype=object)
    for kind, alike in known.groupby(kinds, sort=False):
        module = fit_module(kind)
        light, warmth = alike["poa_global"].to_numpy(float), alike["temp_cell"].to_numpy(float)
        v = module.key_points(light, warmth)["v_oc"][:, None] * share
        circuit = pvlib.pvsystem.calcparams_desoto(light[:, None], warmth[:, None], **module.parameters)
        i = np.maximum(pvlib.pvsystem.i_from_v(v, *circuit), 0.0)
        out |= {s: (v[n] * by_id[s].modules_in_series, i[n]) for n, s in enumerate(alike.index)}
    return out
