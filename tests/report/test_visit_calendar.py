"""The calendar file, read back and held against its standard."""

import datetime as dt
from dataclasses import replace

import icalendar
import pytest

from tests.report.invented import assessment
from tests.report.invented_jobs import HOSTILE_NAME
from yieldwatch.portfolio.model import DaysOff
from yieldwatch.report.crew_sheets import crew_sheets_html
from yieldwatch.report.visit_calendar import visits_ics
from yieldwatch.report.visits import days_off_words, planned_visits, working_spans


def changed(done=None, **values):
    """The invented assessment with its visit changed."""
    done = done or assessment()
    plan = done.plan.copy()
    for name, value in values.items():
        plan.loc[plan["row"] == "visit", name] = value
    return replace(done, plan=plan)


def events(content):
    return icalendar.Calendar.from_ical(content).walk("VEVENT")


def test_a_calendar_leads_to_the_gate_and_says_the_way_there():
    done = assessment()
    birch, alder = done.sites
    told = {"directions": "Up the lane", "gate_latitude": 51.2011, "gate_longitude": -1.9022, "emergency": "112, at the gate"}
    done = replace(done, sites=(birch, replace(alder, site=replace(alder.site, **told))))
    (event,) = events(visits_ics(done))
    assert (event["geo"].latitude, event["geo"].longitude) == (51.2011, -1.9022)
    for said in ("Way there: Up the lane", "Gate: 51.2011° N, 1.9022° W", "Emergency: 112, at the gate"):
        assert said in str(event["description"])


def test_desk_work_is_a_day_of_the_office_with_its_term_and_no_place_to_go_to():
    done = changed(crew="office", crew_hours=0.0, crew_days=0.0, row="office")
    listed = done.work_list.copy()
    listed.loc[listed["job_id"] == "J1", "due_to"] = "2025-09-30"
    plan = done.plan.copy()
    plan.loc[plan["row"] == "job", ["job_kind", "cause"]] = ["claim", "degradation"]
    (event,) = events(visits_ics(replace(done, plan=plan, work_list=listed)))
    assert str(event["summary"]) == "Alder Hill, office: make a claim"
    assert event.decoded("dtend") - event.decoded("dtstart") == dt.timedelta(days=1)
    assert "To be sent by 30 Sep 2025" in str(event["description"])
    assert "of one crew" not in str(event["description"])
    assert "geo" not in event
    assert "location" not in event


def test_a_visit_is_a_span_of_whole_days_in_its_week():
    (event,) = events(visits_ics(assessment()))
    # 0.75 days from Tuesday 15 July on; the end of a span of dates is exclusive (RFC 5545, 3.6.1).
    assert event.decoded("dtstart") == dt.date(2025, 7, 15)
    assert event.decoded("dtend") == dt.date(2025, 7, 16)
    assert str(event["summary"]) == "Alder Hill, electrical crew: repair strings"
    assert (event["geo"].latitude, event["geo"].longitude) == (51.2, -1.9)
    for said in ("Visit V01", "15 Jul 2025 to 21 Jul 2025", "Repair strings: S21", "6.0 h (0.8 days of 8 h) of one crew",
                 "licensed persons", "does not wait", "crew_sheets.pdf"):
        assert said in str(event["description"])
    assert "GBP" not in str(event["description"])


@pytest.mark.sourced
def test_the_file_keeps_the_rules_of_its_standard():
    # Source: RFC 5545 (from memory): 3.1, lines end in CRLF and hold 75 octets at most; 3.6, VERSION and PRODID once;
    # 3.6.1, UID and DTSTAMP in each event, DTSTAMP in UTC; 3.3.11, backslash, comma and semicolon are escaped; 3.8.1.6, GEO.
    name = "Sonnenhügel; South, East \\ North " + "ö" * 90
    done = assessment()
    birch, alder = done.sites
    content = visits_ics(replace(done, sites=(birch, replace(alder, site=replace(alder.site, name=name)))))
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    for line in lines:
        line.decode()  # no letter is cut in two
    unfolded = content.replace(b"\r\n ", b"").decode()
    assert unfolded.count("\r\nVERSION:2.0\r\n") == unfolded.count("\r\nPRODID:") == 1
    assert "SUMMARY:Sonnenhügel\\; South\\, East \\\\ North ö" in unfolded
    assert "\r\nDTSTART;VALUE=DATE:20250715\r\n" in unfolded
    assert "\r\nDTSTAMP:20250701T000000Z\r\n" in unfolded
    (event,) = events(content)
    assert str(event["summary"]).startswith(name)


def test_the_same_plan_gives_the_same_bytes_and_a_visit_that_moves_keeps_its_identity():
    first = visits_ics(assessment())
    assert first == visits_ics(assessment()) == visits_ics(assessment(), [first])
    moved = visits_ics(changed(start="2025-07-22"), [first])
    (before,), (after,) = events(first), events(moved)
    assert before["uid"] == after["uid"]
    assert after.decoded("dtstart") == dt.date(2025, 7, 22)
    assert after["sequence"] > before["sequence"]
    assert after.decoded("dtstamp") > before.decoded("dtstamp")
    (back,) = events(visits_ics(assessment(), [first, moved]))
    assert back["sequence"] > after["sequence"]
    (later,) = events(visits_ics(replace(assessment(), as_of=dt.date(2025, 7, 2))))
    assert later["sequence"] > after["sequence"]
    (other,) = events(visits_ics(changed(crew="cleaning")))
    assert other["uid"] != before["uid"]


