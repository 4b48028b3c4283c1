"""
New files for the portfolio's folder: looked at in a copy first, put in place only when they are accepted, never over another.
"""

from __future__ import annotations

import gzip
import io
import os
import re
import secrets
import shutil
import tempfile
import threading
import time
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pyarrow as pa
from pyarrow import parquet

from yieldwatch.check import reason_kinds
from yieldwatch.columns import TABLES
from yieldwatch.errors import InputError, YieldwatchError
from yieldwatch.field.read import read_site_data
from yieldwatch.portfolio.files import SUFFIXES, find_files, table_stem
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.report.words import count

#: Largest file, as it comes and unpacked. [bytes]
LARGEST, LARGEST_UNPACKED = 40_000_000, 400_000_000
#: How long a file that nobody accepts is held. [s]
_HELD_S = 3600.0
#: Files held at a time; the oldest goes first.
_MOST_HELD = 20
#: Kinds of readings that may be added here: rows over time. What describes the plant is edited with its owner's own tools.
KINDS = tuple(t.name for t in TABLES.values() if "{site}" in t.place and t.name not in ("inverters", "strings", "job_costs"))


@dataclass(frozen=True)
class Preview:
    """
    What a file would bring.

    Attributes
    ----------
    key : str
        By which it is accepted or dropped.
    site_id, kind, file : str
        `file` is where it would stand, below the portfolio's folder.
    moved : str
        A file that would be put into a folder of its own name, so that both are read; empty if none.
    rows, used, set_aside : int
        Rows in the file, those that would be used, and those set aside.
    reasons : tuple of (str, int, int)
        Why rows or values would be set aside, how many, and the first line.
    notices : tuple of str
        What would be set aside in other files, and what the reader says of the farm with the file but not without it.
    refused : str
        Why it cannot be read at all; empty if it can.
    """

    key: str
    site_id: str
    kind: str
    file: str
    moved: str = ""
    rows: int = 0
    used: int = 0
    set_aside: int = 0
    reasons: tuple[tuple[str, int, int], ...] = ()
    notices: tuple[str, ...] = ()
    refused: str = ""


@dataclass
class _Held:
    who: str
    at: float
    folder: Path
    staged: Path
    preview: Preview = field(default_factory=lambda: Preview("", "", "", ""))


