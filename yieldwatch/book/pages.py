"""
The book within one transaction: jobs as they stand, and every change of them kept.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Collection, Mapping

import sqlalchemy as sa

from yieldwatch.book import states
from yieldwatch.book.facts import FACTS, RECORDED, Change, Evidence, Job, Value
from yieldwatch.book.schema import CHANGES, EVIDENCE, JOBS, LOOKS
from yieldwatch.book.values import checked, shown, to_text
from yieldwatch.errors import BookError, ChangedMeanwhile

#: The name under which assessments write; no person's.
ASSESSMENT = "assessment"
#: Largest number that a database keeps as a key.
_MOST_KEY = 2**31 - 1


class Pages:
    """
    The book within one transaction at one moment; only `JobBook.writing` opens one that may write.

    `zone_of` gives a farm's time zone by its identifier.
    """

    def __init__(self, connection: sa.Connection, now: dt.datetime, zone_of: Callable[[str], dt.tzinfo] = lambda _: dt.UTC):
        self._connection, self._now, self._zone_of = connection, now.astimezone(dt.UTC), zone_of

    def jobs(self) -> tuple[Job, ...]:
        return tuple(Job(**row) for row in self._connection.execute(sa.select(JOBS).order_by(JOBS.c.ref)).mappings())

    def job(self, ref: int) -> Job:
        wanted = sa.select(JOBS).where(JOBS.c.ref == ref)
        row = self._connection.execute(wanted).mappings().one_or_none() if 0 < ref <= _MOST_KEY else None
        if row is None:
            count = self._connection.scalar(sa.select(sa.func.count()).select_from(JOBS))
            raise BookError(f"job {ref}: not among the {count} in the book. Expected one of them. List them to find it.")
        return Job(**row)

    def written_by_person(self, ref: int, names: Collection[str]) -> bool:
        """Whether a person and not an assessment was the last to write any of these facts, and did not blank them."""
        wanted = sa.select(CHANGES.c.who, CHANGES.c.new).where(CHANGES.c.ref == ref, CHANGES.c.field.in_(names))
        last = self._connection.execute(wanted.order_by(CHANGES.c.number.desc()).limit(1)).one_or_none()
        return last is not None and last.who != ASSESSMENT and last.new is not None

    def last_look(self, site_id: str) -> dt.date | None:
        """As-of date of the newest assessment of a site."""
        return self._connection.scalar(sa.select(LOOKS.c.as_of).where(LOOKS.c.site_id == site_id))

    def looked(self, site_id: str, as_of: dt.date) -> None:
        if self.last_look(site_id) is None:
            self._connection.execute(sa.insert(LOOKS).values(site_id=site_id, as_of=as_of))
        else:
            self._connection.execute(sa.update(LOOKS).where(LOOKS.c.site_id == site_id).values(as_of=as_of))

    def raise_job(self, facts: Mapping[str, Value], why: str | None = None) -> Job:
        """Add a job that an assessment proposes."""
        row = dict.fromkeys(FACTS) | all_checked(facts)
        ref = self._connection.execute(sa.insert(JOBS).values(version=1, **row)).inserted_primary_key
        assert ref is not None
        self._note(ref[0], 1, ASSESSMENT, {n: (None, v) for n, v in row.items() if v is not None}, why)
        return self.job(ref[0])

    def change(self, job: Job, who: str, facts: Mapping[str, Value], why: str | None = None, version: int | None = None,
               mind_others: bool = False) -> Job:
        """Write facts that are checked one by one, and what follows from them; see `JobBook.change`."""
        if version is not None and version != job.version:
            self._refuse_stale(job, facts, version)
        changed = states.settled(job, facts, who, self._now.astimezone(self._zone_of(job.site_id)))
        if mind_others and version is None:
            # What follows by rule is no one's wish to replace anything.
            self._refuse_foreign(job, who, {n: v for n, v in changed.items() if n in facts})
        if not changed:
            return job
        self._write(job, changed)
        self._note(job.ref, job.version + 1, who, {n: (getattr(job, n), v) for n, v in changed.items()}, why)
        return self.job(job.ref)

    def _write(self, job: Job, changed: Mapping[str, Value]) -> None:
        this = sa.and_(JOBS.c.ref == job.ref, JOBS.c.version == job.version)
        done = self._connection.execute(sa.update(JOBS).where(this).values(version=job.version + 1, **changed))
        assert done.rowcount == 1, "the transaction holds the book, so no one else can have changed the job"

    def _refuse_stale(self, job: Job, facts: Mapping[str, Value], version: int) -> None:
        if version > job.version:
            raise BookError(f"job {job.ref}: version {version}, but it stands at {job.version}. Expected the version last shown. "
                            "Look at the job again.")
        # A reading or photo added meanwhile replaces nothing.
        since = [c for c in self._history(job.ref) if c.version > version and c.field in FACTS]
        if not since:
            return
        told = [f"  {_told(c)}{_yours(c.field, facts)}" for c in since]
        raise ChangedMeanwhile([
            f"job {job.ref}: changed since version {version}, which your change was made on. Nothing of yours is written:", *told,
            f"Look at it as it is now (version {job.version}), and give what still holds with that version."])

    def _refuse_foreign(self, job: Job, who: str, changed: Mapping[str, Value]) -> None:
        """What another person wrote is replaced only by someone who has seen it."""
        last = {c.field: c for c in self._history(job.ref)}
        replaced = [last[n] for n in changed if n in RECORDED and getattr(job, n) is not None]
        foreign = [c for c in replaced if c.who not in (who, ASSESSMENT)]
        if foreign:
            told = [f"  {_told(c)}{_yours(c.field, changed)}" for c in foreign]
            raise ChangedMeanwhile([
                f"job {job.ref}: your change would replace what someone else wrote. Nothing of yours is written:", *told,
                f"If yours still holds, give it again with version {job.version}."])

    def _history(self, ref: int) -> list[Change]:
        rows = self._connection.execute(sa.select(CHANGES).where(CHANGES.c.ref == ref).order_by(CHANGES.c.number)).mappings()
        return [to_change(row) for row in rows]

    def add(self, job: Job, who: str, row: Mapping[str, object]) -> Evidence:
        key = self._connection.execute(
            sa.insert(EVIDENCE).values(ref=job.ref, added_by=who, withdrawn=False, **row)).inserted_primary_key
        assert key is not None
        added = self._evidence(job, key[0])
        self._write(job, {})
        self._note(job.ref, job.version + 1, who, {f"{added.kind} {added.number}": (None, _evidence_text(added))})
        return added

    def withdraw(self, job: Job, who: str, number: int) -> None:
        found = self._evidence(job, number)
        if found.withdrawn:
            raise BookError(f"job {job.ref}: {found.kind} {number} is withdrawn already. Expected one that still counts.")
        self._connection.execute(sa.update(EVIDENCE).where(EVIDENCE.c.number == number).values(withdrawn=True))
        self._write(job, {})
        self._note(job.ref, job.version + 1, who, {f"{found.kind} {number}": (_evidence_text(found), None)})

    def _evidence(self, job: Job, number: int) -> Evidence:
        this = sa.and_(EVIDENCE.c.ref == job.ref, EVIDENCE.c.number == number)
        wanted = sa.select(EVIDENCE).where(this)
        row = self._connection.execute(wanted).mappings().one_or_none() if 0 < number <= _MOST_KEY else None
        if row is None:
            raise BookError(f"job {job.ref}: has no reading or photo {number}. Expected a number that the job shows.")
        return Evidence(**row)

    def _note(self, ref: int, version: int, who: str, pairs: Mapping[str, tuple[Value, Value]], why: str | None = None) -> None:
        rows = [
            {"ref": ref, "version": version, "who": who, "at": self._now, "field": name, "old": to_text(old), "new": to_text(new),
             "why": why}
            for name, (old, new) in pairs.items()
        ]
        self._connection.execute(sa.insert(CHANGES), rows)


def all_checked(facts: Mapping[str, Value]) -> dict[str, Value]:
    clean: dict[str, Value] = {}
    problems: list[str] = []
    for name, value in facts.items():
        try:
            clean[name] = checked(name, value)
        except BookError as err:
            problems += err.problems
    if problems:
        raise BookError(problems)
    return clean


def to_change(row: Mapping) -> Change:
    return Change(**{name: value for name, value in row.items() if name != "number"})


def _told(change: Change) -> str:
    return (f"{change.who} set {change.field} from {shown(change.old)} to {shown(change.new)} on {change.at:%Y-%m-%d %H:%M} UTC")


def _yours(field: str, facts: Mapping[str, Value]) -> str:
    return f"; yours: {shown(to_text(facts[field]))}" if field in facts else ""


def _evidence_text(found: Evidence) -> str:
    kept = {name: getattr(found, name) for name in ("part", "readings", "path", "sha256", "note")}
    kept["at"] = found.at.isoformat() if found.at else None
    return json.dumps({name: value for name, value in kept.items() if value}, ensure_ascii=False, sort_keys=True)