@pytest.mark.sourced
def test_a_visit_no_longer_planned_is_cancelled_until_its_day_has_passed():
    # Source: RFC 5545 (from memory): 3.8.1.11, STATUS:CANCELLED; 3.8.7.4, a revision has the same UID and a higher SEQUENCE.
    first = visits_ics(changed(start="2025-07-17", crew_days=4.0))
    none = replace(assessment(), plan=assessment().plan.iloc[:0])
    kept = visits_ics(none, [first])
    for old, new in zip(events(first), events(kept), strict=True):
        assert (new["status"], new["uid"], new["dtstart"], new["summary"]) == (
            "CANCELLED", old["uid"], old["dtstart"], old["summary"])
        assert new["sequence"] > old["sequence"]
    # It stays cancelled in later files, with the same number, and comes back with a higher one.
    assert visits_ics(none, [first, kept]) == visits_ics(none, [kept]) == kept
    back = events(visits_ics(changed(start="2025-07-17", crew_days=4.0), [kept]))
    assert [e["status"] for e in back] == ["TENTATIVE"] * 2
    assert min(e["sequence"] for e in back) > max(e["sequence"] for e in events(kept))
    # The first part ends with Friday 18 July, the second with Tuesday 22 July.
    halfway = replace(none, as_of=dt.date(2025, 7, 21))
    assert [e.decoded("dtstart") for e in events(visits_ics(halfway, [kept]))] == [dt.date(2025, 7, 21)]
    assert visits_ics(replace(none, as_of=dt.date(2025, 7, 23)), [kept]) == b""


@pytest.mark.parametrize("content", [
    b"no calendar", b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:1\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"])
def test_an_earlier_file_that_cannot_be_read_is_said(content):
    with pytest.raises(ValueError, match=r".+"):
        visits_ics(assessment(), [content])


@pytest.mark.parametrize(
    ("start", "days", "spans"),
    [
        ("2025-07-15", 0.75, [("2025-07-15", "2025-07-15")]),  # a Tuesday
        ("2025-07-15", 2.0, [("2025-07-15", "2025-07-16")]),
        ("2025-07-15", 2.01, [("2025-07-15", "2025-07-17")]),
        ("2025-07-19", 1.0, [("2025-07-21", "2025-07-21")]),  # a Saturday
        ("2025-07-17", 4.0, [("2025-07-17", "2025-07-18"), ("2025-07-21", "2025-07-22")]),  # over a weekend
        ("2025-07-15", float("nan"), [("2025-07-15", "2025-07-15")]),
    ],
)
def test_a_visit_takes_working_days_from_the_first_of_its_week(start, days, spans):
    (visit,) = planned_visits(changed(start=start, crew_days=days))
    found = working_spans(visit)
    assert [(a.isoformat(), b.isoformat()) for a, b in found] == spans


def off(done, first, last):
    birch, alder = done.sites
    days = (DaysOff(dt.date.fromisoformat(first), dt.date.fromisoformat(last), "<b>harvest</b>"),)
    return replace(done, sites=(birch, replace(alder, site=replace(alder.site, days_off=days))))


def test_a_visit_is_on_no_day_on_which_no_crew_works_and_says_why():
    # Two days from Tuesday on, with Wednesday and Thursday off: Tuesday and Friday.
    done = off(changed(start="2025-07-15", crew_days=2.0), "2025-07-16", "2025-07-17")
    (visit,) = planned_visits(done)
    assert [(a.day, b.day) for a, b in working_spans(visit)] == [(15, 15), (18, 18)]
    assert days_off_words(visit) == "No crew works on 16 Jul 2025 (<b>harvest</b>) and 17 Jul 2025 (<b>harvest</b>)."
    assert "16 Jul 2025" in str(events(visits_ics(done))[0]["description"])
    assert "(&lt;b&gt;harvest&lt;/b&gt;)" in crew_sheets_html(done)


def test_a_visit_whose_year_is_all_off_still_has_a_day():
    (visit,) = planned_visits(off(changed(start="2025-07-15"), "2025-01-01", "2099-12-31"))
    assert [a.day for a, _ in working_spans(visit)] == [15]


def test_a_visit_over_a_weekend_is_two_events_that_say_so():
    found = events(visits_ics(changed(start="2025-07-17", crew_days=4.0)))
    assert [str(e["summary"])[-8:] for e in found] == ["(1 of 2)", "(2 of 2)"]
    assert len({e["uid"] for e in found}) == 2


def test_names_cannot_end_a_line_or_open_another_event():
    done = assessment()
    birch, alder = done.sites
    nasty = "x\r\nEND:VEVENT\r\nBEGIN:VALARM\nACTION:PROCEDURE\u202e"
    site = replace(alder.site, name=nasty, address=HOSTILE_NAME, access=nasty, contact=nasty)
    calendar = icalendar.Calendar.from_ical(visits_ics(replace(done, sites=(birch, replace(alder, site=site)))))
    assert [c.name for c in calendar.walk()] == ["VCALENDAR", "VEVENT"]
    (event,) = calendar.walk("VEVENT")
    assert "\u202e" not in str(event["summary"])
    assert str(event["location"]) == HOSTILE_NAME
