"""
What people see: the tables, the workbook, the page and the words.
"""

from __future__ import annotations

from pathlib import Path

from yieldwatch.assess import Assessment
from yieldwatch.report.crew_sheets import crew_sheets_pdf
from yieldwatch.report.evidence_file import EVIDENCE_FILE, write_evidence
from yieldwatch.report.job_photos import JobPhotos
from yieldwatch.report.monthly import monthly_html, monthly_pdf
from yieldwatch.report.page import write_page
from yieldwatch.report.pdf import why_no_pdf
from yieldwatch.report.schema import TABLES
from yieldwatch.report.store_file import STORE_FILE, write_store
from yieldwatch.report.tables import table_writers, tables, write_files
from yieldwatch.report.visit_calendar import CALENDAR, given_before, visits_ics
from yieldwatch.report.workbook import workbook_xlsx

__all__ = ["write_report"]

CREW_SHEETS, MONTHLY = "crew_sheets.pdf", "monthly_report.pdf"


def write_report(assessment: Assessment, folder: Path, parquet: bool = False, photos: JobPhotos | None = None) -> tuple[str, ...]:
    """
    Write the tables, `evidence.json`, `assessment.sqlite`, and the files that people read and take away, all of them or none.

    Parameters
    ----------
    assessment : Assessment
    folder : Path
        Made if it is not there; files of an earlier run in it are replaced.
    parquet : bool
        Also write each table as Parquet.
    photos : JobPhotos, optional
        For the crew sheets.

    Returns
    -------
    tuple of str
        What could not be written here, or not wholly, and why; a file of an earlier run that it would replace is removed.

    Raises
    ------
    InputError
        If the folder cannot be written; what was there before is untouched.
    """
    frames = tables(assessment)
    writers = table_writers(frames, parquet)
    writers["work_list.xlsx"] = lambda path: _write(path, workbook_xlsx(assessment))
    writers[EVIDENCE_FILE] = lambda path: write_evidence(assessment, path)
    writers["report.html"] = lambda path: write_page(assessment, path)
    writers["monthly_report.html"] = lambda path: _write(path, monthly_html(assessment).encode())
    missing = why_no_pdf()
    if not missing:
        writers[CREW_SHEETS] = lambda path: _write(path, crew_sheets_pdf(assessment, photos))
        writers[MONTHLY] = lambda path: _write(path, monthly_pdf(assessment))
    calendar, unread = _calendar(assessment, folder)
    if calendar:
        writers[CALENDAR] = lambda path: _write(path, calendar)
    # Last, so that a program that sees the new store finds the new files beside it.
    writers[STORE_FILE] = lambda path: write_store(assessment, frames, path)
    known = {*(f"{name}.parquet" for name in TABLES), CREW_SHEETS, CALENDAR, MONTHLY}
    write_files(folder, writers, tuple(sorted(known - set(writers))))
    return tuple(said for said in (missing, unread) if said)


def _calendar(assessment: Assessment, folder: Path) -> tuple[bytes, str]:
    """The calendar, which cancels what earlier ones hold and is no longer planned, and why it cannot, if so."""
    try:
        return visits_ics(assessment, given_before(folder)), ""
    except ValueError as err:
        return visits_ics(assessment), (f"{CALENDAR}: an earlier one cannot be read ({err}), so visits that it held are not "
                                        "cancelled in the new one. Take them out of calendars by hand.")


def _write(path: Path, content: bytes) -> None:
    path.write_bytes(content)
