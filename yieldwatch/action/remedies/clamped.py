"""
Inverters that lacked whole strings at the last clamp visit, after the last trace of their strings: what tells a farm without a
log that a string has died since.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from yieldwatch.action.remedies.look import Look
from yieldwatch.gap.mechanisms.string_fault import Fault
from yieldwatch.gap.signatures import FAULT_PRIOR

#: Standard uncertainty of an inverter's current over the strings' as traced against the others' of the visit, which share its
#: light and its method; and chance that a cloud, or a slip, made it anything. Common practice, no source.
_AGAINST_OTHERS, _SLIP = 0.03, 0.02
#: Fewest others of the visit that speak for its light.
_OTHERS = 2
#: Strings that may have died between the trace and the visit, and the chance below which nothing is proposed.
_MOST_DEAD, _TOLD = 4, 0.2
#: Relative standard uncertainty of a dead string's share.
_DOUBT = 0.1


def dead_at_clamps(look: Look) -> list[tuple[Fault, np.ndarray, float]]:
    """
    Strings that a clamp visit missed.

    Returns
    -------
    list of (Fault, ndarray of shape (n_draws,), float)
        A part that no trace has seen, its size by draw as -ln of what it leaves if it is there, and the chance that it is.
        Empty where there is a log, which sees every string that dies.
    """
    seen = look.clamps
    if look.state.log is not None or seen is None or seen.empty:
        return []
    # Inputs are read beside the whole of their inverter, or not at all.
    free = seen[seen["mppt"].isna() & (seen["limited"] == "") & seen["current_ratio"].notna() & (seen["current_ratio"] > 0.0)]
    out = []
    for k, name in enumerate(look.names):
        own = free[free["inverter_id"] == name]
        strings = {s.string_id for s in look.site.strings if s.inverter_id == name}
        if own.empty or not _traced_before(look, strings, own["time"].iloc[-1]):
            continue
        last = own.iloc[-1]
        others = free[(free["clamp_round"] == last["clamp_round"]) & (free["inverter_id"] != name)]["current_ratio"]
        enough = len(others) >= _OTHERS
        ratio = last["current_ratio"] / (others.median() if enough else 1.0)
        dead, chance = _most_likely(ratio, _AGAINST_OTHERS if enough else last["current_ratio_u"], len(strings))
        if dead and chance > _TOLD:
            lost = dead / len(strings)
            fault = Fault("string_fault", k, (), "unseen", -1, len(look.state.blocks.dates), lost, _DOUBT * lost, False)
            draws = -np.log1p(-np.clip(look.rng.normal(lost, _DOUBT * lost, look.n_draws), 0.0, 0.95))
            out.append((fault, draws, chance))
    return out


def _traced_before(look: Look, strings: set[str], time: pd.Timestamp) -> bool:
    """Whether the strings were traced, and all before a day."""
    if look.findings.empty:
        return False
    last = pd.to_datetime(look.findings.loc[look.findings["string_id"].isin(strings), "last_round"]).max()
    return bool(pd.notna(last) and last.date() < time.tz_convert(look.site.tz).date())


def _most_likely(ratio: float, u: float, n: int) -> tuple[int, float]:
    """
    How many of `n` strings are likeliest dead, and the chance that any is.

    Each is dead with the chance of an open string; the current is then short by its share, give or take `u`, or a slip.
    """
    dead = np.arange(min(_MOST_DEAD, n - 1) + 1)
    prior = stats.binom.pmf(dead, n, FAULT_PRIOR["open"])
    weight = prior * ((1.0 - _SLIP) * stats.norm.pdf(ratio, 1.0 - dead / n, u) + _SLIP)
    return int(dead[1:][np.argmax(weight[1:])]) if n > 1 else 0, float(1.0 - weight[0] / weight.sum())
