"""
What people see: the tables, the workbook, the page and the words.
"""

from __future__ import annotations

from pathlib import Path

from yieldwatch.assess import Assessment
from yieldwatch.report.evidence_file import EVIDENCE_FILE, write_evidence
from yieldwatch.report.page import write_page
from yieldwatch.report.schema import TABLES
from yieldwatch.report.store_file import STORE_FILE, write_store
from yieldwatch.report.tables import table_writers, tables, write_files
from yieldwatch.report.workbook import write_workbook

__all__ = ["write_report"]


def write_report(assessment: Assessment, folder: Path, parquet: bool = False) -> None:
    """
    Write the tables, `evidence.json`, `work_list.xlsx`, `report.html` and `assessment.sqlite`, all of them or none.

    Parameters
    ----------
    assessment : Assessment
    folder : Path
        Made if it is not there; files of an earlier run in it are replaced.
    parquet : bool
        Also write each table as Parquet.

    Raises
    ------
    InputError
        If the folder cannot be written; what was there before is untouched.
    """
    frames = tables(assessment)
    writers = table_writers(frames, parquet)
    writers["work_list.xlsx"] = lambda path: write_workbook(assessment, path)
    writers[EVIDENCE_FILE] = lambda path: write_evidence(assessment, path)
    writers["report.html"] = lambda path: write_page(assessment, path)
    # Last, so that a program that sees the new store finds the new files beside it.
    writers[STORE_FILE] = lambda path: write_store(assessment, frames, path)
    stale = () if parquet else tuple(f"{name}.parquet" for name in TABLES)
    write_files(folder, writers, stale)
