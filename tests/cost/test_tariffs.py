"""Prices by the tariff in force; every expected number is written-out arithmetic."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from tests.cost.build import make_site
from yieldwatch.cost.tariffs import interval_mean, prices_at
from yieldwatch.portfolio.model import Tariff, TariffBand

WEEKDAYS = (0, 1, 2, 3, 4)


def fixed(start, end=None, price=0.10, **more):
    return Tariff(dt.date.fromisoformat(start), end and dt.date.fromisoformat(end), "fixed", price, **more)


def at(*times, tz="UTC"):
    return pd.DatetimeIndex(times, tz=tz).tz_convert("UTC")


def export(site, index, prices=None):
    return prices_at(site, index, prices)["export_price"].to_numpy()


def test_index_steps_at_each_anniversary_in_site_time():
    site = make_site(fixed("2020-06-14", index_pct_per_year=2.0), timezone="Europe/London")
    index = at("2020-06-14 00:00", "2021-06-13 23:00", "2021-06-14 00:00", "2023-01-01", tz="Europe/London")
    assert export(site, index) == pytest.approx([0.10, 0.10, 0.102, 0.10 * 1.02**2], rel=1e-12)


def test_a_tariff_from_29_february_has_its_anniversary_on_1_march():
    site = make_site(fixed("2020-02-29", index_pct_per_year=10.0))
    index = at("2021-02-28", "2021-03-01", "2024-02-28", "2024-02-29")
    assert export(site, index) == pytest.approx([0.10, 0.11, 0.10 * 1.1**3, 0.10 * 1.1**4], rel=1e-12)


def test_a_tariff_ends_before_its_end_date_and_a_gap_has_no_price():
    site = make_site(fixed("2020-01-01", "2021-01-01"), fixed("2021-02-01", price=0.05))
    got = export(site, at("2019-12-31", "2020-12-31", "2021-01-01", "2021-01-31", "2021-02-01"))
    assert got[[1, 4]] == pytest.approx([0.10, 0.05])
    assert np.isnan(got[[0, 2, 3]]).all()


def test_import_price_and_curtailment_share_are_those_in_force():
    site = make_site(
        fixed("2020-01-01", "2021-01-01", curtailment_paid_pct=40.0),
        fixed("2021-01-01", import_price_per_kwh=0.24),
    )
    got = prices_at(site, at("2020-05-01", "2021-05-01"), None)
    assert np.isnan(got["import_price"].iloc[0])
    assert got["import_price"].iloc[1] == 0.24
    assert got["curtailment_paid"].tolist() == [0.4, 0.0]


def time_of_use(*bands, price=0.05, index=0.0):
    return Tariff(dt.date(2020, 1, 1), None, "time_of_use", price, index_pct_per_year=index, bands=bands)


def test_bands_follow_wall_time_and_are_indexed_too():
    band = TariffBand(WEEKDAYS, 16 * 60, 19 * 60, 0.20)
    site = make_site(time_of_use(band, index=10.0), timezone="Europe/London")
    # 2021-07-05 is a Monday, 15:00 UTC being 16:00 there; 2021-01-04 a Monday in winter time.
    index = at("2021-07-05 14:00", "2021-07-05 15:00", "2021-07-05 17:00", "2021-07-05 18:00",
               "2021-07-04 15:00", "2021-01-04 15:00", "2021-01-04 16:00")
    plain, band_price = 0.05 * 1.1, 0.20 * 1.1
    assert export(site, index) == pytest.approx(
        [plain, band_price, band_price, plain, plain, plain, band_price], rel=1e-12,
    )


def test_a_band_past_midnight_belongs_to_the_day_it_began():
    friday_night = TariffBand((4,), 22 * 60, 2 * 60, 0.20)
    to_midnight = TariffBand((6,), 20 * 60, 24 * 60, 0.30)
    site = make_site(time_of_use(friday_night, to_midnight))
    index = at("2021-01-01 21:00", "2021-01-01 22:00", "2021-01-02 01:00", "2021-01-02 02:00",  # a Friday
               "2021-01-01 01:00", "2021-01-03 23:00", "2021-01-04 00:00")
    assert export(site, index) == pytest.approx([0.05, 0.20, 0.20, 0.05, 0.05, 0.30, 0.05])


def test_an_interval_across_a_band_edge_has_the_mean_by_time():
    site = make_site(time_of_use(TariffBand(WEEKDAYS, 16 * 60 + 45, 19 * 60, 0.25)))
    index = pd.date_range("2021-07-05 15:00", periods=3, freq="h", tz="UTC")
    # The hour from 16:00 holds 45 minutes at 0.05 and 15 at 0.25.
    assert export(site, index) == pytest.approx([0.05, 0.75 * 0.05 + 0.25 * 0.25, 0.25], rel=1e-12)


def market(**more):
    return make_site(Tariff(dt.date(2020, 1, 1), None, "market", None, **more))


def price_table(start, values, freq):
    index = pd.date_range(start, periods=len(values), freq=freq, tz="UTC")
    return pd.DataFrame({"price_per_kwh": values}, index)


def test_half_hour_prices_are_averaged_over_an_hour_with_the_floor_taken_first():
    prices = price_table("2021-01-01", [0.10, 0.20, -0.04, 0.06, np.nan, 0.10], "30min")
    index = pd.date_range("2021-01-01", periods=3, freq="h", tz="UTC")
    got = export(market(), index, prices)
    assert got[:2] == pytest.approx([0.15, 0.01])
    assert np.isnan(got[2])  # half of the hour has no price
    assert export(market(floor_price=0.0), index, prices)[1] == pytest.approx(0.03)


def test_an_hourly_price_holds_for_its_hour_and_no_longer():
    prices = price_table("2021-01-01", [0.10, 0.20, 0.30, 0.40], "h").drop(pd.Timestamp("2021-01-01 02:00Z"))
    index = pd.date_range("2020-12-31 23:45", periods=18, freq="15min", tz="UTC")
    got = export(market(), index, prices)
    assert np.isnan(got[0])
    assert got[1:9] == pytest.approx([0.10] * 4 + [0.20] * 4)
    assert np.isnan(got[9:13]).all()
    assert got[13:17] == pytest.approx([0.40] * 4)
    assert np.isnan(got[17])


def test_no_tariff_or_no_market_price_file_gives_no_price():
    index = pd.date_range("2021-01-01", periods=2, freq="h", tz="UTC")
    assert np.isnan(export(make_site(), index)).all()
    assert np.isnan(export(market(), index)).all()


def test_interval_mean_needs_the_whole_interval():
    series = price_table("2021-01-01", [1.0, 3.0, 5.0], "30min")["price_per_kwh"]
    index = pd.date_range("2021-01-01", periods=2, freq="h", tz="UTC")
    got = interval_mean(series, index)
    assert got[0] == 2.0
    assert np.isnan(got[1])
