"""The planner's way: from the limits to the papers, and from a job to what was measured of it."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import quote

import flask
import icalendar
import openpyxl
import pandas as pd
import pytest
from dash._utils import to_json
from werkzeug.exceptions import Forbidden

from dashboards.app import content, create_app
from dashboards.pages import promises
from dashboards.pages.job import _in_words, _written, facts_part
from dashboards.pages.work import listed
from dashboards.papers import kept
from dashboards.parts.curve import _traces
from dashboards.parts.readings import read_rows
from dashboards.planner import Limits, PlanDesk, Working
from dashboards.registry import PAGES
from dashboards.visit import ANALYST, OWNER, PLANNER, Person, Router, Visit, place_of
from tests.dashboards.conftest import NARROW, assert_accessible, assert_fits, visit
from yieldwatch.book.facts import Verdict
from yieldwatch.errors import BookError
from yieldwatch.report.pdf import why_no_pdf

HOSTILE = "<img src=x onerror=alert(1)>=1+1"


def downloaded(page, name: str) -> bytes:
    # Sheets are laid out while the browser waits.
    with page.expect_download(timeout=90_000) as caught:
        page.click(f"main a[href*='/{name}']")
    assert caught.value.suggested_filename == name
    return Path(caught.value.path()).read_bytes()


def test_limits_are_moved_the_plan_is_made_anew_and_its_papers_agree_with_it(page, own):
    visit(page, own, "/plan")
    assert "These are the portfolio's own limits." in page.inner_text("main .lead")
    page.fill("#plan-budget", "1000")
    page.press("#plan-budget", "Enter")
    page.wait_for_url("**budget=1000**")
    page.wait_for_selector(".lead:has-text('With EUR 1,000')")
    visits = page.locator("#plan table").first.locator("tbody tr")
    shown = visits.count()
    assert shown > 0

    rows = list(csv.DictReader(io.StringIO(downloaded(page, "plan.csv").decode())))
    planned = [r for r in rows if r["row"] == "visit"]
    assert len(planned) == shown
    assert sum(float(r["cost"]) for r in planned) <= 1000.0
    assert any("would carry it" in r["why"] for r in rows if r["row"] == "left_out")

    sheet = openpyxl.load_workbook(io.BytesIO(downloaded(page, "plan.xlsx")))["Plan of the year"]
    assert [c.value for c in sheet["B"]].count("V01") == 1 + sum(r["row"] == "job" and r["visit_id"] == "V01" for r in rows)

    events = icalendar.Calendar.from_ical(downloaded(page, "visits.ics")).walk("VEVENT")
    assert {e["DTSTART"].dt.isocalendar()[:2] for e in events} >= {
        tuple(dt.date.fromisoformat(r["start"]).isocalendar()[:2]) for r in planned}
    assert not any("EUR" in str(e["DESCRIPTION"]) for e in events)

    if not why_no_pdf():
        pypdf = pytest.importorskip("pypdf")
        text = "".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(downloaded(page, "crew_sheets.pdf"))).pages)
        assert all(r["visit_id"] in text for r in planned)
        assert "EUR" not in text


@pytest.fixture
def after_a_reading(own) -> Iterator[str]:
    """A planned job that a reading comes before: whether the sample's evidence calls for one is not for these tests to say."""
    (job, *_) = (r["job_id"] for r in own.place.store.rows("plan") if r["row"] == "job" and r["job_kind"] == "repair_string")

    def write(reading: str | None) -> None:
        with contextlib.closing(sqlite3.connect(own.place.store.path)) as file, file:
            file.execute("UPDATE work_list SET read_first = ? WHERE job_id = ?", (reading, job))

    write("trace the string and its neighbours in one sitting: for EUR 60")
    yield job
    write(None)


