"""
Every page, in the menu's order. A page is a module in `pages/` with a `PAGE`, its row here, and its test.
"""

from __future__ import annotations

from dashboards.pages import (
    apart, decisions, dirt, farm, farms, inverters, losses, owner, readings, rows, shade, spells, string, strings, why,
)
from dashboards.visit import Page

#: The pages of one farm.
FARM: tuple[Page, ...] = (farm.PAGE, why.PAGE, shade.PAGE, dirt.PAGE, strings.PAGE, string.PAGE, inverters.PAGE, spells.PAGE,
                          apart.PAGE, readings.PAGE)
PAGES: tuple[Page, ...] = (owner.PAGE, decisions.PAGE, farms.PAGE, losses.PAGE, rows.PAGE, *FARM)
