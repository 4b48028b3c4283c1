"""
Inverter efficiency: AC over DC against the datasheet's curve, inverter by inverter, month by month.

The log's own DC and AC channels may each be a per cent off for good; their ratio's change over time, and against the
peers at the same load, is the evidence.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.mechanisms.base import Column

#: A loss below this share is within what a log's two channels drift. Common practice, no source.
_MATTERS = 0.004
#: A constant ratio this far below the peers' is a loss from before the history; less is the log's gain.
_FROM_THE_START = 0.02


def efficiency_columns(blocks: Blocks, log: InverterLog | None) -> list[Column]:
    """
    One column for each inverter whose AC over DC has fallen: the measured fall, to be scaled near one.
    """
    if log is None or not np.isfinite(log.dc).any():
        return []
    months = (blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month).to_numpy()
    months = months - months.min()
    excess = monthly_excess(blocks, log, months)
    if len(excess) > 2:
        excess = excess - np.nan_to_num(over_known(np.nanmedian, excess, axis=0))
    columns = []
    for k, row in enumerate(excess):
        known = np.flatnonzero(np.isfinite(row))
        if len(known) < 4:
            continue
        smooth = np.interp(np.arange(len(row)), known, row[known])
        smooth = np.convolve(np.pad(smooth, 1, mode="edge"), np.full(3, 1.0 / 3.0), mode="valid")
        best = float(np.quantile(smooth, 0.85))
        reference = best if best > -_FROM_THE_START else 0.0
        lost = np.clip(reference - smooth, 0.0, None)
        if lost[-6:].mean() < _MATTERS and lost.mean() < _MATTERS:
            continue
        middle = months + 0.0
        shape = np.interp(middle, np.arange(len(lost)), lost)
        columns.append(Column("inverter_efficiency", f"AC over DC of {blocks.model.inverter_ids[k]} below its curve", shape, k, 1.0, 0.15,
                              0.0, 2.0, ("efficiency", k)))
    return columns


def monthly_excess(blocks: Blocks, log: InverterLog, months: np.ndarray) -> np.ndarray:
    """ln(AC/DC) less ln of the curve at that load, energy-weighted by month, shape (n_inverters, n_months)."""
    model = blocks.model
    out = np.full((len(log.ac), months.max() + 1), np.nan)
    month_t = months[blocks.of]
    for k, curve in enumerate(model.curves):
        dc, ac = log.dc[k], log.ac[k]
        ok = np.isfinite(dc) & np.isfinite(ac) & (dc > 0.15 * model.rating[k, 0]) & (ac > 0.1 * model.rating[k, 0])
        if ok.sum() < 100:
            continue
        excess = np.log(ac[ok] / dc[ok]) - np.log(curve.efficiency(dc[ok]))
        excess = np.clip(excess, *np.quantile(excess, (0.02, 0.98)))
        energy = np.bincount(month_t[ok], weights=dc[ok], minlength=out.shape[1])
        total = np.bincount(month_t[ok], weights=excess * dc[ok], minlength=out.shape[1])
        seen = energy > 0.05 * energy.max()
        out[k, seen] = total[seen] / energy[seen]
    return out