class Uploads:
    """Files that wait for a yes or no, in a folder of their own outside the portfolio."""

    def __init__(self, portfolio: Path) -> None:
        self._portfolio = portfolio
        self._lock = threading.Lock()
        self._held: dict[str, _Held] = {}

    def sites(self) -> list[str]:
        """The farms' identifiers, which are their folders' names."""
        folder = self._portfolio / "sites"
        return sorted(p.name for p in folder.iterdir() if p.is_dir() and not p.name.startswith(".")) if folder.is_dir() else []

    def look(self, who: str, site_id: str, kind: str, name: str, content: bytes) -> Preview:
        """
        Read a file as if it were in the folder.

        Raises
        ------
        InputError
            If it is no table, too large, or farm or kind are not known.
        """
        if site_id not in self.sites() or kind not in KINDS:
            raise InputError("Choose a farm and a kind of reading.")
        stem, suffix = _safe_name(name)
        _check_size(suffix, content)
        place = TABLES[kind].place.format(site=site_id)
        target, moved = self._target(place, stem, suffix)
        self._forget_old()
        folder = Path(tempfile.mkdtemp(prefix="yieldwatch-upload-"))
        staged = folder / f"file{suffix}"
        staged.write_bytes(content)
        key = secrets.token_urlsafe(16)
        held = _Held(who, time.monotonic(), folder, staged)
        held.preview = self._read(folder, staged, key, site_id, kind, target, moved)
        with self._lock:
            self._held[key] = held
        return held.preview

    def accept(self, who: str, key: str) -> str:
        """
        Put a file in place; returns where it stands.

        Raises
        ------
        InputError
            If it is not held for this person, could not be read, or its place was taken meanwhile.
        """
        held = self._take(who, key)
        try:
            preview = held.preview
            if preview.refused:
                raise InputError(f"{preview.file}: cannot be read. Expected a sound file. Correct it and send it again.")
            place = TABLES[preview.kind].place.format(site=preview.site_id)
            found, _ = find_files(self._portfolio, place)
            alone = self._portfolio / place
            target = self._portfolio / preview.file
            now = str(found[0].relative_to(self._portfolio).as_posix()) if found and not alone.is_dir() else ""
            if now != preview.moved or target.exists():
                raise InputError(f"{preview.file}: the folder has changed meanwhile. Expected it as it was. Send the file again.")
            if preview.moved:
                _make_room(self._portfolio / preview.moved, alone)
            target.parent.mkdir(parents=True, exist_ok=True)
            _put(held.staged, target)
            return preview.file
        except OSError as err:
            raise InputError(f"{held.preview.file}: cannot be written ({err.strerror or err}). Expected a folder that can be. "
                             "Check its rights.") from None
        finally:
            shutil.rmtree(held.folder, ignore_errors=True)

    def drop(self, who: str, key: str) -> None:
        """Forget a file."""
        shutil.rmtree(self._take(who, key).folder, ignore_errors=True)

    def _take(self, who: str, key: str) -> _Held:
        with self._lock:
            held = self._held.get(key)
            if held is None or held.who != who:
                raise InputError("The file is no longer held. Send it again.")
            return self._held.pop(key)

    def _forget_old(self) -> None:
        with self._lock:
            by_age = sorted(self._held, key=lambda k: self._held[k].at)
            old = [k for k in by_age if time.monotonic() - self._held[k].at > _HELD_S]
            for key in dict.fromkeys([*old, *by_age[:max(0, len(by_age) - _MOST_HELD)]]):
                shutil.rmtree(self._held.pop(key).folder, ignore_errors=True)

    def _target(self, place: str, stem: str, suffix: str) -> tuple[str, str]:
        """Where the file would stand, and the file that would have to move into the same folder."""
        found, _ = find_files(self._portfolio, place)
        moved = found[0].relative_to(self._portfolio).as_posix() if found and not (self._portfolio / place).is_dir() else ""
        taken = {p.name.lower() for p in found}
        name, n = f"{stem}{suffix}", 2
        while name.lower() in taken or (self._portfolio / place / name).exists():
            name, n = f"{stem}-{n}{suffix}", n + 1
        return f"{place}/{name}", moved

    def _read(self, folder: Path, staged: Path, key: str, site_id: str, kind: str, target: str, moved: str) -> Preview:
        copy = folder / "portfolio"
        try:
            _mirror(self._portfolio, copy, site_id)
            before = read_site_data(copy, read_portfolio(copy).sites[0])
            if moved:
                _make_room(copy / moved, copy / TABLES[kind].place.format(site=site_id))
            (copy / target).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(staged, copy / target)
            after = read_site_data(copy, read_portfolio(copy).sites[0])
        except YieldwatchError as err:
            return Preview(key, site_id, kind, target, moved, refused=str(err))
        finally:
            shutil.rmtree(copy, ignore_errors=True)
        mine = after.files[after.files["file"] == target]
        rows, used, aside = (int(mine[c].sum()) for c in ("rows", "used", "set_aside"))
        return Preview(key, site_id, kind, target, moved, rows, used, aside, _reasons(after.set_aside, target),
                       (*_elsewhere(before.set_aside, after.set_aside, target),
                        *(n for n in after.notices if n not in set(before.notices))))


def _reasons(set_aside: pd.DataFrame, file: str) -> tuple[tuple[str, int, int], ...]:
    mine = set_aside[set_aside["file"] == file]
    by = mine.groupby(reason_kinds(mine))["line"].agg(["size", "min"]).sort_values("size", ascending=False)
    return tuple((str(reason), int(row["size"]), int(row["min"])) for reason, row in by.iterrows())


