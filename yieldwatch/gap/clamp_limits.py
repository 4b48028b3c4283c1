"""
Limits on a farm without a log: what clamp readings show to be held down, and what instructions were recorded.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.held_readings import HELD, OWN_RATING
from yieldwatch.gap.instructions import named_power
from yieldwatch.gap.mechanisms.onsets import BEFORE
from yieldwatch.gap.spells import LeftOn, Limits

#: Readings of one limit agree within this; a reading this far above it shows that the limit is off. Common practice, no source.
_SAME_LEVEL = 0.04
#: Share of its capacity to which a site is held by an instruction that names no power. Common practice, no source.
_USUAL_CAP = 0.5
#: Air temperature above which a single reading cannot tell a limit left on from heat; unless it is lower than heat leaves, which
#: takes no more than this share of the rating a kelvin, from 25 °C at the lowest (derating is 1 to 5 %). [°C], [1/K] Common
#: practice, no source.
_HOT, _MOST_DERATING, _DERATES_FROM = 28.0, 0.05, 25.0


def limits_left_on(blocks: Blocks, clamps: pd.DataFrame) -> list[LeftOn]:
    """
    Inverters found held below their power point in a clamp round while another of the round was not, but by its own rating.

    It began at some time since the last reading above that level, or is as likely older than the history where there is none; it
    lasts until halfway to the next reading above. Neighbours held alike are the site's. In heat a single reading is not believed
    where heat may hold as low.

    Parameters
    ----------
    clamps : DataFrame
        From `yieldwatch.gap.clamps.check_clamps`.
    """
    found: list[LeftOn] = []
    whole = clamps[clamps["mppt"].isna() & clamps["phase"].isna()] if len(clamps) else clamps
    for k, name in enumerate(blocks.model.inverter_ids if len(whole) else ()):
        own = whole[whole["inverter_id"] == name].sort_values("time")
        others = whole[(whole["inverter_id"] != name) & whole["limited"].isin(["", *OWN_RATING])]
        alone = own[(own["limited"] == HELD) & own["clamp_round"].isin(others["clamp_round"]) & own["ac_power_kw"].notna()]
        alone = alone[np.array([not _with_the_next(blocks, whole, row) for row in alone.itertuples()], dtype=bool)]
        air = _air(blocks.model, alone["time"])
        by_heat = (1.0 - _MOST_DERATING * (air - _DERATES_FROM)) * blocks.model.rating[k, 0]
        if not ((air < _HOT) | (alone["ac_power_kw"].to_numpy(float) < by_heat)).any():
            continue
        level = float(alone["ac_power_kw"].iloc[-1])
        alike = alone[np.abs(alone["ac_power_kw"] / level - 1.0) < _SAME_LEVEL]
        above = own[own["ac_power_kw"] > (1.0 + _SAME_LEVEL) * level]
        first, last = (max(blocks.day_of(alike["time"].iloc[at]), 0) for at in (0, -1))
        before = [blocks.day_of(t) for t in above["time"] if t < alike["time"].iloc[0]]
        after = [blocks.day_of(t) for t in above["time"] if t > alike["time"].iloc[-1]]
        onset = ((max(before[-1], 0), 0.0), (max(first, before[-1] + 1), 1.0)) if before else ((-1, BEFORE), (first, 1.0))
        found.append(LeftOn(k, level, onset, (last + after[0] + 1) // 2 if after else len(blocks.dates)))
    return found


def _with_the_next(blocks: Blocks, whole: pd.DataFrame, reading: Any) -> bool:
    """
    Whether the inverter read just before or after it stood at the same share of its rating, held as well.

    Then something began or ended while the visit went on, and held the whole site: an instruction that nobody wrote down.
    """
    rated = dict(zip(blocks.model.inverter_ids, blocks.model.rating[:, 0], strict=True))
    visit = whole[whole["clamp_round"] == reading.clamp_round].sort_values("time").reset_index(drop=True)
    at = int(np.flatnonzero(visit["inverter_id"] == reading.inverter_id)[0])
    share = reading.ac_power_kw / rated[reading.inverter_id]
    near = (visit.iloc[k] for k in (at - 1, at + 1) if 0 <= k < len(visit))
    held = [row["ac_power_kw"] / rated[row["inverter_id"]] for row in near if row["limited"] == HELD]
    return any(abs(other / share - 1.0) < _SAME_LEVEL for other in held)


def limits_from_readings(blocks: Blocks, left_on: list[LeftOn], data: SiteData) -> Limits:
    """
    Limits that are known without a log: those left on, and recorded instructions.

    An instruction holds the site to the power in its note, or to half of its capacity.
    """
    setting = np.full(blocks.model.dc.shape, np.inf)
    day = blocks.day[blocks.of]
    for limit in left_on:
        on = (day >= limit.start) & (day < limit.end)
        setting[limit.inverter, on] = np.minimum(setting[limit.inverter, on], limit.level)
    return Limits(_recorded_caps(blocks.model, data), setting, np.full(blocks.model.dc.shape, np.inf), tuple(left_on))


def _air(model: SiteModel, times: pd.Series) -> np.ndarray:
    """Air temperature at some instants. [°C]"""
    table = model.weather.table
    at = table.index.searchsorted(pd.DatetimeIndex(times), side="right") - 1
    return table["temp_air"].to_numpy(float)[np.clip(at, 0, len(table) - 1)]


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
