"""
The account of every input row: used, set aside, or after the as-of date.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

ROW, VALUE_ONLY = "row", "value"
_COLUMNS = ["file", "line", "column", "value", "reason", "part"]


class Ledger:
    """
    Collects what a site's readers set aside, resolve and doubt.

    Files are held by number while reading, since a log repeats its name on every row.
    """

    def __init__(self) -> None:
        self.files: list[str] = []
        self.tables: list[str] = []
        self.rows: list[int] = []
        self.after: list[int] = []
        self.used: list[int] = []
        self.notices: list[str] = []
        self.problems: list[str] = []
        self.later_traces: set[str] = set()
        self._aside: list[pd.DataFrame] = []
        self._notes: dict[str, list[str]] = {}

    def open_file(self, file: str, table: str, rows: int) -> int:
        """Note a file and the number of rows in it; returns its number."""
        self.files.append(file)
        self.tables.append(table)
        self.rows.append(rows)
        self.after.append(0)
        self.used.append(0)
        return len(self.files) - 1

    def note(self, file: str, text: str) -> None:
        """Note something of a file; the same of several files becomes one notice."""
        self._notes.setdefault(text, []).append(file)

    def all_notices(self) -> list[str]:
        """The notices of tables, then those of files."""
        of_files = []
        for text, files in self._notes.items():
            more = f" and {len(files) - 1} more {'file' if len(files) == 2 else 'files'}" if len(files) > 1 else ""
            of_files.append(f"{files[0]}{more}: {text}")
        return [*self.notices, *of_files]

    def set_aside(self, file: int | np.ndarray, line: Sequence[int] | np.ndarray, column: str,
                  value: object, reason: object, part: str = ROW) -> None:
        """
        Note rows (or single values of rows) that are not used; each argument is one or one a row.
        """
        if len(line):
            self._aside.append(pd.DataFrame({
                "file": file, "line": np.asarray(line, dtype=np.int64), "column": column, "value": value,
                "reason": reason, "part": part}))

    def count(self, kept: pd.DataFrame) -> None:
        """Note the rows of a finished table as used."""
        self._add(self.used, kept["file"])

    def leave_unread(self, rows: pd.DataFrame, late: np.ndarray | pd.Series) -> None:
        """Note the rows in `late` as lying after the history's end."""
        self._add(self.after, rows.loc[late, "file"])

    def _add(self, counts: list[int], numbers: pd.Series) -> None:
        for number, count in enumerate(np.bincount(numbers.to_numpy(dtype=int), minlength=len(counts))):
            counts[number] += int(count)

    def names(self, numbers: pd.Series) -> pd.Series:
        """The names of files given by number."""
        names = np.array([*self.files, ""], dtype=object)  # the last keeps an empty list of files indexable
        return pd.Series(names[numbers.to_numpy(dtype=int)], index=numbers.index, dtype=object)

    def set_aside_table(self) -> pd.DataFrame:
        """file, line, column, value, reason, part; in order of file and line."""
        if not self._aside:
            return pd.DataFrame(columns=_COLUMNS, dtype=object).astype({"line": "int64"})
        table = pd.concat(self._aside, ignore_index=True)
        table["value"] = table["value"].astype(object).where(table["value"].notna(), "")
        table = table.sort_values(["file", "line"], kind="stable", ignore_index=True)
        table["file"] = self.names(table["file"])
        return table[_COLUMNS]

    def file_table(self) -> pd.DataFrame:
        """A row for each file: table, file, rows = used + set_aside + after_as_of."""
        aside = pd.concat(self._aside) if self._aside else pd.DataFrame({"file": [], "part": []})
        counts = aside.loc[aside["part"] == ROW, "file"].value_counts()
        return pd.DataFrame({
            "table": self.tables, "file": self.files, "rows": self.rows, "used": self.used,
            "set_aside": [int(counts.get(i, 0)) for i in range(len(self.files))], "after_as_of": self.after,
        })
