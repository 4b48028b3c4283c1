"""Crew sheets as a crew reads them."""

import io
from dataclasses import replace

import pandas as pd
import pypdf
import pytest

from tests.report.invented import HOSTILE_FORMULA, HOSTILE_NAME, assessment
from tests.report.paper import needs_pango, pages
from yieldwatch.action.cautions import CAUTIONS, cautions_of
from yieldwatch.action.methods import LOOK_FIRST, METHODS, method
from yieldwatch.book.facts import Evidence
from yieldwatch.constants import FAULT_FINDINGS, JOB_KINDS
from yieldwatch.report import crew_sheets
from yieldwatch.report.crew_sheets import crew_sheets_html, crew_sheets_pdf


def at_site(**site):
    """The invented assessment, with more on record of the site that is visited."""
    done = assessment()
    birch, alder = done.sites
    return replace(done, sites=(birch, replace(alder, site=replace(alder.site, **site))))


def with_scope(kind, scope):
    done = assessment()
    plan = done.plan.copy()
    plan.loc[plan["row"] == "job", ["job_kind", "scope"]] = [kind, scope]
    return replace(done, plan=plan)


@needs_pango
def test_a_sheet_says_where_what_which_and_what_to_write_down():
    (page,) = pages(crew_sheets_pdf(at_site(address="Mill Lane", access="Gate code at the farm", contact="Ada, 0123")))
    for said in ("Alder Hill", "15 Jul 2025 to 21 Jul 2025", "electrical crew", "51.2000° N, 1.9000° W", "Mill Lane", "Gate code",
                 "Ada, 0123", "Repair strings: S21", "S21 gave no current", "INV2", "24 × mono400",
                 "open: no current", "sound neighbour", "Insul. +", "MΩ", "Serial put in", "Isolated and proved dead by",
                 "Crew lead: name, signature"):
        assert said in page
    # 24 modules of 49 V: 1176 V.
    assert "1,176" in page


@needs_pango
def test_every_caution_of_its_jobs_is_on_the_sheet_and_law_comes_first():
    (page,) = pages(crew_sheets_pdf(assessment()))
    said = page.replace(" ", "")
    for caution in cautions_of(["repair_string"]):
        assert caution.replace(" ", "") in said
    assert "licensed, competent people come before this sheet" in page


@needs_pango
def test_no_money_leaves_the_house_on_a_sheet():
    text = " ".join(pages(crew_sheets_pdf(assessment())))
    assert "GBP" not in text
    assert "250" not in text  # what the visit costs


