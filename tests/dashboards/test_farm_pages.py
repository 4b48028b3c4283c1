"""The pages of one farm: what they say, where their links lead, and how they come up."""

from __future__ import annotations

import json
import math
import re
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from urllib.parse import parse_qsl

import numpy as np
import pytest
from dash._utils import to_json

from dashboards.app import content
from dashboards.pages.shade import Bin, _full, _stands_out
from dashboards.parts import charts
from dashboards.parts.period import Losses, Period, chosen
from dashboards.registry import PAGES
from dashboards.store import Store
from dashboards.visit import Person, Router, Visit
from tests.dashboards.conftest import NARROW, WIDE, assert_comes_up, assert_fits, settle, visit
from yieldwatch.pictures.months import Found
from yieldwatch.report.changes import change_bounds
from yieldwatch.report.totals import IN_HAND_PARTS
from yieldwatch.report.words import number

YEARS = "from=2024-07&to=2025-06&against_from=2023-07&against_to=2024-06"
#: An address for each page, and for farms with and without a log.
PATHS = [
    "/farm/drumlin",
    f"/farm/varzea?{YEARS}",
    "/farm/kelter/why/degradation",
    "/farm/drumlin/shade",
    f"/farm/drumlin/shade?inverter=INV2&{YEARS}&away=25",
    f"/farm/terrajal/dirt?{YEARS}",
    "/farm/drumlin/strings",
    "/farm/drumlin/strings?inverter=INV1&shows=faulty",
    "/farm/drumlin/strings/INV2.3.1",
    "/farm/varzea/strings/INV1.2.2",
    f"/farm/terrajal/inverters?inverter=INV2&{YEARS}",
    "/farm/kelter/inverters",
    f"/farm/varzea/spells?{YEARS}",
    "/farm/drumlin/apart",
    "/farm/drumlin/readings",
    "/farm/kelter/readings",
]


@pytest.mark.parametrize("path", PATHS)
def test_a_page_of_a_farm_comes_up_on_a_narrow_screen_and_on_a_wide_one_and_is_accessible(page, served, path):
    assert_comes_up(page, served, path)


def test_every_kind_of_link_on_a_farm_s_pages_leads_to_a_page(place):
    """Built without a browser: every address that a page of any farm links to is one that the application knows."""
    router = Router(PAGES)
    dead = set()
    for site in place.store.rows("sites"):
        for path in ("", "/shade", "/dirt", "/strings", "/inverters", "/spells", "/apart", "/readings", "/why/soiling"):
            built = str(content(router, place, Person("x"), f"/farm/{site['site_id']}{path}", {}).to_plotly_json())
            assert "could not be made" not in built, path
            for href in (a or b for a, b in re.findall(r"href='(/[^']*)'|href=\"(/[^\"]*)\"", built)):
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
    # What the causes have more, the unexplained has less: what is left is the meter's own 0.3 %, by 400 draws.
    assert whole.high - whole.low == pytest.approx(2.0 * 1.645 * 0.003 * losses.measured(period), rel=0.25)


def test_a_change_of_all_farms_is_surer_than_their_two_periods_and_is_told_for_what_is_in_our_hands(place):
    months = {r["month"]: r["expected_kwh"] for r in place.store.rows("month_sums", order=["month"])}
    last, before = list(months)[-12:], list(months)[-24:-12]
    whole = [sum(months[m] for m in year) for year in (last, before)]
    weights = np.array([(m in last) / whole[0] - (m in before) / whole[1] for m in months])
    below, above = change_bounds(place.store.rows("run_draws"), weights)["degradation"]
    ends = [place.store.row("run_ends", {"cause": "degradation", "from_month": year[0], "to_month": year[-1]})
            for year in (last, before)]
    alone = sum((row["energy_below_kwh"] + row["energy_above_kwh"]) / of for row, of in zip(ends, whole, strict=True))
    assert 0.0 < below + above < 0.3 * alone
    asked = {"from": last[0], "to": last[-1], "against_from": before[0], "against_to": before[-1]}
    assert re.search(r"What was in our hands, as a share of the energy expected, changed by [+−]?[\d.]+ \([+−]?[\d.]+ to",
                     shown(place, "/losses/periods", **asked))


