"""
What every loss mechanism gives the inference: columns.

A column is the shape over time of one unknown: the share of energy lost, as -ln(1 - loss), in each
block of each inverter when the unknown is one. With its prior and its bounds it is all that the inference, the split
and the forecast need to know of a mechanism.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Rare:
    """
    What most farms have a trace of at most, and some have much: unknowns that are small together or free together.

    Attributes
    ----------
    name : str
    chance : float
        Share of farms that have more than a trace.
    one_of : bool
        Whether the unknowns are rivals, of which one at most is there: outlines of one hedge, equally likely.
    """

    name: str
    chance: float
    one_of: bool = False


@dataclass(frozen=True, eq=False)
class Column:
    """
    One unknown of one cause.

    Attributes
    ----------
    cause : str
        A cause of the contract, or "level" for what is nobody's loss: the light sensor's bias, makers'
        spread, the log's gain.
    name : str
        What the unknown is, for evidence and debugging.
    values : ndarray, shape (n_blocks,) or (n_inverters, n_blocks)
        Shape over time.
    inverter : int or None
        The only inverter it acts on, when `values` is of shape (n_blocks,); None for all.
    mean, sd : float
        Prior, in the unit that makes `values` a loss.
    lower, upper : float
        Bounds; a loss is not negative.
    tag : tuple
        Whatever the mechanism needs to find its column again (string ids, dates).
    rare : Rare, optional
        What the unknown belongs to; `sd` then holds where there is more than a trace, and the unknown is not negative.
    trace : float
        Standard deviation of a trace.
    """

    cause: str
    name: str
    values: np.ndarray
    inverter: int | None
    mean: float
    sd: float
    lower: float = 0.0
    upper: float = np.inf
    tag: tuple = ()
    rare: Rare | None = None
    trace: float = 0.0

    def at(self, inverter: int) -> np.ndarray | None:
        """Shape for one inverter, None where the column does not act on it."""
        if self.values.ndim == 2:
            return self.values[inverter]
        return self.values if self.inverter is None or self.inverter == inverter else None
