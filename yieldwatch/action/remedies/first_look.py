"""
Whether to clean or to cut at all, settled by a look first, where what the job returns is in doubt.

A layer of dirt that all modules share looks like age, or like a light sensor that reads high; a hedge that all inverters
share, like a model's error. The mean of what the job returns can then lie above its cost though it returns next to nothing on
most farms that look the same. Two washed strings beside unwashed ones, or the outline of what stands before the modules,
settle it for the price of a visit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.information import given
from yieldwatch.action.readings import OF_WITNESS
from yieldwatch.action.remedies.look import Look
from yieldwatch.cost.amounts import money

#: Chance of paying back from which such a job is done without a look before it. Common practice, no source.
SURE_ENOUGH = 0.65
#: Such a job that is as likely as not to pay is done without a look where a look on a visit of its own would leave less than
#: this share of what the job is expected to bring: who looks first gives up little, and does not pay for a job for nothing.
#: Common practice, no source.
_AS_LIKELY_AS_NOT, _LEAVES = 0.5, 0.9
#: Readings simulated on each draw.
_TIMES = 10


def first_look(look: Look, job: Candidate, how: str, shown: np.ndarray, noise: float) -> list[Candidate]:
    """
    A job, and before it the look that settles whether it pays.

    Parameters
    ----------
    look : Look
    job : Candidate
    how : str
        What is done, in plain words.
    shown : ndarray, shape (n_draws,)
        What the look would show without noise.
    noise : float
        Standard uncertainty of it, in the same unit.

    Returns
    -------
    list of Candidate
        The job alone where it is sure enough to pay, or where no look could pay. Else beside it stands a look, whose money is
        what is left once the job is paid where the look calls for it. The job is held back where it is unlikely to pay or where
        the look is worth its own visit; else one of the two is chosen, as other work brings the look's crew or does not.
    """
    row, test = (look.site.job_costs.get(kind) for kind in (job.job_kind, "inspect"))
    returns = job.gain_value.sum(axis=1)
    cost = np.nan if row is None else row.cost_per_visit + row.cost_per_unit * job.units.get(row.unit, np.nan)
    pays = float((returns > cost).mean())
    if test is None or not np.isfinite([cost, *returns]).all() or pays >= SURE_ENOUGH:
        return [job]
    read = shown + noise * look.rng.standard_normal((_TIMES, look.n_draws))
    often = (given(read.ravel(), np.tile(returns, _TIMES)).reshape(read.shape) > cost).mean(axis=0)
    net = often * (returns - cost)
    at_once, of_look = returns.mean() - cost, test.cost_per_unit * OF_WITNESS.get(test.unit, np.nan)
    if max(net.mean() - of_look, at_once) <= 0.0:
        return [job]
    later = None if job.later is None else job.later * _left(job.later.sum(axis=2, dtype=float), often, cost)[..., None]
    why = (
        f"{job.why} Whether the job that this calls for pays is in doubt, so look first: {how}. With a chance of "
        f"{100 * often.mean():.0f} % it is to follow; the money stated is what is left once it is paid (about "
        f"{money(cost, look.currency)}).")
    before = replace(
        job, job_kind="inspect", units=OF_WITNESS, gain_kwh=job.gain_kwh * often[:, None],
        gain_value=job.gain_value * _left(returns, often, cost)[:, None], why=why, later=later, best_from=None, best_to=None,
        chance_of_work=float(often.mean()))
    first = pays < _AS_LIKELY_AS_NOT or net.mean() - of_look - test.cost_per_visit >= _LEAVES * at_once
    return [replace(job, awaits_look=bool(first)), before]


def _left(returns: np.ndarray, often: np.ndarray, cost: float) -> np.ndarray:
    """Share of what a job returns that is left once it is paid as often as it follows; nil where it returns nothing."""
    return np.divide(often * (returns - cost), returns, out=np.zeros_like(returns), where=returns > 0)
