"""The pages of one farm: what they say, where their links lead, and how they come up."""

from __future__ import annotations

import re

import pytest

from dashboards.app import content
from dashboards.parts.period import Losses, Period, chosen
from dashboards.registry import PAGES
from dashboards.visit import Person, Router, Visit
from tests.dashboards.conftest import NARROW, assert_accessible, assert_fits, settle, visit

YEARS = "from=2024-07&to=2025-06&against_from=2023-07&against_to=2024-06"
#: An address for each page, and for farms with and without a log.
PATHS = [
    "/farm/drumlin",
    f"/farm/varzea?{YEARS}",
    "/farm/kelter/why/degradation",
    "/farm/drumlin/shade",
    "/farm/drumlin/shade?inverter=INV3&year=before",
    f"/farm/terrajal/dirt?{YEARS}",
    "/farm/drumlin/strings",
    "/farm/drumlin/strings/INV2.3.1",
    "/farm/varzea/strings/INV1.2.2",
    "/farm/terrajal/inverters?inverter=INV2",
    "/farm/kelter/inverters",
    f"/farm/varzea/spells?{YEARS}",
    "/farm/drumlin/apart",
    "/farm/drumlin/readings",
    "/farm/kelter/readings",
]


@pytest.mark.parametrize("path", PATHS)
def test_a_page_of_a_farm_comes_up_without_an_error_and_is_accessible(page, served, path):
    visit(page, served, path)
    assert page.locator("main .sorry").count() == 0
    assert_fits(page)
    assert_accessible(page)


@pytest.mark.parametrize("path", PATHS)
def test_a_page_of_a_farm_fits_a_narrow_screen(page, served, path):
    page.set_viewport_size(NARROW)
    visit(page, served, path)
    assert_fits(page)


def test_every_kind_of_link_on_a_farm_s_pages_leads_to_a_page(place):
    """Built without a browser: every address that a page of any farm links to is one that the application knows."""
    router = Router(PAGES)
    dead = set()
    for site in place.store.rows("sites"):
        for path in ("", "/shade", "/dirt", "/strings", "/inverters", "/spells", "/apart", "/readings", "/why/soiling"):
            built = str(content(router, place, Person("x"), f"/farm/{site['site_id']}{path}", {}).to_plotly_json())
            assert "could not be made" not in built, path
            for href in re.findall(r"href='(/[^']*)'", built):
                if router.find(href.partition("?")[0]) is None:
                    dead.add(href)
    assert not dead


def test_a_visitor_goes_from_the_loss_to_its_evidence_to_a_string_and_back(page, served):
    visit(page, served, "/farm/drumlin")
    page.click("td a:has-text('string faults')")
    page.wait_for_url("**/farm/drumlin/why/string_fault**")
    page.wait_for_selector("h1:has-text('string faults')")
    page.click("a:has-text('The picture of it')")
    page.wait_for_selector("h1:has-text('Drumlin Hollow: strings')")
    page.click("td a:has-text('INV2.3.1')")
    page.wait_for_selector("h1:has-text('string INV2.3.1')")
    settle(page)
    assert "open: no current" in page.inner_text("main")
    page.go_back()
    page.wait_for_selector("h1:has-text('Drumlin Hollow: strings')")


def test_the_period_is_chosen_by_keyboard_and_stays_from_page_to_page(page, served):
    visit(page, served, "/farm/drumlin")
    page.focus("summary:has-text('Any other period')")
    page.keyboard.press("Enter")
    page.select_option("select[name=from]", "2024-01")
    page.select_option("select[name=to]", "2024-03")
    page.focus("form.period button")
    page.keyboard.press("Enter")
    page.wait_for_selector("main p.lead:has-text('Jan 2024 to Mar 2024')")
    assert page.input_value("select[name=from]") == "2024-01"
    page.click("nav.within a:has-text('Dirt')")
    page.wait_for_selector("main p.lead:has-text('Jan 2024 to Mar 2024')")


def test_a_farm_s_losses_add_up_to_expected_less_measured(place):
    losses = Losses(place.store, "drumlin")
    period = Period(tuple(sorted(losses.yields)[-12:]))
    whole = losses.energy(losses.causes, (period, 1.0))
    # losses.csv and yields.csv are written to a thousandth.
    assert whole.value == pytest.approx(losses.expected(period) - losses.measured(period), abs=0.1)
    assert whole.high - whole.low < 0.2 * (
        losses.energy(["unexplained"], (period, 1.0)).high - losses.energy(["unexplained"], (period, 1.0)).low
    ), "what the causes have more, the unexplained has less"


def test_a_difference_of_two_periods_is_surer_than_the_two_alone(place):
    """Ageing's doubt is nearly the same in both years, and so drops out."""
    losses = Losses(place.store, "drumlin")
    months = sorted(losses.yields)
    last, before = Period(tuple(months[-12:])), Period(tuple(months[-24:-12]))
    change = losses.energy(["degradation"], (last, 1.0 / losses.expected(last)), (before, -1.0 / losses.expected(before)))
    alone = losses.share(["degradation"], last)
    assert change.value > 0.0
    assert change.high - change.low < 0.5 * (alone.high - alone.low)


@pytest.mark.parametrize(
    "query",
    [
        {"from": "2024-13", "to": "x"},
        {"from": "1990-01", "to": "1990-12"},
        {"from": "<script>", "to": "2025-01"},
        {"from": "2025-01"},
    ],
)
def test_a_period_that_makes_no_sense_is_the_last_twelve_months(place, query):
    months = [f"{2023 + k // 12}-{k % 12 + 1:02d}" for k in range(30)]
    assert chosen(Visit(place, Person("x"), "/farm/drumlin", {}, query), months).period == Period(tuple(months[-12:]))


def test_a_period_written_backwards_is_turned_round(place):
    months = [f"2024-{k:02d}" for k in range(1, 13)]
    found = chosen(Visit(place, Person("x"), "/farm/drumlin", {}, {"from": "2024-05", "to": "2024-03"}), months)
    assert found.period == Period(("2024-03", "2024-04", "2024-05"))


@pytest.mark.parametrize("path", ["/farm/nowhere", "/farm/drumlin/strings/INV9", "/farm/drumlin/why/ghosts"])
def test_a_farm_string_or_cause_that_is_not_there_is_said(place, path):
    built = str(content(Router(PAGES), place, Person("x"), path, {}).to_plotly_json())
    assert "There is no" in built


def test_a_farm_without_a_log_says_what_is_not_told_and_why(place):
    router = Router(PAGES)
    for path in ("/shade", "/readings"):
        built = str(content(router, place, Person("x"), f"/farm/kelter{path}", {}).to_plotly_json())
        assert "interval log" in built
