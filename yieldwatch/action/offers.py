"""
The weeks in which each job is offered to the plan: few, so that the plan stays small.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.action.problem import Offer
from yieldwatch.action.starts import START_DAYS
from yieldwatch.action.waiting import Wait

#: Most times that work is done in the year.
_MOST_TURNS = 4


def offers_of(found: Sequence[Wait], numbers: Sequence[int], costs: pd.DataFrame, discount: np.ndarray) -> list[Offer]:
    """
    Offers of the jobs that one crew could do at one site.

    Parameters
    ----------
    found : sequence of Wait
    numbers : sequence of int
        Their numbers in the plan.
    costs : DataFrame, same rows
        cost_units, cost_per_visit. [money]
    discount : ndarray, shape (n_weeks,)

    Returns
    -------
    list of Offer
        Each job in its own first and best week and in those of the jobs that it could share a visit with. A safety job in its
        first week, and so a claim: nothing is gained by a letter that waits while its clock runs. Work that recurs also two to
        four times in the year, each number of turns with its best weeks.
    """
    own = [_own_weeks(w, float(c), discount) for w, c in zip(found, costs["cost_units"], strict=True)]
    union = sorted({week for weeks in own for week in weeks})
    offers = []
    for wait, number, cost, weeks in zip(found, numbers, costs.itertuples(), own, strict=True):
        if np.isnan(wait.by_start).any():
            continue
        allowed = wait.allowed
        mean = wait.gain.mean(axis=0)
        shared = weeks if _at_once(wait) else [w for w in union if allowed[w]]
        offers += [Offer(number, (w,), float(mean[w])) for w in shared]
        if wait.recurs:
            offers += _several(wait, number, float(cost.cost_units + cost.cost_per_visit), discount)
    return offers


def _at_once(wait: Wait) -> bool:
    return wait.job.safety or wait.job.job_kind == "claim"


def _own_weeks(wait: Wait, cost: float, discount: np.ndarray) -> list[int]:
    allowed = np.flatnonzero(wait.allowed)
    if not len(allowed) or np.isnan(wait.by_start).any():
        return []
    net = wait.gain.mean(axis=0) - cost * discount
    if _at_once(wait):
        return [int(allowed[0])]
    return sorted({int(allowed[0]), int(allowed[np.argmax(net[allowed])])})


def _several(wait: Wait, number: int, cost: float, discount: np.ndarray) -> list[Offer]:
    """Two, three and four turns, each in its best weeks: each returns until the next one, the last to the horizon's end."""
    allowed = np.flatnonzero(wait.allowed)
    can = sorted({int(w) for w in START_DAYS // 7 if wait.allowed[w]} | {int(w) for w in allowed[:1]})
    turn = {(w, v): wait.returns(w, v) for w in can for v in can if w < v}
    last = {w: wait.returns(w) for w in can}
    # The best that turns from each week on return net, and their weeks, for one turn, then one more each time.
    best: dict[int, tuple[float, tuple[int, ...]]] = {w: (float(last[w].mean()) - cost * discount[w], (w,)) for w in can}
    offers = []
    for _ in range(2, _MOST_TURNS + 1):
        best = {
            w: max((float(turn[w, v].mean()) - cost * discount[w] + best[v][0], (w, *best[v][1])) for v in best if v > w)
            for w in can if any(v > w for v in best)
        }
        if not best:
            break
        weeks = max(best.values())[1]
        returns = [turn[w, v] for w, v in itertools.pairwise(weeks)] + [last[weeks[-1]]]
        offers.append(Offer(number, weeks, float(sum(r.mean() for r in returns))))
    return offers
