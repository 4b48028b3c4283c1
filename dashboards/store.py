"""
The last assessment's store, read only; a new one is seen as soon as it has replaced the old.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from yieldwatch.report.store_file import FORMAT, STORE_FILE

Row = dict[str, Any]


@dataclass(frozen=True)
class Drawn:
    """A prepared series; see `yieldwatch.pictures.base.Picture`."""

    item: str
    columns: dict[str, list]
    about: dict[str, Any]


@dataclass(frozen=True)
class Page:
    """Some rows of a table, and how many there are in all."""

    rows: list[Row]
    total: int


class NoAssessment(Exception):
    """There is nothing to show yet; the message says why in a sentence."""


class Store:
    """
    Queries on one folder's store.

    A connection is opened for each query, so that no reader holds a file that a new assessment has replaced. Names of tables
    and columns are taken only if the file has them; values are always bound.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / STORE_FILE
        self._lock = threading.Lock()
        self._known: tuple[tuple[int, int], dict[str, tuple[str, ...]], dict[str, str | None]] | None = None

    def about(self) -> dict[str, str | None]:
        """
        The assessment's own facts: portfolio, currency, as_of, from, to, made and more.

        Raises
        ------
        NoAssessment
        """
        return self._facts()[2]

    def version(self) -> tuple[int, int]:
        """Changes whenever the file is replaced."""
        return self._facts()[0]

    def has(self, table: str) -> bool:
        return table in self._facts()[1]

    def columns(self, table: str) -> tuple[str, ...]:
        return self._facts()[1][table]

    def rows(self, table: str, where: Mapping[str, object] | None = None, order: Sequence[str] = (), descending: bool = False,
             limit: int | None = None, offset: int = 0, columns: Sequence[str] = ()) -> list[Row]:
        """
        Rows of a table.

        Parameters
        ----------
        where : mapping of str to object, optional
            Columns and the value, or list of values, that they must equal; a column's name may end in `__from` or `__to` for at
            least and at most.
        order : sequence of str
            Columns; missing values come last either way.
        columns : sequence of str
            What is wanted of each row; by default all of it.
        """
        clause, values = self._where(table, where)
        sign = "desc" if descending else "asc"
        by = ", ".join(f'"{self._column(table, c)}" is null, "{c}" {sign}' for c in order)
        tail = f" order by {by}" if by else ""
        if limit is not None:
            tail += " limit ? offset ?"
            values = [*values, limit, offset]
        wanted = ", ".join(f'"{self._column(table, c)}"' for c in columns) or "*"
        return self._read(f'select {wanted} from "{table}"{clause}{tail}', values)

    def page(self, table: str, order: Sequence[str], descending: bool, number: int, size: int,
             where: Mapping[str, object] | None = None) -> Page:
        """One page of rows, counted from 1, and the number of all that match."""
        clause, values = self._where(table, where)
        total = int(self._read(f'select count(*) as n from "{table}"{clause}', values)[0]["n"])
        number = max(1, min(number, -(-total // size)))
        return Page(self.rows(table, where, order, descending, size, (number - 1) * size), total)

    def row(self, table: str, where: Mapping[str, object]) -> Row | None:
        found = self.rows(table, where, limit=1)
        return found[0] if found else None

    def items(self, site_id: str, kind: str) -> list[str]:
        """What a site has pictures of, of one kind."""
        return [r["item"] for r in self._read("select item from pictures where site_id = ? and kind = ? order by item",
                                              [site_id, kind])]

    def picture(self, site_id: str, kind: str, item: str = "") -> Drawn | None:
        found = self._read("select item, columns, about from pictures where site_id = ? and kind = ? and item = ?",
                           [site_id, kind, item])
        return Drawn(item, json.loads(found[0]["columns"]), json.loads(found[0]["about"])) if found else None

    def pictured(self, site_id: str, kind: str) -> dict[str, dict[str, Any]]:
        """What a site has pictures of, of one kind, with the single facts of each."""
        found = self._read("select item, about from pictures where site_id = ? and kind = ? order by item", [site_id, kind])
        return {r["item"]: json.loads(r["about"]) for r in found}

    def evidence(self, site_id: str) -> dict[str, Row]:
        """The records of `evidence.json` by cause."""
        found = self._read("select cause, record from evidence where site_id = ?", [site_id])
        return {r["cause"]: json.loads(r["record"]) for r in found}

    def _where(self, table: str, where: Mapping[str, object] | None) -> tuple[str, list]:
        parts: list[str] = []
        values: list[object] = []
        for name, value in (where or {}).items():
            column, _, bound = name.partition("__")
            self._column(table, column)
            if isinstance(value, list | tuple):
                parts.append(f'"{column}" in ({", ".join("?" * len(value))})')
                values += value
            elif value is None:
                parts.append(f'"{column}" is null')
            else:
                parts.append(f'"{column}" {({"from": ">=", "to": "<="}).get(bound, "=")} ?')
                values.append(value)
        return (f" where {' and '.join(parts)}" if parts else ""), values

    def _column(self, table: str, name: str) -> str:
        if table not in self._facts()[1] or name not in self._facts()[1][table]:
            raise KeyError(f"{table}.{name}")
        return name

    def _read(self, query: str, values: Sequence[object]) -> list[Row]:
        self._facts()
        with closing(sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True)) as store:
            store.row_factory = sqlite3.Row
            return [dict(row) for row in store.execute(query, values)]

    def _facts(self) -> tuple[tuple[int, int], dict[str, tuple[str, ...]], dict[str, str | None]]:
        try:
            stat = self.path.stat()
        except OSError:
            raise NoAssessment("No assessment has been made yet in this folder.") from None
        stamp = (stat.st_mtime_ns, stat.st_ino)
        with self._lock:
            if self._known is None or self._known[0] != stamp:
                self._known = (stamp, *self._look())
            return self._known

    def _look(self) -> tuple[dict[str, tuple[str, ...]], dict[str, str | None]]:
        try:
            with closing(sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True)) as store:
                about = dict(store.execute("select key, value from about"))
                names = [name for (name,) in store.execute("select name from sqlite_master where type = 'table'")]
                tables = {n: tuple(r[1] for r in store.execute(f'pragma table_info("{n}")')) for n in names}
        except sqlite3.DatabaseError as err:
            raise NoAssessment(f"{self.path.name} cannot be read ({err}). Run the assessment again.") from err
        if about.get("format") != str(FORMAT):
            raise NoAssessment(f"{self.path.name} was written by another version. Run the assessment again.")
        return tables, about
