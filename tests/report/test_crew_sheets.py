"""Crew sheets as a crew reads them."""

import base64
import io
import re
from dataclasses import replace

import pandas as pd
import pypdf
import pytest
from PIL import Image
from pypdf.generic import DictionaryObject, NameObject, TextStringObject

from tests.book.build import raise_job
from tests.report.invented import MODULE, assessment
from tests.report.invented_jobs import HOSTILE_FORMULA, HOSTILE_NAME
from tests.report.paper import needs_pango, pages
from yieldwatch.action.cautions import CAUTIONS, cautions_of
from yieldwatch.action.methods import BOXES, LOOK_FIRST, METHODS, method
from yieldwatch.book.evidence import photo_reference
from yieldwatch.book.facts import Evidence
from yieldwatch.book.keep import open_book
from yieldwatch.constants import FAULT_FINDINGS, WORKS
from yieldwatch.portfolio.model import Array, Drawing
from yieldwatch.report import crew_sheets, write_report
from yieldwatch.report.crew_sheets import crew_sheets_html, crew_sheets_pdf
from yieldwatch.report.job_photos import JobPhotos, photos_in_book


def at_site(**site):
    """The invented assessment, with more on record of the site that is visited."""
    done = assessment()
    birch, alder = done.sites
    return replace(done, sites=(birch, replace(alder, site=replace(alder.site, **site))))


def sheet_of(visit):
    return crew_sheets._sheet(visit, JobPhotos())


def with_scope(kind, scope, cause="string_fault"):
    done = assessment()
    plan = done.plan.copy()
    plan.loc[plan["row"] == "job", ["job_kind", "scope", "cause"]] = [kind, scope, cause]
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
    strings = assessment().sites[1].site.strings
    strings = (*strings, *(replace(s, string_id=f"T{n:02d}") for n, s in enumerate(strings, 1)))
    every = [s.string_id for s in strings]
    found = pages(crew_sheets_pdf(replace(at_site(strings=strings), plan=with_scope("replace_modules", " ".join(every)).plan)))
    assert len(found) > 1
    assert all("Visit V01" in page and "week 15 Jul 2025" in page for page in found)
    text = " ".join(found)
    # in the table of strings, and in the table of readings
    assert all(text.count(name) >= 2 for name in every)
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


def test_what_is_not_on_record_is_said_and_asked_for_before_the_crew_goes():
    said = sheet_of(crew_sheets.planned_visits(assessment())[0]).not_held
    assert said == ("address, road directions, position of the gate, how to get in, contact for the day, whom to call in an "
                    "emergency, cable plan, where the plant is switched off, single-line diagram, cable routes of these strings, "
                    "where these inverters stand, fuse ratings of these strings and tightening torques")
    known = at_site(address="a", access="b", contact="c", directions="d", emergency="e", isolation="f", gate_latitude=51.0,
                    gate_longitude=-1.0)
    assert sheet_of(crew_sheets.planned_visits(known)[0]).not_held == (
        "cable plan, single-line diagram, cable routes of these strings, where these inverters stand, fuse ratings of these "
        "strings and tightening torques")
    assert f"Not on record:</strong> {said}. Ask the planner before you go." in crew_sheets_html(assessment())


def test_what_is_read_fits_what_is_worked_on():
    sheet = sheet_of(crew_sheets.planned_visits(with_scope("inspect", "INV2"))[0])
    assert sheet.jobs[0].rows == ("INV2", "sound neighbour no.")
    assert sheet.jobs[0].parts.rows[0][:4] == ("INV2", "inv100", "100.0", "12")
    sheet = sheet_of(crew_sheets.planned_visits(with_scope("clean", "site"))[0])
    assert sheet.jobs[0].rows == ("the site",)
    # 24 strings of 24 modules; the modules' size, the area and the hedge are not on record
    assert sheet.jobs[0].parts.rows == (("576", "24", "2", "", "", ""),)


@needs_pango
def test_a_plan_without_a_visit_gives_a_sheet_that_says_so():
    for plan in (pd.DataFrame(), assessment().plan.iloc[2:]):
        (page,) = pages(crew_sheets_pdf(replace(assessment(), plan=plan)))
        assert "No visit is planned" in page


