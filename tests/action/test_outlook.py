"""What will be there in the coming months if nothing is done."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from yieldwatch.action.dirt_ahead import dirt_ahead
from yieldwatch.action.outlook import Outlook, Relief, _filled
from yieldwatch.errors import NotEnoughData
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.soiling import Wash


def test_rain_takes_what_lies_there_and_new_dust_falls_on_clean_and_dirty_alike():
    dates = pd.date_range("2024-01-01", periods=365)
    rain = np.zeros(365)
    rain[2] = 5.0
    columns = [
        # Dirt that ends the history at 0.10, and a lasting layer that ends it at 0.02.
        Column("soiling", "dirt at the start", np.ones((1, 365)), None, 0.0, 1.0),
        Column("soiling", "lasting layer at the start", np.ones((1, 365)), None, 0.0, 1.0),
    ]
    estimate = np.array([0.10, 0.02])
    blocks = SimpleNamespace(rain=rain, washing=rain, dates=dates, day=np.arange(365), expected=np.ones((1, 365)))
    posterior = SimpleNamespace(
        columns=columns, estimate=estimate,
        loss=lambda cause, n, m: np.full((n, m), 0.12))
    state = SimpleNamespace(
        blocks=blocks, posterior=posterior, wash=Wash(5.0, 1.0, 0.5), model=SimpleNamespace(inverter_ids=["I"]))

    ahead = dirt_ahead(state, estimate[None, :], {1: np.arange(365)}, 1)
    left = ahead.left_alone(1, np.arange(365))[0]

    # By hand: 5 mm with a depth of 5 mm leaves exp(-1) of the loose dirt, from the day after; the layer stays.
    assert left[2] == pytest.approx(0.12)
    assert left[3] == pytest.approx(0.10 * np.exp(-1.0) + 0.02)
    site = SimpleNamespace(assumed=lambda name, default: default)
    saved = ahead.cleaned_less(site, np.array([0]), np.array([0.10]), np.array([0.02]), np.zeros(1))
    assert saved[0, 0] == pytest.approx(0.97 * 0.12)  # a cleaning takes 97 % off
    # The lasting layer is never back, or by 63 % after four years, or anything between: (1 - exp(-x)) / x in the mean.
    alone = ahead.cleaned_less(site, np.array([364]), np.array([0.0]), np.array([0.02]), np.zeros(1))
    x = 364 / 365.25 / 4
    assert alone[0, 0] == pytest.approx(0.97 * 0.02 * (1.0 - np.exp(-x)) / x)


def test_energy_beyond_the_export_limit_is_no_gain(broken):
    free = Outlook(broken.state, broken.as_of, 12)
    fault = free.faults[0]
    back = Relief((fault.inverter,), dc=lambda replay, year: np.full((1, len(replay.blocks)), 0.3))
    model = broken.state.model
    # Two kilowatts of some hundred: reached within minutes of sunrise on all but the darkest days.
    tight = replace(broken.state, model=replace(model, site=replace(model.site, export_limit_kw=2.0)))

    assert free.gain(back).kwh.sum() > 5000
    assert Outlook(tight, broken.as_of, 12).gain(back).kwh.sum() < 0.01 * free.gain(back).kwh.sum()


def test_the_outlook_is_the_past_year_again_where_nothing_changes(broken):
    outlook = Outlook(broken.state, broken.as_of, 24)
    measured = broken.data.meter["energy_kwh"].sum()
    # The same faults, the same weather; a year's ageing and the posterior's doubt of the level between them.
    assert outlook.generation().sum() == pytest.approx(measured, rel=0.02)
    assert len(outlook.replays) == 1
    assert not outlook.notices
    assert outlook.gain(Relief((0,), dc=lambda r, y: np.full((1, len(r.blocks)), 0.1))).kwh.shape == (24,)


@pytest.mark.sourced
def test_less_than_a_year_is_scaled_by_the_light_and_said(tmp_path):
    spring = inferred(tmp_path, start=dt.date(2024, 3, 1), end=dt.date(2024, 6, 1))
    outlook = Outlook(spring.state, spring.as_of, 12)
    gain = outlook.gain(Relief((0,), dc=lambda r, y: np.full((1, len(r.blocks)), 0.1))).kwh

    assert "less than a year" in outlook.notices[0]
    # June and December were not seen, so only the light outside the atmosphere speaks for them. A day's worth of it on a
    # horizontal plane (Duffie & Beckman, Solar Engineering of Thermal Processes, eq. 1.10.3, from memory) is in
    # proportion to E0 (cos(lat) cos(decl) sin(w) + w sin(lat) sin(decl)), cos(w) = -tan(lat) tan(decl). At 51°:
    #   11 June, decl 23.1°: w = 121.8°, 0.969 x 1.140 = 1.105; 10 December, decl -23.0°: w = 58.4°, 1.031 x 0.184 = 0.190.
    # Refraction lifts the low sun of December: 3 %.
    assert gain[6] / gain[0] == pytest.approx(0.190 * 31 / (1.105 * 30), rel=0.06)
    assert (gain > 0).all()


def test_an_as_of_date_far_from_the_weather_is_refused(broken):
    with pytest.raises(NotEnoughData, match=r"no weather in the 3 years before 2034-01-01"):
        Outlook(broken.state, dt.date(2034, 1, 1), 12)


def test_months_not_known_get_the_others_energy_in_proportion():
    ahead = np.full(12, 100.0)
    held = np.r_[np.full(6, 200.0), 50.0, np.full(5, 0.0)]
    by_month = np.r_[np.full(6, 40.0), 10.0, np.zeros(5)][None, :]
    # Six months known twice: 40 / 2. One known by half: 10 x 2. The others: 250 kWh over 1250 of light, 0.2 x 100.
    assert _filled(by_month, ahead, held) == pytest.approx(np.full(12, 20.0))


@pytest.mark.parametrize(("growth", "years", "still"), [(1.3, 2, 1.0), (1.06, 2, 0.4), (0.9, 2, 0.0), (1.3, 1, 0.0)])
def test_plants_whose_shade_grew_from_one_year_to_the_next_have_not_reached_their_height(growth, years, still):
    seen = SimpleNamespace(shade_growth=growth, replays=[None] * years)  # of one year the growth is only what is usual
    assert Outlook.shade_still_grows.fget(seen) == pytest.approx(still)