def test_a_job_after_a_reading_is_marked_and_the_reading_s_cost_is_said_to_come_on_top(page, own, after_a_reading):
    first = [r for r in own.place.store.rows("work_list") if r["read_first"]]
    assert after_a_reading in {r["job_id"] for r in first}
    visit(page, own, "/plan")
    page.wait_for_selector("#plan .lead")
    assert page.locator("#plan li", has_text=", after a reading").count() == len(first)
    assert "come on top of these sums" in page.inner_text("#plan")
    visit(page, own, "/plan?set=1&budget=0")
    page.wait_for_selector("#plan .lead")
    assert "come on top of these sums" not in page.inner_text("#plan")


def test_an_address_with_limits_shows_the_same_plan_to_whoever_opens_it(page, own):
    said = []
    for view in ("visits", "weeks", "map"):
        visit(page, own, f"/plan?set=1&crew_days=1.5&view={view}")
        page.wait_for_selector("#plan .lead")
        said.append(page.inner_text("#plan .lead"))
    assert said[0].startswith("With no limit on money and 1.5 crew days")
    assert len(set(said)) == 1


def test_the_plan_says_why_it_and_the_work_list_do_not_hold_the_same_jobs(page, own):
    listed_ = {r["job_id"] for r in own.place.store.rows("work_list") if r["chosen"] or r["safety"]}
    planned = {r["job_id"] for r in own.place.store.rows("plan", {"row": "job"})}
    assert planned - listed_, "the sample has a cleaning that pays only later in the year"
    visit(page, own, "/plan")
    page.wait_for_selector("#plan .lead")
    said = page.inner_text("#plan .lead + p")
    assert f"The work list advises {len(listed_)} jobs, the plan holds {len(planned)}:" in said
    assert "Only later in the year worth its cost: Clean the modules at El Terrajal" in said
    assert "Advised and not in this plan" not in said
    visit(page, own, "/plan?set=1&budget=600")
    page.wait_for_selector("#plan .lead:has-text('With EUR 600')")
    # Other limits are the reason then, and the lead says what they leave out.
    assert "Against the portfolio's own limits it leaves out" in page.inner_text("#plan .lead")
    assert "The work list advises" not in page.inner_text("#plan")


def test_a_plan_that_takes_its_time_says_so_and_comes_by_itself(page, own, monkeypatch):
    monkeypatch.setattr("dashboards.pages.plan._WAIT", 0.0)
    visit(page, own, "/plan?set=1&budget=1234")
    page.wait_for_selector("#plan .lead:has-text('With EUR 1,234')")
    assert page.locator("#plan progress").count() == 0


def test_a_plan_asked_for_twice_is_made_once_and_says_how_many_jobs_it_weighs(own):
    at = PlanDesk(own.place.store)
    first = at.plan(Limits(777.0, None), 0.0)
    assert isinstance(first, Working)
    assert first.jobs == len(own.place.store.rows("work_list"))
    made = at.plan(Limits(777.0, None), 60.0)
    assert at.plan(Limits(777.0, None), 0.0) is made


@pytest.mark.parametrize("limit", ["nan", "-1", "1e400", "5,000", HOSTILE])
def test_a_limit_that_is_no_number_is_said_and_not_guessed(page, own, limit):
    visit(page, own, f"/plan?set=1&budget={quote(limit)}")
    assert "budget: this is not a number from 0 up" in page.inner_text("main [role=alert]")
    assert page.locator("main img").count() == 0


def test_safety_work_is_planned_even_without_money_and_it_is_said(page, own):
    visit(page, own, "/plan?set=1&budget=0")
    page.wait_for_selector("#plan .lead")
    assert "Work for safety alone takes" in page.inner_text("#plan .lead")
    assert page.locator("#plan tbody strong:has-text('For safety')").count() == 1


