"""
A new assessment, made by the package's own command in a process of its own, one at a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from yieldwatch.cli_jobs import STORE_VARIABLE

#: Lines of progress that are kept.
_MOST_LINES = 2000


@dataclass(frozen=True)
class Progress:
    """How far it is: `code` is the process's exit status, None while it runs."""

    lines: tuple[str, ...]
    seconds: float
    who: str
    code: int | None


class Runner:
    """
    Starts assessments and follows them.

    Parameters
    ----------
    portfolio, folder : Path
    book : str or None
        The job book's place. It goes by the environment: a command line can be read by others.
    """

    def __init__(self, portfolio: Path, folder: Path, book: str | None = None) -> None:
        self._portfolio, self._folder, self._book = portfolio, folder, book
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._lines: list[str] = []
        self._began = self._ended = 0.0
        self._who = ""

    def start(self, who: str) -> bool:
        """Start one, unless one is running."""
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                return False
            environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}
            if self._book:
                environment[STORE_VARIABLE] = self._book
            self._lines, self._began, self._ended, self._who = [], time.monotonic(), 0.0, who
            self._process = subprocess.Popen(
                [sys.executable, "-m", "yieldwatch", "assess", str(self._portfolio), "--out", str(self._folder)],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, encoding="utf-8",
                errors="replace", env=environment)
            if hasattr(os, "setpriority"):
                # The pages come first.
                os.setpriority(os.PRIO_PROCESS, self._process.pid, 10)
            threading.Thread(target=self._follow, args=[self._process], daemon=True).start()
            return True

    def _follow(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        with process.stderr as said:
            for line in said:
                with self._lock:
                    self._lines = [*self._lines[-_MOST_LINES:], line.rstrip()]
        process.wait()
        with self._lock:
            self._ended = time.monotonic()

    def progress(self) -> Progress | None:
        """The newest run, None if there was none since the server started."""
        with self._lock:
            if self._process is None:
                return None
            code = self._process.poll() if self._ended else None
            return Progress(tuple(self._lines), (self._ended or time.monotonic()) - self._began, self._who, code)

    def stop(self) -> None:
        """End a run that is going on; the results of the last one stay."""
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                self._process.terminate()
