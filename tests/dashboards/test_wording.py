"""Sentences that could contradict a table or a picture, or name what is not there."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest

from dashboards.pages import owner
from dashboards.parts.charts import layout
from dashboards.planner import Limits, desk
from tests.dashboards.test_farm_pages import figure, query, shown
from yieldwatch.book import states

SIGNS = (("\\u00a0", " "), ("\\u2212", "−"), ("\\u201c", "“"), ("\\u002f", "/"), ("\\u003c", "<"), ("\\u003e", ">"), ('\\"', '"'))


def said(place, path: str, **asked: str) -> str:
    built = shown(place, path, **asked)
    for code, sign in SIGNS:
        built = built.replace(code, sign)
    return built


def claims(place) -> list[dict]:
    found = place.store.rows("work_list", {"job_kind": "claim"})
    assert found
    return found


def test_what_came_in_is_held_against_the_plan_and_steps_up_have_a_sign(place):
    built = said(place, "/")
    assert re.search(r'"; they came in "', built)
    bridge = {r["step"]: r["energy_kwh"] for r in place.store.rows("span_bridge", {"span": "month"})}
    assert bridge["plan_allowance"] > 0
    assert re.search(r'model difference ",\{"props":\{"children":"\+[\d.]+ MWh"', built)


@pytest.mark.parametrize("path", ["/", "/work"])
def test_a_sum_with_claims_in_it_is_not_said_to_come_every_year(place, path):
    built = said(place, path)
    assert "usual year\"" not in built
    assert "in the first year" in built


def test_what_a_claim_brings_is_said_to_come_once(place):
    assert len(re.findall(r">[\d,]+ \([\d,]+ to [\d,]+\) once<", said(place, "/work"))) == len(claims(place))
    for row in claims(place):
        one = said(place, f"/work/{row['job_id']}")
        assert '" and brings in "' in one
        assert "wins back" not in one
        assert re.search(r"It would bring in EUR [\d,]+ once\.", said(place, f"/jobs/{row['job_ref']}"))
    assert len(re.findall(r">[\d,]+ once<", said(place, "/jobs"))) == len(claims(place))


def test_a_job_for_safety_is_not_said_to_return_nothing(place):
    row = re.search(r"<tr>(?:(?!</tr>).)*For safety(?:(?!</tr>).)*</tr>", said(place, "/jobs"))[0]
    assert 'data-head="Wins back a year [EUR]"></td>' in row


def test_every_job_of_the_book_is_in_a_list(place):
    proposed = [j for j in place.jobs.all() if states.state(j) == states.PROPOSED]
    counts = {k: int(n) for k, n in re.findall(r'"([a-z ,]+) \((\d+)\)"', said(place, "/jobs"))}
    assert counts["nothing decided yet"] + counts["found, and not worth doing now"] == len(proposed)
    aside = next(j for j in proposed if not (j.advised or j.safety))
    assert f'href="/jobs/{aside.ref}"' in said(place, "/jobs", view="unadvised")


def test_the_mark_of_the_budget_stands_at_what_its_plan_returns(place):
    limits = Limits(1000.0, None)
    made = desk(place).plan(limits, 60.0)
    points = desk(place).curve(None, 60.0).points
    # Between two points, and more than the lower one returns: else there is nothing to tell apart.
    assert max(p.gain for p in points if p.budget <= 1000.0) < made.gain
    traces = figure(place, "/plan", "curve", set="1", budget="1000", crew_days="")["data"]
    (mark,) = [t for t in traces if t.get("name") == "the budget above"]
    assert mark["y"] == [made.gain]


def test_a_day_in_a_decision_s_reasons_is_written_as_people_do(place):
    assert not re.search(r"\d{4}-\d{2}-\d{2}", said(place, "/decisions").partition("Why, and what")[2])


@pytest.mark.parametrize("site", ["drumlin", "kelter", "terrajal", "varzea"])
def test_what_dirt_takes_on_the_last_day_is_one_figure_in_all_sentences(place, site):
    built = said(place, f"/farm/{site}/dirt")
    last = re.search(r"On 30 Jun 2025 dirt takes ([\d.]+ %) \(([\d.]+ to [\d.]+) %\)", built).groups()
    lead = re.search(r"on 30 Jun 2025(?: it took|,) ([\d.]+ %) of output \(90 % interval ([\d.]+ to [\d.]+)\)", built)
    assert lead.groups() == last


def test_the_day_of_the_most_dirt_is_not_told_twice(place):
    assert said(place, "/farm/kelter/dirt").partition("On a dry day")[0].count("30 Jun 2025") == 1


@pytest.mark.parametrize(("path", "words", "not_said"), [
    ("/farm/kelter/readings", "files; none was set aside.", "0 rows, or"),
    ("/farm/varzea/why/snow", "On no day did snow lie or fall.", "on 0 days"),
    ("/farm/drumlin/why/snow", "on none of them the inverters", "on 0 of them"),
    ("/farm/drumlin/why/curtailment", "No hour was seen in which the site was held down", "0 daylight hours"),
    ("/farm/terrajal/why/grid_outage", "No spell (", "0 spells,"),
])
def test_nothing_is_said_as_none_and_not_as_nought(place, path, words, not_said):
    built = said(place, path)
    assert words in built
    assert not_said not in built


@pytest.mark.parametrize(("asked", "words"), [("1", "and 1 crew day, "), ("1.5", "and 1.5 crew days, ")])
def test_one_crew_day_is_one(place, asked, words):
    desk(place).plan(Limits(None, float(asked)), 60.0)
    assert words in said(place, "/plan", set="1", budget="", crew_days=asked)


@pytest.mark.parametrize(("site", "sources"), [("kelter", 1), ("drumlin", 2)])
def test_a_caption_names_only_the_light_sources_that_are_there(place, site, sources):
    built = said(place, f"/farm/{site}/readings")
    there = [s in built for s in ("the second weather source by month", "handheld sensors on visits")]
    assert sum(there) == sources == len(figure(place, f"/farm/{site}/readings", "light")["data"])


def test_clocks_that_agree_are_not_said_to_differ_by_nothing(place):
    built = said(place, "/farm/drumlin/readings")
    assert "the inverters' log runs together with the light." in built
    assert "0.0 minutes" not in built


def test_whiskers_of_the_months_end_within_their_panels(place):
    picture = figure(place, "/farm/drumlin", "months")
    axes = [picture["layout"][k] for k in sorted(picture["layout"]) if k.startswith("yaxis")]
    assert len(axes) == len(picture["data"]) > 1
    for trace in picture["data"]:
        low, high = picture["layout"][f"yaxis{trace['yaxis'][1:]}"]["range"]
        bars = zip(trace["y"], *(trace["error_y"][k] for k in ("arrayminus", "array")), strict=True)
        ends = [(v - down, v + up) for v, down, up in bars]
        assert max(e[1] for e in ends) < high
        assert min(e[0] for e in ends) >= 0.0 or low < min(e[0] for e in ends)


def test_thousands_on_an_axis_are_written_as_in_the_tables():
    for axis in ("xaxis", "yaxis"):
        assert layout()[axis]["separatethousands"]
        assert layout()[axis]["exponentformat"] == "none"


@pytest.mark.parametrize(("path", "words"), [
    ("/farm/drumlin/strings/INV2.3.1", "It shows: open, no current."),
    ("/farm/drumlin/apart", "To know for certain what each job of this farm returns would be worth EUR "),
    ("/farm/terrajal/dirt", "As a share that is a change of −"),
    ("/farm/terrajal/inverters", "it changed for certain at none of "),
])
def test_sentences_read_as_people_say_them(place, path, words):
    assert words in said(place, path, **query("from=2024-07&to=2025-06&against_from=2023-07&against_to=2024-06"))


def test_a_figure_in_a_first_sentence_stays_on_a_line_with_its_unit(place):
    built = shown(place, "/farm/varzea/strings/INV1.2.2")
    assert re.search(r"is over 99(\\u00a0|\u00a0)%", built)


def test_where_every_inverter_is_shaded_none_is_said_to_stand_in_the_open(place):
    inverters = {s["site_id"]: {r["string_id"].partition(".")[0]
                                for r in place.store.rows("string_findings", {"site_id": s["site_id"]})}
                 for s in place.store.rows("sites")}
    rows = [r for r in place.store.rows("work_list") if r["cause"] == "shading"]
    whole = [r for r in rows if set(re.findall(r"INV\d+", r["why"].partition(" lost ")[0])) == inverters[r["site_id"]]]
    assert whole
    assert not [r for r in whole if "in the open" in r["why"]]


@pytest.mark.parametrize(("known", "least"), [(2, ""), (1, "at least ")])
def test_a_span_without_a_statement_is_no_statement_and_what_it_is_worth_is_told(known, least):
    sums = [{"verdict": "agrees", "statements": 22, "priced": 22, "difference": 200.0, "due": 50_000.0},
            {"verdict": "missing", "statements": 2, "priced": 0, "difference": 0.0, "due": 1880.4, "due_known": known}]
    view = SimpleNamespace(store=SimpleNamespace(rows=lambda *_, **__: sums), rows=lambda *_, **__: "/rows", currency="EUR",
                           linked=lambda text, _: text)
    text = "".join(part if isinstance(part, str) else str(part.children) for part in owner._paid(view))
    assert text.startswith("Of 22 statements over the whole history: ")
    assert "2 missing" in text
    assert text.endswith(f"EUR 200 more was settled than was due. What no statement settles is worth {least}EUR 1,880.")
