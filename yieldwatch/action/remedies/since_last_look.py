"""
What broke on an inverter since it was last read, on a farm without a log: find it and mend it, or look first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Relief
from yieldwatch.action.remedies.first_look import SURE_ENOUGH
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.replay import Replay
from yieldwatch.cost.amounts import money

#: Chance below which nothing is told. Common practice, no source.
_TOLD = 0.2


def broken_since_last_look(look: Look) -> list[Candidate]:
    """One job for all inverters on which a string or an input may have failed since they were last read: look, or mend."""
    fallen = look.state.fallen
    if fallen is None or fallen.chance < _TOLD:
        return []
    rivals, odds, chance, at, of_string = fallen.rivals, fallen.odds, fallen.chance, fallen.inverters, fallen.of_string
    mend = of_string >= SURE_ENOUGH
    # What is at fault by draw, and what its repair costs beside this job.
    fate = look.rng.choice(len(rivals), look.n_draws, p=odds / odds.sum())
    losses = np.array([-np.log1p(-rival.share) for rival in rivals])
    size = losses[fate] * look.is_there(chance)
    which, is_string = (np.array([getattr(rival, name) for rival in rivals])[fate] for name in ("inverter", "is_string"))
    string_cost, input_cost = (_cost(look, kind) for kind in ("repair_string", "repair_inverter"))
    follows = np.where(is_string, 0.0 if mend else string_cost, input_cost)[:, None]
    gains = []
    for k in at:
        usual = float(np.average(losses, weights=odds * [rival.inverter == k for rival in rivals]))
        gains.append((look.outlook.gain(Relief((k,), dc=_always(usual))), size / usual * (which == k)))
    names = ", ".join(look.names[k] for k in at)
    why = (
        f"Since {names} was last read the meter fell, against the weather, by what a string or an input gives, and stayed: with "
        f"a chance of {100 * of_string:.0f} % a string is dead, with {100 * (chance - of_string):.0f} % an input does not track. "
        + (f"Find with a clamp which carries no current, and mend it; if all do, the money stated has the inverter's repair paid "
           f"(about {money(input_cost, look.currency)})." if mend else
           f"Read the strings and inputs with a clamp; the money stated is what is left once the repair is paid (about "
           f"{money(string_cost, look.currency)} if it is a string, {money(input_cost, look.currency)} if it is the inverter)."))
    job = look.job("repair_string" if mend else "inspect", "string_fault", tuple(look.names[k] for k in at),
                   gains, chance, why, "Stays mended once it is found and mended.", {"string": 1.0})
    returns = job.gain_value.sum(axis=1, keepdims=True)
    left = np.divide(np.maximum(returns - follows, 0.0), returns, out=np.zeros_like(returns), where=returns > 0)
    return [replace(job, gain_value=job.gain_value * left)]


def _always(loss: float) -> Callable[[Replay, int], np.ndarray]:
    """A loss, as -ln of what it leaves, of every block."""
    return lambda replay, year: np.full((1, len(replay.blocks)), loss)


def _cost(look: Look, kind: str) -> float:
    """What one unit of a job costs on a visit of its own. [money]"""
    row = look.site.job_costs.get(kind)
    return 0.0 if row is None else row.cost_per_visit + row.cost_per_unit