@pytest.mark.parametrize("farm", ["drumlin", "varzea"])
@pytest.mark.parametrize("span", ["month", "year_to_date", "twelve_months"])
def test_a_farm_s_page_states_the_intervals_that_the_owner_s_reports_state(place, span, farm):
    losses, sums = Losses(place.store, farm), place.store.row("span_farms", {"span": span, "site_id": farm})
    period = Period(tuple(m for m in sorted(losses.yields) if sums["from_month"] <= m <= sums["to_month"]))
    energy, money = losses.energy(IN_HAND_PARTS, (period, 1.0)), losses.money(IN_HAND_PARTS, (period, 1.0))
    for found, name in ((energy, "in_hand{}_kwh"), (money, "in_hand_money{}")):
        assert [found.low, found.high] == [sums[name.format(end)] for end in ("_low", "_high")]
    assert energy.value == pytest.approx(sums["in_hand_kwh"])
    for row in place.store.rows("span_causes", {"span": span, "site_id": farm, "cause": ["soiling", "unexplained"]}):
        found = losses.energy([row["cause"]], (period, 1.0))
        assert (found.low, found.high) == (row["energy_low_kwh"], row["energy_high_kwh"])


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


def shown(place, path: str, **query: str) -> str:
    """A page's components as text."""
    return to_json(content(Router(PAGES), place, Person("x"), path, query))


def figure(place, path: str, name: str, **query: str) -> dict:
    """A picture of a page as the browser gets it."""
    found: list[dict] = []

    def look(part: object) -> None:
        if isinstance(part, dict):
            if isinstance(part.get("props"), dict) and part["props"].get("id") == f"chart-{name}":
                found.append(part["props"]["figure"])
            for value in part.values():
                look(value)
        elif isinstance(part, list):
            for value in part:
                look(value)

    look(json.loads(shown(place, path, **query)))
    assert len(found) == 1, f"{len(found)} pictures named {name}"
    return found[0]


def query(text: str) -> dict[str, str]:
    return dict(parse_qsl(text))


def test_shade_of_two_periods_is_compared_bin_by_bin(place):
    """What changed is what is missing now less what was, at every place of the sky that both saw."""
    maps = {n: figure(place, "/farm/drumlin/shade", f"sun-{n}", **query(YEARS))["data"][0] for n in ("now", "against", "change")}
    at = {n: {(x, y): z for x, y, z in zip(m["x"], m["y"], m["z"], strict=True)} for n, m in maps.items()}
    assert set(at["change"]) == set(at["now"]) & set(at["against"])
    for place_, change in at["change"].items():
        assert change == pytest.approx(at["now"][place_] - at["against"][place_], abs=0.11)  # each is rounded to a tenth


def test_a_change_carries_its_sign_on_every_page(place):
    """As on the page of all farms: 2.4 points more are +2.4."""
    built = shown(place, "/farm/varzea", **query(YEARS)).replace("\\u003e", ">").replace("\\u003c", "<")
    assert re.search(r">\+[1-9]\.\d \(\+\d\.\d to \+\d\.\d\)<", built)
    assert not re.search(r">[1-9]\.\d \(\d\.\d to \d\.\d\)<", built)


def test_the_scale_of_missing_light_holds_every_cell_that_days_speak_for(place):
    """One scale for both periods, and none that ends below a figure that is written into it."""
    for farm, inverter in (("drumlin", "INV1"), ("drumlin", "INV2")):
        asked = {**query(YEARS), "inverter": inverter}
        maps = [figure(place, f"/farm/{farm}/shade", f"sun-{n}", **asked)["data"] for n in ("now", "against")]
        assert len({m[0]["zmax"] for m in maps}) == 1
        for traces in maps:
            written = [float(t) for t in next(t for t in traces if t.get("textfont"))["text"]]
            assert max(written, default=0.0) <= traces[0]["zmax"]


