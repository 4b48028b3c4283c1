"""
The rows of a plan, from all that it can be planned anew with under other limits.
"""

from __future__ import annotations

import datetime as dt
import io
import itertools
import json
import time
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from yieldwatch.action.cautions import caution_text
from yieldwatch.action.problem import Limits, Offer, Problem, Solution
from yieldwatch.action.ranking import CREW_DAY_HOURS
from yieldwatch.action.schedule import Planner
from yieldwatch.action.waiting import week_start
from yieldwatch.constants import OFFICE, named_job
from yieldwatch.cost.amounts import money

PLAN_COLUMNS = [
    "row", "visit_id", "week", "start", "site_id", "crew", "job_id", "job_kind", "scope", "turn", "safety", "crew_hours",
    "crew_days", "cost", "gain", "gain_low", "gain_high", "net", "needs_budget", "needs_crew_days", "needs_gain", "why",
    "caution", "cause",
]
#: Jobs left out that are each planned anew with the job forced in, to say exactly what they lack.
_MOST_FORCED = 5
#: Share by which another plan may be worth more from which on that is said.
_TOLD_GAP = 1e-5
_ARRAYS = ("visit", "cost_units", "cost_per_visit", "hours_units", "hours_per_visit", "must", "discount")


@dataclass(frozen=True, eq=False)
class PlanBasis:
    """
    All that a plan is made from, but for its limits.

    Attributes
    ----------
    as_of : date
        Week 0 begins on it.
    currency : str
    jobs : DataFrame, a row a job
        job_id, site_id, crew, job_kind, cause, scope, safety, cost_units [money] and hours_units [h], NaN where not known;
        cannot, why it cannot be planned, empty if it can.
    problem : Problem
    returns : sequence of ndarray, shape (n_turns, n_draws)
        For each offer of the problem, what each turn returns by draw, until the next one. [money]
    """

    as_of: dt.date
    currency: str
    jobs: pd.DataFrame
    problem: Problem
    returns: Sequence[np.ndarray]

    def to_bytes(self) -> bytes:
        """The basis as a file that holds numbers and text only, draws to single precision."""
        problem = self.problem
        facts = {
            "as_of": self.as_of.isoformat(), "currency": self.currency, "jobs": self.jobs.to_dict("list"),
            "offers": [[o.job, [int(w) for w in o.weeks], o.value] for o in problem.offers],
            "exclusive": [[int(a), int(b)] for a, b in problem.exclusive]}
        none = np.zeros((0, 1))
        draws = max((r.shape[1] for r in self.returns), default=1)
        target = io.BytesIO()
        # A NaN within the text is read back by the same library, and by nothing else.
        np.savez_compressed(
            target, facts=np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8),
            returns=np.concatenate([np.broadcast_to(r, (len(r), draws)) for r in self.returns] or [none]).astype(np.float32),
            **{name: getattr(problem, name) for name in _ARRAYS})
        return target.getvalue()

    @classmethod
    def from_bytes(cls, content: bytes) -> PlanBasis:
        """
        Read what `to_bytes` wrote.

        Raises
        ------
        ValueError
            If it is not that.
        """
        try:
            with np.load(io.BytesIO(content), allow_pickle=False) as held:
                facts = json.loads(held["facts"].tobytes())
                arrays, returns = {name: held[name] for name in _ARRAYS}, held["returns"].astype(float)
        except (KeyError, OSError, ValueError, zipfile.BadZipFile) as err:
            raise ValueError(f"no basis of a plan ({err})") from err
        # A basis of an earlier version holds more of each.
        offers = [Offer(job, tuple(weeks), value) for job, weeks, value, *_ in facts["offers"]]
        ends = np.cumsum([len(o.weeks) for o in offers])
        return cls(dt.date.fromisoformat(facts["as_of"]), facts["currency"], pd.DataFrame(facts["jobs"]),
                   Problem(offers, **arrays, exclusive=[(a, b) for a, b in facts["exclusive"]]),
                   np.split(returns, ends[:-1]) if offers else [])

    def without(self, closed: Mapping[str, str]) -> PlanBasis:
        """The basis in which some jobs, by `job_id`, cannot be planned, each for the reason given."""
        shut = self.jobs["job_id"].isin(list(closed)).to_numpy(dtype=bool)
        if not shut.any():
            return self
        left = [(o, r) for o, r in zip(self.problem.offers, self.returns, strict=True) if not shut[o.job]]
        jobs = self.jobs.assign(cannot=[closed.get(str(job), cannot) for job, cannot in
                                        self.jobs[["job_id", "cannot"]].itertuples(index=False)])
        problem = replace(self.problem, offers=[o for o, _ in left], must=np.asarray(self.problem.must, dtype=bool) & ~shut)
        return replace(self, jobs=jobs, problem=problem, returns=[r for _, r in left])