def test_two_people_who_change_one_fact_are_told_of_each_other(browser, own):
    job = next(j for j in own.place.jobs.all() if not j.advised and not j.safety)
    own.place.jobs.book().change(job.ref, "ann", {"decision": "do"})
    first, second = (browser.new_context().new_page() for _ in range(2))
    for who in (first, second):
        who.set_default_timeout(30_000)
        visit(who, own, f"/jobs/{job.ref}")
    box, press = "label:has-text('Booked for') input", "button:has-text('Record the booking')"
    first.fill(box, "2031-05-06")
    first.click(press)
    first.wait_for_selector("#job-said:has-text('Written')")
    second.fill(box, "2031-07-01")
    second.click(press)
    second.wait_for_selector("#job-said [role=alert]")
    told = second.inner_text("#job-said")
    assert "Someone else changed this job" in told
    assert "2031-05-06" in told
    assert "2031-07-01" in told
    assert str(own.place.jobs.book().job(job.ref).booked_for) == "2031-05-06"
    assert second.input_value(box) == "2031-07-01"

    second.click("button:has-text('Keep what I typed')")
    # The warning before has words of both.
    second.wait_for_selector("#job-said .done:has-text('Record it once more')")
    second.click(press)
    second.wait_for_selector("#job-said .done:has-text('Written, version')")
    assert str(own.place.jobs.book().job(job.ref).booked_for) == "2031-07-01"
    for who in (first, second):
        who.context.close()


def test_what_another_decided_is_told_in_the_words_of_the_form():
    line = 'ann set decision from nothing to "do" on 2031-05-06 09:22 UTC; yours: "no"'
    assert _in_words(line, "decision") == (
        "ann set “Decision” from nothing to “Do it” on 2031-05-06 09:22 UTC; yours: “Not worth it”")
    assert _in_words('"do" set note from nothing to "do" on 2031-05-06 09:22 UTC', "note") == (
        '"do" set “Note” from nothing to "do" on 2031-05-06 09:22 UTC')


def test_a_fact_that_cannot_be_is_refused_with_what_is_expected(page, own):
    job = next(j for j in own.place.jobs.all() if j.safety)
    visit(page, own, f"/jobs/{job.ref}")
    page.fill("label:has-text('Booked for') input", "soon")
    page.click("button:has-text('Record the booking')")
    page.wait_for_selector("#job-said [role=alert]")
    assert 'booked_for = "soon", not a date' in page.inner_text("#job-said")
    assert own.place.jobs.book().job(job.ref).version == job.version


def test_a_decision_is_recorded_by_one_press_and_its_promise_kept_with_it(page, own):
    job = next(j for j in own.place.jobs.all() if j.advised and not j.safety and j.decision is None)
    visit(page, own, f"/jobs/{job.ref}")
    page.fill("label:has-text('the figure that would change it') input", "a quote above 900")
    page.click("button:has-text('Do it')")
    page.wait_for_selector("#job-said:has-text('Written')")
    kept = own.place.jobs.book().job(job.ref)
    assert (kept.decision, kept.reason, kept.agreed_kwh_per_year) == ("do", "a quote above 900", job.gain_kwh_per_year)
    assert page.locator("button[aria-pressed=true]:has-text('Do it')").count() == 1
    page.click("section:has(h2:has-text('What holds it up')) button:has-text('A part')")
    page.wait_for_selector("#job-said:has-text('waiting for a part')")
    assert own.place.jobs.book().job(job.ref).waiting_for == "part"


def test_text_of_users_is_shown_as_text(page, own):
    job = next(j for j in own.place.jobs.all() if j.safety)
    visit(page, own, f"/jobs/{job.ref}")
    page.fill("label:has-text('Note') textarea", HOSTILE)
    page.click("button:has-text('Record the note')")
    page.wait_for_selector("#job-said:has-text('Written')")
    visit(page, own, f"/jobs/{job.ref}")
    page.click("summary:has-text('Every change')")
    assert HOSTILE in page.inner_text("main")
    assert page.locator("main img").count() == 0


