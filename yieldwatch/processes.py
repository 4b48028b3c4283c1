"""
Long work on several things side by side, each in a process of its own, that says where it is.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.queues import SimpleQueue
from typing import TypeVar

from yieldwatch.errors import YieldwatchError

#: Called with a few words at each step.
Progress = Callable[[str], None]
Thing = TypeVar("Thing")
Made = TypeVar("Made")

#: Processes where nobody says how many: each may hold a gigabyte.
_USUAL_MOST = 4
#: Seconds between two looks at what the processes say.
_LOOK = 0.2

#: Where a process puts its words.
_words: SimpleQueue[str] | None = None


def usual_processes() -> int:
    """How many work side by side where nobody says: the processors that this process may use, four at most."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, _USUAL_MOST)


def side_by_side(
    work: Callable[[Thing, Progress], Made], things: Sequence[Thing], processes: int, say: Progress
) -> list[Made]:
    """
    Do a piece of work on each of several things.

    Parameters
    ----------
    work : callable
        Called with a thing and with what takes its words; it, the things and what it makes can be pickled.
    things : sequence
    processes : int
        At most so many at once; with one, or one thing, all is done in this process.
    say : callable
        Gets the words of all.

    Returns
    -------
    list, in the order of `things`

    Raises
    ------
    YieldwatchError
        If a process was ended from outside.
    Exception
        What the work raised for one of the things; what had not begun by then is left.
    """
    processes = min(processes, len(things))
    if processes <= 1:
        return [work(thing, say) for thing in things]
    # Never forked: a server's threads, and locks that they hold, would be forked with it.
    context = multiprocessing.get_context("spawn")
    words = context.SimpleQueue()
    others = multiprocessing.active_children()
    with ProcessPoolExecutor(processes, context, _begin, (words,)) as pool:
        try:
            futures = [pool.submit(_one, work, thing) for thing in things]
            _follow(futures, words, say)
            failed = [f for f in futures if f.done() and f.exception()]
            return [f.result() for f in failed or futures]
        except BrokenProcessPool as err:
            raise YieldwatchError(f"One of {processes} processes was ended from outside; the memory may not have been enough for "
                                  "all. Try again with fewer (--processes 1).") from err
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for child in multiprocessing.active_children():
                if child not in others:
                    child.terminate()
            raise


def _follow(futures: Sequence[Future], words: SimpleQueue[str], say: Progress) -> None:
    """Pass on what the processes say until all is done or something failed."""
    pending: set[Future] = set(futures)
    while pending:
        done, pending = wait(pending, _LOOK, FIRST_EXCEPTION)
        while not words.empty():
            say(words.get())
        if any(f.exception() for f in done):
            return


def _begin(words: SimpleQueue[str]) -> None:
    """Make a process ready: it says its words here, leaves an interrupt to its parent, and ends with it."""
    global _words
    _words = words
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


def _one(work: Callable[[Thing, Progress], Made], thing: Thing) -> Made:
    assert _words is not None
    return work(thing, _words.put)