class OutOfTime(Exception):
    """No plan was found in the time allowed."""


def limits_of(budget: float | None, crew_days: float | None) -> Limits:
    """Limits from money and days; None for no limit."""
    return Limits(np.inf if budget is None else budget, np.inf if crew_days is None else crew_days * CREW_DAY_HOURS)


@dataclass(frozen=True)
class PlanMade:
    """
    A plan.

    Attributes
    ----------
    table : DataFrame
        `PLAN_COLUMNS`: a row for each visit and office date, after it a row for each job of it, and at the
        end a row for each job left out.
    notices : tuple of str
    gain, low, high : float
        Present value of what all of it returns, and bounds of 90 %. [money]
    must_cost, must_days : float
        What safety alone takes. [money, days of 8 h]
    """

    table: pd.DataFrame
    notices: tuple[str, ...]
    gain: float
    low: float
    high: float
    must_cost: float
    must_days: float


def plan_rows(basis: PlanBasis, limits: Limits, seconds: float | None = None) -> PlanMade:
    """
    Find the best plan within limits.

    Parameters
    ----------
    basis : PlanBasis
    limits : Limits
    seconds : float, optional
        After which the best plan found is taken. Without it a run repeats.

    Returns
    -------
    PlanMade

    Raises
    ------
    OutOfTime
        If there is none by then.
    """
    planner = Planner(basis.problem, limits, None if seconds is None else time.monotonic() + seconds)
    best = planner.best()
    if best is None:
        raise OutOfTime(f"No plan was found in {seconds:g} seconds.")
    draft = _Draft(basis, limits, planner, best)
    gain = _bounds(sum((draft.returns[o].sum(axis=0) for o in best.taken), np.zeros(1)))
    must = basis.problem.spent([o for o in best.taken if basis.problem.must[o.job]])
    return PlanMade(draft.table(), draft.notices(), gain["gain"], gain["gain_low"], gain["gain_high"], must[0],
                    must[1] / CREW_DAY_HOURS)


