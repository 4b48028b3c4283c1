"""What energy to come is worth; expected numbers are written-out arithmetic."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from tests.cost.build import make_data, make_site
from yieldwatch.cost.outlook import price_outlook, value_of_energy
from yieldwatch.portfolio.model import Assumption, Tariff

AS_OF = dt.date(2025, 7, 1)
YEAR = pd.date_range("2024-01-01", "2025-07-01", freq="h", tz="UTC", inclusive="left")


def noon_only(values=1.0):
    return pd.Series(np.where(YEAR.hour == 12, values, 0.0), YEAR)


def test_months_run_from_the_as_of_date_and_the_index_applies():
    site = make_site(Tariff(dt.date(2020, 9, 1), None, "fixed", 0.10, index_pct_per_year=2.0))
    outlook, notices = price_outlook(site, make_data(), AS_OF, 14)
    got = value_of_energy(site, outlook, noon_only())
    assert list(got.index) == list(range(14))
    assert got.iloc[[0, 1, 2, 13]].tolist() == pytest.approx([0.1 * 1.02**4] * 2 + [0.1 * 1.02**5] * 2)
    assert outlook.index[0] == pd.Timestamp("2025-07-01", tz="UTC")
    assert outlook.index[-1] == pd.Timestamp("2026-08-31 23:00", tz="UTC")
    assert notices == ()


def test_market_prices_come_from_the_same_month_hour_and_kind_of_day():
    site = make_site(Tariff(dt.date(2020, 1, 1), None, "market", None, floor_price=0.0))
    weekend = YEAR.day_of_week >= 5
    price = np.where(weekend, -0.10, 0.02 * YEAR.month)  # the floor lifts every weekend to nil
    prices = pd.DataFrame({"price_per_kwh": price}, YEAR)
    outlook, notices = price_outlook(site, make_data(prices), AS_OF, 1)
    day = outlook["value_per_kwh"]
    assert day[pd.Timestamp("2025-07-02 12:00", tz="UTC")] == pytest.approx(0.14)  # a Wednesday
    assert day[pd.Timestamp("2025-07-05 12:00", tz="UTC")] == 0.0  # a Saturday
    assert "2024-01-01" in notices[0]


def test_a_contract_that_ends_is_carried_on_aloud_or_replaced_by_the_assumed_price():
    ends = Tariff(dt.date(2020, 1, 1), dt.date(2025, 8, 1), "fixed", 0.10)
    outlook, notices = price_outlook(make_site(ends), make_data(), AS_OF, 2)
    assert outlook.groupby("month_ahead")["value_per_kwh"].mean().tolist() == pytest.approx([0.10, 0.10])
    assert "ends on 2025-08-01" in notices[0]
    after = {"price_after_tariff_per_kwh": Assumption(0.04, "quote")}
    outlook, notices = price_outlook(make_site(ends, assumptions=after), make_data(), AS_OF, 2)
    assert outlook.groupby("month_ahead")["value_per_kwh"].mean().tolist() == pytest.approx([0.10, 0.04])
    assert "0.04 per kWh" in notices[0]


def test_own_use_is_as_likely_as_in_the_same_hours_of_the_history():
    site = make_site(
        Tariff(dt.date(2020, 1, 1), None, "fixed", 0.10, import_price_per_kwh=0.30), meter="generation",
    )
    # Generation 10 kWh at noon; the load is 20 kW on odd days of the month and 5 on even ones.
    load = pd.DataFrame({"load_kw": np.where(YEAR.day % 2 == 1, 20.0, 5.0)}, YEAR)
    outlook, _ = price_outlook(site, make_data(load=load), AS_OF, 1, noon_only(10.0))
    noon = outlook[outlook.index.hour == 12]
    july = YEAR[(YEAR.month == 7) & (YEAR.hour == 12) & (YEAR.day_of_week < 5)]
    odd = (july.day % 2 == 1).mean()
    weekday = noon[noon.index.day_of_week < 5]
    assert weekday["self_use_share"].to_numpy() == pytest.approx(odd)
    assert weekday["value_per_kwh"].to_numpy() == pytest.approx(0.10 + odd * 0.20)


def test_no_price_is_no_value_and_own_use_without_history_is_said():
    outlook, _ = price_outlook(make_site(), make_data(), AS_OF, 1)
    assert value_of_energy(make_site(), outlook, noon_only()).isna().all()
    site = make_site(
        Tariff(dt.date(2020, 1, 1), None, "fixed", 0.10, import_price_per_kwh=0.30), meter="generation",
    )
    load = pd.DataFrame({"load_kw": 1.0}, YEAR)
    outlook, notices = price_outlook(site, make_data(load=load), AS_OF, 1)
    assert (outlook["value_per_kwh"] == 0.10).all()
    assert any("no past generation" in n for n in notices)


def test_a_month_without_profile_has_the_plain_mean():
    site = make_site(Tariff(dt.date(2020, 1, 1), None, "fixed", 0.10))
    outlook, _ = price_outlook(site, make_data(), AS_OF, 1)
    assert value_of_energy(site, outlook, noon_only(0.0)).tolist() == pytest.approx([0.10])


def test_outlook_crosses_the_clock_change_without_losing_an_hour():
    site = make_site(Tariff(dt.date(2020, 1, 1), None, "fixed", 0.10), timezone="Europe/London")
    outlook, _ = price_outlook(site, make_data(), dt.date(2025, 10, 1), 1)
    assert len(outlook) == 31 * 24 + 1


def test_a_market_that_pays_less_in_sun_is_valued_at_what_the_farm_captured():
    # Every other noon makes 10 kWh at 0.02, the others 2 kWh at 0.10: (10 x 0.02 + 2 x 0.10) / 12, and not their mean of 0.06.
    site = make_site(Tariff(dt.date(2020, 1, 1), None, "market", None))
    sunny = YEAR.day % 2 == 1
    prices = pd.DataFrame({"price_per_kwh": np.where(sunny, 0.02, 0.10)}, YEAR)
    made = noon_only(np.where(sunny, 10.0, 2.0))
    june = made[(made.index.month == 6) & (made.index.day <= 30)]  # 15 noons of each
    outlook, notices = price_outlook(site, make_data(prices), dt.date(2025, 6, 1), 1, june)
    assert value_of_energy(site, outlook, june).item() == pytest.approx((10 * 0.02 + 2 * 0.10) / 12, rel=0.01)
    assert "weighted by what is made" in notices[0]
    midnight = outlook["export_price"][pd.Timestamp("2025-06-03 00:00", tz="UTC")]
    assert midnight == pytest.approx(0.06, abs=0.01)  # nothing was made: the plain mean


def test_all_energy_is_worth_its_share_of_own_use_and_one_more_kwh_its_chance():
    # 10 kWh at noon, of which the site draws 8: one more kWh is sold, and four fifths of all are used.
    site = make_site(Tariff(dt.date(2020, 1, 1), None, "fixed", 0.10, import_price_per_kwh=0.30), meter="generation")
    load = pd.DataFrame({"load_kw": 8.0}, YEAR)
    made = noon_only(10.0)
    for whole, worth in ((False, 0.10), (True, 0.8 * 0.30 + 0.2 * 0.10)):
        outlook, _ = price_outlook(site, make_data(load=load), AS_OF, 1, made, whole)
        assert value_of_energy(site, outlook, made).item() == pytest.approx(worth)
