"""
The job book as pages read it: all jobs kept in memory until somebody changes one.
"""

from __future__ import annotations

import threading
from pathlib import Path

from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.book.keep import JobBook, open_book


class Jobs:
    """
    The job book of a portfolio, opened when it is first asked for.

    Parameters
    ----------
    portfolio : Path
    store : str or None
        Where the book is, as of `open_book`.
    """

    def __init__(self, portfolio: Path, store: str | None = None) -> None:
        self._portfolio, self._store = portfolio, store
        self._lock = threading.Lock()
        self._book: JobBook | None = None
        self._seen: tuple[int, tuple[Job, ...]] | None = None

    def book(self) -> JobBook:
        """
        The book itself, to write to.

        Raises
        ------
        BookError
            If there is none yet, or it cannot be opened.
        """
        with self._lock:
            if self._book is None:
                self._book = open_book(self._portfolio, self._store, make=False)
            return self._book

    def all(self) -> tuple[Job, ...]:
        """
        Every job as it stands.

        Raises
        ------
        BookError
        """
        book = self.book()
        last = book.last_change()
        with self._lock:
            if self._seen is None or self._seen[0] != last:
                self._seen = (last, book.jobs())
            return self._seen[1]

    def stand(self) -> dict[int, str]:
        """
        Where each job stands now, by its number.

        Raises
        ------
        BookError
        """
        return {job.ref: states.state(job) for job in self.all()}
