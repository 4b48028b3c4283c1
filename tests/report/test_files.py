"""Which files are written, and what is said of those that are not."""

from dataclasses import replace

import pandas as pd

from tests.report.invented import assessment
from tests.report.paper import needs_pango
from yieldwatch import report
from yieldwatch.report import write_report
from yieldwatch.report.visit_calendar import visits_ics


@needs_pango
def test_the_files_that_people_take_away_are_there(tmp_path):
    assert write_report(assessment(), tmp_path) == ()
    for name, start in (("crew_sheets.pdf", b"%PDF"), ("monthly_report.pdf", b"%PDF"),
                        ("visits.ics", b"BEGIN:VCALENDAR"), ("work_list.xlsx", b"PK")):
        assert (tmp_path / name).read_bytes().startswith(start)


def test_without_the_library_for_pages_all_else_is_written_and_it_is_said(tmp_path, monkeypatch):
    (tmp_path / "crew_sheets.pdf").write_text("of an earlier run")
    monkeypatch.setattr(report, "why_no_pdf", lambda: "No PDF was written: no Pango.")
    assert write_report(assessment(), tmp_path) == ("No PDF was written: no Pango.",)
    names = {path.name for path in tmp_path.iterdir()}
    assert {"work_list.xlsx", "visits.ics", "plan.csv", "report.html", "monthly_report.html"} <= names
    assert not any(name.endswith(".pdf") for name in names)


def test_a_calendar_of_an_earlier_run_is_cancelled_when_no_visit_is_planned(tmp_path):
    (tmp_path / "visits.ics").write_bytes(visits_ics(assessment()))
    write_report(replace(assessment(), plan=pd.DataFrame()), tmp_path)
    assert b"STATUS:CANCELLED" in (tmp_path / "visits.ics").read_bytes()


def test_a_calendar_of_an_earlier_run_that_cannot_be_read_goes_and_it_is_said(tmp_path):
    (tmp_path / "visits.ics").write_text("of an earlier run")
    missing = write_report(replace(assessment(), plan=pd.DataFrame()), tmp_path)
    assert not (tmp_path / "visits.ics").exists()
    assert "visits.ics: an earlier one cannot be read" in missing[-1]
