"""
Downtime, held-down and clipping spells as a table.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.split import Split

_COLUMNS = ["site_id", "inverter_id", "start", "end", "cause", "energy_kwh"]
#: Runs no further apart than this are one spell: a cloud that takes a clipping plant below its rating for some minutes, or one
#: reading above zero in an outage, ends nothing that anybody would look into apart. Common practice, no source.
_SHORT_BREAK = pd.Timedelta(minutes=30)


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
        off belongs to the spell, and so does a short break; `energy_kwh` is that of the spell's own intervals, without the break.
    """
    ids = state.model.inverter_ids
    spells: list[pd.DataFrame] = []
    nothing = np.zeros_like(split.expected)
    outage = split.energy.get("inverter_outage", nothing)
    for k, name in enumerate(ids):
        spells.append(_spells(state, (state.off.inverter[k] < 1.0) & kept, outage[k], "inverter_outage", name))
    grid = split.energy.get("grid_outage", nothing).sum(axis=0)
    spells.append(_spells(state, (state.off.grid < 1.0).any(axis=0) & kept, grid, "grid_outage", ""))
    held = split.energy.get("curtailment", nothing)
    spells.append(_spells(state, np.isfinite(state.limits.site_cap) & kept, held.sum(axis=0), "curtailment", ""))
    for k, name in enumerate(ids):
        limited = np.isfinite(state.limits.setting[k]) & (held[k] > 1e-6) & ~np.isfinite(state.limits.site_cap) & kept
        spells.append(_spells(state, limited, held[k], "curtailment", name))
    clipped = split.clipped
    spells.append(
        _spells(state, (clipped > 1e-6 * split.expected.sum(axis=0)) & (clipped > 1e-9) & kept, clipped, "clipping", "")
    )
    found = [s for s in spells if len(s)]
    table = pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=_COLUMNS)
    return table.sort_values(["start", "cause", "inverter_id"], ignore_index=True)


def _spells(state: SiteState, on: np.ndarray, energy: np.ndarray, cause: str, inverter: str) -> pd.DataFrame:
    at = np.flatnonzero(on)
    if not len(at):
        return pd.DataFrame(columns=_COLUMNS)
    step = state.model.weather.step
    start = state.model.times[at]
    end = start + step
    # Nights are left out of the model's times: neighbours there go on over the night, and a break is told by the clock.
    cut = (np.diff(at) > 1) & np.asarray(start[1:] - end[:-1] > _SHORT_BREAK)
    first = np.r_[0, np.flatnonzero(cut) + 1]
    last = np.r_[first[1:], len(at)] - 1
    return pd.DataFrame(
        {
            "site_id": state.model.site.id,
            "inverter_id": inverter,
            "start": start[first],
            "end": end[last],
            "cause": cause,
            "energy_kwh": np.add.reduceat(energy[at], first),
        },
        columns=_COLUMNS,
    )
