"""
Readings by hand: string IV summaries, traced curves and inverter clamp readings.
"""

from __future__ import annotations

import pandas as pd

from yieldwatch.field.logs import known_only
from yieldwatch.field.rows import Source, completed, drop_rows, empty_table, read_rows

#: Irradiance and tolerances may lift a string above its nameplate, never twice. (common practice, no source)
_MAX_OF_I_SC = 2.0
_MAX_OF_V_OC = 1.5


def read_iv(source: Source) -> pd.DataFrame:
    """Read the IV rounds; `iv` of `SiteData`, in the order of time."""
    rows = read_rows(source, "iv")
    if rows is None:
        return empty_table("iv")
    rows = known_only(source, rows, "string_id", {s.string_id for s in source.site.strings})
    rows = _possible_for_string(source, rows)
    source.ledger.count(rows)
    rows = completed(rows, "iv")
    power = rows["i_mp"] * rows["v_mp"]
    rows["p_mp"] = rows["p_mp"].fillna(power)
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
    return rows


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
    source.ledger.count(rows)
    rows = completed(rows, "clamp")
    rows["file"] = source.ledger.names(rows["file"])
    return rows.sort_values("time", kind="stable", ignore_index=True)
