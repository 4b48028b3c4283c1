"""
An inverter log as families of evidence: each inverter against the others, the hours of a day, and the days.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows


def day_weights(blocks: Blocks, weight: np.ndarray) -> sparse.csr_matrix:
    """Operator that takes energy-weighted day means, shape (n_days, n_inverters * n_blocks)."""
    n, n_blocks = weight.shape
    flat = np.flatnonzero(weight.ravel() > 0)
    day = blocks.day[flat % n_blocks]
    w = weight.ravel()[flat]
    total = np.bincount(day, weights=w, minlength=len(blocks.dates))
    return sparse.csr_matrix((w / total[day], (day, flat)), shape=(len(blocks.dates), n * n_blocks))


def day_rows(design: np.ndarray, values: np.ndarray, energy: np.ndarray) -> Rows:
    """The family of days; a day with little light is left out."""
    days = np.flatnonzero(energy > 0.05 * np.quantile(energy, 0.9))
    return Rows("day", sparse.csr_matrix(design[days]), values[days], _relative(energy[days]), None, 3.0, days)


def log_rows(blocks: Blocks, design: sparse.csr_matrix, ratio: np.ndarray, weight: np.ndarray, trust: np.ndarray) -> list[Rows]:
    """
    The log's three families of rows.

    Parameters
    ----------
    design : csr_matrix, shape (n_inverters * n_blocks, n_columns)
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy it stands for. [kWh]
    trust : ndarray, shape (n_inverters,)
        How much each inverter counts in the mean of the hour and the day: little where shade blurs it.
    """
    n, n_blocks = ratio.shape
    use = np.isfinite(ratio) & (weight > 0)
    flat = np.flatnonzero(use.ravel())
    w, y = weight.ravel()[flat], ratio.ravel()[flat]
    block = flat % n_blocks
    here = design[flat]
    trusted = w * trust[flat // n_blocks]
    block_weight = np.bincount(block, weights=trusted, minlength=n_blocks)
    average = sparse.csr_matrix((trusted / block_weight[block], (block, np.arange(len(flat)))), shape=(n_blocks, len(flat)))
    mean_design, mean_y = average @ here, average @ y
    seen = block_weight > 0
    families = []
    if n > 1:
        spread = sparse.csr_matrix((np.ones(len(flat)), (np.arange(len(flat)), block)), shape=(len(flat), n_blocks))
        families.append(
            Rows("inverter against inverter", (here - spread @ mean_design).tocsr(), y - mean_y[block], _relative(w), None, 8.0)
        )
    day = blocks.day
    n_days = len(blocks.dates)
    day_weight = np.bincount(day, weights=block_weight, minlength=n_days)
    rows = np.flatnonzero(seen)
    to_day = sparse.csr_matrix((block_weight[rows] / day_weight[day[rows]], (day[rows], rows)), shape=(n_days, n_blocks))
    day_design, day_y = to_day @ mean_design, to_day @ mean_y
    back = sparse.csr_matrix((np.ones(len(rows)), (np.arange(len(rows)), day[rows])), shape=(len(rows), n_days))
    families.append(
        Rows(
            "hour against day",
            (mean_design[rows] - back @ day_design).tocsr(),
            mean_y[rows] - day_y[day[rows]],
            _relative(block_weight[rows]),
            None,
            6.0,
        )
    )
    return [*families, day_rows(day_design.toarray(), day_y, day_weight)]


def _relative(energy: np.ndarray) -> np.ndarray:
    """Precision of a row relative to an ordinary one: weak light is noisier."""
    ordinary = np.median(energy)
    return 2.0 / (1.0 + ordinary / np.maximum(energy, 1e-3 * ordinary))
