"""
Whether to clean at all, settled by washing two strings first, where the return of a cleaning is in doubt.

A layer of dirt that all modules share looks like age, or like a light sensor that reads high. The mean of what a cleaning returns
can then lie above its cost though it returns next to nothing on most farms that look the same. Two washed strings beside unwashed
ones settle it for the price of a visit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.information import given
from yieldwatch.action.readings import HOW, NOISE, OF_WITNESS
from yieldwatch.action.remedies.look import Look

#: Chance of paying back from which a cleaning is done without a look before it. Common practice, no source.
SURE_ENOUGH = 0.65
#: Readings simulated on each draw.
_TIMES = 10


def witness_first(look: Look, cleaning: Candidate) -> list[Candidate]:
    """
    A cleaning, and before it the look that settles whether it pays.

    Returns
    -------
    list of Candidate
        The cleaning alone where it is sure enough to pay, or where no look could pay. Else it is held back, and beside it
        stands a look, whose money is what is left once the cleaning is paid where the look calls for it.
    """
    returns, row = cleaning.gain_value.sum(axis=1), look.site.job_costs.get("clean")
    per_unit = np.nan if row is None else cleaning.units.get(row.unit, np.nan)
    cost = np.nan if row is None else row.cost_per_visit + row.cost_per_unit * per_unit
    test = look.site.job_costs.get("inspect")
    pays = float((returns > cost).mean())
    if test is None or cleaning.size is None or not np.isfinite([cost, *returns]).all() or pays >= SURE_ENOUGH:
        return [cleaning]
    read = cleaning.size + NOISE["wash_witness"] * look.rng.standard_normal((_TIMES, look.n_draws))
    calls = given(read.ravel(), np.tile(returns, _TIMES)).reshape(read.shape) > cost
    often = calls.mean(axis=0)
    worth = float((often * (returns - cost)).mean())
    if max(worth - test.cost_per_unit * OF_WITNESS.get(test.unit, np.nan), returns.mean() - cost) <= 0.0:
        return [cleaning]
    left = np.divide(often * (returns - cost), returns, out=np.zeros_like(returns), where=returns > 0)[:, None]
    why = (
        f"{cleaning.why} Cleaning pays with a chance of {100 * pays:.0f} %, so look first: {HOW['wash_witness']}. "
        f"With a chance of {100 * often.mean():.0f} % it calls for the cleaning; the money stated is what is left once that is "
        f"paid (about {cost:,.0f}).")
    first = replace(
        cleaning, job_kind="inspect", units=OF_WITNESS, gain_kwh=cleaning.gain_kwh * often[:, None],
        gain_value=cleaning.gain_value * left, why=why, later=None if cleaning.later is None else cleaning.later * left[None])
    return [replace(cleaning, awaits_look=True), first]