@needs_pango
def test_the_same_plan_gives_the_same_bytes_on_a4():
    content = crew_sheets_pdf(assessment())
    assert content == crew_sheets_pdf(assessment())
    box = pypdf.PdfReader(io.BytesIO(content)).pages[0].mediabox
    # ISO 216: A4 is 210 mm by 297 mm; a point is 1/72 inch.
    assert [float(box.width), float(box.height)] == pytest.approx([210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.1)


@needs_pango
def test_a_visit_of_many_strings_runs_on_under_its_own_head():
    every = " ".join(f"S{n:02d}" for n in range(1, 25))
    found = pages(crew_sheets_pdf(with_scope("replace_modules", every)))
    assert len(found) > 1
    assert all("Visit V01" in page and "week 15 Jul 2025" in page for page in found)
    text = " ".join(found)
    # in the table of strings, and in the table of readings
    assert all(text.count(f"S{n:02d}") >= 2 for n in range(1, 25))
    assert sum("Insul. +" in page for page in found) > 1


def test_names_cannot_close_a_tag_or_hide_behind_control_characters():
    done = at_site(name=HOSTILE_NAME, address="a\u202egpj.exe</td><img src=x>", access=HOSTILE_FORMULA)
    html = crew_sheets_html(done)
    assert "<script>" not in html
    assert "<img" not in html
    assert "\u202e" not in html
    assert "&lt;script&gt;" in html


@needs_pango
def test_letters_of_many_scripts_are_set_and_a_long_name_breaks():
    name = "Ηλιακό Ñandú Łąka Подсолнух " + "W" * 200
    text = " ".join(pages(crew_sheets_pdf(at_site(name=name))))
    assert "Ηλιακό Ñandú Łąka Подсолнух" in text
    assert text.replace(" ", "").count("W") >= 200


def test_what_is_not_on_record_is_said():
    assert crew_sheets_html(assessment()).count("not on record: ask before you go") == 3


def test_what_is_read_fits_what_is_worked_on():
    sheet = crew_sheets._sheet(crew_sheets.planned_visits(with_scope("inspect", "INV2"))[0])
    assert sheet.jobs[0].rows == ("INV2", "sound neighbour no.")
    assert sheet.jobs[0].parts.rows[0][:4] == ("INV2", "inv100", "100.0", "12")
    sheet = crew_sheets._sheet(crew_sheets.planned_visits(with_scope("clean", "site"))[0])
    assert sheet.jobs[0].rows == ("the site",)
    # 24 strings of 24 modules; the modules' size, the area and the hedge are not on record
    assert sheet.jobs[0].parts.rows == (("576", "24", "2", "", "", ""),)


@needs_pango
def test_a_plan_without_a_visit_gives_a_sheet_that_says_so():
    for plan in (pd.DataFrame(), assessment().plan.iloc[2:]):
        (page,) = pages(crew_sheets_pdf(replace(assessment(), plan=plan)))
        assert "No visit is planned" in page


def test_every_kind_of_job_has_a_method_and_every_fault_a_place_to_look():
    assert set(METHODS) == set(JOB_KINDS)
    assert set(LOOK_FIRST) == set(FAULT_FINDINGS)
    with pytest.raises(ValueError, match="job_kind = dance, not known"):
        method("dance")


def test_a_visits_cautions_are_those_of_all_its_jobs_each_once():
    both = cautions_of(["clean", "repair_string"])
    assert set(both) == {*cautions_of(["clean"]), *cautions_of(["repair_string"])}
    assert len(both) == len(set(both)) <= len(CAUTIONS) + 1
    with pytest.raises(ValueError, match="job_kind = dance, not known"):
        cautions_of(["clean", "dance"])


def test_a_cut_says_what_to_cut_from_where_it_is_seen_and_by_how_much():
    sheet = crew_sheets._sheet(crew_sheets.planned_visits(with_scope("cut_vegetation", "site"))[0])
    hedge, wall = sheet.jobs[0].shade.rows
    # 14.2° above the horizontal: tan(14.2°) is 0.253, so 1.3 m at 5 m, 2.5 m at 10 m, 5.1 m at 20 m.
    assert hedge[2:8] == ("90 to 105° (E)", "14°", "12 to 16", "1.3", "2.5", "5.1")
    # The sun never rises above the wall there: its top is no lower.
    assert wall[3:5] == ("from 20°", "")
    assert "measure it" in sheet.jobs[0].shade.caption


def test_the_way_there_is_told_in_coordinates_and_cables_are_asked_for():
    where = dict(crew_sheets._sheet(crew_sheets.planned_visits(assessment())[0]).where)
    # RFC 5870: latitude, then longitude, in degrees of WGS 84.
    assert where["Position"].endswith("geo:51.20000,-1.90000")
    assert "mark cables" in where["Cable plan"]


def test_photos_in_the_job_book_are_named_on_the_sheet():
    kept = Evidence(3, 7, "photo", None, None, {}, "photos/fuse.jpg", None, "<b>burnt</b>", "Ada", False)
    done = assessment()
    done = replace(done, work_list=done.work_list.assign(job_ref=7))
    assert "photos/fuse.jpg, &lt;b&gt;burnt&lt;/b&gt;" in crew_sheets_html(done, {7: (kept,)})
    assert "Photos in the job book" not in crew_sheets_html(done, {8: (kept,)})
