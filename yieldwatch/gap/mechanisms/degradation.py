"""
Degradation: ageing that all strings share, first-year loss included.

The level comes from a published prior for the age; what the farm's own level says against it is worth little, because a
constant error of the light sensor looks the same. A rate of the farm's own is not claimed under three full years.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column

#: Light-induced loss of the first weeks: 1 to 3 % (literature, from memory), so 1.5 % with half of that as doubt.
FIRST_YEAR, FIRST_YEAR_SD = 0.015, 0.007
#: Median yearly rate of crystalline silicon modules 0.5 to 0.6 %: Jordan et al., Prog. Photovolt. (2016) compendium of more than
#: 11 000 rates; most farms within 0.2 of it where nothing is wrong (systems with faults spread further).
RATE, RATE_SD = 0.0055, 0.002


def degradation_columns(blocks: Blocks) -> list[Column]:
    """Two unknowns: what was lost in the first year, and the rate per year since."""
    age = age_years(blocks)
    first = np.clip(age, 0.0, 1.0)
    return [
        Column("degradation", "first year", first, None, FIRST_YEAR, FIRST_YEAR_SD),
        Column("degradation", "rate per year", age, None, RATE, RATE_SD),
    ]


def age_years(blocks: Blocks) -> np.ndarray:
    """Years since commissioning, per block, not below zero."""
    first = blocks.dates[0]
    started = (first.date() - blocks.model.site.commissioned).days / 365.25
    return np.maximum(started + blocks.year_fraction, 0.0)
