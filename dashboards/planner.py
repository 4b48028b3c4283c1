"""
The plan made anew under other limits, and what other budgets would return, by a worker of its own, so that no page waits for it.
"""

from __future__ import annotations

import functools
import logging
import math
import sqlite3
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass

from dashboards.jobs import Jobs
from dashboards.store import NoAssessment, Store
from dashboards.visit import Place
from yieldwatch.action.budget_curve import CurvePoint, curve_points
from yieldwatch.action.plan_rows import OutOfTime, PlanBasis, PlanMade, limits_of, plan_rows
from yieldwatch.book import states
from yieldwatch.errors import BookError

#: States in which a job is not planned again.
_CLOSED = (*states.FINISHED, states.PUT_OFF, states.DECLINED)
LOG = logging.getLogger("yieldwatch.serve")
#: Time after which the best plan found so far is taken. [s]
SECONDS = 20.0
#: The same for each point of the curve over budgets. [s]
_CURVE_SECONDS = 8.0
#: Plans and curves held, and the longest number that is read.
_MOST_KEPT, _MOST_CURVES, _MOST_DIGITS = 64, 16, 12


@dataclass(frozen=True)
class Limits:
    """Most money, and most crew days of 8 h; None for no limit."""

    budget: float | None
    crew_days: float | None


class BadLimit(Exception):
    """A limit cannot be read; the message says why."""


def limits_from(query: Mapping[str, str], about: Mapping[str, str | None]) -> Limits:
    """
    Read limits off an address: those in it if it has `set`, where one that is not there is no limit; else the portfolio's own.

    Raises
    ------
    BadLimit
    """
    return Limits(_limit("budget", query, about["works_budget"]), _limit("crew_days", query, about["crew_days"]))


def _limit(name: str, query: Mapping[str, str], own: str | None) -> float | None:
    text = ((query.get(name) if "set" in query else own) or "").strip()
    if not text:
        return None
    try:
        value = float(text) if len(text) <= _MOST_DIGITS and text.isascii() else math.nan
    except ValueError:
        value = math.nan
    if not 0.0 <= value < math.inf:
        raise BadLimit(f"{name.replace('_', ' ')}: this is not a number from 0 up. Write one such as 5000 or 7.5, without "
                       "separators, or leave it empty for no limit.")
    return value


@dataclass(frozen=True)
class Working:
    """A plan that is being made, since `seconds`, of this many jobs."""

    seconds: float
    jobs: int


@dataclass(frozen=True)
class Curve:
    """
    What the plan returns by budget, as far as it is known.

    Attributes
    ----------
    points : tuple of CurvePoint
        The smallest budget first.
    top : float or None
        Largest budget asked for: twice the portfolio's own. None where it has none. [money]
    done : bool
    cut : str
        Why smaller budgets are missing; empty if none are.
    """

    points: tuple[CurvePoint, ...]
    top: float | None
    done: bool
    cut: str = ""


@dataclass(eq=False)
class _Growing:
    """A curve whose points come one by one, so that plans are made in between."""

    steps: Iterator[CurvePoint]
    top: float | None
    found: list[CurvePoint]
    done: threading.Event
    cut: str = ""


