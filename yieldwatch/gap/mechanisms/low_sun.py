"""
Shade that several inverters share under a low sun, told without a peer in the open.

A hedge to the west takes the last hours of a clear day from all inverters alike. Each clear hour under a low sun is held against
the high sun of its own day, so that neither dirt nor a fault nor the season counts, and what dull hours lack at the same place of
the sky is taken out: a leak takes those most. What is left in one patch of the sky, day after day, on two inverters or more, is
something that stands there.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.blocks import Blocks

#: Patches of the sky: their width, the sun's heights between which they lie, and their height. [°] Common practice, no source.
_WIDTH, _LOW, _HIGH, _TALL = 20.0, 8.0, 32.0, 8.0
#: Share of beam in the light from which an hour is clear, and below which it is dull. Common practice, no source.
_CLEAR, _DULL = 0.6, 0.25
#: Share of a day's highest sun from which its hours are the measure, and the fewest of them.
_TOP, _FEWEST_TOP = 0.8, 2
#: Fewest clear hours and days in a patch, and dull hours that tell what is no shade's.
_FEWEST_HOURS, _FEWEST_DAYS, _FEWEST_DULL = 15, 6, 10
#: What two inverters must lack in one patch, as -ln, and what marks the others as shaded too. On 48 healthy farms the most that
#: any inverter lacked in any patch was 0.08.
_LACKS, _ALSO = 0.12, 0.06
#: Row shade, as a share of the light, beyond which the model's error outweighs any other shade.
MUCH_ROW_SHADE = 0.1


def shaded_alike(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray, own_light: np.ndarray) -> np.ndarray:
    """
    Which inverters lack light in a patch of the sky in which two or more do, over the last year, shape (n_inverters,), bool.

    Parameters
    ----------
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy of the usable intervals. [kWh]
    own_light : ndarray of bool, shape (n_inverters,)
        Whose light is not turned over from another plane: under a low sun that says nothing.
    """
    usable = np.isfinite(ratio) & (weight > 0) & (blocks.row_shade < MUCH_ROW_SHADE) & (blocks.elevation > _LOW)
    usable &= (blocks.year_fraction > blocks.year_fraction[-1] - 1.0) & own_light[:, None]
    patch = (blocks.azimuth // _WIDTH * 100 + (blocks.elevation - _LOW) // _TALL).astype(int)
    low = blocks.elevation < _HIGH
    clear = [_behind_its_day(blocks, ratio[k], usable[k] & (blocks.beam_share[k] > _CLEAR)) for k in range(len(ratio))]
    dull = [_behind_its_day(blocks, ratio[k], usable[k] & (blocks.beam_share[k] < _DULL)) for k in range(len(ratio))]
    out = np.zeros(len(ratio), dtype=bool)
    for one in np.unique(patch[low]):
        here = low & (patch == one)
        lacks = np.array([_lacks(blocks, c, d, here) for c, d in zip(clear, dull, strict=True)])
        if (lacks > _LACKS).sum() >= 2:
            out |= lacks > _ALSO
    return out


def _behind_its_day(blocks: Blocks, ratio: np.ndarray, of_kind: np.ndarray) -> np.ndarray:
    """How far each hour of a kind is behind the median of its day's hours of that kind under a high sun, as -ln; else NaN."""
    table = pd.DataFrame({"day": blocks.day[of_kind], "ratio": ratio[of_kind], "height": blocks.elevation[of_kind]})
    top = table[table["height"] >= _TOP * table.groupby("day")["height"].transform("max")].groupby("day")["ratio"]
    measure = top.median()[top.count() >= _FEWEST_TOP]
    out = np.full(len(ratio), np.nan)
    out[of_kind] = table["day"].map(measure).to_numpy(float) - table["ratio"].to_numpy()
    return out


def _lacks(blocks: Blocks, clear: np.ndarray, dull: np.ndarray, here: np.ndarray) -> float:
    """What an inverter lacks in a patch under a clear sky beyond what it lacks there under a dull one; nil where unknown."""
    known = here & np.isfinite(clear)
    if known.sum() < _FEWEST_HOURS or len(np.unique(blocks.day[known])) < _FEWEST_DAYS:
        return 0.0
    also = here & np.isfinite(dull)
    not_shade = max(float(np.median(dull[also])), 0.0) if also.sum() >= _FEWEST_DULL else 0.0
    return float(np.median(clear[known])) - not_shade