def test_every_kind_of_job_has_a_method_and_every_fault_a_place_to_look():
    assert set(METHODS) == set(WORKS)
    assert {m.boxes for m in METHODS.values()} <= {"", *BOXES}
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
    sheet = sheet_of(crew_sheets.planned_visits(with_scope("cut_vegetation", "site"))[0])
    hedge, wall = sheet.jobs[0].shade.rows
    # 14.2° above the horizontal: tan(14.2°) is 0.253, so 1.3 m at 5 m, 2.5 m at 10 m, 5.1 m at 20 m.
    assert hedge[2:8] == ("90 to 105° (E)", "14°", "12 to 17", "1.3", "2.5", "5.1")
    # The sun never rises above the wall there: its top is no lower.
    assert wall[3:5] == ("from 20°", "")
    assert "measure it" in sheet.jobs[0].shade.caption


@pytest.mark.sourced
def test_the_way_there_is_told_in_coordinates_and_cables_are_marked_first():
    done = at_site(directions="Up the lane", gate_latitude=51.2011, gate_longitude=-1.9022)
    where = dict(sheet_of(crew_sheets.planned_visits(done)[0]).where)
    # Source: RFC 5870: latitude, then longitude, in degrees of WGS 84.
    assert where["Position"].endswith("geo:51.20000,-1.90000")
    assert where["Gate"].endswith("geo:51.20110,-1.90220")
    assert where["Way there"] == "Up the lane"
    assert "mark them first" in where["Cables"]


def test_where_cables_run_and_inverters_stand_is_said_of_what_is_worked_on():
    done = assessment()
    birch, alder = done.sites
    strings = tuple(replace(s, cable_route=f"trench to {s.inverter_id}") for s in alder.site.strings)
    inverters = tuple(replace(i, place=f"post of {i.inverter_id}") for i in alder.site.inverters)
    done = replace(done, sites=(birch, replace(alder, site=replace(alder.site, strings=strings, inverters=inverters))))
    sheet = sheet_of(crew_sheets.planned_visits(done)[0])
    assert sheet.jobs[0].routes == ("INV2 stands: post of INV2", "Cables of S21: trench to INV2")
    assert "cable routes" not in sheet.not_held
    assert "inverters stand" not in sheet.not_held


def with_drawings(folder, *drawings):
    """The invented assessment with these drawings, each (file, shows), and where they lie."""
    return at_site(drawings=tuple(Drawing(f"sites/alder/{name}", shows) for name, shows in drawings)), JobPhotos(folder)


def draw(folder, name, size=(800, 400)):
    path = folder / "sites/alder" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", size, "red").save(path)


def test_a_drawing_is_on_the_sheet_and_one_that_cannot_be_shown_is_asked_for(tmp_path):
    draw(tmp_path, "cables.png")
    (tmp_path / "sites/alder/line.pdf").write_bytes(b"%PDF-1.7 <script>")
    three = ("cables.png", "cable_plan"), ("line.pdf", "single_line"), ("no.png", "layout")
    html = crew_sheets_html(*with_drawings(tmp_path, *three))
    (picture,) = shown_in(html)
    assert picture.size == (800, 400)
    assert "Single-line diagram:</strong> sites/alder/line.pdf; its date is not on record; the file cannot be shown" in html
    assert "sites/alder/no.png; its date is not on record; the file is not there" in html
    done, photos = with_drawings(tmp_path, *three)
    sheet = crew_sheets._sheet(crew_sheets.planned_visits(done)[0], photos)
    assert "cable plan" not in sheet.not_held
    assert "single-line diagram" in sheet.not_held


@needs_pango
def test_the_first_pages_of_a_pdf_drawing_are_pictures_that_carry_no_script(tmp_path):
    writer = pypdf.PdfWriter()
    for n in range(6):
        writer.add_blank_page(width=400 + n, height=200)
    script = DictionaryObject({NameObject("/S"): NameObject("/JavaScript"), NameObject("/JS"): TextStringObject("app.alert(1)")})
    writer.root_object[NameObject("/OpenAction")] = script
    (tmp_path / "sites/alder").mkdir(parents=True)
    writer.write(tmp_path / "sites/alder/set.pdf")
    given = with_drawings(tmp_path, ("set.pdf", "cable_plan"))
    html = crew_sheets_html(*given)
    assert len(shown_in(html)) == 4
    assert "2 more pages in the file" in html
    content = crew_sheets_pdf(*given)
    assert b"JavaScript" not in content
    # A page that lies across is set across: ISO 216, 297 mm wide.
    assert float(pypdf.PdfReader(io.BytesIO(content)).pages[-1].mediabox.width) == pytest.approx(297 / 25.4 * 72, abs=0.1)


