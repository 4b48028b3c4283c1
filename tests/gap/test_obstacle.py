"""The outline of a hedge, held against where the generator put it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import Inferred, inferred
from tests.farm.plain import plain
from tests.farm.spec import Grass, Hedge
from yieldwatch.gap.account import site_gap
from yieldwatch.gap.obstacle import outlines
from yieldwatch.gap.results import SiteGap

START, END = dt.date(2023, 6, 1), dt.date(2024, 6, 1)
HEDGE = Hedge(bearing=125, spread=60, distance_m=5.0, height_m=4.0, growth_m_year=0.0)


@pytest.fixture(scope="module")
def behind_hedge(tmp_path_factory: pytest.TempPathFactory) -> Inferred:
    return inferred(tmp_path_factory.mktemp("hedge"), HEDGE, start=START, end=END, log_minutes=15)


def account(farm: Inferred) -> SiteGap:
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (START, END))
    return site_gap(farm.state, farm.data, farm.findings, first, last)


@pytest.fixture(scope="module")
def gap(behind_hedge: Inferred) -> SiteGap:
    return account(behind_hedge)


def away(farm: Inferred, inverter: str) -> float:
    """Distance of the inverter's nearest string from the hedge, along its bearing. [m]"""
    b = np.radians(HEDGE.bearing)
    along = {s.string_id: s.x_m * np.sin(b) + s.y_m * np.cos(b) for s in farm.site.strings}
    own = max(along[s.string_id] for s in farm.site.strings if s.inverter_id == inverter)
    return HEDGE.distance_m + max(along.values()) - own


def test_the_top_of_a_hedge_is_where_geometry_puts_it(behind_hedge, gap):
    found = gap.obstacles
    lower_edge = plain().arrays[0].lower_edge_m

    inner = found[(found["azimuth_from_deg"] >= 105) & (found["azimuth_to_deg"] <= 150)]
    turn = np.radians(inner["azimuth_from_deg"] + 7.5 - HEDGE.bearing)
    distance = inner["inverter_id"].map(lambda name: away(behind_hedge, name))
    true = np.degrees(np.arctan((HEDGE.height_m - lower_edge) * np.cos(turn) / distance))

    assert "INV1" in set(inner["inverter_id"])
    # The last sliver of shadow costs nothing, and a step of bearing is 15° wide.
    assert (inner["height_deg"] - true).abs().max() < 4.0, inner.assign(true=true).to_string()
    assert (inner["height_low_deg"] <= inner["height_deg"]).all()


def test_half_of_the_energy_went_with_the_sun_above_the_height_that_a_cut_to_half_leaves(behind_hedge):
    sun, times = behind_hedge.state.model.sun, np.ones(len(behind_hedge.state.model.times), bool)
    east = (sun.azimuth >= 120) & (sun.azimuth < 135) & (sun.elevation > 5.0)
    # All of it in two intervals, one third while the sun is low: the height is that of the greater part.
    low, high = (np.flatnonzero(east & (np.abs(sun.elevation - h) < 1.0))[0] for h in (8.0, 16.0))
    shade = np.zeros((4, len(times)))
    shade[:, low], shade[:, high] = 1.0, 2.0
    found = outlines(behind_hedge.state, shade, times)
    row = found[(found["inverter_id"] == "INV1") & (found["azimuth_from_deg"] == 120)].iloc[0]

    assert row["energy_kwh"] == pytest.approx(3.0)
    assert row["half_height_deg"] == pytest.approx(sun.elevation[high])
    assert row["half_height_deg"] < row["height_deg"]


def test_an_outline_bites_in_no_month_in_which_the_sun_stands_above_it(behind_hedge):
    model = behind_hedge.state.model
    month = np.asarray(model.times.tz_convert(model.site.tz).month)
    # As much in every interval of a bearing, those with the sun high above the top too.
    found = outlines(behind_hedge.state, np.ones((4, len(month))), np.ones(len(month), bool))

    assert len(found) > 2
    for row in found.itertuples():
        here = (model.sun.azimuth >= row.azimuth_from_deg) & (model.sun.azimuth < row.azimuth_to_deg)
        top = np.fmax(row.height_high_deg, row.height_deg)
        assert all(model.sun.elevation[here & (month == int(m))].min() <= top for m in row.months.split()), row
    highest = found.loc[found["height_deg"].idxmin()]
    assert len(highest["months"].split()) < 12


def test_no_outline_where_no_hedge_stands(gap):
    outside = gap.obstacles[(gap.obstacles["azimuth_from_deg"] >= 165) | (gap.obstacles["azimuth_to_deg"] <= 90)]

    assert outside.empty, outside.to_string()


def test_the_reader_is_told_where_to_stand_and_look(gap):
    shade = next(why for why in gap.evidence if why.cause == "shading")
    most = gap.obstacles.loc[gap.obstacles["energy_kwh"].idxmax()]

    assert f"look along bearing {most['azimuth_from_deg']:.0f} to" in shade.settle
    assert most["rise_per_10_m"] == pytest.approx(10.0 * np.tan(np.radians(most["height_deg"])))


def test_energy_by_bearing_is_part_of_what_shade_took(gap):
    told = gap.losses[gap.losses["cause"] == "shading"].tail(12)["energy_kwh"].sum()

    assert 0.0 < gap.obstacles["energy_kwh"].sum() <= told + 1e-6


def test_grass_that_comes_and_goes_has_no_edge_in_the_sky(tmp_path):
    farm = inferred(tmp_path, Grass(rows=("1",), growth_m_month=0.4, highest_m=1.3), start=START, end=END, log_minutes=15)

    assert account(farm).obstacles.empty


def test_without_a_log_there_is_no_outline(behind_hedge):
    state = replace(behind_hedge.state, log=None)

    assert outlines(state, np.zeros((4, len(state.model.times))), np.ones(len(state.model.times), bool)).empty
