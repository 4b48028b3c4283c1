"""A new assessment from a press to its end, in a browser, on the smallest portfolio."""

from __future__ import annotations

import pytest

from dashboards.visit import place_of
from tests.dashboards.conftest import assert_accessible, running, visit
from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.write import write_portfolio
from yieldwatch.report.words import day


@pytest.fixture
def small(tmp_path):
    """A farm of eight strings and five weeks, of which nothing was assessed yet."""
    portfolio = tmp_path / "small"
    write_portfolio(portfolio, portfolio / "truth", PortfolioSpec("P", (plain(days=35),)))
    with running(place_of(portfolio, portfolio / "out")) as served:
        yield served


def test_an_assessment_is_started_followed_to_its_end_and_seen_without_a_reload(page, small):
    visit(page, small, "/assess")
    assert page.inner_text("#assess-last").replace("\xa0", " ") == "No assessment has been made yet in this folder."
    page.click("#assess-start")
    page.wait_for_selector("#assess-told:has-text('Running for')")
    assert "started by" in page.inner_text("#assess-told")
    page.wait_for_selector("#assess-told .done", timeout=120_000)
    made = small.place.store.about()["made"]
    assert f"made on {day(made[:10])} at {made[11:16]} UTC" in page.inner_text("#assess-last").replace("\xa0", " ")
    assert "It covers 1 farm" in page.inner_text("#assess-last").replace("\xa0", " ")
    assert_accessible(page)
    page.click("a:has-text('See the month')")
    page.wait_for_selector("main p.lead")
    assert "The farm delivered" in page.inner_text("main p.lead")
    assert page.inner_text("header .portfolio") == "P"
