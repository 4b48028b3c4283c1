"""
The pages of one farm.
"""

from __future__ import annotations

from dashboards.pages import apart, dirt, farm, inverters, readings, shade, spells, string, strings, why
from dashboards.visit import Page

FARM: tuple[Page, ...] = (
    farm.PAGE,
    why.PAGE,
    shade.PAGE,
    dirt.PAGE,
    strings.PAGE,
    string.PAGE,
    inverters.PAGE,
    spells.PAGE,
    apart.PAGE,
    readings.PAGE,
)