def test_a_scale_grows_in_tens_and_leaves_out_what_few_days_show():
    def bins(*shown):
        return [Bin(0.0, 0.0, Found(value, value, value, days)) for value, days in shown]

    assert _full(bins((18.0, 9), (300.0, 1)), 60.0) == 60.0
    assert _full(bins((105.2, 9)), 60.0) == 110.0
    assert _full(bins((-70.0, 9)), 30.0) == 70.0
    assert _full([], 60.0) == 60.0


def test_numbers_of_the_strings_map_are_left_out_with_their_words_where_marks_lie_close(page, served):
    for size, there in ((WIDE, True), (NARROW, False)):
        page.set_viewport_size(size)
        visit(page, served, "/farm/drumlin/strings")
        page.wait_for_selector("#chart-layout .textpoint", state="attached")
        assert page.locator("#chart-layout .textpoint text", has_text="95").first.is_visible() is there
        assert page.get_by_text("Where it is under 98 % of theirs").is_visible() is there


def test_a_change_whose_interval_is_not_known_is_not_told_as_certain():
    assert _stands_out(Found(20.0, 12.0, 28.0, 10))  # 2.5 times its half width
    assert not _stands_out(Found(20.0, 8.0, 32.0, 10))  # 1.7 times
    assert not _stands_out(Found(4.0, 3.9, 4.1, 10))  # certain, and small
    assert not _stands_out(Found(20.0, math.nan, math.nan, 10))


def test_a_hedge_that_grew_lacks_more_in_the_second_winter(place):
    """The sample's hedge grows half a metre a year: the same season of the year after lacks more."""
    winter = next(t for t in figure(place, "/farm/drumlin/shade", "growth")["data"] if t["name"] == "Dec to Feb")
    assert winter["customdata"] == [2024, 2025]
    assert winter["y"][1] - winter["error_y"]["arrayminus"][1] > winter["y"][0] + winter["error_y"]["array"][0]


@pytest.mark.parametrize(("asked", "metres"), [("25", 25.0), ("", 10.0), ("-4", 10.0), ("1e9", 10.0), ("9999", 500.0)])
def test_metres_to_cut_follow_from_the_height_and_the_distance(place, asked, metres):
    rows = place.store.rows("obstacles", {"site_id": "drumlin"}, ["inverter_id", "azimuth_from_deg"])
    row = next(r for r in rows if r["half_height_deg"] is not None)
    top, half = (metres * math.tan(math.radians(row[k])) for k in ("height_deg", "half_height_deg"))
    built = shown(place, "/farm/drumlin/shade", away=asked).replace("\\u003e", ">")  # as JSON writes it
    assert f">{number(top, 1)} (" in built
    assert f">{number(top - half, 1)} (" in built
    assert half < top


def test_a_height_for_half_of_the_light_that_is_not_told_gives_no_metres(place, tmp_path):
    shutil.copy(place.store.path, tmp_path)
    with closing(sqlite3.connect(tmp_path / place.store.path.name)) as store:
        assert store.execute("update obstacles set half_height_deg = null where site_id = 'drumlin'").rowcount > 0
        store.commit()
    place = replace(place, folder=tmp_path, store=Store(tmp_path))
    assert ">0.0 (" not in shown(place, "/farm/drumlin/shade").replace("\\u003e", ">")


