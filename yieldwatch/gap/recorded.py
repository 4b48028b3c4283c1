"""
Outages that people wrote down.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData

_GRID_WORDS = ("grid", "network", "supply", "dno", "utility")


def recorded_outages(model: SiteModel, data: SiteData) -> tuple[np.ndarray, np.ndarray]:
    """Masks of recorded outages: (n_inverters, n_times) for each inverter, (n_times,) for the grid's."""
    each = np.zeros(model.dc.shape, dtype=bool)
    grid = np.zeros(len(model.times), dtype=bool)
    row = {name: k for k, name in enumerate(model.inverter_ids)}
    outages = data.events[data.events["kind"] == "outage"] if len(data.events) else data.events
    for event in outages.itertuples():
        if pd.isna(event.end):
            continue
        during = np.asarray((model.times + model.weather.step > event.start) & (model.times < event.end))
        note = str(event.note).lower()
        if "site" in event.scope:
            each[:, during] = True
            if any(word in note for word in _GRID_WORDS):
                grid |= during
        else:
            for name in event.scope:
                if name in row:
                    each[row[name], during] = True
    return each, grid
