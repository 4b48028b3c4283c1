"""
What lies on the glass of single strings: droppings, leaves, a weed. It is a matter of washing, and no repair mends it.

On a module or two of a string it makes groups of cells be carried past by their diodes. The trace then lacks a little voltage at
the power point and no short-circuit current, as it does with cracked modules or a weak joint, and only a wash tells them apart.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from yieldwatch.action.remedies.look import Look
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.gap.signatures import MOST_ON_GLASS

#: Chance that it lies on a string that nobody traced, or in shade alone, and what it takes there. Common practice, no source.
_UNSEEN, _TAKES = 0.05, (0.02, 0.09)
_UNTOLD = ("not_tested", "shaded")


def chance_on_glass(look: Look, found: dict[Any, Any]) -> float:
    """Chance that what a finding calls a fault lies on the glass, as the account has it."""
    told = (fault.on_glass for fault in look.state.faults if found["string_id"] in fault.strings)
    return next(told, float(found["on_glass"]))


def lies_on_glass(look: Look) -> np.ndarray:
    """
    What lies on single strings and is in no one's dirt yet, as -ln of each inverter's light left, (n_draws, n_inverters).

    Either where a trace found a fault that looks like it, or on strings that nobody traced in full light. Rain has left it.
    """
    lost = np.zeros((look.n_draws, len(look.names)))
    if look.findings.empty:
        return lost
    by_name = {s.string_id: s for s in look.site.strings}
    power = {name: sum(s.p_mp_w for s in look.site.strings if s.inverter_id == name) for name in look.names}
    for row in look.findings.to_dict("records"):
        string = by_name[row["string_id"]]
        if row["finding"] in _UNTOLD:
            share = look.is_there(_UNSEEN) * look.rng.uniform(*_TAKES, look.n_draws)
        elif row["finding"] in FAULT_FINDINGS and (chance := chance_on_glass(look, row)):
            # A finding's size is a mean that holds the chance of there being nothing.
            share = look.is_there(row["confidence"] * chance) * row["share_lost"] / max(row["confidence"], 0.05)
        else:
            continue
        lost[:, look.names.index(string.inverter_id)] += share * string.p_mp_w / power[string.inverter_id]
    return -np.log1p(-np.minimum(lost, 0.9))


def seen_on_strings(look: Look) -> np.ndarray:
    """
    Dirt that rounds saw on single strings beyond their peers', as -ln of each inverter's light left, shape (n_inverters,).

    It is there at least, whatever else lies on all strings alike, and rain has left it.
    """
    seen = np.zeros(len(look.names))
    if look.findings.empty:
        return seen
    soiled = look.findings[(look.findings["finding"] == "soiled") & (look.findings["i_sc_ratio"] < 1.0)]
    power = {name: sum(s.p_mp_w for s in look.site.strings if s.inverter_id == name) for name in look.names}
    by_name = {s.string_id: s for s in look.site.strings}
    for row in soiled.to_dict("records"):
        string = by_name[row["string_id"]]
        # A trace that lacks more is as likely a bad one.
        lost = min(1.0 - row["i_sc_ratio"], MOST_ON_GLASS)
        seen[look.names.index(string.inverter_id)] += lost * string.p_mp_w / power[string.inverter_id]
    return -np.log1p(-seen)
