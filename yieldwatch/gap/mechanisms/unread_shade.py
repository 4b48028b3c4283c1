"""
Shade that nothing has read: a hedge toward the equator, on a farm without a log.

String rounds are read near noon and the meter once a month, so neither sees where the sun stands. But such a hedge takes most
when the sun is low all day, year after year, and some light of the sky always. Few farms stand behind one, and those lose much:
what the meter lacks in the months of low sun is held against both.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column, Rare
from yieldwatch.gap.mechanisms.snow import snow_days

#: Share of farms with plants toward the equator that shade. Common practice, no source.
_HEDGE = Rare("shade that nothing has read", 0.15)
#: Heights of the outline tried, seen from the front row: plants of 2.5 to 5 m at 5 to 10 m. [°] Common practice, no source.
_HEIGHTS = (16.0, 28.0)
#: How far the outline reaches to either side of the equator's direction, and how soft its edge is. [°] Common practice, no
#: source.
_REACH, _EDGE = 55.0, 8.0
#: Share of the farm that stands in such a shadow: standard deviation where there is a hedge. Common practice, no source.
_SHARE_SD = 0.35
#: Growth of such shade in a year: half a metre on plants that stand 2 to 3 m above the glass. Common practice, no source.
_GROWS = 1.2
#: Share of the energy on days with snow from which on none is looked for: snow, too, takes most where the sun is low.
_SNOWY = 0.05


def unread_shade_columns(blocks: Blocks) -> list[Column]:
    """
    One column for each height: the beam below the outline, and what it hides of the sky; its size is that of the last day.

    None where snow may lie.
    """
    energy = blocks.model.output().sum(axis=0)
    if energy[snow_days(blocks.model)].sum() > _SNOWY * energy.sum():
        return []
    toward = 180.0 if blocks.model.site.latitude >= 0 else 0.0
    turn = np.abs((blocks.azimuth - toward + 180.0) % 360.0 - 180.0)
    grown = _GROWS ** (blocks.year_fraction - blocks.year_fraction[-1])
    columns = []
    for height in _HEIGHTS:
        behind = np.clip((height - blocks.elevation) / _EDGE + 0.5, 0.0, 1.0) * (turn < _REACH)
        hidden = 2.0 * _REACH / 360.0 * np.sin(np.radians(height))
        values = blocks.beam_share * behind + (1.0 - blocks.beam_share) * hidden
        columns.append(Column(
            "shading", f"plants of {height:.0f}° that nothing has read", values * grown, None, 0.0, _SHARE_SD, 0.0, 1.0,
            ("unread", height), _HEDGE))
    return columns
