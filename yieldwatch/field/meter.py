"""
The revenue meter: periods that do not overlap and that the plant could have filled.
"""

from __future__ import annotations

import bisect

import numpy as np
import pandas as pd

from yieldwatch.field.quality import impossible_energy
from yieldwatch.field.rows import Source, drop_rows, read_rows

#: What an impossible period may come from.
_EXPECTED = "Expected kWh of the period; is it in Wh or a counter's standing, or are day and month of its dates swapped?"
#: Share of a file's periods beyond which, and the fewest from which on, the file is wrong and no single reading. Common practice,
#: no source.
_MOST, _FEW = 0.5, 3


def read_meter(source: Source) -> pd.DataFrame | None:
    """
    Read the meter; `meter` of `SiteData`.

    Where periods overlap the shorter one is kept. A period with more energy than the inverters can
    deliver in it cannot stand for its own time: it is set aside, and with it the zeros before it
    that it makes up for.
    """
    rows = read_rows(source, "meter")
    if rows is None:
        return None
    rows = drop_rows(source, rows, rows["end"] <= rows["start"], "end", "not after start. Expected the end of the period")
    rows = _without_overlaps(source, rows).sort_values("start", ignore_index=True)
    rows = _without_catch_up(source, rows)
    source.ledger.count(rows)
    return rows[["start", "end", "energy_kwh"]]


def _without_overlaps(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    start = rows["start"].astype("int64").to_numpy()
    end = rows["end"].astype("int64").to_numpy()
    order = np.argsort(start, kind="stable")
    if not (start[order][1:] < end[order][:-1]).any():
        return rows
    kept_starts: list[int] = []
    kept: list[int] = []
    reasons = np.full(len(rows), None, dtype=object)
    names = source.ledger.names(rows["file"])
    for i in np.lexsort((np.arange(len(rows)), end - start)):
        at = bisect.bisect_left(kept_starts, end[i])
        rival = kept[at - 1] if at else None
        if rival is not None and end[rival] > start[i]:
            reasons[i] = (f"overlaps the period of {names.iloc[rival]}, line {rows['line'].iloc[rival]}, "
                          "which is shorter or equal and was kept")
            continue
        at = bisect.bisect_left(kept_starts, start[i])
        kept_starts.insert(at, start[i])
        kept.insert(at, i)
    overlapping = pd.notna(reasons)
    n = int(overlapping.sum())
    what = "1 period overlaps a shorter or equal one and was" if n == 1 else f"{n} periods overlap shorter or equal ones and were"
    source.ledger.notices.append(f"{_place(source)}: {what} set aside.")
    return drop_rows(source, rows, overlapping, "start", reasons)


def _without_catch_up(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    spikes, since = impossible_energy(rows["start"], rows["end"], rows["energy_kwh"], source.site.pac0_kw)
    if not spikes.any():
        return rows
    reasons, impossible = np.full(len(rows), None, dtype=object), np.zeros(len(rows), dtype=bool)
    rating = source.site.pac0_kw
    for i in np.flatnonzero(spikes):
        limit = f"more than {rating:g} kW of inverters can deliver in that time"
        begin = since.iloc[i]
        if pd.isna(begin):
            reasons[i] = f"{limit}. {_EXPECTED}"
            impossible[i] = True
            continue
        local = begin.tz_convert(source.site.tz).isoformat()
        reasons[i] = f"{limit}: catch-up of the gap since {local}"
        zeros = ((rows["start"] >= begin) & (rows["end"] <= rows["start"].iloc[i])).to_numpy()
        reasons[zeros] = f"zero while not read: the energy came with line {rows['line'].iloc[i]}"
    # What is wrong with most periods of a file is wrong with the others, though they could be true.
    of_file = pd.Series(impossible).groupby(rows["file"].to_numpy())
    wrong = (of_file.transform("mean") > _MOST) & (of_file.transform("sum") >= _FEW)
    doubtful = wrong.to_numpy() & pd.isna(reasons)
    reasons[doubtful] = f"most periods of its file hold more energy than can be delivered. {_EXPECTED}"
    n, out = int(spikes.sum()), int(pd.notna(reasons).sum())
    source.ledger.notices.append(
        f"{_place(source)}: {n} period{' holds' if n == 1 else 's hold'} more energy than the inverters can deliver in the time; "
        f"with {'the others of their files' if doubtful.any() else 'the zeros made up for'}, {out} "
        f"{'period was' if out == 1 else 'periods were'} set aside.")
    return drop_rows(source, rows, pd.notna(reasons), "energy_kwh", reasons)


def _place(source: Source) -> str:
    return f"sites/{source.site.id}/readings/meter"