def test_efficiency_by_load_is_that_of_the_period(place):
    curves = {p: figure(place, "/farm/terrajal/inverters", "load", **query(p))["data"][1]
              for p in ("from=2024-07&to=2024-07", "from=2025-01&to=2025-01")}
    july, january = curves.values()
    assert (july["name"], january["name"]) == ("Jul 2024", "Jan 2025")
    assert july["y"] != january["y"]
    both = figure(place, "/farm/terrajal/inverters", "load", **query(YEARS))["data"]
    assert [t["name"] for t in both[1:3]] == ["Jul 2024 to Jun 2025", "Jul 2023 to Jun 2024"]


def test_a_period_and_the_one_that_it_is_held_against_look_alike_on_every_page(place):
    now, then = charts.PERIOD_LOOKS
    for path, name, kind in (("/farm/terrajal", "causes", "marker"), ("/losses/periods", "periods", "marker"),
                             ("/farm/terrajal/inverters", "load", "line")):
        drawn = {t["name"]: t for t in figure(place, path, name, **query(YEARS))["data"] if "name" in t}
        assert drawn["Jul 2024 to Jun 2025"][kind]["color"] == now.colour, path
        assert drawn["Jul 2023 to Jun 2024"][kind]["color"] == then.colour, path
        assert drawn["Jul 2023 to Jun 2024"]["marker"]["symbol"] == then.symbol, path


def test_output_held_down_says_how_much_of_it_was_a_limit_left_on(place):
    year = {"from": "2024-07", "to": "2025-06"}
    assert re.search(r"[\d.]+.MWh of it in our hands: a limit left on", shown(place, "/farm/varzea", **year))
    assert "a limit left on" not in shown(place, "/farm/drumlin", **year)
    whole = place.store.row("span_causes", {"span": "twelve_months", "site_id": "varzea", "cause": "curtailment", "part": ""})
    left = Losses(place.store, "varzea").energy(["limit_left_on"], (Period(tuple(
        m for m in sorted(Losses(place.store, "varzea").yields) if "2024-07" <= m <= "2025-06")), 1.0))
    assert 0 < left.low < left.value < whole["energy_kwh"]
    assert "of it in our hands, a limit left on" in shown(place, "/losses/periods", **year)


def test_files_and_readings_have_names_that_people_use(place):
    files = shown(place, "/farm/drumlin/readings")
    assert "string IV traces" in files
    assert "weather from a second source" in files
    assert not re.search(r"u003e(iv|iv curves|weather 2|power|clamp)\\u003c", files)
    held = shown(place, "/trust/drumlin")
    assert "global light, light in the module plane, air temperature" in held
    assert "poa_global" not in held


def test_what_cannot_be_told_apart_is_in_the_unit_of_the_farm_s_losses(place):
    # A year of Kelterhaus is over 100 MWh, and no cause takes ten of them.
    assert re.search(r"the first moves by [\d.]+(\\u00a0| )MWh", shown(place, "/farm/kelter/apart"))
    assert re.search(r"90.{1,6}%.{1,6}interval \[MWh\]", shown(place, "/farm/kelter/apart"))


def test_a_long_text_of_a_row_opens_by_a_press(place):
    cautions = [r["caution"] for r in place.store.rows("work_list")]
    opened = r"\u003csummary\u003e"  # of HTML within the components' text
    opening = f"{opened}{min(cautions)[:100]}"
    assert shown(place, "/rows/work_list").count(opening) == sum(c.startswith(min(cautions)[:100]) for c in cautions)
    assert opened not in shown(place, "/rows/yields").split("data-head", 1)[1]


def test_a_string_s_curve_lies_beside_a_sound_peer_s_in_its_light(place):
    drawn = place.store.picture("drumlin", "string_curve", "INV1.4.2")
    peer = place.store.picture("drumlin", "string_curve", drawn.about["peer"])
    assert place.store.row("string_findings", {"site_id": "drumlin", "string_id": peer.item})["finding"] == "ok"
    trace = next(t for t in figure(place, "/farm/drumlin/strings/INV1.4.2", "curve")["data"] if "peer" in t["name"])
    light = drawn.about["light_w_m2"] / peer.about["light_w_m2"]
    assert trace["y"] == pytest.approx([light * i for i in peer.columns["i"]], abs=0.001)
    assert len(place.store.items("drumlin", "string_curve")) == 9, "all strings whose points the sample's tracer kept"