@pytest.mark.parametrize(("kind", "titles"), [
    ("repair_string", ["cable plan", "single-line diagram", "map of the way there"]),
    ("cut_vegetation", ["cable plan", "map of the way there"]), ("clean", ["map of the way there"]),
])
def test_each_crew_takes_the_drawings_that_it_needs(kind, titles, tmp_path):
    done, photos = with_drawings(tmp_path, ("a.png", "cable_plan"), ("b.png", "single_line"), ("c.png", "road_map"))
    visit = crew_sheets.planned_visits(done)[0]
    crew = {"clean": "cleaning", "cut_vegetation": "vegetation"}.get(kind, "electrical")
    sheet = crew_sheets._sheet(replace(visit, crew=crew), photos)
    assert [d.title for d in sheet.drawings] == titles
    assert ("cable plan" in sheet.not_held) == (crew != "cleaning")


def test_a_reason_leaves_its_money_in_the_house():
    done = assessment()
    why = ("Dirt takes 3.6 %. Test its strings; the money stated is what is left (about 421). With a chance of 67 % it is to "
           "follow; the money stated is what is left once it is paid (about 1,234).")
    listed = done.work_list.assign(why=why)
    job = sheet_of(crew_sheets.planned_visits(replace(done, work_list=listed))[0]).jobs[0]
    assert job.why.replace("\u00a0", " ") == "Dirt takes 3.6 %. Test its strings. With a chance of 67 % it is to follow."


def test_desk_work_has_no_sheet():
    done = with_scope("claim", "S21")
    plan = done.plan.assign(crew="office")
    plan.loc[plan["row"] == "visit", "row"] = "office"
    assert "No visit is planned" in crew_sheets_html(replace(done, plan=plan))


def test_a_look_at_dirt_washes_two_strings_beside_two_that_stay_as_they_are():
    sheet = sheet_of(crew_sheets.planned_visits(with_scope("inspect", "site", "soiling"))[0])
    job = sheet.jobs[0]
    assert job.title == "1. Wash two strings to see the dirt: the whole site"
    assert [row.split(": ")[0] for row in job.rows] == ["wash", "leave as it is", "wash", "leave as it is"]
    four = [row.split(": ")[1] for row in job.rows]
    strings = {s.string_id: s for s in assessment().sites[1].site.strings}
    assert len({(strings[name].inverter_id, strings[name].row) for name in four}) == 1
    assert "S21" not in four  # gave no current
    assert job.times == ("before", "after")
    assert ("Isc", "A") in job.boxes
    assert any("Soft brushes" in item for item in sheet.kit)
    assert any("Water and live DC" in text for text in sheet.cautions)
    assert not any("insulation test" in text for text in sheet.cautions)


def test_a_look_at_plants_measures_what_shades_from_where_it_is_seen_and_opens_nothing():
    sheet = sheet_of(crew_sheets.planned_visits(with_scope("inspect", "site", "shading"))[0])
    job = sheet.jobs[0]
    assert job.title == "1. Look at what shades: the whole site"
    hedge, _, elsewhere = job.rows
    assert "top " in hedge
    assert "° (" in hedge
    assert elsewhere == "seen elsewhere:"
    assert {("Distance", "m"), ("Top over glass", "m"), ("Cut to", "m")} <= set(job.boxes)
    assert not any("Insulation tester" in item for item in sheet.kit)
    assert any("Measure from the ground" in text for text in sheet.cautions)


def test_jobs_done_in_the_same_way_state_their_outline_once():
    done = with_scope("repair_string", "S21")
    plan = pd.concat([done.plan.iloc[:2], done.plan.iloc[1:2].assign(job_id="J9", scope="S22"), done.plan.iloc[2:]])
    sheet = sheet_of(crew_sheets.planned_visits(replace(done, plan=plan))[0])
    assert [job.as_job for job in sheet.jobs] == ["", "1"]
    html = crew_sheets_html(replace(done, plan=plan))
    assert html.count(METHODS["repair_string"].steps[0]) == 1
    assert "as job 1." in html


def test_torques_and_fuses_on_record_are_on_the_sheet():
    done = assessment()
    birch, alder = done.sites
    inverters = tuple(replace(i, inverter_type=replace(i.inverter_type, dc_torque_nm=3.0, ac_torque_nm=20.0))
                      for i in alder.site.inverters)
    strings = tuple(replace(s, fuse_a=20.0, module_type=replace(s.module_type, clamp_torque_nm=14.0)) for s in alder.site.strings)
    site = replace(alder.site, inverters=inverters, strings=strings)
    sheet = sheet_of(crew_sheets.planned_visits(replace(done, sites=(birch, replace(alder, site=site))))[0])
    assert sheet.jobs[0].routes[-1] == (
        "Torque on record: inv100: DC terminals 3 Nm, AC terminals 20 Nm; module clamps of mono400 14 Nm")
    assert "torque" not in sheet.not_held
    assert "fuse" not in sheet.not_held


