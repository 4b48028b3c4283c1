"""Dirt read off dry spells alone, and the daily law, against soiling that published models make."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from scipy.optimize import nnls

from tests.gap.test_soiling import events, site
from yieldwatch.gap.mechanisms.dry_spells import rate_and_recovery
from yieldwatch.gap.mechanisms.soiling import Wash, choose_wash, soiling_states

DATA = Path(pvlib.__file__).parent / "data"


def by_day(hourly: pd.Series, how: str) -> np.ndarray:
    return hourly.groupby(np.arange(len(hourly)) // 24).agg(how).to_numpy(float)


@pytest.fixture(scope="module")
def greensboro() -> pd.Series:
    """Hourly rain of the typical year 723170 as pvlib ships it. [mm]"""
    table, _ = pvlib.iotools.read_tmy3(DATA / "723170TYA.CSV", coerce_year=1990, map_variables=True)
    return table["Lprecip depth (mm)"].tz_localize(None)


@pytest.fixture(scope="module")
def dusty() -> pd.DataFrame:
    """A year of hourly rain [mm] and particulates [g/m³] as pvlib ships it."""
    return pd.read_csv(DATA / "soiling_hsu_example_inputs.csv", parse_dates=["TimeStamp"], index_col="TimeStamp")


def fitted(rain: np.ndarray, loss: np.ndarray, first: str) -> np.ndarray:
    """The daily law, its wash chosen and its rates fitted to a year of daily losses."""
    blocks = site(rain, first=first)

    def states(wash: Wash) -> np.ndarray:
        return np.stack([s.values[0] for s in soiling_states(blocks, events(), wash)], axis=1)

    wash = choose_wash(blocks, lambda w: 2.0 * len(loss) * np.log(nnls(states(w), loss)[1]))
    return states(wash) @ nnls(states(wash), loss)[0]


# Source: Kimber et al., 4th WCPEC (2006): linear build-up, set back by a day's rain above a threshold, as pvlib has it.
@pytest.mark.sourced
@pytest.mark.parametrize("grace_days", [14, 0])
def test_the_law_holds_a_year_of_the_threshold_model(greensboro: pd.Series, grace_days: int) -> None:
    loss = by_day(pvlib.soiling.kimber(greensboro, grace_period=grace_days), "mean")

    found = fitted(by_day(greensboro, "sum"), loss, "1990-01-01")

    # The threshold is a smooth wash here, and a rainy day still counts as dirty: a day or two after each rain. A tenth of a point
    # is what a year's loss is needed to; a quarter of a point a day is less than a day of any log can show.
    assert found.mean() == pytest.approx(loss.mean(), abs=0.001)
    assert np.sqrt(np.mean((found - loss) ** 2)) < 0.0025


# Source: Coello & Boyle, IEEE J. Photovolt. 9 (2019) 1382: dust that settles by its measured mass, a loss that levels off, rain
# above a threshold that cleans. pvlib's year of rain and particulates.
@pytest.mark.sourced
@pytest.mark.parametrize(("threshold_mm", "hours"), [(0.5, 1), (5.0, 24)])
def test_the_law_holds_a_year_of_the_settling_model(dusty: pd.DataFrame, threshold_mm: float, hours: int) -> None:
    ratio = pvlib.soiling.hsu(dusty["rain"], threshold_mm, 30.0, dusty["PM2_5"], dusty["PM10"],
                              rain_accum_period=pd.Timedelta(hours=hours))
    loss = by_day(1.0 - ratio, "mean")

    found = fitted(by_day(dusty["rain"], "sum"), loss, "2015-01-01")

    # It takes up to 13.8 % here, 4.9 % in the mean.
    assert loss.max() == pytest.approx(0.138, abs=0.001)
    assert found.mean() == pytest.approx(loss.mean(), abs=0.001)
    assert np.sqrt(np.mean((found - loss) ** 2)) < 0.005


@pytest.mark.sourced
@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_dry_spells_give_back_the_rate_of_the_threshold_model(dusty: pd.DataFrame, noise: float) -> None:
    # Source: Rodrigo et al., Solar Energy 209 (2020) 11: 0.16 % a day in central Mexico, levelling off at 11.2 % after 70 days;
    # Kimber's model with that rate and cap.
    rain = dusty["rain"]
    loss = by_day(pvlib.soiling.kimber(rain, 5.0, 0.0016, grace_period=0, max_soiling=0.112), "mean")
    output = np.log1p(-loss) + np.random.default_rng(8).normal(0.0, noise, len(loss))
    spell = np.flatnonzero(loss >= 0.112)

    found = rate_and_recovery(np.where(np.isin(np.arange(len(loss)), spell), np.nan, output), by_day(rain, "sum") > 2.0,
                              np.random.default_rng(1))

    # As a share of what is left the fall is a little faster than of the clean output: 0.16 / (1 - 0.112 / 2).
    assert found.rate == pytest.approx(0.0016 / 0.944, rel=0.07 if noise else 0.04)
    assert found.rate_low <= 0.0016 / 0.944 <= found.rate_high or noise == 0.0
    assert found.recovery > 0.0


def test_a_clean_year_has_no_rate_beyond_its_interval() -> None:
    rng = np.random.default_rng(5)
    rained = rng.random(730) < 0.03

    found = rate_and_recovery(rng.normal(0.0, 0.02, 730), rained, rng)

    assert found.rate_low < 0.0 < found.rate_high
    assert abs(found.rate) < 0.0005


def test_without_three_spells_of_two_weeks_nothing_is_said() -> None:
    weekly = np.arange(365) % 7 == 0

    assert rate_and_recovery(np.zeros(365), weekly, np.random.default_rng(1)) is None


def test_nine_records_in_ten_hold_the_true_rate() -> None:
    # Spells of random length, noise of 2 % a day, rates that differ from spell to spell by a third.
    held = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        rained = rng.random(730) < 0.03
        rates, state, output = [], 0.0, np.zeros(730)
        own = 0.001
        for day in range(730):
            if rained[day]:
                state, own = 0.0, 0.001 * rng.lognormal(0.0, 0.33)
            state += own
            output[day] = -state + rng.normal(0.0, 0.02)
            rates.append(own)
        found = rate_and_recovery(output, rained, rng)
        held.append(found.rate_low <= np.mean(rates) <= found.rate_high)
    # 90 % of 60 is 54, give or take 2.3; the rate of the short spells is not read.
    assert np.mean(held) > 0.78