def test_a_period_in_which_a_cause_is_not_told_is_not_one_in_which_it_took_nothing(place, tmp_path):
    shutil.copy(place.store.path, tmp_path)
    asked = {"from": "2025-06", "to": "2025-06"}
    with closing(sqlite3.connect(tmp_path / place.store.path.name)) as store:
        own = ", ".join(f"'{cause}'" for cause in IN_HAND_PARTS)
        store.execute(f"delete from cause_months where cause in ({own}) and month = '2025-06'")
        store.execute("update cause_months set farms = 1 where cause = 'curtailment' and month = '2025-06'")
        store.commit()
    built = shown(replace(place, folder=tmp_path, store=Store(tmp_path)), "/losses/periods", **asked)
    assert re.search(r'"In our hands was ",\{"props":\{"children":"not known"', built)
    farms = place.store.row("month_sums", {"month": "2025-06"})["farms"]
    assert f"assessed in 1 of {farms} months of farms" in built
    assert "not known" not in shown(place, "/losses/periods", **asked).partition("In our hands was")[2][:200]


@pytest.fixture(scope="module")
def vast(place, tmp_path_factory):
    """The sample with 5,000 strings at two farms, of which one says where they are."""
    folder = tmp_path_factory.mktemp("vast")
    shutil.copy(place.store.path, folder)
    with closing(sqlite3.connect(folder / place.store.path.name)) as store:
        for site, known in (("drumlin", True), ("varzea", False)):
            chosen_ = "select * from string_findings where site_id = ? and finding in ('ok', 'open')"
            rows = store.execute(chosen_, [site]).fetchall()
            store.execute("delete from string_findings where site_id = ?", [site])
            ids = [f"INV{n // 20 + 1}.{n % 20 // 2 + 1}.{n % 2 + 1}" for n in range(5000)]
            marks = ", ".join("?" * len(rows[0]))
            store.executemany(f"insert into string_findings values ({marks})",
                              [(site, name, *rows[n % len(rows)][2:]) for n, name in enumerate(ids)])
            layout = {"string_id": ids, "inverter_id": [i.partition(".")[0] for i in ids], "row": [""] * 5000,
                      "x_m": [n % 100 * 22.4 if known else None for n in range(5000)],
                      "y_m": [n // 100 * 7.3 if known else None for n in range(5000)]}
            store.execute("update pictures set columns = ? where site_id = ? and kind = 'string_layout'",
                          [json.dumps(layout), site])
        store.commit()
    return replace(place, folder=folder, store=Store(folder))


@pytest.mark.parametrize(("site", "picture"), [("drumlin", "layout"), ("varzea", "lines-blocks")])
def test_five_thousand_strings_are_drawn_one_by_one_in_a_page_under_300_kb(vast, site, picture):
    assert len(shown(vast, f"/farm/{site}/strings")) < 300_000
    drawn = [t for t in figure(vast, f"/farm/{site}/strings", picture)["data"] if "marker" in t]
    assert sum(len(t["x"]) for t in drawn) == 5000
    places = [p for t in drawn for p in zip(t["x"], t["y"], strict=True)]
    assert len(set(places)) == 5000, "no string lies on another"


def test_strings_are_picked_by_inverter_by_finding_and_by_name(vast):
    for asked, count in (({"inverter": "INV250"}, "20 strings"), ({"name": "inv12."}, "20 strings"),
                         ({"inverter": "INV250", "name": "INV12."}, "No string of this farm is so")):
        assert count in shown(vast, "/farm/drumlin/strings", **asked)
    of = figure(vast, "/farm/varzea/strings", "lines", inverter="INV7")["data"]
    assert sum(len(t["x"]) for t in of if "marker" in t) == 20
    faulty = shown(vast, "/farm/drumlin/strings", shows="faulty")
    assert "sound" not in {t["name"] for t in figure(vast, "/farm/drumlin/strings", "layout", shows="faulty")["data"]}
    assert "Show all of them" in faulty


#: What the marks of a picture span, and what of it there is for them to span: both ways. [pixels]
SPANS = """picture => {
    const boxes = [...picture.querySelectorAll('.points path')].map(e => e.getBoundingClientRect());
    const side = (low, high) => Math.max(...boxes.map(b => b[high])) - Math.min(...boxes.map(b => b[low]));
    const plot = picture.querySelector('.nsewdrag').getBoundingClientRect();
    return [side('left', 'right') / plot.width, side('top', 'bottom') / plot.height];
}"""


@pytest.mark.parametrize("width", [400, 700, 1280])
@pytest.mark.parametrize("site", ["drumlin", "varzea"])
def test_the_ground_of_a_farm_is_drawn_over_most_of_its_picture(page, served, site, width):
    page.set_viewport_size({"width": width, "height": 900})
    visit(page, served, f"/farm/{site}/strings")
    settle(page)
    page.wait_for_selector("#chart-layout .nsewdrag", state="attached")
    across, down = page.locator("#chart-layout").evaluate(SPANS)
    # True to scale one side alone can be full; beyond the marks an axis goes on to its next line.
    assert max(across, down) > 0.7
    assert min(across, down) > 0.35


def test_strings_of_one_inverter_are_chosen_by_keyboard(page, served):
    visit(page, served, "/farm/drumlin/strings")
    page.select_option("select[name=inverter]", "INV2")
    page.focus("form.period button")
    page.keyboard.press("Enter")
    page.wait_for_selector("main p:has-text('8 strings of 32 chosen')")
    assert page.locator("tbody tr").count() == 8
    page.click("a:has-text('Show all of them')")
    page.wait_for_selector("main p:has-text('Rows 1 to 25 of 32')")


def test_a_table_wider_than_its_place_says_that_it_scrolls_and_keeps_its_first_column(page, served):
    page.set_viewport_size({"width": 700, "height": 844})  # on a phone's its rows stand below each other
    visit(page, served, "/rows/string_findings?site_id=drumlin")
    page.wait_for_selector(".scroll.wide")
    hint = page.evaluate("getComputedStyle(document.querySelector('.scroll.wide'), '::before').content")
    assert "scroll" in hint
    page.evaluate("document.querySelector('.scroll.wide').scrollLeft = 9999")
    left = page.evaluate("document.querySelector('.scroll.wide td').getBoundingClientRect().left")
    assert left >= 0.0
    assert_fits(page)


@pytest.mark.parametrize("path", ["/farm/nowhere", "/farm/drumlin/strings/INV9", "/farm/drumlin/why/ghosts"])
def test_a_farm_string_or_cause_that_is_not_there_is_said(place, path):
    built = str(content(Router(PAGES), place, Person("x"), path, {}).to_plotly_json())
    assert "There is no" in built


def test_a_farm_without_a_log_says_what_is_not_told_and_why(place):
    router = Router(PAGES)
    for path in ("/shade", "/readings"):
        built = str(content(router, place, Person("x"), f"/farm/kelter{path}", {}).to_plotly_json())
        assert "interval log" in built


@pytest.mark.parametrize("site", ["drumlin", "kelter", "terrajal", "varzea"])
def test_no_loss_over_any_months_goes_below_nil_for_the_scatter_of_its_draws(place, site):
    losses = Losses(place.store, site)
    months = sorted(losses.yields)
    for some in (months[3:9], months[5:6]):
        for cause in (c for c in losses.causes if c not in ("degradation", "unexplained")):
            found = losses.energy([cause], (Period(tuple(some)), 1.0))
            assert not found.low < min(found.value, 0.0) - 1e-6, (cause, some)