def test_no_text_on_a_sheet_is_smaller_than_eight_points():
    html = crew_sheets_html(assessment())
    style = html[html.index("<style>"):html.index("</style>")]
    assert min(float(size) for size in re.findall(r"([0-9.]+)pt(?:/| Report|;)", style)) >= 8.0


def with_photos(folder, *names):
    """The invented assessment with its job in the book as number 7, and these files as the job's photos."""
    done = assessment()
    held = [Evidence(n, 7, "photo", None, None, {}, *photo_reference(folder, name), f"<b>note {n}</b>", "Ada", False)
            for n, name in enumerate(names, 1)]
    return replace(done, work_list=done.work_list.assign(job_ref=7)), JobPhotos(folder, {7: tuple(held)})


def shown_in(html):
    """The pictures of a page."""
    return [Image.open(io.BytesIO(base64.b64decode(data))) for data in re.findall(r'src="data:image/jpeg;base64,([^"]+)"', html)]


def test_a_photo_of_the_job_is_on_its_sheet_small_upright_and_without_what_the_camera_wrote(tmp_path):
    exif = Image.Exif()
    # Exif 2.32, tag 0x0112: 6 is to be turned by 90° clockwise, so that 1600 by 800 stands 800 wide.
    exif[0x0112], exif[0x010F] = 6, "a camera's maker"
    Image.new("RGB", (1600, 800), "red").save(tmp_path / "a.jpg", exif=exif)
    html = crew_sheets_html(*with_photos(tmp_path, "a.jpg"))
    (picture,) = shown_in(html)
    assert picture.size == (360, 720)
    assert not picture.getexif()
    assert "&lt;b&gt;note 1&lt;/b&gt;" in html


def test_a_photo_that_is_gone_changed_or_broken_is_said_and_the_others_are_shown(tmp_path):
    for name in ("gone.jpg", "changed.jpg", "good.png"):
        Image.new("RGB", (8, 8), "red").save(tmp_path / name)
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0<script>alert(1)</script>")
    given = with_photos(tmp_path, "gone.jpg", "changed.jpg", "broken.jpg", "good.png")
    (tmp_path / "gone.jpg").unlink()
    Image.new("RGB", (8, 8), "blue").save(tmp_path / "changed.jpg")
    html = crew_sheets_html(*given)
    assert len(shown_in(html)) == 1
    for said in ("gone.jpg: no longer there", "changed.jpg: not as it was when added", "broken.jpg: no picture that can be"):
        assert said in html
    assert "<script>" not in html


def test_the_newest_six_photos_are_shown_and_the_rest_is_counted(tmp_path):
    for n in range(9):
        Image.new("RGB", (8, 8), (n, 0, 0)).save(tmp_path / f"{n}.png")
    html = crew_sheets_html(*with_photos(tmp_path, *(f"{n}.png" for n in range(9))))
    assert len(shown_in(html)) == 6
    assert "Photo 9" in html
    assert "3 older in the job book" in html


@needs_pango
def test_photos_are_printed(tmp_path):
    Image.new("RGB", (400, 300), "red").save(tmp_path / "a.jpg")
    pdf = pypdf.PdfReader(io.BytesIO(crew_sheets_pdf(*with_photos(tmp_path, "a.jpg"))))
    assert {image.image.size for page in pdf.pages for image in page.images} == {(400, 300)}


def brought(**string):
    """Rows of what is brought to repair S21, with this on record of the strings."""
    done = at_site(arrays=(Array("A", "fixed", tilt_deg=20.0, azimuth_deg=180.0, module_orientation="portrait"),))
    birch, alder = done.sites
    strings = tuple(replace(s, **string) for s in alder.site.strings)
    visits = crew_sheets.planned_visits(replace(done, sites=(birch, replace(alder, site=replace(alder.site, strings=strings)))))
    return {b.what: (b.amount, b.basis) for b in sheet_of(visits[0]).jobs[0].bring}


