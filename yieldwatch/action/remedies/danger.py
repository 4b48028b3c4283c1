"""
What must be looked at whatever it returns: hot connectors, and strings above their voltage limit in the cold.
"""

from __future__ import annotations

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.remedies.look import Look, seen_in
from yieldwatch.constants import TEMP_STC

#: Lowest temperature assumed where the record holds no whole winter. [°C] Common practice, no source.
COLDEST = -10.0


def hot_connectors(look: Look) -> list[Candidate]:
    """A string with too much series resistance heats where the resistance is."""
    if look.findings.empty:
        return []
    found = look.findings[look.findings["finding"] == "series_resistance"]
    return [
        look.safety(
            "string_fault", (row["string_id"],), float(row["confidence"]),
            f"{row['string_id']} shows series resistance ({seen_in(row)}). A bad connection gets hot "
            "under load and can start a fire: find it with a thermal camera at 600 W/m² or more before it is "
            "touched.")
        for row in found.to_dict("records")
    ]


def over_voltage(look: Look) -> list[Candidate]:
    """
    Strings whose open-circuit voltage on the coldest morning is above what their modules allow.

    At the datasheet's light and the lowest air temperature: cells are no warmer than the air as the sun comes up.
    """
    coldest = coldest_morning_c(look)
    over = {}
    for s in look.site.strings:
        limit, beta = s.module_type.max_system_voltage_v, s.module_type.beta_v_oc_pct_per_c / 100.0
        cold = s.modules_in_series * s.module_type.v_oc_v * (1.0 + beta * (coldest - TEMP_STC))
        if limit is not None and cold > limit:
            over[s.string_id] = (cold, limit)
    if not over:
        return []
    worst = max(over, key=lambda name: over[name][0])
    scope = ("site",) if len(over) == len(look.site.strings) else tuple(sorted(over))
    return [look.safety(
        "string_fault", scope, 0.9,
        f"At {coldest:.0f} °C the open-circuit voltage of {worst} is {over[worst][0]:.0f} V by its datasheet, above the "
        f"{over[worst][1]:.0f} V that its modules allow; {len(over)} of {len(look.site.strings)} strings are above "
        "their limit.")]


def coldest_morning_c(look: Look) -> float:
    """The site's own lowest air temperature, or what is assumed where that is not known. [°C]"""
    lowest = float(look.state.model.weather.table["temp_air"].min())
    usual = lowest if len(look.state.blocks.dates) >= 365 else min(lowest, COLDEST)
    return look.site.assumed("coldest_morning_c", usual)
