"""Every page, as it comes up on a wide and on a narrow screen."""

from __future__ import annotations

import itertools
from unittest.mock import Mock

import pytest
from dash._utils import to_json

from dashboards.app import content
from dashboards.pages.book import _lead
from dashboards.pages.rows import _shower
from dashboards.parts import plan_map
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import Figure, stated
from dashboards.planner import Limits, desk
from dashboards.registry import PAGES
from dashboards.visit import Person, Router
from tests.dashboards.conftest import NARROW, assert_comes_up, visit

#: An address for each page of the registry.
PATHS = [
    "/", "/?span=twelve_months&show=money", "/decisions", "/farms", "/promises", "/trust", "/trust/drumlin", "/assess", "/upload",
    "/handbook", "/handbook/soiling", "/losses?span=month&in_hand=1",
    "/losses/periods?from=2025-01&to=2025-06&against_from=2024-01&against_to=2024-06", "/rows/losses?site_id=drumlin",
    "/work", "/work?site=drumlin&show=do", "/plan", "/plan?view=weeks", "/plan?set=1&budget=1000&view=map", "/jobs", "/jobs/1",
]


@pytest.mark.parametrize("path", PATHS)
def test_a_page_comes_up_on_a_narrow_screen_and_on_a_wide_one_and_is_accessible(page, served, path):
    assert_comes_up(page, served, path)


@pytest.mark.parametrize("path", ["/", "/losses", "/trust", "/trust/drumlin"])
def test_a_year_whose_months_are_all_there_is_said_as_a_year(place, path):
    built = to_json(content(Router(PAGES), place, Person("x"), path, {"span": "twelve_months"}))
    assert " to Jun 2025" in built
    assert "months of Jul 202" not in built


@pytest.mark.parametrize(("query", "said"), [
    ({"from": "2030-06", "to": "2030-08"}, "the last twelve months are shown"),
    ({"from": "2025-01", "to": "2025-06", "against_from": "1999-01", "against_to": "1999-06"}, "nothing stands beside them"),
])
def test_months_that_are_not_in_the_record_are_said_to_be_missed(place, query, said):
    built = to_json(content(Router(PAGES), place, Person("x"), "/farm/drumlin", query))
    assert "months outside the record, Jul 2023 to Jun 2025" in built
    assert said in built


@pytest.mark.parametrize(("path", "said"), [
    ("/", "They earned"), ("/", "none has it above"), ("/", "what it won back can be told"),
    # Due within five days of 1 July 2025, and the plan's next week begins on the 8th.
    ("/work", "has it in that of 8 Jul 2025: agree a sooner day"),
    ("/farm/drumlin/dirt", "No cleaning is recorded in these months"),
    ("/farm/drumlin/strings", "All 32 strings were traced"),
])
def test_a_count_reads_as_people_say_it(place, path, said):
    assert said in to_json(content(Router(PAGES), place, Person("x"), path, {})).replace("\\u00a0", " ")


def test_rows_state_estimated_money_without_cents_and_costs_with_them():
    row = {"gain_per_year": 879.58, "gain_low_per_year": 708.94, "gain_high_per_year": 1083.51, "cost": 123.5, "energy_kwh": 8.25}
    assert [_shower(name)(row) for name in row] == ["880", "709", "1,084", "123.50", "8.3"]


@pytest.mark.parametrize(("held", "said"), [
    ({"open": 2, "undecided": 1, "booked": 1}, "2 jobs are open: 1 with nothing decided, 1 booked."),
    ({"untested": 1}, "No job is open. 1 job was done and not proven yet."),
])
def test_the_job_book_counts_only_what_there_is(held, said):
    views = ("open", "undecided", "decided", "held-up", "booked", "untested")
    assert _lead({key: [Mock(safety=False)] * held.get(key, 0) for key in views}) == said


def test_names_on_the_map_lie_over_no_other_name():
    farms = [{"site_id": str(n), "name": name, "north": north, "east": east}
             for n, (name, north, east) in enumerate([("Birch Hill", 0, 0), ("Alder Moor", 3, 20), ("Far Away", 900, 900)])]
    assert plan_map._sides(farms, 5.0) == {"0": "bottom center", "1": "top center", "2": "top center"}
    assert set(plan_map._sides(farms, 0.05).values()) == {"top center"}


def test_one_visit_alone_is_one_in_the_sentence_and_a_loss_is_less(place):
    # The page itself waits for its plan no longer than a reader would.
    desk(place).plan(Limits(0.0, None), 60.0)
    built = to_json(content(Router(PAGES), place, Person("x"), "/plan", {"set": "1", "budget": "0", "crew_days": ""}))
    assert "1 visit to 1 farm does 1 job. It takes" in built.replace("\\u00a0", " ")


