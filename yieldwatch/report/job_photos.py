"""
Photos of the job book as crew sheets carry them: small, upright, and nothing but the picture.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from yieldwatch.book.evidence import PHOTO, photo_file
from yieldwatch.book.facts import Evidence
from yieldwatch.book.keep import JobBook
from yieldwatch.book.photos import MOST_BYTES, clean_photo
from yieldwatch.errors import BookError
from yieldwatch.report import words

#: Longest side on a sheet [pixels]: 300 dots an inch at 60 mm.
_LONGEST = 720
#: Photos of a job on its sheet, the newest; more would hide what is to be done.
_MOST = 6


@dataclass(frozen=True)
class SheetPhoto:
    """A photo as a sheet shows it: `picture` is a data address, empty where `wrong` says why it cannot be shown."""

    said: str
    picture: str
    wrong: str = ""


@dataclass(frozen=True)
class JobPhotos:
    """The photos of jobs by their number in the book, kept below the portfolio's `folder`; read only when they are asked for."""

    folder: Path | None = None
    by_job: Mapping[int, Sequence[Evidence]] = field(default_factory=dict)

    def of(self, ref: int) -> tuple[tuple[SheetPhoto, ...], int]:
        """The newest photos of a job in the order in which they were added, and how many older ones there are."""
        if self.folder is None:
            return (), 0
        held = self.by_job.get(ref, ())
        return tuple(_shown(self.folder, e) for e in held[-_MOST:]), max(len(held) - _MOST, 0)


def photos_in_book(book: JobBook, folder: Path, work_list: pd.DataFrame) -> JobPhotos:
    """
    The photos of the listed jobs that nobody took back.

    Raises
    ------
    BookError
        If the book cannot be read.
    """
    refs = {int(ref) for ref in pd.to_numeric(work_list.get("job_ref", pd.Series(dtype=float)), errors="coerce").dropna()}
    held = {ref: book.evidence(ref) for ref in sorted(refs & {job.ref for job in book.jobs()})}
    return JobPhotos(folder, {ref: tuple(e for e in of if e.kind == PHOTO and not e.withdrawn) for ref, of in held.items()})


def _shown(folder: Path, evidence: Evidence) -> SheetPhoto:
    """A picture that is gone, changed or broken is said, and stops nothing."""
    facts = (f"Photo {evidence.number}", words.plain(evidence.part or ""), words.day(evidence.at.date()) if evidence.at else "",
             words.plain(evidence.note or "nobody wrote what it shows"))
    said = ", ".join(fact for fact in facts if fact)
    path, wrong = photo_file(folder, evidence)
    if path is None or wrong:
        return SheetPhoto(said, "", f"{words.plain(evidence.path or '')}: {wrong}")
    try:
        # A file of another size is refused unread.
        small = clean_photo(path.read_bytes() if path.stat().st_size <= MOST_BYTES else b"", _LONGEST)
    except (BookError, OSError):
        return SheetPhoto(said, "", f"{words.plain(evidence.path or '')}: no picture that can be shown on paper")
    return SheetPhoto(said, f"data:image/jpeg;base64,{base64.b64encode(small.content).decode()}")