def test_readings_are_typed_and_read_from_a_file_after_a_look(page, own, tmp_path):
    job = next(j for j in own.place.jobs.all() if j.job_kind == "repair_string")
    book = own.place.jobs.book()
    visit(page, own, f"/jobs/{job.ref}")
    page.click("summary:has-text('Type in readings')")
    page.fill("label:has-text('Pmp') input", "3412")
    page.fill("label:has-text('Taken at') input", "2025-06-30T13:45+01:00")
    page.click("button:has-text('Add as before the work')")
    page.wait_for_selector("#readings-said:has-text('Kept as reading')")
    assert [e.readings for e in book.evidence(job.ref)] == [{"p_mp_w": 3412.0}]

    file, mine = tmp_path / "after.csv", next(iter(sorted(job.parts)))
    file.write_text(f"kind,part,at,p_mp_w,note\nafter,{mine},2025-07-02T12:00Z,3900,fine\n"
                    f"after,{mine},2025-07-02T12:05Z,much,\n")
    page.click("summary:has-text('Read them from a file')")
    page.set_input_files("#readings-file input[type=file]", file)
    page.wait_for_selector("#readings-preview:has-text('Nothing is kept yet')")
    assert "1 row would be kept, 1 set aside" in page.inner_text("#readings-preview")
    assert 'p_mp_w = "much", not a number' in page.inner_text("#readings-preview")
    assert len(book.evidence(job.ref)) == 1
    page.click("button:has-text('Keep 1 row')")
    page.wait_for_selector("#readings-said:has-text('Kept 1 reading')")
    assert [e.readings["p_mp_w"] for e in book.evidence(job.ref)] == [3412.0, 3900.0]


def test_a_reading_of_a_part_that_is_nowhere_is_refused_and_one_of_a_neighbour_is_called_so(page, own):
    job = next(j for j in own.place.jobs.all() if j.job_kind == "repair_string")
    strings = own.place.store.rows("string_findings", {"site_id": job.site_id}, columns=("string_id",))
    other = next(r["string_id"] for r in strings if r["string_id"].partition(".")[0] != next(iter(job.parts)).partition(".")[0])
    visit(page, own, f"/jobs/{job.ref}")
    page.click("summary:has-text('Type in readings')")
    page.fill("#job-evidence label:has-text('String or inverter') input", "S99")
    page.fill("label:has-text('Voc') input", "742")
    page.click("button:has-text('Add as before the work')")
    page.wait_for_selector("#readings-said:has-text('no string or inverter of')")
    assert "S99" not in [e.part for e in own.place.jobs.book().evidence(job.ref)]
    # What was typed is still there.
    assert page.input_value("label:has-text('Voc') input") == "742"
    page.fill("#job-evidence label:has-text('String or inverter') input", other)
    page.click("button:has-text('Add as before the work')")
    page.wait_for_selector(f"#readings-said:has-text('{other} is a neighbour, not of the job')")
    assert page.locator(f"td:has-text('{other} (a neighbour, not of the job)')").count() == 1


def test_readings_before_and_after_stand_against_each_other_and_one_is_taken_back(page, own):
    job = next(j for j in own.place.jobs.all() if j.job_kind == "clean")
    book = own.place.jobs.book()
    for kind, power in (("before", 3200.0), ("after", 3600.0)):
        book.add_reading(
            job.ref, "Ann", kind, {"p_mp_w": power, "poa_global_w_m2": 800.0, "temp_module_c": 25.0}, part="INV1.1.1")
    visit(page, own, f"/jobs/{job.ref}")
    row = page.locator("tr:has-text('3,200 W')").first.inner_text().replace("\u00a0", " ")
    # 3600 over 3200 in the same light and warmth is an eighth more.
    for said in ("INV1.1.1", "Pmp", "3,200 W", "3,600 W", "+12.5 %"):
        assert said in row
    page.locator("button:has-text('Take it back')").first.click()
    page.wait_for_selector("#readings-said:has-text('is taken back')")
    assert [e.withdrawn for e in book.evidence(job.ref)] == [True, False]
    assert page.locator("td:has-text('+12.5 %')").count() == 0


@pytest.mark.parametrize(("asked", "top", "end"), [(600.0, 16_000.0, 1150.0), (8000.0, 16_000.0, 9200.0), (None, None, 1150.0),
                                                   (900.0, 1010.0, 1010.0)])
def test_the_curve_ends_a_little_beyond_its_plans_and_the_budget_asked_about(asked, top, end):
    points = [SimpleNamespace(budget=b, gain=2 * b, low=b, high=3 * b) for b in (200.0, 1000.0)]
    rows = [{"to": "/plan"} for _ in points]
    traces = _traces(rows, SimpleNamespace(points=points, top=top), Limits(asked, None), "EUR", None)
    ends = [t["x"][-1] for t in traces if t["mode"] == "lines"]
    assert ends == pytest.approx([end] * len(ends))


