"""
Find the files that serve a table and load their cells, as yet without meaning.

CSV cells come as text and Parquet cells in the type they were stored in. Every
row keeps the line on which it ends in the file (Parquet: its row number from 1).
"""

from __future__ import annotations

import csv
import gzip
import io
import os
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from yieldwatch.errors import InputError, near_miss

SUFFIXES = (".csv", ".csv.gz", ".parquet")
#: Endings under which owners keep tables that are not read.
_UNREAD_SUFFIXES = (".xlsx", ".xls", ".xlsm", ".ods", ".txt", ".tsv", ".json", ".zip", ".feather")
_OTHER_SEPARATORS = ((";", "semicolons"), ("\t", "tabs"), ("|", "bars"))


@dataclass(frozen=True)
class RawTable:
    """
    The cells of one file.

    Attributes
    ----------
    file : str
        Path below the portfolio's folder, with forward slashes.
    columns : dict of str to pyarrow.ChunkedArray or pyarrow.Array
        By header name, each of shape (n_rows,).
    lines : ndarray of int, shape (n_rows,)
    misfits : tuple of (int, str, str)
        Line, text and reason of rows that do not have the header's number of fields.
    """

    file: str
    columns: dict[str, pa.ChunkedArray | pa.Array]
    lines: np.ndarray
    misfits: tuple[tuple[int, str, str], ...] = ()


def table_stem(path: Path) -> str | None:
    """The name without a table's ending, or None for a file that is no table."""
    for suffix in SUFFIXES:
        if path.name.lower().endswith(suffix) and not path.name.startswith("."):
            return path.name[: -len(suffix)]
    return None


def within(path: Path, root: Path) -> Path:
    """
    Return the path, if it lies in the portfolio's folder once every link is followed.

    A folder that somebody sent must not read other files of this machine: their cells would stand in what is written.

    Raises
    ------
    InputError
        If a link leads out of the folder.
    """
    try:
        inside = path.resolve().is_relative_to(root.resolve())
    except (OSError, RuntimeError):  # links in a circle; opening it will say so
        inside = True
    if not inside:
        raise InputError(f"{_relative(path, root)}: a link leads out of the portfolio's folder. Expected a file in it. Copy the "
                         "file there in place of the link.")
    return path


def find_files(root: Path, place: str) -> tuple[list[Path], list[str]]:
    """
    Find what serves the table at `place`: one file, or a folder of files.

    Returns
    -------
    files : list of Path
        In order of their names; empty if the owner does not have the table.
    notices : list of str
        Files in the folder that are not tables, or cannot be opened, or are hidden.

    Raises
    ------
    InputError
        If more than one file or folder claims the place: one of them is probably stale.
    """
    target = root / place
    claims = [target.with_name(target.name + s) for s in SUFFIXES]
    notices = [f"{_relative(p, root)}: ignored, not a file. Expected a table; does a link lead nowhere?"
               for p in claims if _is_no_file(p)]
    found = [p for p in claims if p.is_file()] + ([target] if target.is_dir() else [])
    if len(found) > 1:
        names = ", ".join(_relative(p, root) for p in found)
        raise InputError(f"{place}: found more than once ({names}). Expected one of them. Remove the others.")
    if not found or found[0].is_file():
        return found, notices
    notices += _hidden(target, root)
    inside = sorted(p for p in target.iterdir() if not p.name.startswith("."))
    tables = [p for p in inside if p.is_file() and table_stem(p) is not None]
    broken = [p.name for p in inside if table_stem(p) is not None and _is_no_file(p)]
    others = [p.name for p in inside if p not in tables and p.name not in broken]
    if broken:
        notices.append(f"{place}: ignored {', '.join(broken)}, not a file. Expected a table; does a link lead nowhere?")
    if others:
        notices.append(f"{place}: ignored {', '.join(others)}; only {', '.join(SUFFIXES)} files are read."
                       f"{' Export it as CSV.' if any(o.lower().endswith(_UNREAD_SUFFIXES) for o in others) else ''}")
    return tables, notices


def _is_no_file(path: Path) -> bool:
    """Whether something has the name and cannot be read as a file: a link that leads nowhere, a pipe."""
    return os.path.lexists(path) and not path.is_file() and not path.is_dir()


def _hidden(folder: Path, root: Path) -> list[str]:
    """Tables that a leading point hides; but for what some systems write beside each file."""
    hidden = sorted(p for p in folder.glob(".*") if p.name.lower().endswith(SUFFIXES) and not p.name.startswith("._"))
    return [f"{_relative(p, root)}: ignored, as its name begins with a point. If it is to be read, rename it." for p in hidden]


def note_strangers(root: Path, place: str, known: Iterable[str], notices: list[str],
                   elsewhere: Mapping[str, str] = MappingProxyType({})) -> None:
    """
    Say which tables are not read, since a misspelt name would go unseen.

    Folders are named only where they look like a misspelt one: owners keep photos and letters too. `elsewhere` are the tables
    that belong in a folder below.
    """
    known = sorted(known)
    notices.extend(_hidden(root / place, root))
    for path in sorted((root / place).iterdir()):
        stem = path.name if path.is_dir() else table_stem(path)
        if path.suffix.lower() in _UNREAD_SUFFIXES and path.stem.lower() in {*known, *elsewhere} and path.is_file():
            notices.append(f"{_relative(path, root)}: ignored; only {', '.join(SUFFIXES)} files are read. Export it as CSV.")
        if stem is not None and stem in elsewhere:
            notices.append(f"{_relative(path, root)}: ignored, not in its place. Move it to {elsewhere[stem]}.")
            continue
        if stem is None or stem in known or path.name.startswith("."):
            continue
        hint = _of_a_folder(stem, known) or near_miss(stem, known)
        if hint or path.is_file():
            notices.append(f"{_relative(path, root)}: ignored, not part of the format.{hint}")


