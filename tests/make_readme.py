"""
The parts of README.md that follow from the code: the column tables, and the answer for the sample portfolio.

Run ``python -m tests.make_readme`` after a change of `yieldwatch.columns`, `yieldwatch.portfolio.keys`,
`yieldwatch.report.schema` or `evidence_schema`, and with ``--answer`` after a change of the method, which runs the
sample too. Only what stands between the markers is rewritten.
"""

from __future__ import annotations

import contextlib
import io
import re
import sys
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from yieldwatch.cli import main
from yieldwatch.columns import COLUMN, OPTIONAL, TABLES, VALUE, Column, Table
from yieldwatch.portfolio import keys
from yieldwatch.report.evidence_schema import EVIDENCE
from yieldwatch.report.schema import TABLES as WRITTEN
from yieldwatch.report.schema import WORK_LIST_EXTRAS

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"

#: Groups of tables, in the order in which an owner gathers them.
GROUPS = {
    "owned": ("module_types", "inverter_types", "job_costs", "inverters", "strings"),
    "history": ("weather", "weather_2", "events", "prices", "load", "statements", "costs"),
    "readings": ("iv", "iv_curves", "clamp", "meter", "power", "string_current"),
}
#: Headings of the settings, and their keys.
SETTINGS: Mapping[str, tuple[Column, ...]] = {
    "`portfolio.toml`": keys.PORTFOLIO,
    "`sites/<id>/site.toml`": keys.SITE,
    "`[[days_off]]` of either file": keys.DAYS_OFF,
    "`[[drawings]]`": keys.DRAWING,
    "`[data]`": keys.DATA,
    "`[grid]`": keys.GRID,
    "`[assumed_losses_pct]`": keys.ASSUMED_LOSSES,
    "`[[arrays]]`": keys.ARRAY,
    "`[horizon]`": keys.HORIZON,
    "`[plan]`": keys.PLAN,
    "`[[tariffs]]`": keys.TARIFF,
    "`bands` of a tariff": keys.BAND,
    "`[[guarantees]]`": keys.GUARANTEE,
    "each name in `[assumptions]`": keys.ASSUMPTION,
}
NEEDS = {VALUE: "yes", COLUMN: "may be blank", OPTIONAL: ""}


def _row(column: Column) -> str:
    what = replace(column, unit="").expected
    name = " or ".join(f"`{n}`" for n in (column.name, *column.aliases))
    return f"| {name} | {NEEDS[column.need]} | {column.unit} | {what} | {column.meaning} |"


def column_table(columns: Iterable[Column], what: str = "column") -> str:
    """Return columns or keys as a Markdown table."""
    head = [f"| {what} | needed | unit | expected | meaning |", "| --- | --- | --- | --- | --- |"]
    return "\n".join([*head, *map(_row, columns)])


def _folded(summary: str, body: Iterable[str]) -> str:
    return "\n\n".join([f"<details><summary>{summary}</summary>", *body, "</details>"])


def _input_table(table: Table) -> list[str]:
    place = table.place.replace("{site}", "<id>")
    is_folder = "/readings/" in place
    key = ", ".join(f"`{k}`" for k in table.key)
    head = f"**`{place}{'/*.csv' if is_folder else '.csv'}`**: {table.meaning}. No two rows share {key}."
    if table.name == "weather_2":
        return [f"{head} Its columns are those of `weather.csv`."]
    return [head, column_table(table.columns)]


def _written_table(name: str, columns: Mapping[str, str], what: str = "column") -> list[str]:
    rows = [f"| `{c}` | {meaning} |" for c, meaning in columns.items()]
    return [f"**{name}**", "\n".join([f"| {what} | meaning |", "| --- | --- |", *rows])]


def blocks() -> dict[str, str]:
    """Return the text of each block of column tables by its name."""
    settings = [part for head, columns in SETTINGS.items() for part in (f"**{head}**", column_table(columns, "key"))]
    written = {**WRITTEN, "work_list": WRITTEN["work_list"] | WORK_LIST_EXTRAS}
    return {
        "settings": _folded("All keys of portfolio.toml and site.toml", settings),
        "owned": _folded("Columns of the tables of what is owned", _tables(GROUPS["owned"])),
        "history": _folded("Columns of weather, events and money", _tables(GROUPS["history"])),
        "readings": _folded("Columns of the readings", _tables(GROUPS["readings"])),
        "written": _folded(
            "Columns of the tables that are written",
            [part for name, columns in written.items() for part in _written_table(f"`{name}.csv`", columns)],
        ),
        "evidence": _folded(
            "Keys of evidence.json",
            [part for name, keys_of in EVIDENCE.items() for part in _written_table(f"each {name}", keys_of, "key")],
        ),
    }


def _tables(names: Iterable[str]) -> list[str]:
    return [part for name in names for part in _input_table(TABLES[name])]


def answer() -> str:
    """Run the README's first command on the sample portfolio and return what it prints, as a block."""
    said = io.StringIO()
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder), contextlib.redirect_stdout(said):
        main(["assess", str(ROOT / "sample_portfolio"), "--store", "job_book.sqlite"])
    lines = [line.rstrip() for line in said.getvalue().strip().splitlines()]
    return "\n".join(["```text", *lines, "```"])


def filled(text: str, new: Mapping[str, str]) -> str:
    """
    Return the README's text with each marked block replaced.

    Parameters
    ----------
    text : str
    new : mapping of str to str
        By the block's name.

    Raises
    ------
    ValueError
        If a block's markers are not there once.
    """
    for name, block in new.items():
        start, end = f"<!-- {name}: written by tests/make_readme.py -->", f"<!-- end of {name} -->"
        pattern = re.compile(re.escape(start) + ".*?" + re.escape(end), re.DOTALL)
        if len(pattern.findall(text)) != 1:
            raise ValueError(f'README.md: the block "{name}" is not there once. Expected "{start}" and "{end}".')
        text = pattern.sub(lambda _, body=f"{start}\n{block}\n{end}": body, text)
    return text


if __name__ == "__main__":
    parts = blocks() | ({"answer": answer()} if "--answer" in sys.argv[1:] else {})
    README.write_text(filled(README.read_text(encoding="utf-8"), parts), encoding="utf-8")
