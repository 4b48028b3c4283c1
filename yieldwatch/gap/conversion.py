"""
AC over DC against the inverter's curve, interval by interval and day by day, and how far it fell where the output stepped.

A string that is lost takes DC power, and leaves AC over DC as it was. What falls with a step in the output is the inverter's.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog

#: Load from which two channels tell a ratio. Common practice, no source. [share of the AC rating]
_LEAST_DC, _LEAST_AC = 0.15, 0.1
#: Usable days either side of a step, and the fewest of them. Common practice, no source.
_WINDOW, _FEWEST = 20, 3


def above_curve(model: SiteModel, log: InverterLog, inverter: int) -> np.ndarray:
    """ln(AC/DC) less ln of the curve at that load, shape (n_times,); NaN where the load is low or a channel is missing."""
    dc, ac, rating = log.dc[inverter], log.ac[inverter], model.rating[inverter, 0]
    out = np.full(len(dc), np.nan)
    ok = np.isfinite(dc) & np.isfinite(ac) & (dc > _LEAST_DC * rating) & (ac > _LEAST_AC * rating)
    out[ok] = np.log(ac[ok] / dc[ok]) - np.log(model.curves[inverter].efficiency(dc[ok]))
    return out


def daily_above_curve(blocks: Blocks, log: InverterLog) -> np.ndarray:
    """Median of `above_curve` by local day, shape (n_inverters, n_days); NaN on days without any."""
    day = blocks.day[blocks.of]
    bounds = np.searchsorted(day, np.arange(len(blocks.dates) + 1))
    rows = [above_curve(blocks.model, log, k) for k in range(len(log.ac))]
    return np.array([[over_known(np.nanmedian, row[a:b]) for a, b in pairwise(bounds)] for row in rows])


def always_below(daily: np.ndarray, inverter: int) -> float:
    """How far one inverter's usual day, of (n_inverters, n_days), is below that of the median of the others; nil if unknown."""
    usual = over_known(np.nanmedian, daily, axis=1)
    return float(np.nan_to_num(over_known(np.nanmedian, np.delete(usual, inverter)) - usual[inverter]))


def fell_at(daily: np.ndarray, day: int) -> float:
    """
    Fall of one inverter's days, (n_days,), at a day: the median before it less that from it on, NaN where too few are known.
    """
    before, after = daily[:max(day, 0)], daily[max(day, 0):]
    before, after = before[np.isfinite(before)][-_WINDOW:], after[np.isfinite(after)][:_WINDOW]
    return float(np.median(before) - np.median(after)) if min(len(before), len(after)) >= _FEWEST else float("nan")