def _of_a_folder(stem: str, known: Sequence[str]) -> str:
    """What to do with a table that is named after a known one and its year: it may lie in a folder of that name."""
    of = re.fullmatch(r"(\w+?)[ _-]?\d{4}(?:[ _-].*)?", stem)
    return f" Put it into a folder {of[1]}, or rename it {of[1]}." if of and of[1] in known else ""


def load(path: Path, root: Path) -> RawTable:
    """
    Load one CSV, gzipped CSV or Parquet file.

    Raises
    ------
    InputError
        If the file cannot be opened, lies outside the portfolio's folder, is not what its ending says, is not UTF-8, has no
        header row, or names a column twice.
    """
    file = _relative(within(path, root), root)
    try:
        if path.name.lower().endswith(".parquet"):
            return _load_parquet(path, file)
        data = path.read_bytes()
        if path.name.lower().endswith(".gz"):
            data = gzip.decompress(data)
    except (OSError, EOFError, zlib.error, pa.ArrowException) as err:
        raise InputError(f"{file}: cannot be read ({_first_line(err)}). Expected a sound file. "
                         "Export it again.") from err
    return _parse_csv(data, file)


def _load_parquet(path: Path, file: str) -> RawTable:
    table = pq.ParquetFile(path).read()
    _check_header(table.column_names, file)
    columns = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_dictionary(column.type):
            column = column.cast(column.type.value_type)
        if pa.types.is_nested(column.type):
            raise InputError(f"{file}, column {name}: holds {column.type}, not single values. "
                             "Expected one value in each cell. Export it again.")
        columns[name.strip()] = column
    return RawTable(file, columns, np.arange(1, table.num_rows + 1))


def _parse_csv(data: bytes, file: str) -> RawTable:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = data[: err.start].count(b"\n") + 1
        raise InputError(f"{file}, line {line}: byte {err.start} is not UTF-8. Expected a UTF-8 file. "
                         "Save it again with the encoding UTF-8.") from err
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")  # old spreadsheets end lines with a lone CR
    header_line = text.split("\n", 1)[0]
    header = [name.strip() for name in next(csv.reader([header_line]), [])]
    if not any(header):
        raise InputError(f"{file}, line 1: the header row is missing. Expected the names of the columns. "
                         "Put them in the first line.")
    other = next((word for sign, word in _OTHER_SEPARATORS if sign in header[0]), None) if len(header) == 1 else None
    if other:
        raise InputError(f"{file}, line 1: fields are separated by {other}. Expected commas, and a point "
                         "in decimal numbers. Export the file again as comma-separated.")
    _check_header(header, file)
    return _parse_plain(text, header, file) or _parse_quoted(text, header, file)


def _parse_plain(text: str, header: list[str], file: str) -> RawTable | None:
    """The fast way, for files where each line is a row; None where quotes or odd lines forbid it."""
    if '"' in text or "\n\n" in text or "\n\r\n" in text:
        return None
    body = text.split("\n", 1)[1] if "\n" in text else ""
    if not body:
        return RawTable(file, {name: pa.array([], pa.string()) for name in header}, np.arange(0))
    try:
        table = pacsv.read_csv(
            io.BytesIO(body.encode()),
            read_options=pacsv.ReadOptions(column_names=header),
            parse_options=pacsv.ParseOptions(quote_char=False, ignore_empty_lines=False),
            convert_options=pacsv.ConvertOptions(column_types={n: pa.string() for n in header}),
        )
    except pa.ArrowInvalid:  # a line with too few or too many fields
        return None
    columns = {name: table.column(i) for i, name in enumerate(header)}
    return RawTable(file, columns, np.arange(2, table.num_rows + 2))


def _parse_quoted(text: str, header: list[str], file: str) -> RawTable:
    # Strict, because an open quote would otherwise swallow all that follows it as one cell.
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    misfits: list[tuple[int, str, str]] = []
    try:
        next(reader)
        for row in reader:
            row = _without_trailing_commas(row, len(header))
            if len(row) == len(header):
                rows.append(row)
                lines.append(reader.line_num)
            elif row:
                misfits.append((reader.line_num, ",".join(row), _misfit_reason(len(row), len(header))))
    except csv.Error as err:
        raise InputError(f"{file}, line {reader.line_num}: quotes do not pair up ({err}). "
                         'Expected "..." around a field and inner quotes doubled. Export it again.') from err
    cells = zip(*rows, strict=True) if rows else ([] for _ in header)
    columns = {name: pa.array(values, pa.string()) for name, values in zip(header, cells, strict=True)}
    return RawTable(file, columns, np.array(lines, dtype=np.int64), tuple(misfits))


def _without_trailing_commas(row: list[str], length: int) -> list[str]:
    """Spreadsheets write empty cells beyond the header; they say nothing."""
    return row if any(row[length:]) else row[:length]


def _misfit_reason(found: int, expected: int) -> str:
    hint = "Is a decimal comma or an unquoted comma in it?" if found > expected else "Is the row cut short?"
    return f"has {found} fields where the header has {expected}. {hint}"


def _check_header(names: list[str], file: str) -> None:
    stripped = [n.strip() for n in names]
    twice = sorted({n for n in stripped if n and stripped.count(n) > 1})
    if twice:
        raise InputError(f"{file}, header: column {', '.join(twice)} is there more than once. "
                         "Expected each column once. Remove or rename one.")


def _relative(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix()


def _first_line(err: BaseException) -> str:
    return str(err).split("\n", 1)[0].strip().rstrip(".")
