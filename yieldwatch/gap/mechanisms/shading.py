"""
Shading: a deficit that lives at certain sun positions and in the season when the plant casting it grows.

The deficit of an inverter against its best-lit peers is laid out over sun azimuth and month, beam and sky
apart. That is the obstacle's picture as the farm saw it, whatever the obstacle is, and needs no outline to be guessed. An
inverter gets such a picture only when its own deficit varies over the day by more than noise and low light explain.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.blocks import AZIMUTH_STEP, Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.mechanisms.base import Column

#: Share of an inverter's yearly energy that its day pattern must cost before shade is considered.
_MATTERS = 0.0025
#: Share that a cell of beam, and the sky's light, can lose. Wide: the data speak.
_BEAM_SD, _SKY_SD = 0.3, 0.08
#: Quietest month whose day pattern is believed, as a share of the mean month's energy.
_LEAST_ENERGY = 0.05


def shaded_inverters(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Which inverters show a day pattern that peers do not, shape (n_inverters,), bool.

    Parameters
    ----------
    ratio : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable.
    weight : ndarray, same shape
        Expected energy of the usable intervals. [kWh]
    """
    return pattern_cost(blocks, ratio, weight) > _MATTERS


def pattern_cost(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Share of each inverter's energy that its day pattern costs against the best-lit peers.

    In each month the deficit against the peers is compared between azimuths; the best azimuth counts as free. A term in
    the inverse of the light is taken off first, because shunts lose most in weak light and would pass for shade.
    """
    n = len(ratio)
    if n < 2:
        return np.zeros(n)
    month = (blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month).to_numpy()
    month = month - month.min()
    step = np.floor(blocks.azimuth / AZIMUTH_STEP).astype(int)
    cost = np.zeros(n)
    # Best-lit peer: the upper quartile of the others, block by block.
    for k in range(n):
        others = np.delete(ratio, k, axis=0)
        best = over_known(np.nanmax, others, axis=0) if n <= 3 else over_known(np.nanquantile, others, 0.75, axis=0)
        deficit = best - ratio[k]
        ok = np.isfinite(deficit) & (weight[k] > 0)
        if ok.sum() < 200:
            continue
        weak = np.zeros(blocks.n)
        weak[ok] = weight[k, ok].mean() / np.maximum(weight[k, ok], 0.02 * weight[k, ok].mean())
        deficit = deficit - _weak_light_part(deficit, weak, month, ok, weight[k]) * weak
        total = 0.0
        for m in np.unique(month[ok]):
            here = ok & (month == m)
            energy = np.bincount(step[here], weights=weight[k, here], minlength=24)
            if energy.sum() < _LEAST_ENERGY * weight[k, ok].sum() / len(np.unique(month[ok])):
                continue
            lost = np.bincount(step[here], weights=(deficit * weight[k])[here], minlength=24)
            seen = energy > 0.03 * energy.sum()
            mean = lost[seen] / energy[seen]
            total += float(((mean - np.quantile(mean, 0.1)) * energy[seen]).sum())
        cost[k] = total / weight[k, ok].sum()
    return cost


def _weak_light_part(deficit: np.ndarray, weak: np.ndarray, month: np.ndarray, ok: np.ndarray, weight: np.ndarray) -> float:
    """Slope of the deficit on inverse light, common to all azimuths, near the middle of the day."""
    y, x, w = deficit[ok], np.minimum(weak[ok], 8.0), weight[ok]
    group = month[ok]
    mean_x = np.bincount(group, weights=w * x) / np.maximum(np.bincount(group, weights=w), 1e-9)
    mean_y = np.bincount(group, weights=w * y) / np.maximum(np.bincount(group, weights=w), 1e-9)
    dx, dy = x - mean_x[group], y - mean_y[group]
    keep = np.abs(dy) < 3.0 * np.median(np.abs(dy)) + 1e-9
    return max(0.0, float((w * dx * dy)[keep].sum() / max((w * dx * dx)[keep].sum(), 1e-9)))


def shading_columns(blocks: Blocks, inverters: np.ndarray) -> list[Column]:
    """
    For each inverter named: the beam lost in each azimuth step of each month, and the sky light lost, season by season.
    """
    columns = []
    months = blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month
    month = (months - months.min()).to_numpy()
    step = np.floor(blocks.azimuth / AZIMUTH_STEP).astype(int)
    quarter = blocks.year_fraction * 4.0
    for k in np.flatnonzero(inverters):
        name = blocks.model.inverter_ids[k]
        beam = blocks.beam_share[k]
        for m in np.unique(month):
            for s in np.unique(step[month == m]):
                here = (month == m) & (step == s)
                columns.append(Column("shading", f"{name} month {m} azimuth {s * AZIMUTH_STEP:.0f}", np.where(here, beam, 0.0),
                                      int(k), 0.02, _BEAM_SD, 0.0, 3.0, ("beam", int(m), int(s))))
        for q in range(int(np.ceil(quarter.max())) + 1):
            tent = np.clip(1.0 - np.abs(quarter - q), 0.0, 1.0)
            columns.append(Column("shading", f"{name} sky, quarter {q}", tent * (1.0 - beam), int(k), 0.01, _SKY_SD, 0.0, 2.0,
                                  ("sky", q)))
    return columns
