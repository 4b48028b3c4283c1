"""Shade against what looks like it: faults whose loss goes with the light, and so with the sun."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import ArraySpec, Block, Grass, Hedge, StringFault
from tests.gap.strings import site_of
from yieldwatch.gap.blocks import AZIMUTH_STEP
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.shade_picture import seen_cells
from yieldwatch.gap.mechanisms.shading import _clearly_behind, beam_behind, shading_columns
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
    # In winter the leak takes more of the weak light: that it seems to grow then is its own as well.
    assert {fault.inverter for fault in farm.state.faults} == {0}


def test_what_a_leak_takes_in_weak_light_is_the_faults(leaking):
    farm, truth = leaking
    split = split_by_cause(farm.state.model, farm.state.effects)
    told = float(split.energy["string_fault"].sum())
    # A constant share from the step at noon would miss what a fixed current takes of a weak one.
    assert told == pytest.approx(truth.loc[truth["cause"] == "string_fault", "energy_kwh"].sum(), rel=0.12)
    assert "shading" not in split.energy


def test_grass_before_every_inverter_is_shade_though_no_peer_shows_it(tmp_path):
    # One row, and grass before all of it from June to September: no inverter is lit better than another.
    start, end = dt.date(2022, 3, 1), dt.date(2022, 12, 20)
    grass = Grass(("1",), growth_m_month=0.5, highest_m=1.2, mowings=((dt.date(2022, 10, 1), 0.0),), height_m=0.0)
    blocks = tuple(Block(f"INV{k}", "I", "A", "M", 1, 2, 20) for k in (1, 2))
    farm = inferred(tmp_path, grass, start=start, end=end, blocks=blocks, strings_per_row=4)
    told = float(split_by_cause(farm.state.model, farm.state.effects).energy["shading"].sum())
    truth = pd.read_csv(tmp_path / "truth" / "losses.csv")
    assert farm.state.shaded.all()
    assert told == pytest.approx(truth.loc[truth["cause"] == "shading", "energy_kwh"].sum(), rel=0.15)


def test_shade_from_the_east_leaves_the_evening_alone(tmp_path):
    # One long row, its last inverter beside the hedge.
    start, end = dt.date(2022, 3, 1), dt.date(2022, 10, 1)
    hedge = Hedge(bearing=90.0, spread=120.0, distance_m=5.0, height_m=4.0, growth_m_year=0.0)
    state = inferred(tmp_path, hedge, start=start, end=end, strings_per_row=16).state
    assert state.shaded.tolist() == [False, False, False, True]
    lost = {"morning": 0.0, "evening": 0.0}
    for column, size in zip(state.posterior.columns, state.posterior.estimate, strict=True):
        if column.tag[:1] == ("beam",):
            half = "morning" if column.tag[2] * AZIMUTH_STEP < 180.0 else "evening"
            lost[half] += size * float(column.values @ state.blocks.expected[column.inverter])
    # What morning and evening have in common is the inverter's level.
    assert lost["evening"] < 0.05 * lost["morning"]


def test_a_season_without_sun_tells_nothing_of_the_beam():
    rng = np.random.default_rng(4)
    n = 200
    day = np.repeat(np.arange(90), n // 90 + 1)[:n]
    beam = np.where(day < 45, rng.uniform(0.0, 0.9, n), rng.uniform(0.0, 0.08, n))
    blocks = SimpleNamespace(day=day, beam_share=beam[None, :], row_shade=np.zeros(n), elevation=np.full(n, 30.0))
    # In the overcast season what little beam there is goes with days that fell short, by chance.
    ratio = np.where(day < 45, 0.0, -1.5 * beam)[None, :]
    assert beam_behind(blocks, ratio, np.ones((1, n))) == 0.0
    sunny = SimpleNamespace(**vars(blocks) | {"beam_share": rng.uniform(0.0, 0.9, (1, n))})
    lost = np.where(day < 45, 0.0, -0.6 * sunny.beam_share[0])[None, :]
    # 60 % of the beam, less what counts as the open: a fifth of the way from the best of two seasons to the worst.
    assert beam_behind(sunny, lost, np.ones((1, n))) == pytest.approx(0.8 * 0.6, abs=0.01)


@pytest.mark.parametrize(("light", "light_from", "needs"), [
    (("ghi", "poa_global"), None, [0.15, 0.15]),
    (("poa_global",), None, [0.15, 0.22]),
    (("ghi",), None, [0.22, 0.22]),
    (("ghi", "dni", "dhi"), None, [0.3, 0.3]),
    (("ghi",), "service", [0.3, 0.3]),
])
def test_the_better_the_light_is_known_the_less_beam_must_be_lacking(light, light_from, needs):
    site = replace(site_of(20), light_from=light_from)
    model = SimpleNamespace(
        site=site, plane_share={site.arrays[0].id: np.array([1.0, 0.0])},
        weather=SimpleNamespace(table=pd.DataFrame(columns=list(light))))
    blocks = SimpleNamespace(model=model, expected=np.ones((2, 5)))
    assert _clearly_behind(blocks) == pytest.approx(needs)


@pytest.mark.parametrize(("kind", "month", "gives_back"), [("open", 3, 0.29), ("open", 0, 0.0), ("shunt", 3, 0.0)])
def test_a_shadow_on_a_dead_string_may_give_back_what_the_string_is_counted_for(kind, month, gives_back):
    days = pd.date_range("2023-01-01", "2023-04-30")
    blocks = SimpleNamespace(
        dates=days, day=np.arange(len(days)), azimuth=np.full(len(days), 180.0), year_fraction=np.arange(len(days)) / 365.0,
        beam_share=np.full((2, len(days)), 0.7), model=SimpleNamespace(inverter_ids=["I1", "I2"]))
    dead = Fault("string_fault", 0, ("I1.1",), kind, 45, len(days), 0.29, 0.01, True)
    columns = {c.name: c for c in shading_columns(blocks, np.array([True, True]), faults=[dead])}

    assert columns[f"I1 month {month} azimuth 180"].lower == pytest.approx(-gives_back)
    assert columns[f"I2 month {month} azimuth 180"].lower == 0.0


def test_a_cell_below_the_floor_of_its_picture_is_not_in_the_open():
    # Three months of 20 cells at 0.01 ± 0.003, and one of them where a shadow lies on a dead string.
    n = 60
    blocks = SimpleNamespace(expected=np.ones((1, n)), elevation=np.full(n, 30.0))
    columns = [Column("shading", f"cell {j}", row, 0, 0.02, 0.3, -0.2, 3.0, ("beam", j // 20, j % 20))
               for j, row in enumerate(np.eye(n))]
    lost = 0.01 + np.random.default_rng(1).normal(0.0, 0.001, n)
    lost[7] = -0.05
    draws = lost + np.random.default_rng(2).normal(0.0, 0.003, (200, n))
    cells = seen_cells(blocks, np.array([True]), SimpleNamespace(columns=columns, estimate=lost, draws=draws))

    assert cells.index[~cells["open"]].tolist() == [7]