def test_a_press_on_the_curve_over_budgets_takes_that_budget(page, own):
    visit(page, own, "/plan")
    page.wait_for_selector("#chart-curve .main-svg")
    budgets = page.locator("#plan-curve tbody tr td:first-child")
    asked = [float(t.replace(",", "")) for t in budgets.all_inner_texts()]
    assert asked == sorted(asked)
    assert len(asked) > 2
    # What is typed is rounded up; what is said is the sum that the plan above takes.
    most = re.search(r"More than the EUR\s([\d,]+)", page.inner_text("#plan-curve"))[1]
    assert f"take EUR {most}" in page.inner_text("#plan .lead").replace("\xa0", " ")
    point = page.locator("#chart-curve .points path.point").nth(1)
    point.scroll_into_view_if_needed()
    box = point.bounding_box()
    # The picture's own layer lies over its points.
    at = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.move(*at)
    page.mouse.click(*at)
    page.wait_for_url(f"**budget={asked[1]:.0f}**")
    page.wait_for_selector(f".lead:has-text('With EUR {asked[1]:,.0f}')")
    # The plan of a budget spends it, but for the rounding up to whole money.
    spent = float(re.search(r"They take EUR\s([\d,]+)", page.inner_text("#plan .lead"))[1].replace(",", ""))
    assert asked[1] - 1.0 <= spent <= asked[1]
    assert_accessible(page)


def test_a_calendar_taken_away_cancels_what_the_one_before_held(own):
    client = create_app(own.place).server.test_client()

    def told(address):
        answer = client.get(address)
        assert answer.status_code == 200
        events = icalendar.Calendar.from_ical(answer.data).walk("VEVENT")
        return {str(e["uid"]): (str(e["status"]), e["sequence"]) for e in events}

    full, little, again = (told(f"/plan/visits.ics{limits}") for limits in ("", "?set=1&budget=0", ""))
    assert set(full) <= set(little)
    # Some may be cancelled already, where an earlier calendar held a visit that is planned no longer.
    gone = [uid for uid in full if full[uid][0] != "CANCELLED" and little[uid][0] == "CANCELLED"]
    assert gone
    assert all(full[uid][1] < little[uid][1] < again[uid][1] and again[uid][0] == full[uid][0] for uid in gone)


#: A job of inverter I1, as far as a file of readings asks.
OF_I1 = SimpleNamespace(site_id="moor", scope="I1", agreed_scope=None, parts=frozenset({"I1"}))


@pytest.mark.parametrize("content", [
    b"", b"part,p_mp_w\nS1,3\n", b"kind,colour\nafter,red\n", b"kind,p_mp_w\n", b"\xff\xfe", b"kind,kind\nafter,after\n",
    b"kind,p_mp_w\n" + b"after,1\n" * 201])
def test_a_file_that_holds_no_readings_is_refused_whole(content):
    with pytest.raises(BookError):
        read_rows(content, OF_I1, {})


@pytest.mark.parametrize(("row", "why"), [
    (b"during,,,1", "before or after"), (b"after,,,", "none given"), (b"after,,,1e12", "not possible"),
    (b"after,,noon,1", "not a time"), (b"after,,2025-07-02T12:00,1", "offset"), (b"after,,2099-01-01T00:00Z,1", "still to come"),
    (b"after,,,1,2,3", "more fields"), (b"after,I9,,1", "no string or inverter of moor")])
def test_a_row_that_cannot_be_kept_says_why(row, why):
    (read,) = read_rows(b"kind,part,at,p_mp_w\n" + row + b"\n", OF_I1, {"I1": "I1", "I1.1": "I1"})
    assert why in read.wrong
    assert not read.readings


