"""
Times as written -> absolute times (UTC), and interval labels -> interval starts.

A time with an offset is absolute. One without is local wall time: where the
clock goes back an hour is written twice and only the order of the rows can tell
the two apart; where it goes forward an hour does not exist.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from yieldwatch.columns import VALUE, Column
from yieldwatch.portfolio.cells import Cells, as_text

_DATE_PATTERN = r"^\d{4}-\d{2}-\d{2}"
_WALL_PATTERN = _DATE_PATTERN + r"[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?"
_ABSOLUTE_PATTERN = _WALL_PATTERN + r"(Z|[+-]\d{2}(:?\d{2})?)"
#: Loggers that lost their clock write 1970 or 2000; no farm of today has readings before this year.
_FIRST_YEAR, _LAST_YEAR = 1990, 2100
_DATE, _WALL, _ABSOLUTE, _BAD = range(4)


def read_times(raw: pa.ChunkedArray | pa.Array, tz: ZoneInfo, series: np.ndarray,
               column: Column) -> Cells:
    """
    Read a column of times.

    Parameters
    ----------
    raw : pyarrow array of strings, timestamps or dates, shape (n_rows,)
        In the order of the file.
    tz : ZoneInfo
        The site's zone, for times without an offset. A date alone is its local midnight.
    series : ndarray of int, shape (n_rows,)
        Which series (inverter, string) a row belongs to; order is judged within each.
    column : Column
        Says whether a blank is bad.

    Returns
    -------
    Cells
        `values` is a Series of datetime64[ns, UTC], NaT where blank or bad.
    """
    stamps, kinds, blank = _parse(raw)
    cells = Cells(pd.Series(pd.NaT, index=range(len(stamps)), dtype="datetime64[ns, UTC]"),
                  np.zeros(len(stamps), dtype=np.int16))
    cells.flag((kinds == _BAD) & ~blank, "not a time. Expected ISO 8601, such as 2024-06-30T13:45:00+02:00")
    if column.need == VALUE:
        cells.flag(blank, "blank, and each row needs it")
    year = pd.DatetimeIndex(stamps).year
    cells.flag(np.asarray((year < _FIRST_YEAR) | (year > _LAST_YEAR)),
               f"not a time of a running clock. Expected a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    utc = stamps.copy()
    local = (kinds == _WALL) & (cells.codes == 0)
    if local.any():
        cells.notes.append(f"times without an offset in {column.name} were read as wall time of {tz.key}.")
        utc[local], twice, never = _from_wall(stamps[local], tz, series[local])
        where = np.flatnonzero(local)
        cells.flag(_mask(len(stamps), where[twice]),
                   f"in the hour that {tz.key} has twice, and the order of the rows does not tell which. "
                   "Expected a time with its offset")
        cells.flag(_mask(len(stamps), where[never]),
                   f"in the hour that {tz.key} skips. Expected a time with its offset")
    midnight = (kinds == _DATE) & (cells.codes == 0)
    if midnight.any():
        if column.name == "time":
            cells.notes.append(f"rows with a day but no time of day were read as midnight of {tz.key}.")
        utc[midnight] = pd.DatetimeIndex(stamps[midnight]).tz_localize(
            tz, ambiguous=np.ones(int(midnight.sum()), dtype=bool), nonexistent="shift_forward"
        ).tz_convert("UTC").tz_localize(None).to_numpy()
    utc[(cells.codes > 0) | blank] = np.datetime64("NaT")
    cells.values = pd.Series(pd.DatetimeIndex(utc).tz_localize("UTC"))
    return cells


def _mask(length: int, where: np.ndarray) -> np.ndarray:
    mask = np.zeros(length, dtype=bool)
    mask[where] = True
    return mask


def _parse(raw: pa.ChunkedArray | pa.Array) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The stamps (naive ns: UTC if absolute, else as on the wall), what each is, and which are blank."""
    if pa.types.is_timestamp(raw.type) or pa.types.is_date(raw.type):
        kind = _DATE if pa.types.is_date(raw.type) else _ABSOLUTE if raw.type.tz else _WALL
        stamps = _to_ns(raw.cast(pa.timestamp("us"), safe=False).to_numpy(zero_copy_only=False))
        return stamps, np.full(len(stamps), kind), np.isnat(stamps)
    codes, unique = pd.factorize(as_text(raw))  # logs repeat each time for every inverter
    kinds = np.append(_kinds(unique), _BAD)
    stamps = np.full(len(kinds), np.datetime64("NaT"), dtype="datetime64[ns]")
    readable = kinds[:-1] != _BAD
    if readable.any():
        parsed = pd.to_datetime(pd.Series(unique)[readable], format="ISO8601", utc=True, errors="coerce")
        stamps[:-1][readable] = _to_ns(parsed.dt.tz_localize(None).to_numpy())
    kinds[np.isnat(stamps)] = _BAD  # such as the 31st of June
    return stamps[codes], kinds[codes], codes < 0


