"""
Claims that were made already: what others were asked for stands as asked, and is not asked for again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from yieldwatch.action.remedies.claims import CAUSE


@dataclass(frozen=True)
class Asked:
    """One letter: the loss that its job is about, of the site or of which strings, and the day on which it was sent."""

    cause: str
    scope: frozenset[str]
    day: dt.date


def mark_asked(rows: Sequence[dict[str, object]], asked: Sequence[Asked], today: dt.date) -> None:
    """
    Turn what a letter has asked for from "claim" or "watch" to "asked", with its day.

    A letter asks for what was owed when it was sent: contract years that had ended and traces that had been made. Damages whose
    term had passed by then are not in it.
    """
    for row in rows:
        sent = [a.day for a in asked if a.day <= today and _asks_for(a, row)]
        if sent:
            row["state"], row["reason"] = "asked", f"{row['reason']} Asked for on {max(sent)}."


def _asks_for(letter: Asked, row: dict[str, object]) -> bool:
    ground, subject = str(row["ground"]), frozenset(str(row["subject"]).split())
    if CAUSE.get(ground) != letter.cause or not subject <= letter.scope:
        return False
    in_time = not row["deadline"] or letter.day <= dt.date.fromisoformat(str(row["deadline"]))
    owed = row["state"] == "claim" or (row["state"] == "watch" and ground == "power_warranty")
    return owed and in_time and letter.day >= dt.date.fromisoformat(str(row["period_to"])[:10])
