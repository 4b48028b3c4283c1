"""
Where the job book is kept: a SQLite file beside the portfolio, or a PostgreSQL database for a team.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event, exc

from yieldwatch.book import schema
from yieldwatch.errors import BookError

#: The book's file in the portfolio's folder, where no other store is named. Readers of the portfolio pass it over.
FILE_NAME = "job_book.sqlite"
#: How long a change waits for another to end. [s]
PATIENCE = 30
#: Key of the lock that changes in a PostgreSQL database take turns by. Any number does that nothing else there uses.
_LOCK_KEY = 7_451_209_663
#: What PostgreSQL answers where a database is read-only, a role lacks a right, or no schema is there to write to. Its manual,
#: appendix A, from memory.
_NOT_ALLOWED = ("25006", "42501", "3F000")


class Store:
    """
    An open store. Every change runs in one transaction that holds the whole book, so that changes take turns.

    Parameters
    ----------
    engine : Engine
    place : str
        Where it is, without the password, for messages.
    """

    def __init__(self, engine: sa.Engine, place: str):
        self._engine = engine
        self.place = place

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that sees the book at one moment."""
        # SQLite's readers do so by themselves.
        options = {"isolation_level": "REPEATABLE READ"} if self._engine.dialect.name == "postgresql" else {}
        with self._told(), self._engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A connection that alone may change the book; all of its changes are kept, or none."""
        with self._told(), self._engine.connect().execution_options(writing=True) as connection, connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(sa.text(f"SET LOCAL lock_timeout = '{PATIENCE}s'"))
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK_KEY)))
            yield connection

    def check_writing(self) -> None:
        """
        Change nothing, as a change would.

        Raises
        ------
        BookError
            If the book can only be read.
        """
        with self.writing() as connection:
            connection.execute(sa.update(schema.JOBS).where(sa.false()).values(version=0))

    def prepare(self, steps: tuple[schema.Step, ...] = schema.STEPS) -> None:
        """
        Make the book, or bring an older one forward.

        Raises
        ------
        BookError
            If the book is newer than this program, or cannot be made.
        """
        with self.reading() as connection:
            found = schema.version_of(connection)
        if found > len(steps):
            raise BookError(f"{self.place}: a job book of version {found}. Expected {len(steps)} at most. "
                            "Use the newer yieldwatch that made it.")
        if found < len(steps):
            with self.writing() as connection:
                schema.bring_forward(connection, dt.datetime.now(dt.UTC), steps)

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what goes wrong outside the program into a message; a bug stays one."""
        try:
            yield
        except (exc.OperationalError, exc.InterfaceError) as err:
            raise self._error(err) from None
        except exc.DatabaseError as err:
            # The plain class is SQLite's word for a file that is no book.
            if type(err) is not exc.DatabaseError and getattr(err.orig, "sqlstate", None) not in _NOT_ALLOWED:
                raise
            raise self._error(err) from None

    def _error(self, err: exc.DBAPIError) -> BookError:
        said = str(err.orig).strip().splitlines()
        reason = said[0] if said else type(err.orig).__name__
        password = self._engine.url.password
        if password:
            reason = reason.replace(str(password), "***")
        return BookError(f"{self.place}: the job book cannot be used ({reason}). Expected a file that can be written, or a "
                         "database that answers. Name another with --store, or go without by --no-book where the command has it.")


def open_store(store: str | None, portfolio: Path, make: bool = True) -> Store:
    """
    Open the store of a portfolio's job book.

    Parameters
    ----------
    store : str or None
        A `postgresql://` address, the path of a SQLite file, or None for `FILE_NAME` in the portfolio's folder.
    portfolio : Path
    make : bool
        Whether to make the file if it is not there.

    Returns
    -------
    Store
        Prepared: the book in it is of this program's version.

    Raises
    ------
    BookError
        If it cannot be opened. A password is in no message.
    """
    if store and "://" in store:
        opened = _postgresql(store)
    else:
        path = Path(store) if store else portfolio / FILE_NAME
        if not make and not path.is_file():
            raise BookError(f"{path}: no job book here yet. Expected one. Run yieldwatch assess, or name it with --store.")
        if not path.parent.is_dir():
            raise BookError(f"{path}: its folder is not there. Expected a folder for the job book. Check the path.")
        opened = _sqlite(path)
    opened.prepare()
    return opened


def _sqlite(path: Path) -> Store:
    engine = sa.create_engine(
        sa.URL.create("sqlite+pysqlite", database=str(path)), poolclass=sa.NullPool, hide_parameters=True,
        connect_args={"timeout": PATIENCE})

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, record: object) -> None:
        # The driver would begin transactions only at the first change, and two readers could then both go on to write.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")

    @event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writing") else "BEGIN")

    return Store(engine, str(path))


def _postgresql(address: str) -> Store:
    try:
        url = sa.make_url(address)
    except (exc.ArgumentError, ValueError):
        raise BookError("--store: an address that cannot be read. Expected postgresql://USER@HOST:PORT/DATABASE. Write signs "
                        "such as @ or / within a password as %40 or %2F.") from None
    if url.drivername not in ("postgresql", "postgresql+psycopg"):
        raise BookError(f"--store: a {url.drivername} database. Expected postgresql://, or a SQLite file's path. Name one.")
    if "password" in url.query:
        raise BookError("--store: a password among the address's options. Expected none there. Put it in PGPASSWORD instead.")
    try:
        engine = sa.create_engine(url.set(drivername="postgresql+psycopg"), poolclass=sa.NullPool, hide_parameters=True)
    except ImportError:
        raise BookError("--store: PostgreSQL needs a driver that is not installed. Expected psycopg. "
                        "Install it: pip install 'yieldwatch[postgres]'.") from None
    host = f"{url.host}:{url.port}" if url.host and url.port else url.host or ""
    return Store(engine, f"postgresql://{host}/{url.database or ''}")
