"""Which days washed where no gauge tells: dull days, and steps of the output."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.dull_days import likely_rain
from yieldwatch.gap.mechanisms.soiling import WASH_UNKNOWN
from yieldwatch.gap.washing import washed_by_output

DATES = pd.date_range("2023-01-01", periods=400)


def farm(output: np.ndarray, rain: np.ndarray, dull: np.ndarray) -> tuple[Blocks, np.ndarray, np.ndarray]:
    """One block a day of two inverters whose ln(measured / expected) is `output`, with its ratio and weight."""
    n = len(output)
    model = SimpleNamespace(inverter_ids=["INV1", "INV2"])
    days = np.arange(n)
    blocks = Blocks(model, days, days, days / 365.25, DATES.day_of_year.to_numpy(), np.full(n, 180.0), np.full(n, 50.0),
                    np.ones((2, n)), np.zeros(n), np.full((2, n), 100.0), np.full(n, 20.0), DATES, rain,
                    np.where(np.isnan(rain), dull, rain))
    return blocks, np.stack([output, output]), np.full((2, n), 100.0)


def sawtooth(washes: dict[int, float], rate: float = 0.0015) -> np.ndarray:
    """-ln of what dirt leaves, by day; a wash takes its share from the next day on."""
    dirt, now = np.zeros(len(DATES)), 0.0
    for day in range(len(dirt)):
        now += rate
        dirt[day] = now
        now *= 1.0 - washes.get(day, 0.0)
    return dirt


def washed(blocks: Blocks) -> np.ndarray:
    """Share of the dirt that each day washes off, by the law without a gauge."""
    return 1.0 - np.exp(-((blocks.washing / WASH_UNKNOWN.depth) ** WASH_UNKNOWN.sharpness))


def test_washes_are_read_off_the_steps_of_the_output_with_the_share_that_they_took():
    washes = {60: 0.95, 150: 0.5, 260: 0.95}
    rng = np.random.default_rng(3)
    output = -sawtooth(washes) + rng.normal(0.0, 0.005, len(DATES))
    blocks, ratio, weight = farm(output, np.full(len(DATES), np.nan), np.zeros(len(DATES)))

    share = washed(washed_by_output(blocks, ratio, weight, []))

    found = np.flatnonzero(share > 0.05)
    assert len(found) == 3
    np.testing.assert_allclose(found, [60, 150, 260], atol=2)
    np.testing.assert_allclose(share[found], [0.95, 0.5, 0.95], atol=0.2)


def test_a_dull_day_after_which_the_dirt_is_still_there_was_dry_and_one_without_dirt_is_left():
    output = -sawtooth({120: 0.97}) + np.random.default_rng(4).normal(0.0, 0.004, len(DATES))
    dull = np.zeros(len(DATES))
    dull[[100, 122]] = 8.0
    blocks, ratio, weight = farm(output, np.full(len(DATES), np.nan), dull)

    share = washed(washed_by_output(blocks, ratio, weight, []))

    assert share[100] == 0.0
    assert share[118:123].max() > 0.7


def test_a_step_on_the_day_of_a_recorded_cleaning_is_no_rain():
    output = -sawtooth({200: 0.97}) + np.random.default_rng(5).normal(0.0, 0.004, len(DATES))
    blocks, ratio, weight = farm(output, np.full(len(DATES), np.nan), np.zeros(len(DATES)))

    assert washed(washed_by_output(blocks, ratio, weight, [200])).max() < 0.05
    assert washed(washed_by_output(blocks, ratio, weight, [])).max() > 0.8


def test_measured_rain_stays_as_it_was_read():
    rain = np.full(len(DATES), np.nan)
    rain[:250] = 0.0
    rain[60] = 7.0
    output = -sawtooth({60: 0.95, 150: 0.95, 300: 0.95}) + np.random.default_rng(6).normal(0.0, 0.004, len(DATES))
    blocks, ratio, weight = farm(output, rain, np.zeros(len(DATES)))

    told = washed_by_output(blocks, ratio, weight, [])

    np.testing.assert_array_equal(told.washing[:250], rain[:250])
    assert washed(told)[297:303].max() > 0.8


def test_noise_alone_washes_nothing():
    output = np.random.default_rng(7).normal(0.0, 0.01, len(DATES))
    blocks, ratio, weight = farm(output, np.full(len(DATES), np.nan), np.zeros(len(DATES)))

    assert washed_by_output(blocks, ratio, weight, []).washing.sum() == 0.0


def light_model(light: np.ndarray, modelled: np.ndarray) -> SimpleNamespace:
    """One interval a day at noon."""
    times = pd.DatetimeIndex(DATES + pd.Timedelta("12h")).tz_localize("UTC")
    return SimpleNamespace(times=times, at=np.arange(len(times)), planes={"A": SimpleNamespace(poa_global=light)},
                           site=SimpleNamespace(tz="UTC"), weather=SimpleNamespace(modelled=modelled))


@pytest.mark.parametrize(("share", "least", "most"), [(1.0, 0.0, 0.0), (0.5, 0.0, 0.0), (0.2, 2.0, 6.0), (0.05, 7.0, 10.0)])
def test_rain_is_likely_on_days_that_are_dull_for_their_season(share, least, most):
    bright = 600.0 + 300.0 * np.cos(2.0 * np.pi * (DATES.day_of_year.to_numpy() - 172) / 365.25)
    light = bright.copy()
    light[[10, 190]] *= share

    rain = likely_rain(light_model(light, np.zeros(len(DATES), dtype=bool)), DATES)

    assert least <= rain[10] <= most
    assert least <= rain[190] <= most
    assert np.delete(rain, [10, 190]).max() == 0.0


def test_a_day_whose_light_is_modelled_has_the_mean_rain_of_its_season():
    light = np.full(len(DATES), 800.0)
    light[40:60] = 40.0
    modelled = np.zeros(len(DATES), dtype=bool)
    modelled[50] = True

    rain = likely_rain(light_model(light, modelled), DATES)

    assert rain[49] > rain[50] > 0.0
    assert rain[250] == 0.0
