"""
The year's plan: which visits to make in which weeks, what each does, and what just missed the cut.

The work list judges every job as if done at once. The plan takes each job's return by week from `waiting`, its windows, notice
and crew, and lets all jobs compete for the same money and days; work that recurs may be done more than once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.costing import price_jobs
from yieldwatch.action.offers import offers_of
from yieldwatch.action.plan_rows import PLAN_COLUMNS, PlanBasis, limits_of, plan_rows
from yieldwatch.action.problem import Offer, Problem
from yieldwatch.action.ranking import exclusive_pairs, in_order_of_id
from yieldwatch.action.waiting import Wait, discounts, timing, waiting_table, waits
from yieldwatch.portfolio.model import Portfolio

#: Columns that the plan adds to the work list.
TIMING_COLUMNS = [
    "best_start", "latest_start", "npv_best_start", "delay_cost_per_week", "delay_cost_low_per_week", "delay_cost_high_per_week",
    "options", "planned_start",
]

@dataclass(frozen=True)
class Plan:
    """
    The plan and what it rests on.

    Attributes
    ----------
    plan : DataFrame
        `PLAN_COLUMNS`: a row for each visit and office date, after it a row for each job of it, and at the
        end a row for each job left out.
    waiting : DataFrame
        From `waiting.waiting_table`.
    work_list : DataFrame
        As given, with `TIMING_COLUMNS`.
    notices : tuple of str
    basis : PlanBasis or None
        From which it can be planned anew under other limits; None if there is no job.
    """

    plan: pd.DataFrame
    waiting: pd.DataFrame
    work_list: pd.DataFrame
    notices: tuple[str, ...]
    basis: PlanBasis | None = None


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
    basis = _basis(portfolio, candidates, jobs, found, as_of)
    made = plan_rows(basis, limits_of(portfolio.works_budget, portfolio.crew_days))
    return Plan(made.table, waiting_table(found, as_of), _with_timing(portfolio, work_list, found, made.table, as_of),
                made.notices, basis)


def _basis(portfolio: Portfolio, candidates: Sequence[Candidate], jobs: pd.DataFrame, found: Sequence[Wait],
           as_of: dt.date) -> PlanBasis:
    problem = _problem(portfolio, candidates, jobs, found)
    priced = jobs[["cost_units", "unpriced"]].itertuples(index=False)
    table = jobs[["job_id", "site_id", "crew", "job_kind", "cost_units", "hours_units"]].assign(
        cause=[c.cause for c in candidates], scope=[" ".join(c.scope) for c in candidates],
        safety=[bool(c.safety) for c in candidates],
        cannot=[_cannot(wait, *price) for wait, price in zip(found, priced, strict=True)])
    returns = [_returns(found[o.job], o) for o in problem.offers]
    return PlanBasis(as_of, portfolio.currency, table, problem, returns)


def _cannot(wait: Wait, cost: float, unpriced: str) -> str:
    """Why a job cannot be planned at all; empty if it can."""
    if np.isnan(cost):
        return unpriced
    if np.isnan(wait.by_start).any():
        return "What it returns has no price."
    if wait.job.awaits_look:
        return "A look comes first, a job of its own."
    return "" if wait.allowed.any() else f"No week of the coming year allows it: {wait.why_not[0]}."


def _returns(wait: Wait, offer: Offer) -> np.ndarray:
    """What each turn of an offer returns by draw, until the next one, shape (n_turns, n_draws). [money]"""
    return np.stack([wait.returns(week, until) for week, until in zip(offer.weeks, (*offer.weeks[1:], None), strict=True)])


def _problem(portfolio: Portfolio, candidates: Sequence[Candidate], jobs: pd.DataFrame, found: Sequence[Wait]) -> Problem:
    known = jobs[["cost_units", "cost_per_visit", "hours_units", "hours_per_visit"]].fillna(0.0)
    priced = jobs["cost_units"].notna().to_numpy()
    must = np.array([c.safety for c in candidates])
    waits_for_look = np.array([c.awaits_look for c in candidates])
    offers: list[Offer] = []
    for visit in sorted(set(jobs["visit"])):
        here = [int(k) for k in np.flatnonzero((jobs["visit"] == visit) & (priced & ~waits_for_look | must))]
        offers += offers_of([found[k] for k in here], here, known.iloc[here], discounts(portfolio))
    worth = np.array([w.by_start.sum(axis=2).mean() for w in found])
    pairs = exclusive_pairs(portfolio, candidates, np.where(priced, worth, np.nan))
    offered = {o.job for o in offers}
    done = must & np.isin(np.arange(len(must)), list(offered))
    return Problem(
        offers, jobs["visit"].to_numpy(), known["cost_units"].to_numpy(), known["cost_per_visit"].to_numpy(),
        known["hours_units"].to_numpy(), known["hours_per_visit"].to_numpy(), done, discounts(portfolio), pairs)


def _with_timing(portfolio: Portfolio, work_list: pd.DataFrame, found: Sequence[Wait], plan: pd.DataFrame,
                 as_of: dt.date) -> pd.DataFrame:
    cost = work_list.set_index("job_id")["cost"]
    first = plan[plan["row"] == "job"].groupby("job_id")["start"].min()
    rows = [{"job_id": w.job_id, **timing(portfolio, w, float(cost[w.job_id]), as_of), "planned_start": first.get(w.job_id)}
            for w in found]
    return work_list.merge(pd.DataFrame(rows)[["job_id", *TIMING_COLUMNS]], on="job_id", how="left", validate="one_to_one")
