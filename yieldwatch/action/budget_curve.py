"""
What the plan returns by the works budget: the best plan at each of a run of budgets, from the largest down to nil.

A plan that is the best within a budget and costs less is the best within what it costs, too. So each step down goes to just
under the cost of the last plan, or by an even share of the first plan's where that is more; between two points another plan may
return more than the lower one, never more than the upper.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from yieldwatch.action.plan_rows import OutOfTime, PlanBasis, limits_of
from yieldwatch.action.problem import Limits
from yieldwatch.action.ranking import CREW_DAY_HOURS
from yieldwatch.action.schedule import Planner

#: Even shares of what the plan of the largest budget costs; there are two points more at most.
STEPS = 16
#: By how much a budget is under the cost of a plan that it shall not pay for. [money]
_UNDER = 0.01


@dataclass(frozen=True)
class CurvePoint:
    """
    The best plan of a budget.

    Attributes
    ----------
    budget : float
        The least budget that pays for it: what it costs. [money]
    gain, low, high : float
        Present value of what all of it returns, and bounds of 90 %. [money]
    crew_days : float
        Days of 8 h.
    jobs : mapping of str to int
        How often each job of it is done.
    gap : float
        Share by which a better plan could at most be worth more, nil where the search came to its end.
    """

    budget: float
    gain: float
    low: float
    high: float
    crew_days: float
    jobs: Mapping[str, int]
    gap: float


def curve_points(basis: PlanBasis, top: float | None, crew_days: float | None, seconds: float) -> Iterator[CurvePoint]:
    """
    Find the points, the largest budget first; each is worked out when it is asked for.

    Parameters
    ----------
    basis : PlanBasis
    top : float or None
        Largest budget; None for what the plan costs without a limit on money. [money]
    crew_days : float or None
        Limit on them at every budget.
    seconds : float
        For each point, after which the best plan found is taken.

    Raises
    ------
    OutOfTime
        If no plan of a budget was found by then.
    """
    asked, share, last = top, 0.0, None
    while True:
        point = _point(basis, limits_of(asked, crew_days), seconds)
        if last is None:
            share = point.budget / STEPS
        elif point.budget >= last.budget:
            # Safety alone is left, which no budget keeps out.
            return
        yield point
        asked, last = max(0.0, min(point.budget - _UNDER, (point.budget if asked is None else asked) - share)), point
        if point.budget <= 0.0:
            return


def _point(basis: PlanBasis, limits: Limits, seconds: float) -> CurvePoint:
    best = Planner(basis.problem, limits, time.monotonic() + seconds).best()
    if best is None:
        raise OutOfTime(f"No plan was found in {seconds:g} seconds.")
    returns = dict(zip(basis.problem.offers, basis.returns, strict=True))
    gain = sum((returns[offer].sum(axis=0) for offer in best.taken), np.zeros(1))
    low, high = np.quantile(gain, [0.05, 0.95])
    cost, hours = basis.problem.spent(best.taken)
    names = basis.jobs["job_id"].tolist()
    jobs = Counter({names[o.job]: len(o.weeks) for o in best.taken})
    return CurvePoint(cost, float(gain.mean()), float(low), float(high), hours / CREW_DAY_HOURS, jobs, best.gap)
