"""
What an earlier fit's picture of the shade shows: which cells are in the open, and what the outline hides of the sky.

A cell is an azimuth step of a month. An obstacle takes much where it stands, and elsewhere nothing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from yieldwatch.gap.blocks import AZIMUTH_STEP, Blocks
from yieldwatch.gap.infer import Posterior

#: Share of beam that a shaded cell can lose, as -ln: standard deviation. Wide: the data speak.
BEAM_SD = 0.3
#: What a cell in the open may lose all the same. Common practice, no source.
OPEN_SD = 0.005
#: Share of an inverter's beam, least shaded first, that stands at the floor of its picture; how far above it a cell is in the
#: open whatever its scatter; and the share of cells that are shaded. Common practice, no source.
_AT_FLOOR, _OPEN, _SHADED = 0.25, 0.02, 0.3
#: Uncertainty from which on a cell was hardly seen.
_SEEN = 0.1
#: Beam lost in a cell behind an outline; the fewest such cells in a step of azimuth, and their share of those with a lower sun;
#: the fewest steps, and how high the outline may stand [°]. Common practice, no source.
_DARK, _LEAST_DARK, _NEARLY_ALL, _LEAST_STEPS, _HIGHEST = 0.04, 2, 0.6, 3, 40.0


def seen_cells(blocks: Blocks, inverters: np.ndarray, first: Posterior) -> pd.DataFrame:
    """
    The cells of an earlier fit's pictures, one row each: `inverter`, `month`, `step`, `elevation` [°], `lost` above the floor of
    the picture, whether the fit `saw` it, and whether it is `open`: shade there is less likely than scatter about the floor.
    """
    parts = []
    for k in np.flatnonzero(inverters):
        cells = [j for j, c in enumerate(first.columns) if c.inverter == k and c.tag[:1] == ("beam",)]
        if not cells:
            continue
        lost, doubt = first.estimate[cells], np.hypot(first.draws[:, cells].std(axis=0), OPEN_SD)
        beam = np.stack([first.columns[j].values for j in cells]) * blocks.expected[k]
        order = np.argsort(lost)
        below = np.cumsum(beam.sum(axis=1)[order])
        above = lost - lost[order][np.searchsorted(below, _AT_FLOOR * below[-1])]
        clear = (1.0 - _SHADED) * stats.norm.pdf(above, 0.0, doubt)
        shade = _SHADED * 2.0 * stats.norm.pdf(above, 0.0, np.hypot(doubt, BEAM_SD))
        month, step = np.array([first.columns[j].tag[1:] for j in cells]).T
        elevation = beam @ blocks.elevation / np.maximum(beam.sum(axis=1), 1e-12)
        saw = doubt < _SEEN
        # Below the floor a shadow lies on what is counted as dead.
        is_open = saw & ((clear > shade) | (np.abs(above) < _OPEN))
        parts.append(
            pd.DataFrame(
                {"inverter": k, "month": month, "step": step, "elevation": elevation, "lost": above, "saw": saw, "open": is_open}
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def hidden_sky(cells: pd.DataFrame) -> float:
    """
    What the outline that casts the shade hides of the sky, seen from the most shaded inverter. [fraction]

    Its top in each step of azimuth is the highest sun below which it shades most cells. It is no higher than plants at some
    metres: grass at the lower edge comes and goes, and hides its own row alone.
    """
    top: dict[float, float] = {}
    for (_, step), part in cells[cells["saw"]].groupby(["inverter", "step"]):
        part = part.sort_values("elevation")
        dark = (~part["open"] & (part["lost"] > _DARK)).to_numpy()
        behind = dark & (np.cumsum(dark) / np.arange(1, len(dark) + 1) > _NEARLY_ALL)
        if behind.sum() >= _LEAST_DARK:
            top[step] = max(top.get(step, 0.0), float(part["elevation"][behind].max()))
    tops = np.array(list(top.values()))
    if len(tops) < _LEAST_STEPS or tops.max() > _HIGHEST:
        return 0.0
    return float(AZIMUTH_STEP / 360.0 * np.sin(np.radians(tops)).sum())