def test_parts_are_counted_where_the_data_say_how_many_and_practice_is_called_practice():
    rows = brought(fuse_a=15.0, module_type=replace(MODULE, width_m=1.05, length_m=2.1))
    # One string: a fuse in each of two poles and as many spare; 24 modules of 1.05 m side by side are 25.2 m.
    assert rows["String fuses (gPV)"][0] == "4 of 15 A"
    assert rows["DC cable, size and type as fitted"][0] == "up to 26 m"
    assert "to the inverter is not on record" in rows["DC cable, size and type as fitted"][1]
    assert all("on record" in basis or "common practice" in basis for _, basis in rows.values())
    assert "DC cable, size and type as fitted" not in brought()


def test_who_looks_for_the_dead_string_of_an_inverter_brings_parts_for_one():
    done = at_site()
    inverter = done.sites[1].site.inverters[0].inverter_id
    plan = done.plan.copy()
    plan.loc[plan["row"] == "job", "scope"] = inverter
    rows = {b.what: b.amount for b in sheet_of(crew_sheets.planned_visits(replace(done, plan=plan))[0]).jobs[0].bring}
    assert rows["String fuses (gPV)"] == "4, rating as on the holder"
    assert rows["Connector pairs, make and type as fitted, never mixed"] == "2"


@pytest.mark.sourced
def test_a_fuse_that_is_not_on_record_is_read_off_the_holder_and_held_against_the_standard():
    # IEC 62548 (from memory): 1.5 to 2.4 times the module's Isc of 10.3 A, 15.45 A and 24.72 A.
    amount, basis = brought()["String fuses (gPV)"]
    assert amount == "4, rating as on the holder"
    assert re.search(r"15\.[45] to 24\.7 A", basis)
    assert "may have none" not in basis


def test_strings_that_are_few_on_their_input_may_have_no_fuse():
    done = at_site()
    birch, alder = done.sites
    strings = tuple(replace(s, mppt="2" if s.string_id in ("S21", "S22") else "1") for s in alder.site.strings)
    visits = crew_sheets.planned_visits(replace(done, sites=(birch, replace(alder, site=replace(alder.site, strings=strings)))))
    assert "S21 may have none, with 2 strings or fewer" in sheet_of(visits[0]).jobs[0].bring[0].basis


def test_water_follows_the_glass_and_nothing_is_said_without_its_size():
    done = with_scope("clean", "site")
    birch, alder = done.sites
    assert sheet_of(crew_sheets.planned_visits(done)[0]).jobs[0].bring == ()
    strings = tuple(replace(s, module_type=replace(MODULE, width_m=1.0, length_m=2.0)) for s in alder.site.strings)
    done = replace(done, sites=(birch, replace(alder, site=replace(alder.site, strings=strings))))
    (water,) = sheet_of(crew_sheets.planned_visits(done)[0]).jobs[0].bring
    # 576 modules of 2 m²: 1152 m², by 0.5 and by 2 l/m² 576 l and 2304 l, to the next 50 l.
    assert water.amount == "600 to 2,350 l"
    assert "1,152 m²" in water.basis


def test_modules_to_replace_are_those_that_the_work_list_counted():
    done = with_scope("replace_modules", "S21")
    modules = sheet_of(crew_sheets.planned_visits(done)[0]).jobs[0].bring[0]
    assert (modules.what, modules.amount) == ("Modules mono400", "count on site")
    done = replace(done, work_list=done.work_list.assign(modules_to_replace=3.0))
    assert sheet_of(crew_sheets.planned_visits(done)[0]).jobs[0].bring[0].amount == "3, and 1 spare"


@needs_pango
def test_the_sheets_that_an_assessment_writes_hold_the_books_photos_but_none_that_was_taken_back(tmp_path):
    book, folder = open_book(tmp_path), tmp_path
    ref = raise_job(book).ref
    for name, colour in (("a.jpg", "red"), ("b.jpg", "blue")):
        Image.new("RGB", (400, 300), colour).save(folder / name)
    kept = [book.add_photo(ref, "Ada", name, note=name) for name in ("a.jpg", "b.jpg")]
    book.withdraw(ref, "Ada", kept[0].number)
    done = assessment()
    done = replace(done, work_list=done.work_list.assign(job_ref=ref))
    photos = photos_in_book(book, folder, done.work_list)
    html = crew_sheets_html(done, photos)
    assert "b.jpg" in html
    assert "a.jpg" not in html
    write_report(done, tmp_path / "out", photos=photos)
    pdf = pypdf.PdfReader(tmp_path / "out" / "crew_sheets.pdf")
    assert {image.image.size for page in pdf.pages for image in page.images} == {(400, 300)}