@dataclass(frozen=True, eq=False)
class _Draft:
    """The solution and all that its rows are written from."""

    basis: PlanBasis
    limits: Limits
    planner: Planner
    best: Solution

    @property
    def problem(self) -> Problem:
        return self.basis.problem

    @cached_property
    def jobs(self) -> list[dict]:
        return self.basis.jobs.to_dict("records")

    @cached_property
    def returns(self) -> dict[Offer, np.ndarray]:
        return dict(zip(self.problem.offers, self.basis.returns, strict=True))

    @cached_property
    def visits(self) -> dict[tuple[int, int], list[int]]:
        """Jobs of each planned visit, by crew at a site and week."""
        return self.problem.visits(self.best.taken)

    def table(self) -> pd.DataFrame:
        rows: list[dict[str, object]] = []
        by_job = {o.job: o for o in self.best.taken}
        visits = sorted(self.visits.items(), key=lambda v: (v[0][1], self.jobs[v[1][0]]["site_id"], v[0][0]))
        numbers = {"visit": itertools.count(1), "office": itertools.count(1)}
        for (_, week), jobs in visits:
            in_order = sorted(jobs, key=lambda k: (not self.problem.must[k], self.jobs[k]["job_id"]))
            head = "office" if self.jobs[jobs[0]]["crew"] == OFFICE else "visit"
            rows += self._visit(head, f"{head[0].upper()}{next(numbers[head]):02d}", week, in_order, by_job)
        left = sorted(set(range(len(self.jobs))) - set(by_job), key=lambda k: -self._best_net(k))
        rows += [self._left_out(k, place) for place, k in enumerate(left)]
        return pd.DataFrame(rows, columns=PLAN_COLUMNS)

    def _about(self, k: int) -> dict[str, object]:
        return {name: self.jobs[k][name] for name in ("site_id", "crew", "job_id", "job_kind", "cause", "scope", "safety")}

    def _visit(self, row: str, name: str, week: int, jobs: list[int], by_job: Mapping[int, Offer]) -> list[dict[str, object]]:
        when = {"visit_id": name, "week": week, "start": week_start(self.basis.as_of, week).isoformat()}
        problem = self.problem
        rows, total = [], np.zeros(1)
        for k in jobs:
            offer = by_job[k]
            place = offer.weeks.index(week)
            gain = self.returns[offer][place]
            total = total + gain
            cost, hours = self.jobs[k]["cost_units"], self.jobs[k]["hours_units"]
            turn = f"{place + 1} of {len(offer.weeks)}"
            rows.append(when | self._about(k) | _bounds(gain) | {
                "row": "job", "turn": turn, "crew_hours": hours, "crew_days": hours / CREW_DAY_HOURS, "cost": cost,
                "net": gain.mean() - cost, "caution": caution_text(self.jobs[k]["job_kind"], self.jobs[k]["cause"])})
        hours = float(problem.hours_units[jobs].sum() + problem.hours_per_visit[jobs].max())
        cost = float(problem.cost_units[jobs].sum() + problem.cost_per_visit[jobs].max())
        head = when | {k: v for k, v in self._about(jobs[0]).items() if k in ("site_id", "crew")} | _bounds(total) | {
            "row": row, "safety": bool(self.problem.must[jobs].any()), "crew_hours": hours,
            "crew_days": hours / CREW_DAY_HOURS, "cost": cost, "net": total.mean() - cost}
        return [head, *rows]

    def _offers(self, k: int) -> list[Offer]:
        return [o for o in self.problem.offers if o.job == k]

    def _best_net(self, k: int) -> float:
        return max((o.value - self._to_add(o)[0] for o in self._offers(k)), default=-np.inf)

    def _left_out(self, k: int, place: int) -> dict[str, object]:
        """Why a job is not in the plan, and what would bring it in."""
        row = self._about(k) | {"row": "left_out"}
        if self.jobs[k]["cannot"]:
            return row | {"why": self.jobs[k]["cannot"]}
        added = [(o, *self._to_add(o)) for o in self._offers(k)]
        offer, cost, hours = max(added, key=lambda a: a[0].value - a[1])
        row |= _bounds(self.returns[offer].sum(axis=0))
        row |= {"cost": cost, "net": offer.value - cost}
        short = cost - offer.value
        rival = self._rival(k)
        if short >= 0 and rival is None:
            return row | {"needs_gain": short, "why": "Doing nothing is better in every week offered. It would pay if it "
                                                       f"returned {self._money(short)} more, or cost that much less."}
        row |= {"week": offer.weeks[0], "start": week_start(self.basis.as_of, offer.weeks[0]).isoformat()}
        forced = self.planner.best(forced=k) if place < _MOST_FORCED else None
        gap = np.nan if forced is None else max(self.best.value - forced.value, 0.0)
        spent, time = self.problem.spent(self.best.taken)
        over = max(spent + cost - self.limits.budget, 0.0)
        over_days = max(time + hours - self.limits.hours, 0.0) / CREW_DAY_HOURS
        return row | {"needs_budget": over, "needs_crew_days": over_days, "needs_gain": gap,
                      "why": self._missed(rival, over, over_days, gap)}

    def _rival(self, k: int) -> str | None:
        taken = {o.job for o in self.best.taken}
        rivals = [a if b == k else b for a, b in self.problem.exclusive if k in (a, b)]
        there = (self.jobs[r] for r in rivals if r in taken)
        return next((named_job(j["job_kind"], j["cause"], j["scope"]) for j in there), None)

    def _to_add(self, offer: Offer) -> tuple[float, float]:
        """What an offer would cost and take on top of the plan. [money, h]"""
        cost = hours = 0.0
        k, problem = offer.job, self.problem
        for week in offer.weeks:
            there = self.visits.get((int(problem.visit[k]), week), [])
            cost += problem.cost_units[k] + max(problem.cost_per_visit[k] - problem.cost_per_visit[there].max(initial=0.0), 0.0)
            fixed = problem.hours_per_visit
            hours += problem.hours_units[k] + max(fixed[k] - fixed[there].max(initial=0.0), 0.0)
        return float(cost), float(hours)

    def _money(self, amount: float) -> str:
        return money(amount, self.basis.currency)

    def _missed(self, rival: str | None, over: float, over_days: float, gap: float) -> str:
        more = f" To take its place among them it would have to return {self._money(gap)} more." if gap > 0 else ""
        if rival is not None:
            return f"Not beside {rival}, planned for the same loss.{more}"
        if over > 0:
            return f"Missed the works budget: {self._money(over)} more would carry it on top of the plan.{more}"
        if over_days > 0:
            return f"Missed the crew days: {over_days:.1f} more would carry it on top of the plan.{more}"
        return f"Other jobs return more within the same limits.{more}"

    def notices(self) -> tuple[str, ...]:
        said = []
        if self.best.gap > _TOLD_GAP:
            said.append(f"The search for the best plan was cut off: it keeps to all limits, but another may be worth up to "
                        f"{100 * self.best.gap:.1f} % more.")
        if (self.basis.jobs["job_kind"] == "cut_vegetation").any():
            said.append("The plan keeps hedge work out of the months in which birds may nest; local wildlife law decides the "
                        "dates. Set nesting_from_month and nesting_to_month in [assumptions].")
        return tuple(said)


def _bounds(gain: np.ndarray) -> dict[str, float]:
    low, high = np.quantile(gain, [0.05, 0.95])
    return {"gain": float(gain.mean()), "gain_low": float(low), "gain_high": float(high)}