def test_a_job_says_why_and_what_waiting_costs_in_words_table_and_picture(page, own):
    row = own.place.store.rows("work_list", {"chosen": 1, "safety": 0}, ["rank"], limit=1)[0]
    visit(page, own, f"/work/{row['job_id']}")
    assert "each week after it costs" in page.inner_text("main")
    page.wait_for_selector(".js-plotly-plot")
    page.click("summary:has-text('The figures as a table')")
    assert page.locator("figure tbody tr").count() == 53
    assert_accessible(page)
    page.set_viewport_size(NARROW)
    visit(page, own, f"/work/{row['job_id']}")
    assert_fits(page)


def test_a_role_that_may_not_write_gets_no_boxes_and_no_answer(own):
    job = own.place.jobs.all()[0]
    shown = str(facts_part(job, Person("ann", frozenset({ANALYST})), "EUR"))
    assert "'type': 'save'" not in shown
    assert "'type': 'fact'" not in shown
    planner = str(facts_part(job, Person("ann", frozenset({PLANNER})), "EUR"))
    assert "'group': 'booking'" in planner
    assert "'group': 'decision'" not in planner
    server = create_app(own.place).server
    before = own.place.jobs.book().last_change()
    with server.test_request_context():
        flask.g.person = Person("ann", frozenset({ANALYST}))
        with pytest.raises(Forbidden):
            _written(own.place, job.ref, job.version, "booking", {"booked_for": ""}, {"booked_for": "2031-01-01"})
    assert own.place.jobs.book().last_change() == before


def test_promises_of_one_period_stand_against_those_of_another(own):
    book = own.place.jobs.book()
    jobs = [j for j in own.place.jobs.all() if j.job_kind == "repair_inverter"][:2]
    for job, day, gain in zip(jobs, ("2024-05-06", "2025-05-06"), (100.0, 250.0), strict=True):
        book.change(job.ref, "ann", {"decision": "do"})
        book.change(job.ref, "ann", {"done_on": dt.date.fromisoformat(day)})
        book.record_verdict(job.ref, "ann", Verdict(gain, gain - 50.0, gain + 50.0, 40.0, "Worked.", 200.0))
    whole, one, both = (str(promises.build(Visit(own.place, Person("ann"), "/promises", {}, query))) for query in (
        {}, {"from": "2025-05", "to": "2025-05"},
        {"from": "2025-05", "to": "2025-05", "against_from": "2024-05", "against_to": "2024-05"}))
    # 100 + 250 kWh proven, each within 50 of it, where 200 were promised of each.
    assert "400 kWh were promised and 350 kWh proven (250 to 450" in whole
    assert "200 kWh were promised and 250 kWh proven (200 to 300" in one
    assert "100 kWh proven (50 to 150" not in one
    assert "100 kWh proven (50 to 150" in both


def test_a_planners_workbook_holds_the_work_and_neither_income_nor_return(own):
    server = create_app(own.place).server
    books = []
    for role in (OWNER, PLANNER):
        with server.test_request_context(), contextlib.closing(_as(role, own.place)) as answer:
            answer.direct_passthrough = False
            books.append(openpyxl.load_workbook(io.BytesIO(answer.get_data())))
    whole, part = books
    assert {"Statements", "Budget to income", "Return"} <= set(whole.sheetnames)
    assert part.sheetnames == ["Work list", "Plan of the year", "Left out of the plan", "Not now", "Cautions",
                               "What the columns mean"]
    assert [c.value for c in part["Work list"]["B"]] == [c.value for c in whole["Work list"]["B"]]


def _as(role, place):
    flask.g.person = Person("ann", frozenset({role}))
    return listed(place, "work_list.xlsx")


def test_no_week_is_best_for_a_job_that_is_worse_than_doing_nothing_in_each(place):
    rows = [r for r in place.store.rows("work_list") if r["best_start"]]
    never = {r["rank"] for r in rows if r["npv_best_start"] is not None and r["npv_best_start"] <= 0.0}
    assert 0 < len(never) < len(rows)
    built = str(content(Router(PAGES), place, Person("x"), "/work", {}).to_plotly_json())
    told = {int(rank): last for rank, last in re.findall(r"<tr><td[^>]*><div>(\d+)\. .*?<td[^>]*>([^<]*)</td></tr>", built)}
    assert {r["rank"] for r in rows if not told[r["rank"]]} == never


