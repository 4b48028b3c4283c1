"""Settings that are possible one by one and unlikely together are remarked."""

from __future__ import annotations

import pytest

from tests.portfolio.folder import PORTFOLIO, SITE, SITE_FILE, with_site, write_portfolio
from yieldwatch.portfolio.read import read_portfolio

TARIFF = '[[tariffs]]\nfrom = {}\nto = {}\nkind = "fixed"\nprice_per_kwh = {}\n'

PROMISE = '[[guarantees]]\nkind = "availability"\nvalue_pct = 98\ndamages_per_pct = 100\n{}\n'


def _said(tmp_path, changes) -> list[str]:
    return [n for n in read_portfolio(write_portfolio(tmp_path, changes)).notices if "If so" in n or "If one of them" in n]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        # The smallest farm has 20 kW of inverters and 18 kW of modules, faces south and lies in the north.
        (with_site("latitude = 51.2", "latitude = -51.2"), "azimuth_deg = 180 faces south at latitude -51.2°"),
        (with_site("azimuth_deg = 180", "azimuth_deg = 350"), "azimuth_deg = 350 faces north at latitude 51.2°"),
        (with_site("[[arrays]]", "[grid]\nexport_limit_kw = 0.02\n[[arrays]]"), "export_limit_kw = 0.02 kW, 0.1 %"),
        (with_site("[[arrays]]", f"[plan]\np50_kwh_by_month = {[1.5] * 12}\n[[arrays]]"), "adds up to 18 kWh, 1.0 kWh a year"),
        ({SITE_FILE: SITE + TARIFF.format("2020-01-01", "2022-01-01", 0.09) + TARIFF.format("2022-01-01", "2030-01-01", 9)},
         "[[tariffs]] from 2022-01-01: price_per_kwh = 9, 100 times the 0.09"),
        ({SITE_FILE: SITE + PROMISE.format("from = 2020-01-01") + PROMISE.format("from = 2024-01-01")},
         "the availability from 2020-01-01 has no `to`, past the start of the next, 2024-01-01"),
        ({SITE_FILE: SITE + TARIFF.format("2020-01-01", "2022-01-01", 9.8)}, "price_per_kwh = 9.8 EUR. Expected that of a kWh"),
    ],
    ids=["hemisphere", "azimuth", "limit", "plan", "prices", "promises", "cents"],
)
def test_a_wrong_unit_or_sign_is_remarked(tmp_path, changes, words):
    (said,) = _said(tmp_path, changes)
    assert words in said


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {SITE_FILE: SITE + PROMISE.format("from = 2020-01-01\nto = 2024-01-01") + PROMISE.format("from = 2024-01-01")},
        with_site("azimuth_deg = 180", "azimuth_deg = 90"),
        with_site("tilt_deg = 20\nazimuth_deg = 180", "tilt_deg = 5\nazimuth_deg = 0"),
        with_site("latitude = 51.2", "latitude = -20"),
        with_site("[[arrays]]", "[grid]\nexport_limit_kw = 4\n[[arrays]]"),
        with_site("[[arrays]]", f"[plan]\np50_kwh_by_month = {[1500] * 12}\n[[arrays]]"),
        {"portfolio.toml": PORTFOLIO.replace("EUR", "JPY"), SITE_FILE: SITE + TARIFF.format("2020-01-01", "2022-01-01", 9.8)},
        {SITE_FILE: SITE + TARIFF.format("2020-01-01", "2022-01-01", 0.45) + TARIFF.format("2022-01-01", "2030-01-01", 0.04)},
    ],
)
def test_what_farms_have_is_not(tmp_path, changes):
    assert _said(tmp_path, changes) == []