def _elsewhere(before: pd.DataFrame, after: pd.DataFrame, file: str) -> list[str]:
    """What the file would set aside in files that are there already, as readings that clash with its own."""
    then, now = (frame[frame["file"] != file]["file"].value_counts() for frame in (before, after))
    more = now.sub(then, fill_value=0)
    return [f"{name}: {count(int(n), 'more row or value', 'more rows or values')} of this file would be set aside."
            for name, n in more[more > 0].items()]


def _safe_name(name: str) -> tuple[str, str]:
    """A name of our own making from a file's: letters, digits, - and _ of it, and one of the known endings."""
    base = Path(name.replace("\\", "/")).name
    stem = table_stem(Path(base.lstrip(".")))
    if stem is None:
        raise InputError(f"The file's name does not end in {', '.join(SUFFIXES)}. Export it as one of these.")
    suffix = next(s for s in SUFFIXES if base.lower().endswith(s))
    return re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-")[:60] or "readings", suffix


def _check_size(suffix: str, content: bytes) -> None:
    if len(content) > LARGEST:
        raise InputError(f"The file has {len(content) / 1e6:.0f} MB. Expected {LARGEST / 1e6:.0f} MB at most. Split it.")
    if suffix == ".csv.gz":
        size = _unpacked_gzip(content)
    elif suffix == ".parquet":
        size = _unpacked_parquet(content)
    else:
        return
    if size > LARGEST_UNPACKED:
        raise InputError(f"The file unpacks to more than {LARGEST_UNPACKED / 1e6:.0f} MB. Split it.")


def _unpacked_gzip(content: bytes) -> int:
    """Unpacked size of all members, counted until it is too much. [bytes]"""
    size = 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as packed:
            while size <= LARGEST_UNPACKED and (part := packed.read(1_000_000)):
                size += len(part)
    except (OSError, EOFError, zlib.error):
        raise InputError("The file is no sound gzip file. Pack it again.") from None
    return size


def _unpacked_parquet(content: bytes) -> int:
    """
    Size by the file's own account, and not under that of its cells: equal ones take next to nothing there. [bytes]

    A group of rows is read by its account and fails where that is false.
    """
    try:
        about = parquet.ParquetFile(pa.BufferReader(content)).metadata
    except (pa.ArrowException, OSError, ValueError):
        raise InputError("The file is no sound Parquet file. Write it again.") from None
    stated = sum(about.row_group(n).total_byte_size for n in range(about.num_row_groups))
    return int(max(stated, 8 * about.num_rows * about.num_columns))


def _mirror(portfolio: Path, copy: Path, site_id: str) -> None:
    """The portfolio with one farm, as folders of hard links: what symbolic links out of a portfolio lead to is not read."""
    copy.mkdir()
    for path in portfolio.iterdir():
        if path.is_file() and (path.suffix == ".toml" or table_stem(path) is not None):
            _linked(path, copy / path.name)
    own = portfolio / "sites" / site_id
    for path in sorted(own.rglob("*")):
        there = copy / "sites" / site_id / path.relative_to(own)
        if path.is_dir():
            there.mkdir(parents=True, exist_ok=True)
        elif path.is_file():
            there.parent.mkdir(parents=True, exist_ok=True)
            _linked(path, there)


def _linked(path: Path, there: Path) -> None:
    try:
        os.link(path.resolve(), there)
    except OSError:  # on another disk
        shutil.copyfile(path, there)


def _make_room(alone: Path, folder: Path) -> None:
    """Put a file into a folder of its own name, beside which others then find room."""
    hidden = Path(tempfile.mkdtemp(prefix=".moving-", dir=folder.parent))
    hidden.chmod(folder.parent.stat().st_mode & 0o777)
    alone.rename(hidden / alone.name)
    hidden.rename(folder)


def _put(staged: Path, target: Path) -> None:
    """Copy whole or not at all, and never over a file: a link to a finished copy fails where something is."""
    unfinished = target.with_name(f".{secrets.token_hex(8)}.unfinished")
    try:
        shutil.copyfile(staged, unfinished)
        os.link(unfinished, target)
    finally:
        unfinished.unlink(missing_ok=True)
