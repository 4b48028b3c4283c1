"""A sensor that drifts is told from a farm that ages by a second source, and a good one is left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import signal

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Instruments
from tests.farm.write import write_portfolio
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.level import LIGHT_BIAS, LIGHT_DRIFT
from yieldwatch.gap.second_light import LightDrift, _trend, drift_rows, light_drift
from yieldwatch.portfolio.read import read_portfolio


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> SiteData:
    """A small farm with an hourly log: its own sensor, steady, and modelled weather beside it, over two years."""
    folder = tmp_path_factory.mktemp("farm")
    spec = plain(days=730, instruments=Instruments("ghi", second_weather=True, light_drift_year=0.0))
    write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec,)))
    return read_site_data(folder, read_portfolio(folder).sites[0])


def drifting(data: SiteData, per_year: float) -> SiteData:
    years = np.asarray((data.weather.index - data.weather.index[0]) / pd.Timedelta(days=365.25))
    return replace(data, weather=data.weather.assign(ghi=data.weather["ghi"] * np.exp(per_year * years)))


@pytest.mark.parametrize("per_year", [0.0, -0.03, 0.04])
def test_the_trend_against_a_second_source_is_within_its_own_doubt(data: SiteData, per_year: float) -> None:
    found = light_drift(drifting(data, per_year), "Europe/London")

    assert found is not None
    # Three standard uncertainties; the doubt itself must leave 3 % a year to be seen.
    assert abs(found.per_year - per_year) < 3.0 * found.doubt
    assert found.doubt < 0.01
    assert found.counts is (per_year != 0.0)


def test_a_year_is_too_short_for_a_trend_clear_of_the_seasons(data: SiteData) -> None:
    start = data.weather.index[0]
    short = replace(data, weather=data.weather[: start + pd.Timedelta(days=365)])

    assert light_drift(short, "Europe/London") is None


def test_light_of_another_plane_is_not_compared(data: SiteData) -> None:
    other = replace(data, weather=data.weather.rename(columns={"ghi": "poa_global"}))

    assert light_drift(other, "Europe/London") is None


def test_a_trend_that_counts_is_a_row_on_the_drift_alone() -> None:
    columns = [Column("level", name, np.ones(3), None, 0.0, 0.02, -np.inf, np.inf) for name in (LIGHT_BIAS, LIGHT_DRIFT)]

    (row,) = drift_rows(columns, LightDrift(-0.03, 0.006))

    # Rows are ln(measured / expected) = -loss: light that falls by 3 % a year makes the farm seem to gain as much.
    assert row.design.toarray().tolist() == [[0.0, 1.0]]
    assert row.values.tolist() == [0.03]
    assert drift_rows(columns, LightDrift(-0.01, 0.006)) == []


def test_errors_that_last_for_weeks_are_seldom_told_as_a_drift() -> None:
    # A weather service is off by 2 % for a fortnight; neither source drifts. Twenty months are few to know their own scatter by.
    rng = np.random.default_rng(4)
    days = pd.date_range("2022-01-01", periods=20 * 30)
    found = []
    for _ in range(150):
        off = signal.lfilter([np.sqrt(1.0 - np.exp(-2.0 / 15.0))], [1.0, -np.exp(-1.0 / 15.0)], rng.normal(0.0, 1.0, len(days)))
        light = pd.Series(200.0 * np.exp(rng.normal(0.0, 0.3, len(days))), days)
        drift = _trend(light, light * np.exp(0.02 * off))
        assert drift is not None
        found.append((drift.per_year / drift.doubt, drift.counts))
    of_their_doubt, counts = np.array(found).T
    assert 0.8 < of_their_doubt.std() < 1.25
    assert counts.sum() <= 3
