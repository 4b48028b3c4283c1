"""
Readings before and after the work, and photos: what may be kept as evidence of a job.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from collections.abc import Iterable, Mapping
from pathlib import Path

from yieldwatch.book.facts import Evidence, Job
from yieldwatch.book.values import clean_text, shown
from yieldwatch.columns import TABLES, Column
from yieldwatch.errors import BookError, near_miss

BEFORE, AFTER, PHOTO = "before", "after", "photo"
#: What is kept of a photo's place: how far its camera was from the farm. [km]
DISTANCE = "camera_distance_km"
#: Endings of a photo's file.
PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".tif", ".tiff")

#: What can be read before and after: the quantities of IV traces and clamp readings, conditions among them, and insulation.
READABLE: Mapping[str, Column] = {
    c.name: c for table in ("iv", "clamp") for c in TABLES[table].columns if c.kind == "number"
} | {"insulation_mohm": Column("insulation_mohm", "number", "Insulation resistance to earth", unit="MΩ", low=0, high=1e6)}


def checked_readings(readings: Mapping[str, float]) -> dict[str, float]:
    """
    Return readings that are possible.

    Raises
    ------
    BookError
        With every reading that is not known or outside its range.
    """
    problems = [] if readings else ["readings: none given. Expected one at least, such as p_mp_w=3412. Add it."]
    for name, value in readings.items():
        column = READABLE.get(name)
        if column is None:
            problems.append(f"{name}: not a reading.{near_miss(name, READABLE)} Expected one of {', '.join(READABLE)}.")
        elif not _possible(column, value):
            problems.append(f"{name} = {value:g}, not possible. Expected {column.expected}. Correct it.")
    if problems:
        raise BookError(problems)
    return {name: float(value) for name, value in readings.items()}


def _possible(column: Column, value: float) -> bool:
    low = -math.inf if column.low is None else column.low
    return math.isfinite(value) and low <= value <= (math.inf if column.high is None else column.high)


def check_parts(job: Job, named: Iterable[str | None], parts: Mapping[str, str]) -> None:
    """
    Refuse evidence of parts that the job's site does not have. A part of it that is not the job's is a neighbour, which crews are
    asked to read beside the job's own, and stays.

    Parameters
    ----------
    job : Job
    named : iterable of str or None
        What was measured, or is on a photo; blank where nothing was named.
    parts : mapping of str to str
        Every string and inverter of the site, and the inverter that it is of. Empty where they are not known.

    Raises
    ------
    BookError
        With every part that is not there.
    """
    strange = [part for part in dict.fromkeys(named) if part and parts and part not in parts and part != "site"]
    meant = [near_miss(part, job.parts) or near_miss(part, parts) for part in strange]
    if strange:
        raise BookError([
            f"part = {shown(part)}: no string or inverter of {job.site_id}.{hint} Expected one of the job's ({job.scope}), or a "
            "neighbour. Correct it, or leave it blank." for part, hint in zip(strange, meant, strict=True)])


def is_neighbour(job: Job, part: str | None, parts: Mapping[str, str]) -> bool:
    """Whether a part is of the job's site and none of the job's; see `check_parts`."""
    own = job.parts | frozenset((job.agreed_scope or "").split())
    if not part or part not in parts or "site" in own:
        return False
    # An inverter holds its strings; one that holds a string of the job shows what the job does, if less of it.
    return part not in own and parts[part] not in own and part not in {parts.get(name) for name in own}


def moment(at: dt.datetime | None, now: dt.datetime) -> dt.datetime | None:
    """
    Return when evidence was taken, in UTC.

    Raises
    ------
    BookError
        If its offset from UTC is not given, or it lies ahead.
    """
    if at is None:
        return None
    if at.tzinfo is None:
        raise BookError(f"at = {at.isoformat()}, without its offset from UTC. Expected one, as 2025-06-30T13:45+01:00. Add it.")
    if at > now:
        raise BookError(f"at = {at.isoformat()}, still to come. Expected when it was taken. Correct it.")
    return at.astimezone(dt.UTC)


def photo_reference(portfolio: Path, given: str) -> tuple[str, str]:
    """
    Return what is kept of a photo: its path below the portfolio's folder, and its content's SHA-256.

    Parameters
    ----------
    portfolio : Path
    given : str
        Absolute, or relative to the portfolio's folder.

    Raises
    ------
    BookError
        If it is no photo in that folder. A link that leads out of it is outside.
    """
    name = clean_text("photo", given, 500)
    root = portfolio.resolve()
    try:
        path = (root / name).resolve(strict=True)
    except (OSError, RuntimeError):
        raise BookError(f"photo {shown(name)}: not there. Expected a file in the portfolio's folder {portfolio}. "
                        "Copy it there, and give its path from that folder.") from None
    if not path.is_relative_to(root):
        raise BookError(f"photo {shown(name)}: outside the portfolio's folder {portfolio}. Expected a file in it, so that "
                        "all who share the folder see it. Copy it there.")
    if not path.is_file() or path.suffix.lower() not in PHOTO_ENDINGS:
        raise BookError(f"photo {shown(name)}: no photo. Expected a file that ends in {', '.join(PHOTO_ENDINGS)}. Name one.")
    try:
        digest = _digest(path)
    except OSError as err:
        raise BookError(f"photo {shown(name)}: cannot be read ({err.strerror}). Expected a sound file. Copy it again.") from None
    return path.relative_to(root).as_posix(), digest


def photo_file(portfolio: Path, evidence: Evidence) -> tuple[Path | None, str]:
    """
    Return the file of a kept photo, and what is wrong with it in words: empty if it is as it was when added.

    The path is checked anew, because the folder may have changed, or the book may have been written to by something else.
    """
    try:
        path, digest = photo_reference(portfolio, evidence.path or "")
    except BookError:
        return None, "no longer there"
    return portfolio / path, "" if digest == evidence.sha256 else "not as it was when added"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