class PlanDesk:
    """Plans and curves of one store, each made once, without the jobs that the job book has closed since."""

    def __init__(self, store: Store, jobs: Jobs | None = None) -> None:
        self._store, self._book = store, jobs
        self._worker = ThreadPoolExecutor(1, "plan")
        self._lock = threading.Lock()
        self._basis: tuple[tuple, PlanBasis] | None = None
        self._asked: OrderedDict[tuple, tuple[float, Future[PlanMade]]] = OrderedDict()
        self._curves: dict[float | None, _Growing] = {}

    def plan(self, limits: Limits, wait: float) -> PlanMade | Working:
        """
        The plan, or word that it is being made.

        Parameters
        ----------
        limits : Limits
        wait : float
            How long to wait for it here. [s]

        Raises
        ------
        NoAssessment
            If there is nothing to plan from.
        OutOfTime
            If none was found in `SECONDS`.
        """
        with self._lock:
            version, basis = self._current()
            key = (version, limits)
            if key not in self._asked:
                self._asked[key] = (time.monotonic(), self._worker.submit(_made, basis, limits))
                while len(self._asked) > _MOST_KEPT:
                    self._asked.popitem(last=False)[1][1].cancel()
            self._asked.move_to_end(key)
            since, future = self._asked[key]
        try:
            return future.result(wait)
        except (TimeoutError, CancelledError):
            return Working(time.monotonic() - since, len(basis.jobs))
        except OutOfTime:
            with self._lock:
                self._asked.pop(key, None)
            raise

    def jobs(self) -> int:
        """How many jobs there are to plan."""
        with self._lock:
            return len(self._current()[1].jobs)

    def curve(self, crew_days: float | None, wait: float) -> Curve:
        """
        What the plan returns at budgets from nil to twice the portfolio's own, with this limit on crew days.

        Parameters
        ----------
        wait : float
            How long to wait for all of it here. [s]

        Raises
        ------
        NoAssessment
            If there is nothing to plan from.
        """
        with self._lock:
            _, basis = self._current()
            growing = self._curves.get(crew_days)
            if growing is None:
                own = limits_from({}, self._store.about()).budget
                top = 2.0 * own if own else None
                growing = _Growing(curve_points(basis, top, crew_days, _CURVE_SECONDS), top, [], threading.Event())
                while len(self._curves) >= _MOST_CURVES:
                    self._curves.pop(next(iter(self._curves)))
                self._curves[crew_days] = growing
                self._worker.submit(self._grow, crew_days, growing)
        growing.done.wait(wait)
        return Curve(tuple(reversed(growing.found)), growing.top, growing.done.is_set(), growing.cut)

    def _grow(self, crew_days: float | None, growing: _Growing) -> None:
        """One more point; then whatever else was asked for meanwhile comes first."""
        with self._lock:
            if self._curves.get(crew_days) is not growing:
                return
        try:
            growing.found.append(next(growing.steps))
        except StopIteration:
            growing.done.set()
        except OutOfTime as err:
            growing.cut = str(err)
            growing.done.set()
        except Exception:
            LOG.exception("the curve over budgets failed")
            growing.cut = "A budget could not be planned; the server's log says why."
            growing.done.set()
        else:
            self._worker.submit(self._grow, crew_days, growing)

    def closed(self) -> dict[str, str]:
        """Jobs that people did or turned down since the assessment, by `job_id`, and why no plan takes them up."""
        try:
            stand = {} if self._book is None else {ref: now for ref, now in self._book.stand().items() if now in _CLOSED}
        except BookError:
            stand = {}  # the page says that the book cannot be read, and no paper is made
        if not stand or not self._store.has("work_list") or "job_ref" not in self._store.columns("work_list"):
            return {}
        rows = self._store.rows("work_list", {"job_ref": list(stand)}, columns=("job_id", "job_ref", "job_state", "safety"))
        # What must be made safe is planned until it is done.
        return {r["job_id"]: f"In the job book since the assessment: {stand[int(r['job_ref'])]}." for r in rows
                if stand[int(r["job_ref"])] not in (r["job_state"], *((states.PUT_OFF, states.DECLINED) if r["safety"] else ()))}

    def _current(self) -> tuple[tuple, PlanBasis]:
        """The store's basis, read anew when store or closed jobs changed, with the version asked for before it was read."""
        closed = self.closed()
        version = (self._store.version(), tuple(sorted(closed.items())))
        if self._basis is None or self._basis[0] != version:
            self._basis = (version, self._read().without(closed))
            self._asked.clear()
            self._curves.clear()
        return self._basis

    def _read(self) -> PlanBasis:
        if not self._store.has("plan_basis"):
            raise NoAssessment("The last assessment found no job, so there is nothing to plan.")
        with closing(sqlite3.connect(f"{self._store.path.resolve().as_uri()}?mode=ro", uri=True)) as file:
            (content,) = file.execute("select content from plan_basis").fetchone()
        return PlanBasis.from_bytes(content)


def _made(basis: PlanBasis, limits: Limits) -> PlanMade:
    return plan_rows(basis, limits_of(limits.budget, limits.crew_days), SECONDS)


@functools.lru_cache(maxsize=4)
def desk(place: Place) -> PlanDesk:
    """The desk of a place, opened when it is first asked for."""
    return PlanDesk(place.store, place.jobs)
