"""Days on which no crew works."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.portfolio.folder import (
    PORTFOLIO,
    SITE,
    SITE_FILE,
    write_portfolio,
)
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.days_off import WEEKEND, why_no_work
from yieldwatch.portfolio.read import read_portfolio

OFF = '\n[[days_off]]\nfirst = 2025-12-24\nlast = 2026-01-01\nwhy = "works holiday"\n'


@pytest.mark.sourced
def test_no_crew_works_on_weekends_holidays_and_named_days_of_portfolio_and_site(tmp_path):
    site = SITE.replace('commissioned', 'public_holidays = "DE-BY"\ncommissioned') + "\n[[days_off]]\nfirst = 2025-06-30\n"
    (field,) = read_portfolio(write_portfolio(tmp_path, {"portfolio.toml": PORTFOLIO + OFF, SITE_FILE: site})).sites
    assert why_no_work(field, dt.date(2025, 12, 29)) == "works holiday"
    assert why_no_work(field, dt.date(2026, 1, 2)) == ""
    assert why_no_work(field, dt.date(2025, 6, 30)) == "no crew works"
    assert why_no_work(field, dt.date(2025, 7, 5)) == WEEKEND
    # Bavarian law on Sundays and holidays, art. 1: Epiphany is one, 6 January; 6 December is none (from memory).
    assert why_no_work(field, dt.date(2026, 1, 6))
    assert why_no_work(field, dt.date(2024, 12, 6)) == ""
    # German unity treaty, art. 2: 3 October (from memory).
    assert why_no_work(field, dt.date(2025, 10, 3))


@pytest.mark.parametrize(("site", "said"), [
    ('public_holidays = "XX"', 'public_holidays = "XX", not a country whose public holidays are known'),
    ('public_holidays = "DE-XX"', r"not a region of DE that is known. Expected DE, or one of its regions \(.*BY"),
    ("days_off = [{ first = 2025-12-24, last = 2025-12-01 }]", "last = 2025-12-01, before first = 2025-12-24"),
    ('days_off = [{ why = "off" }]', r"\[\[days_off\]\] 1: first is missing"),
])
def test_days_off_that_cannot_be_are_said(tmp_path, site, said):
    with pytest.raises(PortfolioError, match=said):
        read_portfolio(write_portfolio(tmp_path, {SITE_FILE: SITE.replace("commissioned", f"{site}\ncommissioned")}))
