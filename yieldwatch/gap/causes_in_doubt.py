"""
Faults that may be none: dirt on the glass of a module or two reads like one, and an input that does not track steps like one.

The inference holds each as one loss of strings; the account shares its energy among the causes by the chance of each.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.split import Split


def told_elsewhere(state: SiteState) -> dict[str, np.ndarray]:
    """Part of what string faults take of each block that is told as another cause, by cause, shape (n_inverters, n_blocks)."""
    posterior, shape = state.posterior, state.blocks.expected.shape
    whole = posterior.loss("string_fault", *shape)
    out = {}
    for cause in dict.fromkeys(c for f in state.faults for c in f.instead):
        chance = [c.tag[1].instead.get(cause, 0.0) if c.tag and c.tag[0] == "fault" else 0.0 for c in posterior.columns]
        part = posterior.loss("string_fault", shape[0], shape[1], np.array(chance) * posterior.estimate)
        out[cause] = np.divide(part, whole, out=np.zeros(shape), where=whole > 1e-12)
    return out


def told_by_chance(state: SiteState, split: Split) -> Split:
    """The split with those parts told as the other causes."""
    faults = split.energy.get("string_fault")
    if faults is None:
        return split
    moved = {cause: faults * part[:, state.blocks.of] for cause, part in told_elsewhere(state).items()}
    energy = split.energy | {cause: split.energy.get(cause, 0.0) + part for cause, part in moved.items()}
    return replace(split, energy=energy | {"string_fault": faults - sum(moved.values())})
