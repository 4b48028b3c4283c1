"""
An assessment as the contract's tables, and a folder of files written whole or not at all.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.errors import InputError
from yieldwatch.report.schema import IDENTIFIERS, TABLES

#: Decimals of every figure that is written: with 12 rows a month, closure holds to 1e-5 kWh.
DECIMALS = 6
#: A spreadsheet reads a cell that begins with one of these as a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """
    Return the contract's tables, columns in its order and added ones after.

    Parameters
    ----------
    assessment : Assessment

    Returns
    -------
    dict of str to DataFrame
        By file stem, those of `schema.TABLES`. Figures are rounded to 6 decimals; missing stays
        missing. Times of `downtime` carry the site's offset.
    """
    sites = assessment.sites
    raw = {
        "yields": _stack([s.gap.yields for s in sites]),
        "losses": _stack([s.losses for s in sites]),
        "string_findings": _stack([s.gap.string_findings for s in sites]),
        "downtime": _stack([_local_downtime(s) for s in sites]),
        "obstacles": _stack([s.gap.obstacles for s in sites]),
        "work_list": assessment.work_list,
        "statement_checks": _stack([s.statement_checks for s in sites]),
        "bridge": _stack([s.bridge for s in sites]),
        "returns": _stack([s.returns for s in sites]),
        "claims": assessment.claims,
        "set_aside": assessment.set_aside,
        "plan": assessment.plan,
        "waiting": assessment.waiting,
        "proof": _stack([s.proof for s in sites]),
        "promises": assessment.ledger,
        "next_measurements": assessment.next_measurements,
        "bright_hours": assessment.bright_hours,
    }
    return {name: _shaped(frame, name) for name, frame in raw.items()}


def _stack(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()


def _local_downtime(site: SiteAssessment) -> pd.DataFrame:
    spells = site.gap.downtime.copy()
    for column in ("start", "end"):
        if column in spells:
            spells[column] = [_local_text(t, site.site.timezone) for t in spells[column]]
    return spells


def _local_text(time: object, zone: str) -> str | None:
    stamp = pd.Timestamp(time)  # type: ignore[arg-type]
    if pd.isna(stamp):
        return None
    aware = stamp if stamp.tzinfo else stamp.tz_localize("UTC")
    return aware.tz_convert(zone).isoformat()


def _shaped(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Contract columns first; one that the stage could not fill is there and blank."""
    wanted = list(TABLES[name])
    extras = [c for c in frame.columns if c not in wanted]
    shaped = frame.reindex(columns=wanted + extras).reset_index(drop=True)
    for column in shaped.columns:
        if pd.api.types.is_float_dtype(shaped[column]):
            # Adding zero turns -0.0 into 0.0.
            shaped[column] = shaped[column].round(DECIMALS) + 0.0
        elif not pd.api.types.is_numeric_dtype(shaped[column]):
            shaped[column] = shaped[column].map(_joined)
    return shaped


def _joined(value: object) -> object:
    return " ".join(map(str, value)) if isinstance(value, tuple | list) else value


def safe_cell(value: object) -> object:
    """
    Return text that no spreadsheet reads as a formula; a plain number and all else stay as they are.

    A leading apostrophe marks a cell as text.
    """
    if not isinstance(value, str) or not value.startswith(FORMULA_STARTS):
        return value
    with contextlib.suppress(ValueError):
        float(value)
        return value
    return "'" + value


def _for_spreadsheets(frame: pd.DataFrame) -> pd.DataFrame:
    safe = frame.copy()
    for column in safe.columns:
        if column not in IDENTIFIERS and not pd.api.types.is_numeric_dtype(safe[column]):
            safe[column] = safe[column].map(safe_cell)
    return safe


def table_writers(
    frames: Mapping[str, pd.DataFrame], parquet: bool = False
) -> dict[str, Callable[[Path], None]]:
    """Return, by file name, a function that writes each table to the path it is given."""
    writers: dict[str, Callable[[Path], None]] = {}
    for name, frame in frames.items():
        writers[f"{name}.csv"] = _csv_writer(frame)
        if parquet:
            writers[f"{name}.parquet"] = _parquet_writer(frame)
    return writers


def plan_csv(plan: pd.DataFrame) -> bytes:
    """A plan as `plan.csv` has it."""
    return _for_spreadsheets(_shaped(plan, "plan")).to_csv(index=False, lineterminator="\n").encode()


def _csv_writer(frame: pd.DataFrame) -> Callable[[Path], None]:
    return lambda path: _for_spreadsheets(frame).to_csv(
        path, index=False, encoding="utf-8", lineterminator="\n"
    )


def _parquet_writer(frame: pd.DataFrame) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        typed = frame.copy()
        for column in typed.columns:
            if typed[column].dtype == object:
                # A column of mixed kinds, such as the values set aside, has no Parquet type but text.
                typed[column] = typed[column].map(lambda v: None if pd.isna(v) else str(v)).astype("string")
        typed.to_parquet(path, index=False)

    return write


def write_files(
    folder: Path, writers: Mapping[str, Callable[[Path], None]], stale: tuple[str, ...] = ()
) -> None:
    """
    Write every file to a hidden folder first and move them in only when all are there.

    Parameters
    ----------
    folder : Path
        Made if it is not there. Files of other names in it are left alone.
    writers : mapping of str to callable
        By file name, a function that writes to the path it is given.
    stale : tuple of str
        Our own files of an earlier run that this run does not renew: left in place they would
        contradict the new ones, so they are removed once the new ones stand.

    Raises
    ------
    InputError
        If the folder cannot be written; what was there before is untouched.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=folder) as scratch:
            for name, write in writers.items():
                write(Path(scratch) / name)
            for name in writers:
                os.replace(Path(scratch) / name, folder / name)
        for name in stale:
            (folder / name).unlink(missing_ok=True)
    except OSError as err:
        raise InputError(
            f"{folder}: cannot write the results here ({err.strerror or err}). Expected a folder that can be "
            "written to. Name another one with --out."
        ) from err