def test_the_work_list_is_narrowed_and_taken_away(page, own):
    visit(page, own, "/work?show=not")
    # What the plan has in a later week is not for now either.
    advice = set(page.locator("tbody .advice").all_inner_texts())
    assert "not now" in advice
    assert advice <= {"not now", "later"}
    assert downloaded(page, "work_list.csv") == (own.place.folder / "work_list.csv").read_bytes()
    assert openpyxl.load_workbook(io.BytesIO(downloaded(page, "work_list.xlsx"))).sheetnames[0] == "Work list"


def test_a_book_that_cannot_be_read_is_said_where_jobs_stand_and_no_paper_goes_by_old_states(own):
    hidden = place_of(own.place.portfolio, own.place.folder, str(own.place.portfolio / "no_such_book.sqlite"))
    (job,) = own.place.store.rows("plan", {"row": "job"})[:1]
    for path in ("/work", f"/work/{job['job_id']}", "/plan"):
        built = to_json(content(Router(PAGES), hidden, Person("x"), path, {}))
        assert "Where jobs stand now is not known" in built, path
        assert "Where jobs stand now is not known" not in to_json(content(Router(PAGES), own.place, Person("x"), path, {})), path
    table = pd.DataFrame(hidden.store.rows("plan"), columns=hidden.store.columns("plan"))
    with pytest.raises(BookError):
        kept(hidden, table)


def test_a_job_done_or_declined_since_the_assessment_leaves_the_plan_and_stands_so_in_the_work_list(page, own):
    planned = {r["job_id"] for r in own.place.store.rows("plan", {"row": "job"})}
    rows = [r for r in own.place.store.rows("work_list") if r["job_id"] in planned and r["job_kind"] == "repair_string"]
    safe = next(r for r in own.place.store.rows("work_list") if r["safety"])
    book = own.place.jobs.book()
    before = PlanDesk(own.place.store, own.place.jobs).closed()
    gone, declined = [r for r in rows if r["job_id"] not in before][:2]
    for fact in ({"decision": "do"}, {"done_on": dt.date(2025, 7, 9)}):
        book.change(int(gone["job_ref"]), "ann", fact, book.job(int(gone["job_ref"])).version)
    for row in (declined, safe):
        book.change(int(row["job_ref"]), "ann", {"decision": "no"}, book.job(int(row["job_ref"])).version)

    visit(page, own, "/plan")
    page.wait_for_selector("#plan .lead")
    (said,) = [p for p in page.locator("#plan p").all_inner_texts() if "since the assessment" in p]
    assert said.startswith("Done or turned down in the job book since the assessment, and not planned: ")
    on = " ".join(page.locator("#plan .jobs-of-visit").all_inner_texts())
    for row in (gone, declined):
        assert row["scope"] in said
        assert row["scope"] not in on
    # What must be made safe is planned until it is done.
    assert safe["scope"] in on
    advised = page.inner_text("#plan .lead + p")
    assert not any(row["scope"] in advised for row in (gone, declined))
    table = list(csv.DictReader(io.StringIO(downloaded(page, "plan.csv").decode())))
    whys = {r["job_id"]: r["why"] for r in table if r["row"] == "left_out"}
    assert whys[gone["job_id"]] == "In the job book since the assessment: done."
    assert whys[declined["job_id"]] == "In the job book since the assessment: declined."

    visit(page, own, "/work")
    row = page.locator("tbody tr", has_text=gone["scope"])
    assert row.locator(f"a[href='/jobs/{int(gone['job_ref'])}']").inner_text() == "done"
    with create_app(own.place).server.test_request_context(), contextlib.closing(_as(PLANNER, own.place)) as answer:
        answer.direct_passthrough = False
        sheet = openpyxl.load_workbook(io.BytesIO(answer.get_data()))["Work list"]
    assert {"done", "declined"} <= {c.value for column in sheet.columns for c in column}
