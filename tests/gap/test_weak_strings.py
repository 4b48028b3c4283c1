"""A string whose current is low from the first day on: weak, dirty or in passing light."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

from tests.action.farm_state import inferred
from tests.farm.plain import MODULE
from tests.farm.spec import Block, Mechanism, Soiling, StringFault

START, END = dt.date(2022, 9, 1), dt.date(2023, 9, 1)
LONG_AGO = dt.date(2016, 1, 1)
#: Before and after a winter's rain and a cleaning in June.
ROUNDS = (dt.date(2022, 9, 20), dt.date(2023, 7, 20))
CLEANED = Soiling(0.02, cleanings=((dt.date(2023, 6, 1), "site", 500.0),))


def findings(folder: Path, *mechanisms: Mechanism, **changes) -> dict[str, str]:
    found = inferred(folder, *mechanisms, start=START, end=END, rounds=ROUNDS, **changes).findings
    return dict(zip(found["string_id"], found["finding"], strict=True))


def test_a_string_as_low_after_rain_and_cleaning_as_before_is_weak(tmp_path):
    said = findings(tmp_path, CLEANED, StringFault("INV2.1.1", "current_low", LONG_AGO, 0.15))
    assert said.pop("INV2.1.1") == "current_low"
    assert not set(said.values()) & {"current_low", "soiled"}


def test_droppings_that_rain_leaves_are_dirt(tmp_path):
    said = findings(tmp_path, Soiling(0.02, droppings=(("INV2.1.1", 6.0),)))
    assert said["INV2.1.1"] in ("soiled", "ok")


def test_a_weak_string_among_too_few_peers_of_its_plane_is_held_against_the_rounds_other_strings(tmp_path):
    few = tuple(Block(f"INV{k}", "I", "A", f"M{k}", 1, 3, 20) for k in (1, 2))
    kinds = tuple(replace(MODULE, name=f"M{k}") for k in (1, 2))
    said = findings(tmp_path, CLEANED, StringFault("INV2.1.1", "current_low", LONG_AGO, 0.18), blocks=few, modules=kinds)
    assert said.pop("INV2.1.1") == "current_low"
    assert set(said.values()) == {"ok"}
