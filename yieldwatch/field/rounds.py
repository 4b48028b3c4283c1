"""
Readings by hand: string IV summaries, traced curves and inverter clamp readings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.columns import TABLES
from yieldwatch.field.ledger import VALUE_ONLY
from yieldwatch.field.logs import beyond_rating, known_only, rating_reason
from yieldwatch.field.rows import Source, completed, drop_rows, empty_table, read_rows

#: Irradiance and tolerances may lift a string above its nameplate, never twice. (common practice, no source)
_MAX_OF_I_SC = 2.0
_MAX_OF_V_OC = 1.5
#: Light [W/m²] in which no string gives this share of its nameplate's current, as current follows light: it is in kW/m².
_KILO, _LEAST_CURRENT = 2.0, 0.05
#: Relative difference of two figures of one trace that are the same but for their rounding. Common practice, no source.
_SAME = 0.02
#: Traces of a file that hold zeros alone, and share of it, from which a sheet filled up with zeros is likelier than as many dead
#: strings, of which most show some volts. Common practice, no source.
_MANY_ZEROS, _SHARE_ZEROS = 3, 1.0 / 3.0
#: What a trace and a clamp reading measure of the string or inverter, by the names in the code.
_OF_STRING = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")
_OF_INVERTER = ("dc_voltage_v", "dc_current_a", "dc_power_kw", "ac_voltage_v", "ac_current_a", "ac_power_kw", "ac_apparent_kva",
                "ac_reactive_kvar", "power_factor")


def read_iv(source: Source) -> pd.DataFrame:
    """Read the IV rounds; `iv` of `SiteData`, in the order of time."""
    rows = read_rows(source, "iv")
    if rows is None:
        return empty_table("iv")
    rows = known_only(source, rows, "string_id", {s.string_id for s in source.site.strings})
    rows = _possible_for_string(source, rows)
    named = rows["trace_id"].notna().to_numpy() if "trace_id" in rows else False  # its curve may hold what the row does not
    rows = _without_empty(source, rows, _OF_STRING, named)
    rows = _without_filled_up(source, rows)
    _note_zeros(source, rows)
    source.ledger.count(rows)
    rows = completed(rows, "iv")
    power = rows["i_mp"] * rows["v_mp"]
    rows["p_mp"] = _from_kilowatts(source, rows, power).fillna(power)
    rows["file"] = source.ledger.names(rows["file"])
    return rows.sort_values("time", kind="stable", ignore_index=True)


def _possible_for_string(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    strings = {s.string_id: s for s in source.site.strings}
    for column, limits, factor, hint in (
        ("i_sc", {k: s.module_type.i_sc_a for k, s in strings.items()}, _MAX_OF_I_SC, "A; is it in mA"),
        ("v_oc", {k: s.module_type.v_oc_v * s.modules_in_series for k, s in strings.items()}, _MAX_OF_V_OC,
         "V; is modules_in_series right"),
    ):
        limit = factor * rows["string_id"].map(limits).to_numpy(dtype=float)
        rows = drop_rows(source, rows, rows[column].to_numpy() > limit, column,
                         f"above {factor:g} times the nameplate of the string. Expected {hint}?")
    nameplate = rows["string_id"].map({k: s.module_type.i_sc_a for k, s in strings.items()}).to_numpy(dtype=float)
    dim = rows["poa_global"].between(0.0, _KILO, inclusive="right")
    # A dead string's trace in the same file is in the same unit.
    wrong = (dim & (rows["i_sc"] > _LEAST_CURRENT * nameplate)).groupby(rows["file"]).transform("any")
    return drop_rows(source, rows, dim & wrong, "poa_global",
                     "too little light for the currents of its file. Expected W/m²; is it in kW/m²?")


def _without_empty(source: Source, rows: pd.DataFrame, names: Sequence[str], keep: np.ndarray | bool = False) -> pd.DataFrame:
    """Set aside rows of a half-filled sheet: they would count as measured."""
    there = [name for name in names if name in rows]
    return drop_rows(source, rows, rows[there].isna().all(axis=1).to_numpy() & ~np.asarray(keep), "",
                     "holds no measured value. Expected one; leave out what was not measured", value="")


def _without_filled_up(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    """Set aside the zeros of files in which so many traces hold nothing else that they were not all made."""
    if "i_mp" not in rows:
        return rows  # a dead string could not be told from it
    nil = _zeros_alone(rows) & (rows["i_mp"] == 0.0)
    files = nil.groupby(rows["file"])
    many = files.transform("sum").ge(_MANY_ZEROS) & files.transform("mean").ge(_SHARE_ZEROS)
    return drop_rows(source, rows, nil & many, "i_sc",
                     "one of many traces of zeros alone in its file, more likely not made than of dead strings. Leave out what "
                     "was not traced; of a dead string leave i_mp_a, v_mp_v and p_mp_w blank")


def _zeros_alone(rows: pd.DataFrame) -> pd.Series:
    values = rows[[name for name in _OF_STRING if name in rows]]
    return ((values == 0.0) | values.isna()).all(axis=1) & (rows["i_sc"] == 0.0) & (rows["v_oc"] == 0.0)


def _note_zeros(source: Source, rows: pd.DataFrame) -> None:
    """Say which traces hold zeros alone: a dead string's do, and those of a sheet that was filled up with zeros."""
    nil = rows[_zeros_alone(rows)]
    for number, own in nil.groupby("file"):
        which = f"line {own['line'].iloc[0]} ({own['string_id'].iloc[0]}): taken as"
        one = f"1 trace holds zeros alone, {which} a dead string. If it was not traced, take its row out."
        what = one if len(own) == 1 else (
            f"{len(own)} traces hold zeros alone, first {which} dead strings. If they were not traced, take their rows out.")
        source.ledger.note(source.ledger.files[int(str(number))], what)


