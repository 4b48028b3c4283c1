"""The daily law of dirt, against published shapes."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import of_spec
from tests.farm.population import draw_farm
from tests.farm.spec import Soiling
from yieldwatch.gap.mechanisms.soiling import Wash, _accumulate, loose_dust, rain_states, soiling_states

#: Rain above 6 mm resets, below does nothing; no damp ground: the shape of Kimber's model without its grace period.
THRESHOLD = Wash(depth=6.0, sharpness=60.0, damp=1e-6)


def site(rain: np.ndarray, inverters: int = 1, first: str = "2021-01-01") -> SimpleNamespace:
    dates = pd.date_range(first, periods=len(rain))
    ids = [f"INV{k + 1}" for k in range(inverters)]
    model = SimpleNamespace(inverter_ids=ids, site=SimpleNamespace(strings=()))
    return SimpleNamespace(
        rain=rain, washing=rain, dates=dates, model=model, expected=np.ones((inverters, len(rain))),
        day_of=lambda t: (pd.Timestamp(t).tz_localize(None).normalize() - dates[0]).days,
    )


def events(*rows: dict) -> SimpleNamespace:
    return SimpleNamespace(events=pd.DataFrame(rows, columns=["kind", "start", "scope"]))


def dirt(blocks: SimpleNamespace, data: SimpleNamespace, rate: float, wash: Wash = THRESHOLD) -> np.ndarray:
    """Loose dirt of the first inverter with one rate in all months."""
    return sum(s.values for s in soiling_states(blocks, data, wash) if s.tag and s.tag[0] == "rate")[0] * rate


@pytest.mark.sourced
def test_build_up_and_reset_by_rain_as_kimber():
    # Source: Kimber et al. 2006 as documented in pvlib `soiling.kimber` (rate 0.0015 a day, threshold 6 mm), check case: dry but
    # for 10 mm on 31 January 2021. There the grace period keeps it clean to 13 February; without one it grows from 1 February.
    rain = np.zeros(60)
    rain[30] = 10.0

    state = dirt(site(rain), events(), 0.0015)

    # pvlib counts the first day as 0, we as one day's dust.
    assert state[29] == pytest.approx(0.0435 + 0.0015, rel=1e-3)
    assert state[31] == pytest.approx(0.0015, rel=1e-3)
    assert state[59] == pytest.approx(29 * 0.0015, rel=1e-3)


@pytest.mark.sourced
def test_rain_below_the_threshold_does_nothing():
    # Source: same; the threshold is exceeded or it is not. (The law adds that a day of rain raises no dust: 29 days of 30.)
    rain = np.zeros(30)
    rain[10] = 5.0

    assert dirt(site(rain), events(), 0.001)[-1] == pytest.approx(0.029, rel=1e-3)


@pytest.mark.sourced
def test_mean_of_a_ramp():
    # Source: arithmetic of a ramp, 60 days at 0.0015 from 0: discrete mean 0.04425 (first day 0) or 0.04575 (first day one step).
    state = dirt(site(np.zeros(60)), events(), 0.0015)

    assert state.mean() == pytest.approx(0.04575, rel=1e-6)


def test_rain_cleans_from_the_next_day():
    rain = np.zeros(10)
    rain[5] = 50.0

    state = dirt(site(rain), events(), 0.01)

    # Five dusty days; the day of rain raises none and is still dirty.
    assert state[5] == pytest.approx(0.05, rel=1e-6)
    assert state[6] == pytest.approx(0.01, rel=1e-6)


def test_a_cleaning_takes_its_inverters_dirt_and_no_other():
    data = events({"kind": "cleaning", "start": pd.Timestamp("2021-01-21", tz="UTC"), "scope": ("INV2",)})

    states = soiling_states(site(np.zeros(40), inverters=2), data, THRESHOLD)
    total = sum(s.values for s in states if s.tag and s.tag[0] == "rate") * 0.002

    assert total[0, 20] == pytest.approx(0.042, rel=1e-6)
    # 3 % of the dirt stays (the stated share that a cleaning leaves), plus the day's own.
    assert total[1, 20] == pytest.approx(0.03 * 0.040 + 0.002, rel=1e-6)


def test_the_lasting_layer_ignores_rain():
    rain = np.full(366, 20.0)

    states = soiling_states(site(rain), events(), THRESHOLD)
    lasting = next(s for s in states if s.name.startswith("lasting layer, growth"))

    assert lasting.values[0, -1] == pytest.approx(366 / 365.25, rel=1e-6)


def test_months_add_up_to_one_rate():
    # With one rate for all months the state is the plain recursion; a day with more than half the depth of rain raises no dust.
    rng = np.random.default_rng(3)
    rain = np.where(rng.random(200) < 0.2, rng.exponential(4.0, 200), 0.0)
    wash = Wash(4.0, 1.0, 1e-6)

    plain = _accumulate((rain <= 2.0).astype(float), np.exp(-rain / 4.0)[None, :], np.ones((1, 200)))[0] * 0.001

    assert np.allclose(dirt(site(rain), events(), 0.001, wash), plain)


def test_what_one_rain_left_more_than_the_law_goes_with_the_next_rain_and_with_a_cleaning():
    wash = Wash(depth=5.0, sharpness=1.0, damp=1e-6)
    rain = np.zeros(90)
    rain[[30, 60]] = 4.0
    blocks, cleaning = site(rain, 2), {"kind": "cleaning", "start": "2021-03-12", "scope": ("INV2",)}
    states = soiling_states(blocks, events(cleaning), wash)
    dust = loose_dust(states, {s.name: 0.001 for s in states if s.tag})
    single = {s.name: s for s in rain_states(blocks, events(cleaning), wash, dust)}["left by the rain of 2021-01-31"]
    keep = np.exp(-4.0 / 5.0)

    # The same days with the first rain weaker: 3 mm reached the modules where the gauge read 4.
    less = rain.copy()
    less[30] = 3.0
    weaker = soiling_states(site(less, 2), events(cleaning), wash)
    true = loose_dust(weaker, {s.name: 0.001 for s in weaker if s.tag})

    np.testing.assert_allclose(dust + (np.exp(-3.0 / 5.0) - keep) * single.values, true, atol=1e-12)
    assert (single.lower, single.upper) == (pytest.approx(-keep), pytest.approx(1.0 - keep))
    assert not rain_states(blocks, events(), wash, np.zeros_like(dust))


@pytest.mark.parametrize("layer", [0.1, 4.0])
def test_a_layer_that_one_inverter_was_cleaned_of_is_told_from_shade_on_the_others(tmp_path, layer):
    # One of three inverters was cleaned in the eighth month; grass shades another, and of the third a string died, and its fans.
    spec = draw_farm(1651)
    soil = next(m for m in spec.mechanisms if isinstance(m, Soiling))
    others = tuple(m for m in spec.mechanisms if m is not soil)
    state = of_spec(tmp_path, replace(spec, mechanisms=(*others, replace(soil, start_persistent_pct=layer)))).state
    assert {scope for _, scope, _ in soil.cleanings} == {"INV2"}
    assert state.shaded.any()
    sizes = state.posterior.sizes("soiling")
    start, growth = sizes["lasting layer at the start"], sizes["lasting layer, growth per year"]
    assert start + growth == pytest.approx(layer / 100.0, abs=0.01)
