"""
The year's plan: which visits to make in which weeks, what each does, and what just missed the cut.

The work list judges every job as if done at once. The plan takes each job's return by week from `waiting`, its windows, notice
and crew, and lets all jobs compete for the same money and days; work that recurs may be done more than once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.cautions import caution_text
from yieldwatch.action.costing import price_jobs
from yieldwatch.action.offers import offers_of
from yieldwatch.action.problem import Limits, Offer, Problem, Solution
from yieldwatch.action.ranking import CREW_DAY_HOURS, exclusive_pairs, in_order_of_id
from yieldwatch.action.schedule import Planner
from yieldwatch.action.verdicts import money
from yieldwatch.action.waiting import Wait, discounts, timing, waiting_table, waits, week_start
from yieldwatch.portfolio.model import Portfolio

PLAN_COLUMNS = [
    "row", "visit_id", "week", "start", "site_id", "crew", "job_id", "job_kind", "scope", "turn", "safety", "crew_hours",
    "crew_days", "cost", "gain", "gain_low", "gain_high", "net", "needs_budget", "needs_crew_days", "needs_gain", "why",
    "caution",
]
#: Columns that the plan adds to the work list.
TIMING_COLUMNS = [
    "best_start", "latest_start", "npv_best_start", "delay_cost_per_week", "delay_cost_low_per_week", "delay_cost_high_per_week",
    "options", "planned_start",
]
#: Jobs left out that are each planned anew with the job forced in, to say exactly what they lack.
_MOST_FORCED = 5
#: Share by which another plan may be worth more from which on that is said.
_TOLD_GAP = 1e-5


@dataclass(frozen=True)
class Plan:
    """
    The plan and what it rests on.

    Attributes
    ----------
    plan : DataFrame
        `PLAN_COLUMNS`: a row for each visit, after it a row for each job of it, and at the end a row for each job left out.
    waiting : DataFrame
        From `waiting.waiting_table`.
    work_list : DataFrame
        As given, with `TIMING_COLUMNS`.
    notices : tuple of str
    """

    plan: pd.DataFrame
    waiting: pd.DataFrame
    work_list: pd.DataFrame
    notices: tuple[str, ...]


def make_plan(portfolio: Portfolio, candidates: Sequence[Candidate], work_list: pd.DataFrame, as_of: dt.date,
              usual: Mapping[str, pd.DataFrame]) -> Plan:
    """
    Plan the coming year.

    Parameters
    ----------
    portfolio : Portfolio
        Its works budget and crew days.
    candidates : sequence of Candidate
    work_list : DataFrame
        From `ranking.rank_jobs` for the same candidates.
    as_of : date
        Week 0 begins on it.
    usual : mapping of str to DataFrame
        By site, from `windows.usual_weeks`.

    Returns
    -------
    Plan

    Notes
    -----
    The plan is the best one over the weeks that are offered (see `offers.offers_of`), not over all weeks. Crew days are
    limited over the year, not week by week.
    """
    candidates = in_order_of_id(candidates)
    if not candidates:
        blank = work_list.reindex(columns=[*work_list.columns, *TIMING_COLUMNS])
        return Plan(pd.DataFrame(columns=PLAN_COLUMNS), waiting_table([], as_of), blank, ())
    jobs = price_jobs(portfolio, candidates)
    found = waits(portfolio, candidates, jobs, as_of, usual)
    problem, limits = _problem(portfolio, candidates, jobs, found), _limits(portfolio)
    planner = Planner(problem, limits)
    best = planner.best()
    assert best is not None  # nothing is forced
    draft = _Draft(portfolio, as_of, jobs, found, problem, limits, planner, best)
    plan = draft.table()
    return Plan(plan, waiting_table(found, as_of), _with_timing(portfolio, work_list, found, plan, as_of), draft.notices())


def _problem(portfolio: Portfolio, candidates: Sequence[Candidate], jobs: pd.DataFrame, found: Sequence[Wait]) -> Problem:
    known = jobs[["cost_units", "cost_per_visit", "hours_units", "hours_per_visit"]].fillna(0.0)
    priced = jobs["cost_units"].notna().to_numpy()
    must = np.array([c.safety for c in candidates])
    offers: list[Offer] = []
    for visit in sorted(set(jobs["visit"])):
        here = [int(k) for k in np.flatnonzero(jobs["visit"] == visit) if priced[k] or must[k]]
        offers += offers_of([found[k] for k in here], here, known.iloc[here], discounts(portfolio))
    worth = np.array([w.by_start.sum(axis=2).mean() for w in found])
    pairs = exclusive_pairs(portfolio, candidates, np.where(priced, worth, np.nan))
    offered = {o.job for o in offers}
    done = must & np.isin(np.arange(len(must)), list(offered))
    return Problem(
        offers, jobs["visit"].to_numpy(), known["cost_units"].to_numpy(), known["cost_per_visit"].to_numpy(),
        known["hours_units"].to_numpy(), known["hours_per_visit"].to_numpy(), done, discounts(portfolio), pairs)


def _limits(portfolio: Portfolio) -> Limits:
    def limit(value: float | None, per: float = 1.0) -> float:
        return np.inf if value is None else value * per

    return Limits(limit(portfolio.works_budget), limit(portfolio.crew_days, CREW_DAY_HOURS))


@dataclass(frozen=True, eq=False)
class _Draft:
    """The solution and all that its rows are written from."""

    portfolio: Portfolio
    as_of: dt.date
    jobs: pd.DataFrame
    found: Sequence[Wait]
    problem: Problem
    limits: Limits
    planner: Planner
    best: Solution

    @cached_property
    def visits(self) -> dict[tuple[int, int], list[int]]:
        """Jobs of each planned visit, by crew at a site and week."""
        return self.problem.visits(self.best.taken)

    def table(self) -> pd.DataFrame:
        rows: list[dict[str, object]] = []
        by_job = {o.job: o for o in self.best.taken}
        visits = sorted(self.visits.items(), key=lambda v: (v[0][1], self._site(v[1][0]), v[0][0]))
        for number, ((_, week), jobs) in enumerate(visits, 1):
            in_order = sorted(jobs, key=lambda k: (not self.problem.must[k], self.found[k].job_id))
            rows += self._visit(f"V{number:02d}", week, in_order, by_job)
        left = sorted(set(range(len(self.found))) - set(by_job), key=lambda k: -self._best_net(k))
        rows += [self._left_out(k, place) for place, k in enumerate(left)]
        return pd.DataFrame(rows, columns=PLAN_COLUMNS)

    def _site(self, k: int) -> str:
        return self.found[k].job.site_id

    def _about(self, k: int) -> dict[str, object]:
        job = self.found[k].job
        return {"site_id": job.site_id, "crew": self.jobs["crew"].iloc[k], "job_id": self.found[k].job_id,
                "job_kind": job.job_kind, "scope": " ".join(job.scope), "safety": job.safety}

    def _visit(self, name: str, week: int, jobs: list[int], by_job: Mapping[int, Offer]) -> list[dict[str, object]]:
        when = {"visit_id": name, "week": week, "start": week_start(self.as_of, week).isoformat()}
        units, fixed = (self.jobs[c].to_numpy() for c in ("hours_units", "hours_per_visit"))
        rows, total = [], np.zeros(1)
        for k in jobs:
            offer = by_job[k]
            gain = _returns(self.found[k], offer, week)
            total = total + gain
            cost = float(self.jobs["cost_units"].iloc[k])
            turn = f"{offer.weeks.index(week) + 1} of {len(offer.weeks)}"
            rows.append(when | self._about(k) | _bounds(gain) | {
                "row": "job", "turn": turn, "crew_hours": units[k], "crew_days": units[k] / CREW_DAY_HOURS, "cost": cost,
                "net": gain.mean() - cost, "caution": caution_text(self.found[k].job.job_kind)})
        hours = float(np.nansum(units[jobs]) + np.nan_to_num(fixed[jobs]).max())
        cost = float(self.problem.cost_units[jobs].sum() + self.problem.cost_per_visit[jobs].max())
        head = when | {k: v for k, v in self._about(jobs[0]).items() if k in ("site_id", "crew")} | _bounds(total) | {
            "row": "visit", "safety": bool(self.problem.must[jobs].any()), "crew_hours": hours,
            "crew_days": hours / CREW_DAY_HOURS, "cost": cost, "net": total.mean() - cost}
        return [head, *rows]

    def _offers(self, k: int) -> list[Offer]:
        return [o for o in self.problem.offers if o.job == k]

    def _best_net(self, k: int) -> float:
        return max((o.value - self._to_add(o)[0] for o in self._offers(k)), default=-np.inf)

    def _left_out(self, k: int, place: int) -> dict[str, object]:
        """Why a job is not in the plan, and what would bring it in."""
        row = self._about(k) | {"row": "left_out"}
        if not np.isfinite(self.jobs["cost_units"].iloc[k]):
            return row | {"why": self.jobs["unpriced"].iloc[k]}
        if np.isnan(self.found[k].by_start).any():
            return row | {"why": "What it returns has no price."}
        if not self.found[k].allowed.any():
            return row | {"why": f"No week of the coming year allows it: {self.found[k].why_not[0]}."}
        added = [(o, *self._to_add(o)) for o in self._offers(k)]
        offer, cost, hours = max(added, key=lambda a: a[0].value - a[1])
        row |= _bounds(sum((_returns(self.found[k], offer, w) for w in offer.weeks), np.zeros(1)))
        row |= {"cost": cost, "net": offer.value - cost, "week": offer.weeks[0],
                "start": week_start(self.as_of, offer.weeks[0]).isoformat()}
        # What it returns at least as likely as not, but no more than in the mean.
        short = cost - min(offer.value, sum(offer.carries))
        rival = self._rival(k)
        if short >= 0 and rival is None:
            why = "Doing nothing is better" if offer.value <= cost else "More likely than not to lose money"
            return row | {"needs_gain": short, "why": f"{why} in every week offered. It would pay if it returned "
                                                       f"{self._money(short)} more, or cost that much less."}
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
        return next((self.found[r].job_id for r in rivals if r in taken), None)

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
        return money(amount, self.portfolio.currency)

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
        if any(w.job.job_kind == "cut_vegetation" for w in self.found):
            said.append("The plan keeps hedge work out of the months in which birds may nest; local wildlife law decides the "
                        "dates. Set nesting_from_month and nesting_to_month in [assumptions].")
        return tuple(said)


def _returns(wait: Wait, offer: Offer, week: int) -> np.ndarray:
    """What one turn of an offer returns by draw, until the next one. [money]"""
    turn = offer.weeks.index(week)
    return wait.returns(week, offer.weeks[turn + 1] if turn + 1 < len(offer.weeks) else None)


def _bounds(gain: np.ndarray) -> dict[str, object]:
    low, high = np.quantile(gain, [0.05, 0.95])
    return {"gain": gain.mean(), "gain_low": low, "gain_high": high}


def _with_timing(portfolio: Portfolio, work_list: pd.DataFrame, found: Sequence[Wait], plan: pd.DataFrame,
                 as_of: dt.date) -> pd.DataFrame:
    cost = work_list.set_index("job_id")["cost"]
    first = plan[plan["row"] == "job"].groupby("job_id")["start"].min()
    rows = [{"job_id": w.job_id, **timing(portfolio, w, float(cost[w.job_id]), as_of), "planned_start": first.get(w.job_id)}
            for w in found]
    return work_list.merge(pd.DataFrame(rows)[["job_id", *TIMING_COLUMNS]], on="job_id", how="left", validate="one_to_one")
