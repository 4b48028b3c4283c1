"""
Downtime, held-down and clipping spells as a table.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.split import Split

_COLUMNS = ["site_id", "inverter_id", "start", "end", "cause", "energy_kwh"]


def downtime_table(state: SiteState, split: Split, kept: np.ndarray) -> pd.DataFrame:
    """
    One row a spell, in order of start: an inverter's outage, the grid's, curtailment of one inverter or the site, clipping.

    Parameters
    ----------
    kept : ndarray of bool, shape (n_times,)
        Intervals of the reported period.

    Returns
    -------
    DataFrame
        The contract's `downtime.csv`; `inverter_id` is blank where the whole site is meant. Night between two days that are both
        off belongs to the spell.
    """
    ids = state.model.inverter_ids
    rows: list[dict[str, object]] = []
    nothing = np.zeros_like(split.expected)
    outage = split.energy.get("inverter_outage", nothing)
    for k, name in enumerate(ids):
        rows += _spells(state, (state.off.inverter[k] < 1.0) & kept, outage[k], "inverter_outage", name)
    grid = split.energy.get("grid_outage", nothing).sum(axis=0)
    rows += _spells(state, (state.off.grid < 1.0).any(axis=0) & kept, grid, "grid_outage", "")
    held = split.energy.get("curtailment", nothing)
    rows += _spells(state, np.isfinite(state.limits.site_cap) & kept, held.sum(axis=0), "curtailment", "")
    for k, name in enumerate(ids):
        limited = np.isfinite(state.limits.setting[k]) & (held[k] > 1e-6) & ~np.isfinite(state.limits.site_cap) & kept
        rows += _spells(state, limited, held[k], "curtailment", name)
    clipped = split.clipped
    rows += _spells(state, (clipped > 1e-6 * split.expected.sum(axis=0)) & (clipped > 1e-9) & kept, clipped, "clipping", "")
    table = pd.DataFrame(rows, columns=_COLUMNS)
    return table.sort_values(["start", "cause", "inverter_id"], ignore_index=True)


def _spells(state: SiteState, on: np.ndarray, energy: np.ndarray, cause: str, inverter: str) -> list[dict[str, object]]:
    at = np.flatnonzero(on)
    if not len(at):
        return []
    cut = np.flatnonzero(np.diff(at) > 1) + 1
    step = state.model.weather.step
    return [
        {
            "site_id": state.model.site.id,
            "inverter_id": inverter,
            "start": state.model.times[run[0]],
            "end": state.model.times[run[-1]] + step,
            "cause": cause,
            "energy_kwh": float(energy[run].sum()),
        }
        for run in np.split(at, cut)
    ]
