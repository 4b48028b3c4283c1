"""
Rows moved to the times at which they were really read.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

#: First instant, last instant (exclusive), as stamped, and by how much these stamps are late.
Span = tuple[pd.Timestamp, pd.Timestamp, pd.Timedelta]


def moved_table(table: pd.DataFrame, step: pd.Timedelta, spans: list[Span]) -> pd.DataFrame:
    """
    A table indexed by interval start, with the rows of each span moved.

    A shift that is no multiple of `step` shares each value between the two intervals that it overlaps, so that the stamps
    keep their grid; where one of the two is missing, so is the result. A moved row that meets one that stood there is dropped.
    """
    rows = moved_rows(table.rename_axis("time").reset_index(), step, spans)
    return rows.set_index("time").rename_axis(table.index.name)


def moved_rows(rows: pd.DataFrame, step: pd.Timedelta, spans: list[Span]) -> pd.DataFrame:
    """As `moved_table`, for rows with a column `time` and keys inverter_id and mppt where present."""
    keys = [c for c in ("time", "inverter_id", "mppt") if c in rows]
    left = np.ones(len(rows), dtype=bool)
    parts = []
    for first, last, late in spans:
        here = ((rows["time"] >= first) & (rows["time"] < last)).to_numpy()
        left &= ~here
        parts.append(_earlier(rows[here], step, late, keys))
    out = pd.concat([rows[left], *parts], ignore_index=True).drop_duplicates(keys, ignore_index=True)
    return out.sort_values(keys[:2], kind="stable", ignore_index=True)


def _earlier(rows: pd.DataFrame, step: pd.Timedelta, late: pd.Timedelta, keys: list[str]) -> pd.DataFrame:
    whole, part = late // step, (late % step) / step
    near = rows.assign(time=rows["time"] - whole * step)
    if part == 0.0:
        return near
    numbers = [c for c in rows.select_dtypes("number") if c not in keys]
    after = near.assign(time=near["time"] - step)[[*keys, *numbers]]
    both = near.merge(after, on=keys, how="left", suffixes=("", " after"))
    for name in numbers:
        both[name] = (1.0 - part) * both[name] + part * both[f"{name} after"]
    return both[rows.columns.to_list()]
