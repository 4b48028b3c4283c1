"""Shade against what looks like it: faults whose loss goes with the light, and so with the sun."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import ArraySpec, StringFault
from yieldwatch.gap.split import split_by_cause

#: Rows in front of each other, and a winter with low sun.
ROWS = (ArraySpec("A", rows=True, pitch_m=6.0),)
START, END = dt.date(2022, 7, 1), dt.date(2023, 1, 20)


@pytest.fixture(scope="module")
def leaking(tmp_path_factory):
    """Two strings of four begin to leak in September; nobody tests them."""
    folder = tmp_path_factory.mktemp("leak")
    leaks = (StringFault(f"INV1.1.{n}", "shunt", dt.date(2022, 9, 10), 14.0) for n in (1, 2))
    return inferred(folder, *leaks, start=START, end=END, arrays=ROWS), pd.read_csv(folder / "truth" / "losses.csv")


def test_strings_that_leak_are_not_shaded(leaking):
    farm, _ = leaking
    assert not farm.state.shaded.any()
    assert [fault.inverter for fault in farm.state.faults] == [0]


def test_what_a_leak_takes_in_weak_light_is_the_faults(leaking):
    farm, truth = leaking
    split = split_by_cause(farm.state.model, farm.state.effects)
    told = float(split.energy["string_fault"].sum())
    # A constant share from the step at noon would miss what a fixed current takes of a weak one.
    assert told == pytest.approx(truth.loc[truth["cause"] == "string_fault", "energy_kwh"].sum(), rel=0.12)
    assert "shading" not in split.energy
