"""
The solver of integer programmes, without what it prints of its own.

Where HiGHS mends a set that it guessed, it writes a line (`HighsMipSolverData::...`) to the process's standard output, past all
its options. What a program prints there is for people or programs, so the line is taken out, and nothing else.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from typing import Any

from scipy.optimize import OptimizeResult, milp

#: File descriptor of standard output.
_STDOUT = 1
#: How the solver's own lines begin.
_OWN = b"HighsMipSolverData::"
#: The output is turned aside for the whole process, so by one thread at a time.
_TURN = threading.Lock()


def solved(*args: Any, **options: Any) -> OptimizeResult:
    """Solve as `scipy.optimize.milp` does, and print nothing."""
    with _TURN, _without_own_lines():
        return milp(*args, **options)


@contextlib.contextmanager
def _without_own_lines() -> Iterator[None]:
    """What other threads write meanwhile comes out afterwards."""
    try:
        kept = os.dup(_STDOUT)
    except OSError:
        # Standard output is closed: there is nothing to keep clean.
        yield
        return
    with contextlib.closing(tempfile.TemporaryFile()) as aside:
        _flush()
        os.dup2(aside.fileno(), _STDOUT)
        try:
            yield
        finally:
            _flush()
            os.dup2(kept, _STDOUT)
            os.close(kept)
            aside.seek(0)
            for line in aside:
                if not line.startswith(_OWN):
                    os.write(_STDOUT, line)


def _flush() -> None:
    """Python's own buffer and the one of C, which the solver writes to."""
    with contextlib.suppress(AttributeError, OSError, ValueError):
        sys.stdout.flush()
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).fflush(None)
