"""
The tables of the job book, and the steps that bring an older book forward.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import sqlalchemy as sa

from yieldwatch.book.facts import FACTS
from yieldwatch.columns import Column


class UtcTime(sa.types.TypeDecorator[dt.datetime]):
    """A moment in UTC. SQLite keeps no offsets, so none is left to it."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: sa.Dialect) -> dt.datetime | None:
        return None if value is None else value.astimezone(dt.UTC)

    def process_result_value(self, value: dt.datetime | None, dialect: sa.Dialect) -> dt.datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


_TYPES = {"number": sa.Double, "integer": sa.Integer, "flag": sa.Boolean, "date": sa.Date}


def _kept(fact: Column) -> sa.Column:
    return sa.Column(fact.name, _TYPES.get(fact.kind, sa.Text)())


METADATA = sa.MetaData()
VERSIONS = sa.Table(
    "book_versions", METADATA,
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at", UtcTime, nullable=False),
)
JOBS = sa.Table(
    "jobs", METADATA,
    sa.Column("ref", sa.Integer, primary_key=True),
    sa.Column("version", sa.Integer, nullable=False),
    *map(_kept, FACTS.values()),
)
#: Rows are only ever added.
CHANGES = sa.Table(
    "changes", METADATA,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("ref", sa.ForeignKey("jobs.ref"), nullable=False, index=True),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("field", sa.Text, nullable=False),
    sa.Column("old", sa.Text),
    sa.Column("new", sa.Text),
    sa.Column("why", sa.Text),
)
EVIDENCE = sa.Table(
    "evidence", METADATA,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("ref", sa.ForeignKey("jobs.ref"), nullable=False, index=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("at", UtcTime),
    sa.Column("part", sa.Text),
    sa.Column("readings", sa.JSON, nullable=False),
    sa.Column("path", sa.Text),
    sa.Column("sha256", sa.Text),
    sa.Column("note", sa.Text),
    sa.Column("added_by", sa.Text, nullable=False),
    sa.Column("withdrawn", sa.Boolean, nullable=False),
)
#: To which as-of date each site was assessed, so that an assessment of an older day does not undo a newer one.
LOOKS = sa.Table(
    "looks", METADATA,
    sa.Column("site_id", sa.Text, primary_key=True),
    sa.Column("as_of", sa.Date, nullable=False),
)

Step = Callable[[sa.Connection], None]


def _add_promise_factors(connection: sa.Connection) -> None:
    """Version 2 keeps the factor that a promise holds; a book made new has the columns already."""
    there = {column["name"] for column in sa.inspect(connection).get_columns(JOBS.name)}
    for name in {"promise_factor", "agreed_factor"} - there:
        kind = JOBS.c[name].type.compile(connection.dialect)
        connection.execute(sa.text(f"ALTER TABLE {JOBS.name} ADD COLUMN {name} {kind}"))


#: The step at place n brings a book of version n to n + 1. A step that has been released is never changed: a new one follows it,
#: and the first then gets tables of its own as they were.
STEPS: tuple[Step, ...] = (METADATA.create_all, _add_promise_factors)


def version_of(connection: sa.Connection) -> int:
    """The book's version; 0 where there is no book yet."""
    if not sa.inspect(connection).has_table(VERSIONS.name):
        return 0
    return connection.scalar(sa.select(sa.func.max(VERSIONS.c.version))) or 0


def bring_forward(connection: sa.Connection, now: dt.datetime, steps: tuple[Step, ...] = STEPS) -> None:
    """Apply each step that a book lacks, within the transaction that holds the book."""
    for number in range(version_of(connection), len(steps)):
        steps[number](connection)
        connection.execute(sa.insert(VERSIONS).values(version=number + 1, at=now))
