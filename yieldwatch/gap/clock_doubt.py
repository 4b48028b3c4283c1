"""
What is left of doubt about the clocks, as unknowns: a log that runs some minutes behind its weather gains in the evening what it
lacks in the morning.

Two sources less than five minutes apart cannot be told apart by their clouds, a clock that was set right was so to its own
uncertainty, and one that only looks wrong was left. Each is an unknown of its own, so that what a clock may do to the hours is in
the interval of shade and of all else that lives at certain hours.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.clock_check import LEAST_MIN, ClockShift
from yieldwatch.gap.mechanisms.base import Column

#: Standard uncertainty of clocks that look right: nine in ten stand within what is looked for. [min]
_UNSEEN_SD_MIN = LEAST_MIN / 1.645
#: Most that output changes in a minute, as a share of it: at dawn a logarithm runs away. Common practice, no source.
_STEEPEST = 0.03
#: Sources whose clocks part what was measured from what was expected.
_APART = ("power", "weather")


def clock_columns(blocks: Blocks, clocks: tuple[ClockShift, ...], logged: bool) -> list[Column]:
    """One unknown [min] for the whole record, and one for each stretch whose clock was set right or looks wrong."""
    if not logged:
        return []
    rise = _rise_per_minute(blocks)
    spans = [("clocks", np.ones(blocks.n, dtype=bool), _UNSEEN_SD_MIN)]
    for shift in clocks:
        if shift.source in _APART:
            inside = (blocks.day >= blocks.day_of(shift.first)) & (blocks.day < blocks.day_of(shift.last))
            doubt = shift.doubt_min if shift.corrected else float(np.hypot(shift.late_min, shift.doubt_min))
            spans.append((f"clock of {shift.source} from {shift.first.date()}", inside, doubt))
    return [Column("level", name, rise * inside, None, 0.0, doubt, -np.inf, np.inf)
            for name, inside, doubt in spans if inside.any()]


def days_in_doubt(blocks: Blocks, clocks: tuple[ClockShift, ...]) -> float:
    """Share of the record's days over which a clock looks wrong and was left, each by the hours it is off, one at the most."""
    share = sum(min(abs(s.late_min) / 60.0, 1.0) * max(
        min(blocks.day_of(s.last), len(blocks.dates)) - max(blocks.day_of(s.first), 0), 0)
        for s in clocks if not s.corrected and s.source in _APART)
    return min(share / len(blocks.dates), 1.0)


def _rise_per_minute(blocks: Blocks) -> np.ndarray:
    """Change of each block's expected output in a minute, as a share of it, shape (n_inverters, n_blocks). [1/min]"""
    model = blocks.model
    output = model.output()
    minutes = model.weather.step.total_seconds() / 60.0
    rise = np.zeros_like(output)
    rise[:, 1:-1] = (output[:, 2:] - output[:, :-2]) / (2.0 * minutes)
    follows = np.r_[False, (np.diff(model.at)[1:] == 1) & (np.diff(model.at)[:-1] == 1), False]
    total = blocks.total(np.where(follows, rise, 0.0))
    return np.clip(np.where(blocks.expected > 0, total / np.maximum(blocks.expected, 1e-9), 0.0), -_STEEPEST, _STEEPEST)
