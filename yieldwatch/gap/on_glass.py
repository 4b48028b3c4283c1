"""
Faults that may be none: what lies on the glass of a module or two reads like one, and its energy is dirt's.

The inference holds each as one loss; the account shares its energy among the two causes by the chance of each.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.split import Split


def chance_on_glass(column: Column) -> float:
    """Chance that what a column takes lies on the glass; 0 where it is no fault's."""
    return float(column.tag[1].on_glass) if column.tag and column.tag[0] == "fault" else 0.0


def part_on_glass(state: SiteState) -> np.ndarray:
    """Part of what string faults take of each block that is expected to lie on the glass, shape (n_inverters, n_blocks)."""
    posterior, shape = state.posterior, state.blocks.expected.shape
    lies = np.array([chance_on_glass(c) for c in posterior.columns]) * posterior.estimate
    whole, dirt = (posterior.loss("string_fault", shape[0], shape[1], theta) for theta in (None, lies))
    return np.divide(dirt, whole, out=np.zeros(shape), where=whole > 1e-12)


def dirt_told_apart(state: SiteState, split: Split) -> Split:
    """The split with that part told as dirt."""
    faults = split.energy.get("string_fault")
    if faults is None or not any(f.on_glass for f in state.faults):
        return split
    dirt = faults * part_on_glass(state)[:, state.blocks.of]
    told = {"string_fault": faults - dirt, "soiling": split.energy.get("soiling", 0.0) + dirt}
    return replace(split, energy=split.energy | told)
