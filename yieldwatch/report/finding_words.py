"""
What a string shows, as words.
"""

from __future__ import annotations

from collections.abc import Mapping

from yieldwatch.report.words import chance_word, plain

FINDING_WORDS = {
    "ok": "sound",
    "open": "open: no current",
    "bypass_short": "bypass diode shorted",
    "wrong_count": "wrong number of modules",
    "series_resistance": "extra series resistance",
    "shunt": "shunted",
    "current_low": "current low",
    "soiled": "soiled",
    "shaded": "shaded",
    "not_tested": "not tested",
}
#: Chance from which it is said beside a fault's name that it may be dirt; as in the finding's own reason.
DIRT_SAID = 0.2
#: What `confidence` of a string is the chance of, as heads of tables say it.
CHANCE_HEAD = "Chance of a fault, or of dirt like one"


def finding_word(row: Mapping[str, object]) -> str:
    """
    What a string shows; where a fault is named that may be dirt on a module or two, the chance of that if it is so at all.
    """
    said = FINDING_WORDS.get(str(row["finding"]), plain(row["finding"]))
    share = row.get("on_glass")
    on_glass = float(share) if isinstance(share, float | int) else 0.0
    return f"{said}; if so, {chance_word(on_glass)} likely dirt on a module or two" if on_glass >= DIRT_SAID else said
