"""
Limits on a farm without a log: what clamp readings show to be held down, and what instructions were recorded.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.clamps import AT_SHARE, HELD
from yieldwatch.gap.instructions import named_power
from yieldwatch.gap.spells import Limits

#: Readings of one limit agree within this; a reading this far above it shows that the limit is off. Common practice, no source.
_SAME_LEVEL = 0.04
#: Share of its capacity to which a site is held by an instruction that names no power. Common practice, no source.
_USUAL_CAP = 0.5
#: Air temperature above which a single reading cannot tell a limit left on from heat. [°C] Common practice, no source.
_HOT = 28.0


def limits_from_readings(model: SiteModel, clamps: pd.DataFrame, data: SiteData) -> Limits:
    """
    Limits that are known without a log.

    An inverter found held below its power point in a clamp round, while another of the round was not, or was by its own rating
    alone, has a limit of its own left on. It is taken to have begun halfway back to the last reading above that level, and to
    last until halfway to the next one. In heat a single reading is not believed: heat holds inverters down as well. A recorded
    instruction holds the site to the power in its note, or to half of its capacity.

    Parameters
    ----------
    clamps : DataFrame
        From `yieldwatch.gap.clamps.check_clamps`.
    """
    setting = np.full(model.dc.shape, np.inf)
    whole = clamps[clamps["mppt"].isna() & clamps["phase"].isna()] if len(clamps) else clamps
    for k, name in enumerate(model.inverter_ids if len(whole) else ()):
        own = whole[whole["inverter_id"] == name].sort_values("time")
        others = whole[(whole["inverter_id"] != name) & ~whole["limited"].isin([HELD, AT_SHARE])]
        alone = own[(own["limited"] == HELD) & own["clamp_round"].isin(others["clamp_round"]) & own["ac_power_kw"].notna()]
        cool = np.isfinite(_air(model, alone["time"])) & (_air(model, alone["time"]) < _HOT)
        if not cool.any():
            continue
        level = float(alone["ac_power_kw"].iloc[-1])
        alike = alone[np.abs(alone["ac_power_kw"] / level - 1.0) < _SAME_LEVEL]
        above = own[own["ac_power_kw"] > (1.0 + _SAME_LEVEL) * level]
        start, end = model.times[0], model.times[-1] + model.weather.step
        before, after = above[above["time"] < alike["time"].iloc[0]], above[above["time"] > alike["time"].iloc[-1]]
        if len(before):
            start = _halfway(before["time"].iloc[-1], alike["time"].iloc[0])
        if len(after):
            end = _halfway(alike["time"].iloc[-1], after["time"].iloc[0])
        setting[k, (model.times >= start) & (model.times < end)] = level
    return Limits(_recorded_caps(model, data), setting, np.full(model.dc.shape, np.inf))


def _air(model: SiteModel, times: pd.Series) -> np.ndarray:
    """Air temperature at some instants. [°C]"""
    table = model.weather.table
    at = table.index.searchsorted(pd.DatetimeIndex(times), side="right") - 1
    return table["temp_air"].to_numpy(float)[np.clip(at, 0, len(table) - 1)]


def _halfway(first: pd.Timestamp, last: pd.Timestamp) -> pd.Timestamp:
    return first + (last - first) / 2


def _recorded_caps(model: SiteModel, data: SiteData) -> np.ndarray:
    """Power at the meter to which recorded instructions held the site, inf elsewhere. [kW]"""
    cap = np.full(len(model.times), np.inf)
    standing = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
    usual = _USUAL_CAP * min(float(model.rating.sum()) * model.to_meter, standing)
    events = data.events[data.events["kind"] == "curtailment"] if len(data.events) else data.events
    for event in events.itertuples():
        if pd.isna(event.end) or "site" not in event.scope:
            continue
        named = named_power(event.note)
        level = usual if named is None else named
        during = np.asarray((model.times + model.weather.step > event.start) & (model.times < event.end))
        cap[during] = np.minimum(cap[during], level)
    return cap
