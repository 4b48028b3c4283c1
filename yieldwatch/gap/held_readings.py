"""
What held an inverter down while a clamp read it: then its current says nothing of its strings.
"""

from __future__ import annotations

import pandas as pd

from yieldwatch.gap.instructions import named_power
from yieldwatch.portfolio.model import Inverter, Site

#: Share of a rating or limit from which an inverter counts as held by it.
_AT_LIMIT = 0.98
#: What `limited` says of an inverter that works above the power point's voltage though no rating is near: it holds its power
#: down by moving up in voltage, and something has told it to. Common practice, no source.
HELD = "held below its power point"
#: What it says of one that gives just its share of what may leave the site.
AT_SHARE = "at its share of the export limit"
#: What it says of one that was read while a recorded instruction held the site; how near its share of the power that the record
#: names it then stands, where it names any, and how far the record's clock may be off. Common practice, no source.
INSTRUCTED = "held by a recorded instruction"
_NEAR_SHARE, _CLOCKS = 0.1, pd.Timedelta(minutes=15)
#: And what it says of one that gives all it may.
OWN_RATING = ("at its kW rating", "at its kVA rating")


def held_by(site: Site, inverter: Inverter, row: dict, events: pd.DataFrame) -> str:
    """
    What held an inverter down while it was read, in words; empty where nothing is known to have.

    Parameters
    ----------
    row : dict
        One clamp reading. [kW, kVA]
    events : DataFrame
        kind, start, end, scope, note.
    """
    return _by_a_rating(site, inverter, row) or _instructed(site, inverter, row, events)


def _by_a_rating(site: Site, inverter: Inverter, row: dict) -> str:
    kind, p, s = inverter.inverter_type, row["ac_power_kw"], row["ac_apparent_kva"]
    if pd.notna(row["phase"]) or pd.notna(row["mppt"]):
        return ""
    if p >= _AT_LIMIT * kind.ac_rated_kw:
        return OWN_RATING[0]
    if s >= _AT_LIMIT * kind.ac_rated_kva:
        return OWN_RATING[1]
    if site.export_limit_kw is not None and site.pac0_kw > site.export_limit_kw:
        # Each inverter's share of the limit, before the AC losses to the meter.
        share = site.export_limit_kw / _to_meter(site) * kind.ac_rated_kw / site.pac0_kw
        if abs(p / share - 1.0) < 0.03:
            return AT_SHARE
    return ""


def _instructed(site: Site, inverter: Inverter, row: dict, events: pd.DataFrame) -> str:
    """What a recorded instruction makes of a reading: at its share of the power named, or, where none is, whatever it gives."""
    if pd.notna(row["phase"]) or not len(events):
        return ""
    caps = events[events["kind"] == "curtailment"]
    for event in caps[(caps["start"] - _CLOCKS <= row["time"]) & (caps["end"] + _CLOCKS >= row["time"])].itertuples():
        if "site" not in event.scope and inverter.inverter_id not in event.scope:
            continue
        named = named_power(event.note)
        if named is None or pd.notna(row["mppt"]) or pd.isna(row["ac_power_kw"]):
            return INSTRUCTED
        if "site" in event.scope:
            named *= inverter.inverter_type.ac_rated_kw / site.pac0_kw / _to_meter(site)
        if abs(row["ac_power_kw"] / max(named, 1e-9) - 1.0) < _NEAR_SHARE:
            return INSTRUCTED
    return ""


def _to_meter(site: Site) -> float:
    """Share of the inverters' AC energy that reaches the meter."""
    return (1.0 - site.ac_wiring_pct / 100.0) * (1.0 - site.transformer_pct / 100.0)