#: Boxes of what can be seen of a selection: left, top, right, bottom.
BOXES = """found => found.map(e => e.getBoundingClientRect()).filter(b => b.width)
    .map(b => [b.left, b.top, b.right, b.bottom])"""


def overlaps(boxes, others=None):
    """Pairs of boxes that lie over each other by more than a pixel."""
    def meet(a, b):
        return min(a[2], b[2]) - max(a[0], b[0]) > 1 and min(a[3], b[3]) - max(a[1], b[1]) > 1

    pairs = itertools.combinations(boxes, 2) if others is None else itertools.product(boxes, others)
    return [pair for pair in pairs if meet(*pair)]


@pytest.mark.parametrize("width", [390, 700, 900, 1280])
@pytest.mark.parametrize("path", ["/trust/drumlin", "/farm/drumlin/readings?from=2023-07&to=2025-06"])
def test_numbers_of_the_coverage_stand_where_they_have_room_and_only_then_are_spoken_of(page, served, path, width):
    page.set_viewport_size({"width": width, "height": 900})
    visit(page, served, path)
    page.wait_for_selector("#chart-coverage .main-svg")
    boxes = page.eval_on_selector_all("#chart-coverage .heatmap-label text", BOXES)
    assert overlaps(boxes) == []
    assert bool(boxes) == (width >= 900)
    assert page.locator("figure:has(#chart-coverage) figcaption").first.inner_text().count("numbers from 0.5") == (width >= 900)


def test_names_on_the_map_of_a_narrow_screen_leave_the_figures_of_the_axes_free(page, served):
    page.set_viewport_size(NARROW)
    visit(page, served, "/plan?view=map")
    page.wait_for_selector("#chart-map .main-svg")
    names = page.eval_on_selector_all("#chart-map .textpoint text", BOXES)
    assert len(names) == 4
    assert overlaps(names) == []
    assert overlaps(names, page.eval_on_selector_all("#chart-map .ytick text", BOXES)) == []


def test_heads_of_a_table_whose_rows_are_blocks_are_not_seen_twice(page, served):
    page.set_viewport_size(NARROW)
    visit(page, served, "/farm/drumlin/strings/INV2.3.1")
    seen = page.eval_on_selector_all(".stacked thead th", """heads => heads.filter(h => {
        h.scrollIntoView({block: "center"});
        const b = h.getBoundingClientRect();
        for (let x = Math.max(1, b.left); x < Math.min(b.right, innerWidth); x += 5)
            if (document.elementFromPoint(x, (b.top + b.bottom) / 2) === h) return true;
        return false;
    }).map(h => h.textContent)""")
    assert seen == []


def test_a_figure_stays_on_a_line_with_its_unit():
    link = stated(Figure("0.5 MWh", "/x", "Jun 2025", "0.4 to 0.7"))
    assert link.children == "0.5\u00a0MWh (0.4\u00a0to\u00a00.7)"
    (piece,) = [grid([Column("a", "Lost (90 % interval)", lambda r: r)], ["EUR 770"], "x").children]
    text = piece.to_plotly_json()["props"]["data-html"]
    assert text.count("Lost (90\u00a0% interval)") == 2
    assert "EUR\u00a0770" in text


@pytest.mark.parametrize(("path", "query", "said", "not_said"), [
    ("/promises", {}, "cut back vegetation: the whole farm", "cut back vegetation: site"),
    ("/farm/drumlin/strings", {}, "last traced on 26 May 2025.", "between 26 May 2025 and 26 May 2025"),
    # Two claims from the desk, and nobody goes out.
    ("/plan", {"view": "weeks"}, '"Crew days">none<', '"Crew days">0.0<'),
])
def test_small_words_are_those_of_people(place, path, query, said, not_said):
    built = to_json(content(Router(PAGES), place, Person("x"), path, query))
    for code, sign in (("\\u00a0", " "), ("\\u003c", "<"), ("\\u003e", ">"), ('\\"', '"')):
        built = built.replace(code, sign)
    assert said in built
    assert not_said not in built


def test_rows_name_the_unit_of_each_column(place):
    built = to_json(content(Router(PAGES), place, Person("x"), "/rows/work_list", {}))
    for head in ("gain low [kWh a year]", "cost [EUR]", "payback [months]", "delay cost [EUR a week]", "benefit cost"):
        assert f"{head}" in built
    assert "benefit cost [" not in built


def test_a_page_that_is_not_there_says_so(page, served):
    visit(page, served, "/nothing/here")
    assert "There is nothing at /nothing/here." in page.inner_text("main")


def test_a_table_sorts_on_the_server_and_keeps_its_order_in_the_address(page, served):
    visit(page, served, "/farms")
    page.click("thead a:has-text('DC nameplate')")
    page.wait_for_selector("th[aria-sort=descending]")
    sizes = [float(t.replace(",", "")) for t in page.locator("tbody td.number").all_inner_texts()]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) > 1
