"""
One table's files -> rows in their kinds and units, with every bad row accounted for.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from yieldwatch.columns import INTERVAL_TABLES, OPTIONAL, TABLES, Column, Table
from yieldwatch.errors import InputError, near_miss
from yieldwatch.field.clocks import label_shift, read_times, usual_step
from yieldwatch.field.ledger import ROW, VALUE_ONLY, Ledger
from yieldwatch.portfolio.cells import Cells, as_text, read_cells
from yieldwatch.portfolio.files import RawTable, find_files, load
from yieldwatch.portfolio.model import Site

#: Columns as files write them, by their names in the code.
_WRITTEN = {c.code_name: c.name for t in TABLES.values() for c in t.columns}


@dataclass(frozen=True)
class Source:
    """Where a site's readings are, where its history ends, and the account of its rows."""

    root: Path
    site: Site
    cut: pd.Timestamp | None
    ledger: Ledger


def history_end(as_of: dt.date | None, site: Site) -> pd.Timestamp | None:
    """The start of the as-of day in site time, as UTC; None for all history."""
    if as_of is None:
        return None
    midnight = pd.Timestamp(as_of.year, as_of.month, as_of.day)
    return midnight.tz_localize(site.tz, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")


def read_rows(source: Source, name: str) -> pd.DataFrame | None:
    """
    Read all files of one table of a site.

    Parameters
    ----------
    source : Source
    name : str
        A table of `columns.TABLES` that lies in a site's folder.

    Returns
    -------
    DataFrame or None
        Columns by their names in the code, then `file` (number in the ledger) and `line`; in the order
        of the files. Times are UTC and interval tables are labelled at the interval's start. Rows that
        cannot be read, that repeat another's key or that lie after the history's end are not in it.
        None where the site has no such table.
    """
    table = TABLES[name]
    try:
        files, extra = find_files(source.root, table.place.format(site=source.site.id))
    except InputError as err:
        source.ledger.problems.extend(err.problems)
        return None
    source.ledger.notices.extend(extra)
    parts = []
    for path in files:
        try:
            raw = load(path, source.root)
        except InputError as err:
            source.ledger.problems.extend(err.problems)
            continue
        part = _read_file(source, table, raw)
        if part is not None:
            parts.append(part)
    if not parts:
        return None
    rows = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    if name in INTERVAL_TABLES:
        rows = _to_interval_start(source, table, rows)
    return _without_repeats(source, table, rows)


def _read_file(source: Source, table: Table, raw: RawTable) -> pd.DataFrame | None:
    ledger = source.ledger
    names = _find_columns(ledger, table, raw)
    if names is None:
        return None
    number = ledger.open_file(raw.file, table.name, len(raw.lines) + len(raw.misfits))
    if raw.misfits:
        lines, texts, reasons = zip(*raw.misfits, strict=True)
        ledger.set_aside(number, lines, "", list(texts), list(reasons))
    cells = _read_columns(source, table, {c: raw.columns[n] for c, n in names.items()})
    for note in (n for read in cells.values() for n in read.notes):
        ledger.note(raw.file, note)
    after = _after(source, table, cells)
    ledger.after[number] += int(after.sum())
    bad = _set_aside_bad(ledger, number, raw, table, names, cells, after)
    keep = ~(bad | after)
    frame = pd.DataFrame({c.code_name: cells[c].values for c in cells}, copy=False)
    frame["file"] = number
    frame["line"] = raw.lines
    if table.name == "iv" and "trace_id" in frame:
        ledger.later_traces.update(frame.loc[after, "trace_id"].dropna())
    return frame if keep.all() else frame[keep].reset_index(drop=True)


def _find_columns(ledger: Ledger, table: Table, raw: RawTable) -> dict[Column, str] | None:
    """The name in the file of each column that is there; None, with a problem, where a needed one is not."""
    names = {}
    for column in table.columns:
        found = [n for n in (column.name, *column.aliases) if n in raw.columns]
        if len(found) > 1:
            ledger.problems.append(f"{raw.file}, header: {' and '.join(found)} mean the same. "
                                   "Expected one of them. Remove the other.")
            return None
        if found:
            names[column] = found[0]
    unknown = sorted(n for n in raw.columns if n and n not in names.values())
    missing = [c.name for c in table.columns if c.need != OPTIONAL and c not in names]
    if missing:
        hints = "".join(near_miss(m, unknown) for m in missing)
        allowed = ", ".join(c.name for c in table.columns)
        what, it = ("column", "is missing"), "it"
        if len(missing) > 1:
            what, it = ("columns", "are missing"), "them"
        # A title or a unit row above the names is told by what stands there.
        stands = "" if names else f' The first line holds "{", ".join(raw.columns)[:80]}".'
        ledger.problems.append(f"{raw.file}, header: {what[0]} {', '.join(missing)} {what[1]}.{hints}{stands} "
                               f"Expected the columns {allowed}. Add or rename {it}.")
        return None
    if unknown:
        unused = [c.name for c in table.columns if c not in names]
        hints = "".join(near_miss(u, unused) for u in unknown)
        ledger.note(raw.file, f"ignored unknown columns {', '.join(unknown)}.{hints}")
    return names


def _read_columns(source: Source, table: Table,
                  raw: dict[Column, pa.ChunkedArray | pa.Array]) -> dict[Column, Cells]:
    cells = {c: read_cells(values, c) for c, values in raw.items() if c.kind != "time"}
    order = [cells[c].values for c in cells if c.name in table.order_by]
    length = len(next(iter(raw.values())))
    series = _combine(order, length)
    for column, values in raw.items():
        if column.kind == "time":
            cells[column] = read_times(values, source.site.tz, series, column)
    return {c: cells[c] for c in raw}


def _combine(parts: list, length: int) -> np.ndarray:
    """One number for each distinct combination of values; shape (length,)."""
    combined = np.zeros(length, dtype=np.int64)
    for values in parts:
        codes, unique = pd.factorize(values)
        combined = pd.factorize(combined * (len(unique) + 1) + codes + 1)[0]
    return combined


def _after(source: Source, table: Table, cells: dict[Column, Cells]) -> np.ndarray:
    """Rows that lie after the history's end. An interval labelled at its end may carry the end's own time."""
    length = len(next(iter(cells.values())).codes)
    if source.cut is None:
        return np.zeros(length, dtype=bool)
    times = {c.name: cells[c].values for c in cells if c.kind == "time"}
    late = np.zeros(length, dtype=bool)
    if table.name in INTERVAL_TABLES and source.site.interval_label.get(table.name, "start") != "start":
        late |= np.asarray(times["time"] > source.cut)
    elif "end" in times and table.name != "events":
        late |= np.asarray(times["end"] > source.cut) | np.asarray(times["start"] >= source.cut)
    elif times:
        late |= np.asarray(next(iter(times.values())) >= source.cut)
    return late


def _set_aside_bad(ledger: Ledger, number: int, raw: RawTable, table: Table, names: dict[Column, str],
                   cells: dict[Column, Cells], after: np.ndarray) -> np.ndarray:
    """Account for bad cells; returns the rows that are lost to them (one entry for each)."""
    lost = after.copy()
    for column, read in cells.items():
        if column.need != OPTIONAL or column.kind in ("time", "choice") or column.name in table.order_by:
            bad = (read.codes > 0) & ~lost
            _note(ledger, number, raw, names[column], read, bad, ROW)
            lost |= bad
    for column, read in cells.items():
        _note(ledger, number, raw, names[column], read, (read.codes > 0) & ~lost, VALUE_ONLY)
    return lost & ~after


def _note(ledger: Ledger, number: int, raw: RawTable, name: str, read: Cells, bad: np.ndarray,
          part: str) -> None:
    where = np.flatnonzero(bad)
    if not len(where):
        return
    reasons = np.array(read.texts, dtype=object)[read.codes[where]]
    values = as_text(raw.columns[name].take(pa.array(where)))
    if part == VALUE_ONLY:
        reasons = reasons + "; the rest of the row is used"
    ledger.set_aside(number, raw.lines[where], name, values.to_numpy(dtype=object), reasons, part)


def _to_interval_start(source: Source, table: Table, rows: pd.DataFrame) -> pd.DataFrame:
    label = source.site.interval_label.get(table.name, "start")
    if label == "start":
        return rows
    step = usual_step(rows["time"])
    if step is None and len(rows):
        source.ledger.notices.append(f"{table.name}: a single time, so its interval is unknown; "
                                     f"the label \"{label}\" was read as the start.")
    rows = rows.assign(time=rows["time"] - label_shift(label, step))
    if source.cut is None:
        return rows
    late = rows["time"] >= source.cut
    source.ledger.leave_unread(rows, late)
    return rows[~late].reset_index(drop=True)


def _without_repeats(source: Source, table: Table, rows: pd.DataFrame) -> pd.DataFrame:
    keys = [c.code_name for c in table.columns if c.name in table.key and c.code_name in rows]
    identity = pd.Series(_combine([rows[k] for k in keys], len(rows)))
    repeat = identity.duplicated().to_numpy()
    if not repeat.any():
        return rows
    _, first = np.unique(identity.to_numpy(), return_index=True)
    kept = rows.iloc[first[identity.to_numpy()[repeat]]].reset_index(drop=True)
    again = rows[repeat].reset_index(drop=True)
    values = [c for c in rows.columns if c not in ("file", "line", *keys)]
    same = np.ones(len(again), dtype=bool)
    for name in values:
        same &= ((again[name] == kept[name]) | (again[name].isna() & kept[name].isna())).to_numpy(dtype=bool)
    place = "line " + kept["line"].astype(str).astype(object)
    elsewhere = (kept["file"] != again["file"]).to_numpy()
    place = place.where(~elsewhere, place + " of " + source.ledger.names(kept["file"]))
    reason = np.where(same, "repeat of " + place, "contradicts " + place + " (same key), which was kept")
    source.ledger.set_aside(again["file"].to_numpy(), again["line"].to_numpy(), table.key[0],
                            _as_written(again[keys[0]], source.site), reason)
    return rows[~repeat].reset_index(drop=True)


def _as_written(values: pd.Series, site: Site) -> np.ndarray:
    """Values for a message; times in the site's zone, as they stand in its files."""
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        values = values.dt.tz_convert(site.tz)
    return values.astype(str).to_numpy(dtype=object)


def drop_rows(source: Source, rows: pd.DataFrame, bad: np.ndarray | pd.Series, column: str, reason: object,
              value: object = None) -> pd.DataFrame:
    """
    Set aside the rows in `bad` for `reason` (one for all, or one for each row of `rows`).
    """
    mask = np.asarray(bad, dtype=bool)
    if not mask.any():
        return rows
    out = rows[mask]
    shown = _as_written(out[column], source.site) if value is None else value
    reasons = reason if isinstance(reason, str) else np.asarray(reason, dtype=object)[mask]
    source.ledger.set_aside(out["file"].to_numpy(), out["line"].to_numpy(), _WRITTEN.get(column, column), shown, reasons)
    return rows[~mask].reset_index(drop=True)


def empty_table(name: str) -> pd.DataFrame:
    """A table without rows, with every column of the format, `file` and `line`."""
    return completed(pd.DataFrame({"file": pd.Series(dtype=object), "line": pd.Series(dtype="int64")}), name)


def completed(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """The rows with every column of the format, blank where the files have none, `file` and `line` last."""
    columns = {}
    for column in TABLES[name].columns:
        if column.code_name in rows:
            columns[column.code_name] = rows[column.code_name]
        else:
            dtype = {"time": "datetime64[ns, UTC]", "number": "float64"}.get(column.kind, "object")
            columns[column.code_name] = pd.Series(None, index=rows.index, dtype=dtype)
    return pd.DataFrame({**columns, "file": rows["file"], "line": rows["line"]})
