"""
String faults that are over, on a farm without a log: recorded repairs say when they ended, rounds and the meter the rest.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.onsets import BEFORE
from yieldwatch.gap.rounds import number_rounds
from yieldwatch.portfolio.model import Site, String

#: Share of its power that a string lacked before a repair that no reading preceded, and its standard uncertainty: most were dead,
#: a blown fuse or an open connector. Common practice, no source.
_LACKED, _LACKED_SD = 0.7, 0.35
#: Share of its round's median below which a reading shows a string that needs repair. Common practice, no source.
_SOUND = 0.96


def mended_faults(
    blocks: Blocks, site: Site, rounds: pd.DataFrame, findings: pd.DataFrame, events: pd.DataFrame
) -> list[Fault]:
    """
    One fault for each string that was repaired or replaced within the history; none where it is as faulty as before.

    It ended on that day. It began after the last reading that found the string sound, and before the first that did not; its size
    is what the last of these saw.

    Parameters
    ----------
    rounds : DataFrame
        One row a trace: time, string_id, grade, p_mp_plate, no_current.
    findings : DataFrame
        One row a string: string_id, finding, first_seen_bad.
    events : DataFrame
        Recorded events, times in UTC.
    """
    if events.empty:
        return []
    strings = {s.string_id: s for s in site.strings}
    looks = _looks(rounds)
    bad = findings[findings["finding"].isin(FAULT_FINDINGS)] if len(findings) else findings
    still = dict(zip(bad["string_id"], bad["first_seen_bad"], strict=True)) if len(bad) else {}
    faults = []
    for event in events[events["kind"].isin(["repair", "replacement"])].itertuples():
        end = blocks.day_of(event.start)
        if not 0 < end < len(blocks.dates):
            continue
        for name in event.scope:
            if name in strings and not still.get(name, event.start) < event.start:
                faults.append(_fault(blocks, site, strings[name], looks, event.start, end))
    return faults


def _looks(rounds: pd.DataFrame) -> pd.DataFrame:
    """Each trace's power over its round's median: time, string_id, ratio."""
    if rounds.empty:
        return pd.DataFrame({"time": pd.DatetimeIndex([], tz="UTC"), "string_id": [], "ratio": []})
    fit = rounds[rounds["grade"] != "unfit"]
    power = fit["p_mp_plate"].where(~fit["no_current"].astype(bool), 0.0)
    usual = power.groupby(number_rounds(fit["time"])).transform("median")
    return pd.DataFrame({"time": fit["time"], "string_id": fit["string_id"], "ratio": power / usual}).dropna()


def _fault(blocks: Blocks, site: Site, string: String, looks: pd.DataFrame, mended: pd.Timestamp, end: int) -> Fault:
    own = looks[(looks["string_id"] == string.string_id) & (looks["time"] < mended)].sort_values("time")
    sound, bad = own[own["ratio"] >= _SOUND], own[own["ratio"] < _SOUND]
    if len(sound):
        bad = bad[bad["time"] > sound["time"].iloc[-1]]
    lacked, doubt = _LACKED, _LACKED_SD
    if len(bad):
        lacked = float(np.clip(1.0 - bad["ratio"].iloc[-1], 0.0, 1.0))
        doubt = 0.15 * lacked
    latest = max(blocks.day_of(bad["time"].iloc[0]), 0) if len(bad) else end
    earliest = blocks.day_of(sound["time"].iloc[-1]) if len(sound) else -1
    onset = ((earliest, 0.0 if len(sound) else BEFORE), (max(latest, earliest + 1), 1.0))
    inverter = [s for s in site.strings if s.inverter_id == string.inverter_id]
    share = string.p_mp_w / sum(s.p_mp_w for s in inverter)
    size = float(-np.log(max(1.0 - share * lacked, 0.02)))
    return Fault("string_fault", blocks.model.inverter_ids.index(string.inverter_id), (string.string_id,), "mended",
                 (earliest + latest) // 2, end, size, share * doubt, False, onset)
