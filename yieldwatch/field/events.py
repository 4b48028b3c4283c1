"""
What was done, settled and spent: events, statements and costs.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.errors import near_miss
from yieldwatch.field.rows import Source, completed, drop_rows, empty_table, read_rows

_EVENT_COLUMNS = ["event_id", "kind", "start", "end", "scope", "cost", "note"]


def read_events(source: Source) -> pd.DataFrame:
    """
    Read the events; `events` of `SiteData`, in the order of their start.

    Events that begin after the history's end are not read, and an end after it is not known yet: NaT.
    """
    rows = read_rows(source, "events")
    if rows is None:
        return empty_table("events")[_EVENT_COLUMNS]
    rows = completed(rows, "events")
    rows = drop_rows(source, rows, rows["end"] < rows["start"], "end",
                     "before start. Expected the end of the event, or nothing while it goes on")
    rows = _resolve_scope(source, rows)
    if source.cut is not None:
        rows["end"] = rows["end"].where(rows["end"] < source.cut)
    source.ledger.count(rows)
    return rows[_EVENT_COLUMNS].sort_values("start", kind="stable", ignore_index=True)


def _resolve_scope(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    site = source.site
    known = {i.inverter_id for i in site.inverters} | {s.string_id for s in site.strings} | {"site"}
    scopes = [tuple(dict.fromkeys(text.split())) for text in rows["scope"]]
    reasons = np.full(len(rows), None, dtype=object)
    for i, scope in enumerate(scopes):
        unknown = [name for name in scope if name not in known]
        if unknown:
            reasons[i] = (f"{', '.join(unknown)} is neither an inverter nor a string of the site."
                          f"{near_miss(unknown[0], known)} Expected site, or such names separated by spaces")
    ordered = pd.Series([("site",) if "site" in s else s for s in scopes], index=rows.index, dtype=object)
    bad = pd.notna(reasons)
    return drop_rows(source, rows, bad, "scope", reasons).assign(
        scope=ordered[~bad].reset_index(drop=True))


def read_statements(source: Source) -> pd.DataFrame | None:
    """Read the statements; `statements` of `SiteData`, in the order of their start."""
    rows = read_rows(source, "statements")
    if rows is None:
        return None
    rows = completed(rows, "statements")
    rows = drop_rows(source, rows, rows["end"] <= rows["start"], "end", "not after start. Expected the end of the period")
    source.ledger.count(rows)
    return rows.drop(columns=["file", "line"]).sort_values("start", kind="stable", ignore_index=True)


def read_costs(source: Source) -> pd.DataFrame | None:
    """Read the running costs; `costs` of `SiteData`, in the order of their date."""
    rows = read_rows(source, "costs")
    if rows is None:
        return None
    source.ledger.count(rows)
    rows = completed(rows, "costs").drop(columns=["file", "line"])
    return rows.sort_values("date", kind="stable", ignore_index=True)
