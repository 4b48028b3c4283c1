"""
The tables of what is owned: types, inverters, strings and job costs.

A wrong row here would make every total wrong, so unlike a reading it is never
set aside: it is a problem that stops the reading of the portfolio.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from yieldwatch.columns import EFFICIENCY_POINTS, OPTIONAL, TABLES, Column, Table
from yieldwatch.errors import InputError, ended, near_miss
from yieldwatch.portfolio.cells import Cells, as_text, read_cells
from yieldwatch.portfolio.files import RawTable, find_files, load
from yieldwatch.portfolio.model import InverterType, JobCost, ModuleType

_SHOWN = 5
#: i_mp x v_mp may differ from p_mp by the rounding of a datasheet, not more. (common practice, no source)
_DATASHEET_ROUNDING = 0.05


@dataclass
class AssetRows:
    """
    The sound rows of one table, with where each stands, and all names its key column holds.

    `names` includes the names of unsound rows, so that what refers to them is not complained of twice.
    """

    found: bool
    rows: list[dict[str, Any]] = field(default_factory=list)
    where: list[str] = field(default_factory=list)
    names: set[str] = field(default_factory=set)


def read_rows(root: Path, table: Table, site_id: str, problems: list[str], notices: list[str]) -> AssetRows:
    """
    Read one asset table; what is wrong goes to `problems`, what is ignored to `notices`.

    Returns
    -------
    AssetRows
        Rows by the columns' names in the code, None where a cell is blank.
    """
    place = table.place.format(site=site_id)
    try:
        files, extra = find_files(root, place)
        raws = [load(f, root) for f in files]
    except InputError as err:
        problems.extend(err.problems)
        return AssetRows(found=True)
    notices.extend(extra)
    result = AssetRows(found=bool(raws))
    seen: dict[str, str] = {}
    for raw in raws:
        _read_file(raw, table, result, seen, problems, notices)
    return result


def _read_file(raw: RawTable, table: Table, result: AssetRows, seen: dict[str, str],
               problems: list[str], notices: list[str]) -> None:
    known = {c.name for c in table.columns}
    missing = [c.name for c in table.columns if c.need != OPTIONAL and c.name not in raw.columns]
    unknown = sorted(n for n in raw.columns if n not in known and n)
    if missing:
        hints = "".join(near_miss(m, unknown) for m in missing)
        problems.append(f"{raw.file}, header: {', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing.{hints} "
                        f"Expected the columns {', '.join(c.name for c in table.columns)}. Add what is missing.")
        return
    if unknown:
        notices.append(f"{raw.file}: ignored unknown columns {', '.join(unknown)}.")
    for line, text, reason in raw.misfits:
        problems.append(f"{raw.file}, line {line}: {text!r} {reason}")
    cells = {c.name: (c, read_cells(raw.columns[c.name], c)) for c in table.columns if c.name in raw.columns}
    key_text = as_text(raw.columns[table.key[0]])
    for column, read in cells.values():
        _report(raw, column, read, key_text, problems)
    result.names.update(key_text.dropna())
    bad = np.any([read.codes > 0 for _, read in cells.values()], axis=0)
    for i in np.flatnonzero(~bad):
        where, name = f"{raw.file}, line {raw.lines[i]}", key_text.iloc[i]
        if name in seen:
            problems.append(f"{where} ({name}): {table.key[0]} = {name}, already at {seen[name]}. "
                            "Expected each once. Remove or rename one.")
            continue
        seen[name] = where
        result.rows.append({c.code_name: _plain(read, c, int(i)) for c, read in cells.values()})
        result.where.append(f"{where} ({name})")


def _report(raw: RawTable, column: Column, read: Cells, key_text: pd.Series, problems: list[str]) -> None:
    bad = np.flatnonzero(read.codes)
    if not len(bad):
        return
    values = as_text(raw.columns[column.name])
    for i in bad[:_SHOWN]:
        blank = pd.isna(values.iloc[i])
        value = "blank" if blank else f"{values.iloc[i]} {column.said_unit}".rstrip()
        wrong = f"each row needs it. Expected {column.expected}" if blank else read.texts[read.codes[i]]
        problems.append(f"{raw.file}, line {raw.lines[i]} ({key_text.iloc[i]}): {column.name} = {value}, {ended(wrong)} "
                        f"{'Fill it in' if blank else 'Correct it'}.")
    if len(bad) > _SHOWN:
        problems.append(f"{raw.file}: {column.name} is wrong in {len(bad) - _SHOWN} more rows.")


def _plain(read: Cells, column: Column, i: int) -> Any:
    value = read.values[i] if isinstance(read.values, np.ndarray) else read.values.iloc[i]
    if value is None or pd.isna(value):
        return None
    if column.kind == "integer":
        return int(value)
    return float(value) if column.kind == "number" else value


def module_types(root: Path, problems: list[str],
                 notices: list[str]) -> tuple[dict[str, ModuleType], set[str]]:
    """Read module_types: the sound types, and the names of all."""
    read = needed_rows(root, "module_types", "", problems, notices)
    types = {}
    for row, where in zip(read.rows, read.where, strict=True):
        wrong = _module_contradiction(row)
        if wrong:
            problems.append(f"{where}: {wrong}. Correct it from the datasheet.")
            continue
        row["tolerance_minus_pct"] = abs(row["tolerance_minus_pct"])
        types[row["module_type"]] = ModuleType(**row)
    return types, read.names


def _module_contradiction(row: Mapping[str, Any]) -> str:
    power = row["i_mp_a"] * row["v_mp_v"]
    if row["i_mp_a"] > row["i_sc_a"]:
        return f"i_mp_a = {row['i_mp_a']:g} A, above i_sc_a. Expected at most {row['i_sc_a']:g} A"
    if row["v_mp_v"] >= row["v_oc_v"]:
        return f"v_mp_v = {row['v_mp_v']:g} V, not below v_oc_v. Expected less than {row['v_oc_v']:g} V"
    if abs(power / row["p_mp_w"] - 1) > _DATASHEET_ROUNDING:
        return (f"p_mp_w = {row['p_mp_w']:g} W, but i_mp_a x v_mp_v is {power:.1f} W. "
                f"Expected the same within {_DATASHEET_ROUNDING:.0%}")
    return ""


def inverter_types(root: Path, problems: list[str],
                   notices: list[str]) -> tuple[dict[str, InverterType], set[str]]:
    """Read inverter_types: the sound types, and the names of all."""
    read = needed_rows(root, "inverter_types", "", problems, notices)
    types = {}
    for row, where in zip(read.rows, read.where, strict=True):
        points = {p: row.pop(f"eff_{p}_pct", None) for p in EFFICIENCY_POINTS}
        curve = tuple((p / 100, value / 100) for p, value in points.items() if value is not None)
        wrong = _inverter_contradiction(row, curve)
        if wrong:
            problems.append(f"{where}: {wrong}. Correct it from the datasheet.")
            continue
        row["night_w"] = row.get("night_w") or 0.0
        types[row["inverter_type"]] = InverterType(**row, efficiency=curve)
    return types, read.names


def _inverter_contradiction(row: Mapping[str, Any], curve: tuple[tuple[float, float], ...]) -> str:
    low, high = row["v_mppt_min_v"], row["v_mppt_max_v"]
    if row["ac_rated_kva"] < row["ac_rated_kw"]:
        return (f"ac_rated_kva = {row['ac_rated_kva']:g} kVA, below ac_rated_kw. "
                f"Expected at least {row['ac_rated_kw']:g} kVA")
    if low is not None and high is not None and low >= high:
        return f"v_mppt_min_v = {low:g} V, not below v_mppt_max_v. Expected less than {high:g} V"
    if not curve:
        return "eff_5_pct to eff_100_pct are all blank. Expected at least one efficiency"
    return ""


def job_costs(root: Path, table: Table, site_id: str, problems: list[str],
              notices: list[str]) -> dict[str, JobCost]:
    """Read a job_costs table, the portfolio's or a site's own; empty where there is none."""
    read = read_rows(root, table, site_id, problems, notices)
    return {row["job_kind"]: JobCost(**row) for row in read.rows}


def needed_rows(root: Path, name: str, site_id: str, problems: list[str], notices: list[str]) -> AssetRows:
    """Read a table that there must be; a missing file is a problem."""
    table = TABLES[name]
    read = read_rows(root, table, site_id, problems, notices)
    if not read.found:
        problems.append(f"{table.place.format(site=site_id)}.csv: is missing. Expected the columns "
                        f"{', '.join(c.name for c in table.columns)}. Add it.")
    return read
