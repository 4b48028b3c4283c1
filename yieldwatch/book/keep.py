"""
The job book itself: what people ask of it and write to it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from yieldwatch.book import evidence as proof
from yieldwatch.book.facts import FACTS, RECORDED, VERDICT, Change, Evidence, Job, Value, Verdict
from yieldwatch.book.pages import ASSESSMENT, Pages, all_checked, to_change
from yieldwatch.book.photos import keep_file
from yieldwatch.book.schema import CHANGES, EVIDENCE
from yieldwatch.book.store import Store, open_store
from yieldwatch.book.values import clean_text, person, shown
from yieldwatch.book.zones import farm_zone
from yieldwatch.errors import BookError

Clock = Callable[[], dt.datetime]


def _utc_now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


class Reading(NamedTuple):
    """Readings of one part, before or after the work; see `Evidence`."""

    kind: str
    readings: Mapping[str, float]
    at: dt.datetime | None = None
    part: str | None = None
    note: str | None = None


class JobBook:
    """
    The job book of a portfolio.

    Parameters
    ----------
    store : Store
        Prepared, as `open_book` returns it.
    portfolio : Path
        The folder beside or within which photos lie.
    clock : callable, optional
        Returns the time now, with its offset.
    """

    def __init__(self, store: Store, portfolio: Path, clock: Clock = _utc_now):
        self._store, self._portfolio, self._clock = store, portfolio, clock

    @property
    def place(self) -> str:
        """Where the book is kept, without a password."""
        return self._store.place

    def check_writing(self) -> None:
        """
        Make sure that changes can be kept, before work that ends in some.

        Raises
        ------
        BookError
            If the book can only be read.
        """
        self._store.check_writing()

    def jobs(self) -> tuple[Job, ...]:
        """Return all jobs in order of their numbers."""
        with self._store.reading() as connection:
            return Pages(connection, self._clock()).jobs()

    def job(self, ref: int) -> Job:
        """
        Return one job.

        Raises
        ------
        BookError
            If there is none of that number.
        """
        with self._store.reading() as connection:
            return Pages(connection, self._clock()).job(ref)

    def last_change(self) -> int:
        """Number of the newest change, 0 in an empty book: while it stays, every job stays as it was."""
        with self._store.reading() as connection:
            return connection.scalar(sa.select(sa.func.max(CHANGES.c.number))) or 0

    def history(self, ref: int | None = None) -> tuple[Change, ...]:
        """Return all changes of one job or of all, oldest first."""
        wanted = sa.select(CHANGES).order_by(CHANGES.c.number)
        with self._store.reading() as connection:
            if ref is not None:
                Pages(connection, self._clock()).job(ref)
                wanted = wanted.where(CHANGES.c.ref == ref)
            return tuple(to_change(row) for row in connection.execute(wanted).mappings())

    def evidence(self, ref: int) -> tuple[Evidence, ...]:
        """Return the readings and photos of a job, withdrawn ones among them, in the order in which they were added."""
        with self._store.reading() as connection:
            Pages(connection, self._clock()).job(ref)
            rows = connection.execute(sa.select(EVIDENCE).where(EVIDENCE.c.ref == ref).order_by(EVIDENCE.c.number)).mappings()
            return tuple(Evidence(**row) for row in rows)

    @contextmanager
    def writing(self) -> Iterator[Pages]:
        """All that is written within is kept together, or not at all; no one else writes meanwhile."""
        with self._store.writing() as connection:
            yield Pages(connection, self._clock(), partial(farm_zone, self._portfolio))

    def change(self, ref: int, who: str, facts: Mapping[str, Value], version: int | None = None) -> Job:
        """
        Record facts of a job.

        Parameters
        ----------
        ref : int
        who : str
            The person who makes the change.
        facts : mapping
            By name of `RECORDED`; None blanks one.
        version : int, optional
            The version that the change was made on. Without it blank facts can be filled and one's own replaced, but what another
            person wrote cannot.

        Returns
        -------
        Job
            As it stands afterwards.

        Raises
        ------
        ChangedMeanwhile
            If someone else changed the job since that version, or wrote what would be replaced. Nothing is written.
        BookError
            If a fact cannot be so, or the step is not allowed.
        """
        return self._change(ref, who, facts, version, RECORDED)

    def record_verdict(self, ref: int, who: str, verdict: Verdict | None, version: int | None = None) -> Job:
        """
        Record what a job that was done was measured to win back, or take it back with None. A later verdict replaces it.

        Raises
        ------
        ChangedMeanwhile, BookError
            As of `change`; also if the bounds are out of order.
        """
        given = _facts(verdict)
        return self._change(ref, who, given, version, given)

    def record_measured(self, verdicts: Mapping[int, Verdict], as_of: dt.date) -> tuple[int, ...]:
        """
        Record what an assessment up to `as_of` measured, by job.

        What a person recorded as verdict stays, and so does what an assessment up to a later day measured.

        Returns
        -------
        tuple of int
            Jobs whose verdict a person wrote, and which were left as they are.
        """
        left = []
        with self.writing() as pages:
            for ref, verdict in verdicts.items():
                job = pages.job(ref)
                last = pages.last_look(job.site_id)
                if pages.written_by_person(ref, VERDICT):
                    left.append(ref)
                elif last is None or as_of >= last:
                    pages.change(job, ASSESSMENT, all_checked(_facts(verdict)))
        return tuple(left)

    def _change(self, ref: int, who: str, facts: Mapping[str, Value], version: int | None, allowed: Mapping[str, object]) -> Job:
        who = _someone(who)
        for name in facts:
            if name in FACTS and name not in allowed:
                raise BookError(f"{name}: written by assessments and by rules. Expected one of {', '.join(allowed)}. Leave it.")
        clean = all_checked(facts)
        with self.writing() as pages:
            return pages.change(pages.job(ref), who, clean, version=version, mind_others=True)

    def add_reading(self, ref: int, who: str, kind: str, readings: Mapping[str, float], at: dt.datetime | None = None,
                    part: str | None = None, note: str | None = None, parts: Mapping[str, str] | None = None) -> Evidence:
        """
        Add readings taken before or after the work.

        Parameters
        ----------
        parts : mapping of str to str, optional
            Of the job's site; see `evidence.check_parts`.

        Raises
        ------
        BookError
            If a reading is not possible, or the site has no such part.
        """
        return self.add_readings(ref, who, [Reading(kind, readings, at, part, note)], parts)[0]

    def add_readings(self, ref: int, who: str, readings: Sequence[Reading],
                     parts: Mapping[str, str] | None = None) -> tuple[Evidence, ...]:
        """
        Add several readings, all of them or none.

        Raises
        ------
        BookError
            If one is not possible, or the site has no such part.
        """
        for reading in readings:
            if reading.kind not in (proof.BEFORE, proof.AFTER):
                raise BookError(f"reading = {shown(reading.kind)}, not known. Expected before or after. Choose one.")
        rows = [self._row(r.kind, r.at, r.note, r.part, proof.checked_readings(r.readings)) for r in readings]
        proof.check_parts(self.job(ref), [row["part"] for row in rows], parts or {})
        return self._add(ref, who, rows)

    def add_photo(self, ref: int, who: str, file: str, at: dt.datetime | None = None, note: str | None = None) -> Evidence:
        """
        Add a photo by its file in the portfolio's folder; the file stays where it is.

        Raises
        ------
        BookError
            If it is no photo in that folder.
        """
        path, sha256 = proof.photo_reference(self._portfolio, file)
        return self._add(ref, who, [self._row(proof.PHOTO, at, note, path=path, sha256=sha256)])[0]

    def keep_photo(self, ref: int, who: str, content: bytes, note: str, at: dt.datetime | None = None,
                   part: str | None = None, distance_km: float = math.nan, parts: Mapping[str, str] | None = None) -> Evidence:
        """
        Add a photo that was sent, as a new file in the portfolio's folder.

        Parameters
        ----------
        content : bytes
            As `photos.clean_photo` made it.
        note : str
            What it shows, for those who cannot see it.
        part : str, optional
            The string or inverter on it.
        distance_km : float
            From the camera to the farm; NaN where it is not known. [km]
        parts : mapping of str to str, optional
            Of the job's site; see `evidence.check_parts`.

        Raises
        ------
        BookError
            If the job has the photo already, nothing says what it shows, the site has no such part, or the file cannot be
            written.
        """
        if not note.strip():
            raise BookError("note: blank. Expected what the photo shows, for those who cannot see it. Write it.")
        who, readings = _someone(who), {} if math.isnan(distance_km) else {proof.DISTANCE: round(distance_km, 2)}
        row = self._row(proof.PHOTO, at, note, part, readings)
        proof.check_parts(self.job(ref), [row["part"]], parts or {})
        there = {e.path: e.number for e in self.evidence(ref) if not e.withdrawn}
        path, is_new = keep_file(self._portfolio, ref, content)
        try:
            if path in there:
                raise BookError(f"photo: the job has it already, as photo {there[path]}. Expected a new one. Leave it.")
            path, sha256 = proof.photo_reference(self._portfolio, path)
            return self._add(ref, who, [row | {"path": path, "sha256": sha256}])[0]
        except BaseException:
            if is_new:
                (self._portfolio / path).unlink(missing_ok=True)
            raise

    def _add(self, ref: int, who: str, rows: Sequence[Mapping[str, object]]) -> tuple[Evidence, ...]:
        who = _someone(who)
        with self.writing() as pages:
            return tuple(pages.add(pages.job(ref), who, row) for row in rows)

    def _row(self, kind: str, at: dt.datetime | None, note: str | None, part: str | None = None,
             readings: Mapping[str, float] | None = None, path: str | None = None, sha256: str | None = None) -> dict:
        part, note = (clean_text(name, text or "", 500) or None for name, text in (("part", part), ("note", note)))
        return {"kind": kind, "at": proof.moment(at, self._clock()), "part": part, "readings": dict(readings or {}), "path": path,
                "sha256": sha256, "note": note}

    def withdraw(self, ref: int, who: str, number: int) -> None:
        """
        Take back a reading or photo that was entered by mistake. It is kept, but no longer counts.

        Raises
        ------
        BookError
            If the job has no such evidence, or it is withdrawn already.
        """
        who = _someone(who)
        with self.writing() as pages:
            pages.withdraw(pages.job(ref), who, number)


def open_book(portfolio: Path, store: str | None = None, make: bool = True) -> JobBook:
    """
    Open a portfolio's job book.

    Parameters
    ----------
    portfolio : Path
    store : str, optional
        See `store.open_store`.
    make : bool
        Whether to make the book if there is none.

    Raises
    ------
    BookError
        If it cannot be opened.
    """
    return JobBook(open_store(store, portfolio, make), portfolio)


def _facts(verdict: Verdict | None) -> dict[str, Value]:
    if verdict is None:
        return dict.fromkeys(VERDICT)
    if not verdict.low <= verdict.gain_kwh <= verdict.high:
        raise BookError(f"verdict: gain {verdict.gain_kwh:g} kWh, bounds {verdict.low:g} and {verdict.high:g}. Expected "
                        "numbers with the gain within its bounds. Measure again.")
    return {
        "verdict_kwh": verdict.gain_kwh, "verdict_low_kwh": verdict.low, "verdict_high_kwh": verdict.high,
        "verdict_promised_kwh": verdict.promised_kwh, "verdict_days": verdict.days_measured, "verdict_words": verdict.words,
    }


def _someone(who: str) -> str:
    name = person(who)
    if name == ASSESSMENT:
        raise BookError(f'who = "{name}", under which assessments write. Expected a person\'s name. Give yours.')
    return name
