"""
Degradation: ageing that all strings share, first-year loss included.

The level comes from a published prior for the age; what the farm's own level says against it is worth little, because a
constant error of the light sensor looks the same. A rate of the farm's own is not claimed under three full years. From then on
the years of the record have a rate of their own, which year on year settles (`year_on_year.py`); those before keep the prior's.
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


#: Where a farm has a rate of its own: modules' rates run from 0.10 to 1.06 % a year in eight of ten cases (a re-analysis of the
#: published ones, mean 0.57), so one standard deviation is 0.37.
OWN_RATE_SD = 0.0037
#: Name of the rate over the record's years, which go on.
YEARLY_RATE = "rate per year"


def degradation_columns(blocks: Blocks, own_rate: bool) -> list[Column]:
    """What was lost in the first year, and the rate per year: with `own_rate` one for the record's, one for years before."""
    age = age_years(blocks)
    columns = [Column("degradation", "first year", np.clip(age, 0.0, 1.0), None, FIRST_YEAR, FIRST_YEAR_SD)]
    if not own_rate:
        return [*columns, Column("degradation", YEARLY_RATE, age, None, RATE, RATE_SD)]
    before = np.full_like(age, age[0])
    return [
        *columns,
        Column("degradation", f"{YEARLY_RATE} before the record", before, None, RATE, RATE_SD),
        Column("degradation", YEARLY_RATE, age - before, None, RATE, OWN_RATE_SD),
    ]


def age_years(blocks: Blocks) -> np.ndarray:
    """Years since commissioning, per block, not below zero."""
    first = blocks.dates[0]
    started = (first.date() - blocks.model.site.commissioned).days / 365.25
    return np.maximum(started + blocks.year_fraction, 0.0)
