"""
Shade that all inverters share and nothing has read: a hedge toward the equator, on a farm without a log.

String rounds are read near noon and the meter once a month, so neither sees where the sun stands. But such a hedge takes most
when the sun is low all day, and some light of the sky always. Few farms stand behind one, and those lose much: what is lacking
is held against both. With a log the shade pictures tell: what all inverters lack alike under a low sun is as often the model's
own error.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column, Rare

#: Share of farms with plants toward the equator that shade all inverters. Common practice, no source.
_HEDGE = Rare("shade that all share", 0.1, one_of=True)
#: Heights of the outline tried, as seen from the rows: plants of 2.5 to 5 m at 5 to 12 m. [°] Common practice, no source.
_HEIGHTS = (13.0, 19.0, 28.0)
#: How far the outline reaches to either side of its direction, and how soft its edge is. [°] Common practice, no source.
_REACH, _EDGE = 55.0, 6.0
#: Share of the farm that stands in such a shadow: standard deviation where there is a hedge. Common practice, no source.
_SHARE_SD = 0.35
#: Growth of such shade in a year: half a metre on plants that stand 2 to 3 m above the glass. Common practice, no source.
_GROWS = 1.2
#: Years of record from which on the low sun is told from whatever else came with the season.
_LEAST_YEARS = 0.95


def common_shade_columns(blocks: Blocks) -> list[Column]:
    """
    One column for each height, rivals: the beam below the outline, and what it hides of the sky. Its size is the last day's.

    None in a short record: in half a year a low sun and a fault that takes weak light, or a drift, are one.
    """
    if blocks.year_fraction[-1] < _LEAST_YEARS:
        return []
    equator = 180.0 if blocks.model.site.latitude >= 0 else 0.0
    grown = _GROWS ** (blocks.year_fraction - blocks.year_fraction[-1])
    turn = np.abs((blocks.azimuth - equator + 180.0) % 360.0 - 180.0)
    columns = []
    for height in _HEIGHTS:
        behind = np.clip((height - blocks.elevation) / _EDGE + 0.5, 0.0, 1.0) * (turn < _REACH)
        hidden = 2.0 * _REACH / 360.0 * np.sin(np.radians(height))
        values = blocks.beam_share * behind + (1.0 - blocks.beam_share) * hidden
        columns.append(Column("shading", f"all alike, plants of {height:.0f}°", values * grown, None, 0.0, _SHARE_SD, 0.0, 1.0,
                              ("common", height), _HEDGE))
    return columns