def _from_kilowatts(source: Source, rows: pd.DataFrame, power: pd.Series) -> pd.Series:
    """`p_mp` with what is in kW brought to W, with a notice: a thousandth of i_mp times v_mp is nothing else."""
    kilo = ((1000.0 * rows["p_mp"] / power.where(power > 0.0) - 1.0).abs() < _SAME).to_numpy()
    for number, own in rows[kilo].groupby("file"):
        source.ledger.note(source.ledger.files[int(str(number))], f"p_mp_w of {len(own)} of its traces, first line "
                           f"{own['line'].iloc[0]}, is a thousandth of i_mp_a times v_mp_v; it is multiplied by 1000. Expected "
                           "W. Correct the export.")
    return rows["p_mp"].mask(kilo, 1000.0 * rows["p_mp"])


def read_iv_curves(source: Source, iv: pd.DataFrame) -> pd.DataFrame:
    """
    Read the traced points; `iv_curves` of `SiteData`.

    Points that no row of `iv` names, or more than one, cannot be placed and are set aside. Points of
    traces after the history's end are not read.
    """
    rows = read_rows(source, "iv_curves")
    if rows is None:
        return empty_table("iv_curves")[["trace_id", "v", "i"]]
    ledger = source.ledger
    named = iv["trace_id"].dropna()
    later = rows["trace_id"].isin(ledger.later_traces - set(named)).to_numpy()
    ledger.leave_unread(rows, later)
    rows = rows[~later].reset_index(drop=True)
    rows = drop_rows(source, rows, ~rows["trace_id"].isin(set(named)), "trace_id",
                     "no usable row of iv has this trace_id")
    rows = drop_rows(source, rows, rows["trace_id"].isin(set(named[named.duplicated()])), "trace_id",
                     "more than one row of iv has this trace_id")
    ledger.count(rows)
    return rows[["trace_id", "v", "i"]]


def read_clamp(source: Source) -> pd.DataFrame:
    """Read the clamp readings; `clamp` of `SiteData`, in the order of time."""
    rows = read_rows(source, "clamp")
    if rows is None:
        return empty_table("clamp")
    rows = known_only(source, rows, "inverter_id", {i.inverter_id for i in source.site.inverters})
    rows = _without_empty(source, _possible_for_inverter(source, rows), _OF_INVERTER)
    source.ledger.count(rows)
    rows = completed(rows, "clamp")
    rows["file"] = source.ledger.names(rows["file"])
    return rows.sort_values("time", kind="stable", ignore_index=True)


def _possible_for_inverter(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    """The clamp readings without power beyond what the inverter can carry, which the log's bounds say."""
    ratings = {i.inverter_id: i.inverter_type.ac_rated_kva for i in source.site.inverters}
    rating = rows["inverter_id"].map(ratings).to_numpy(dtype=float)
    for name, like, unit in (("dc_power_kw", "dc_power_kw", "kW"), ("ac_power_kw", "ac_power_kw", "kW"),
                             ("ac_apparent_kva", "ac_power_kw", "kVA")):
        if name not in rows:
            continue
        bounds = TABLES["power"].column(like)
        bad = beyond_rating(rows[name], bounds, rating)
        file, line, value = (rows.loc[bad, column].to_numpy() for column in ("file", "line", name))
        source.ledger.set_aside(file, line, name, value, rating_reason(bounds, unit), VALUE_ONLY)
        rows = rows.assign(**{name: rows[name].mask(bad)})
    return rows
