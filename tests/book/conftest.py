"""Books in SQLite files and in a real PostgreSQL server."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from tests.book import server
from yieldwatch.book.keep import JobBook
from yieldwatch.book.store import open_store

NOW = dt.datetime(2025, 7, 1, 9, 30, tzinfo=dt.UTC)
_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def port() -> Iterator[int]:
    """Port of the server, or a skip with the reason why there is none."""
    reason = server.why_not()
    if reason:
        pytest.skip(reason)
    with server.server() as found:
        yield found


@pytest.fixture
def address(port: int) -> str:
    """Address of an empty database."""
    name = f"book{next(_numbers)}"
    server.make_database(port, name)
    return f"postgresql://planner:{quote(server.PASSWORD, safe='')}@127.0.0.1:{port}/{name}"


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest) -> str | None:
    """What --store is given: nothing for the file beside the portfolio, or a database's address."""
    return None if request.param == "sqlite" else request.getfixturevalue("address")


@pytest.fixture
def opens(place: str | None, tmp_path: Path) -> Callable[[], JobBook]:
    """Open the same book anew, as another person's program does; it is 1 July 2025 there."""
    return lambda: JobBook(open_store(place, tmp_path), tmp_path, lambda: NOW)


@pytest.fixture
def book(opens: Callable[[], JobBook]) -> JobBook:
    return opens()