def _to_ns(stamps: np.ndarray) -> np.ndarray:
    """Nanoseconds; what they cannot hold (a year 9999 for "never") stays out of any clock's range."""
    border = np.array(["1900-01-01", "2200-01-01"], dtype="datetime64[us]")
    return np.clip(stamps.astype("datetime64[us]"), *border).astype("datetime64[ns]")


def _kinds(texts: pd.Index) -> np.ndarray:
    array = pa.array(texts, pa.string())
    kinds = np.full(len(array), _BAD)
    for kind, pattern in ((_DATE, _DATE_PATTERN), (_WALL, _WALL_PATTERN), (_ABSOLUTE, _ABSOLUTE_PATTERN)):
        matched = pc.match_substring_regex(array, pattern + "$")
        kinds[matched.to_numpy(zero_copy_only=False)] = kind
    return kinds


def _from_wall(wall: np.ndarray, tz: ZoneInfo,
               series: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """UTC of wall times, and where it cannot be told: the hour is there twice, or never."""
    codes, unique = pd.factorize(wall)
    index = pd.DatetimeIndex(unique)
    plain = _to_utc(index.tz_localize(tz, ambiguous="NaT", nonexistent="NaT"))
    first = _to_utc(index.tz_localize(tz, ambiguous=np.ones(len(index), dtype=bool), nonexistent="NaT"))
    second = _to_utc(index.tz_localize(tz, ambiguous=np.zeros(len(index), dtype=bool), nonexistent="NaT"))
    utc = plain[codes]
    never = np.isnat(first)[codes]
    twice = np.isnat(utc) & ~never
    rows = np.flatnonzero(twice)
    later = _second_passes(wall, series, rows)
    utc[rows] = np.where(later == 1, second[codes[rows]], first[codes[rows]])
    unresolved = rows[later < 0]
    utc[unresolved] = np.datetime64("NaT")
    return utc, _mask(len(wall), unresolved), never


def _to_utc(index: pd.DatetimeIndex) -> np.ndarray:
    return index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ns]")


def _second_passes(wall: np.ndarray, series: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """For each of `rows` 0 for the hour's first pass, 1 for its second, -1 where order does not tell."""
    result = np.full(len(rows), -1)
    frame = pd.DataFrame({"series": series[rows], "day": wall[rows].astype("datetime64[D]")})
    for where in frame.groupby(["series", "day"]).indices.values():
        own = wall[series == series[rows[where[0]]]]
        newest_first = own[0] > own[-1]
        order = where[::-1] if newest_first else where
        result[order] = _split_by_order(wall[rows[order]])
    return result


def _split_by_order(times: np.ndarray) -> np.ndarray | int:
    step = np.diff(times).astype(np.int64)
    breaks = np.flatnonzero(step < 0)
    if not len(breaks):  # hourly data write the same time twice
        breaks = np.flatnonzero(step == 0)
    if len(breaks) != 1:
        return -1
    return (np.arange(len(times)) > breaks[0]).astype(int)


def usual_step(times: pd.Series) -> pd.Timedelta | None:
    """The median step between the distinct times of a table; None with fewer than two."""
    unique = pd.DatetimeIndex(times.dropna().unique()).sort_values()
    if len(unique) < 2:
        return None
    return pd.Timedelta(np.median(np.diff(unique.as_unit("ns").asi8)), unit="ns")


def label_shift(label: str, step: pd.Timedelta | None) -> pd.Timedelta:
    """How far the start of an interval lies before its label."""
    if label == "start" or step is None:
        return pd.Timedelta(0)
    return step if label == "end" else step / 2
