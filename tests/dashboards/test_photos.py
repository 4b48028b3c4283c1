"""Photos of a job: sent, looked at, kept, seen and handed out, and never run."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

from dashboards.app import create_app
from tests.book.test_photos import picture, told
from tests.dashboards.conftest import NARROW, assert_accessible, assert_fits, visit

HOSTILE = "<img src=x onerror=alert(1)> the fuse"


def test_a_photo_is_looked_at_kept_with_what_it_shows_handed_out_and_taken_back(page, own, tmp_path):
    job, book = own.place.jobs.all()[0], own.place.jobs.book()
    sent = tmp_path / "fuse.png"
    sent.write_bytes(picture("PNG", size=(400, 300), exif=told(offset="+00:00", place=False)))
    visit(page, own, f"/jobs/{job.ref}")
    page.click("summary:has-text('Add a photo')")
    page.set_input_files("#photo-file input[type=file]", sent)
    page.wait_for_selector("#photo-look:has-text('Nothing is kept yet')")
    assert page.input_value("label:has-text('Taken at') >> nth=-1 >> input") == "2025-06-30T13:45+00:00"
    page.click("button:has-text('Keep the photo')")
    page.wait_for_selector("#photos-said [role=alert]:has-text('note: blank')")
    assert book.evidence(job.ref) == ()
    page.fill("label:has-text('What it shows') input", HOSTILE)
    part = page.locator("#photo-look label:has-text('String or inverter') input")
    own_part = part.input_value()
    part.fill("no-such-part")
    page.click("button:has-text('Keep the photo')")
    page.wait_for_selector("#photos-said [role=alert]:has-text('no string or inverter of')")
    assert book.evidence(job.ref) == ()
    part.fill(own_part)
    page.click("button:has-text('Keep the photo')")
    page.wait_for_selector("#photos-said:has-text('Kept as photo')")
    (kept,) = book.evidence(job.ref)
    assert (kept.note, f"{kept.at:%Y-%m-%d %H:%M}") == (HOSTILE, "2025-06-30 13:45")

    shown = page.locator(".photos img")
    assert shown.get_attribute("alt") == HOSTILE
    page.wait_for_function("document.querySelector('.photos img').naturalWidth === 400")
    assert_accessible(page)
    with page.expect_download() as caught:
        page.click(f"a[aria-label='Download photo {kept.number}']")
    assert caught.value.suggested_filename == f"job-{job.ref}-photo-{kept.number}.jpeg"
    with Image.open(io.BytesIO(Path(caught.value.path()).read_bytes())) as image:
        assert (image.format, image.size, dict(image.getexif())) == ("JPEG", (400, 300), {})
    page.set_viewport_size(NARROW)
    assert_fits(page)
    page.click(f"button[aria-label='Take back photo {kept.number}']")
    page.wait_for_selector("#photos-said:has-text('is taken back')")
    assert page.locator(".photos img").count() == 0


def test_a_file_is_never_handed_out_as_anything_but_a_picture_or_bytes(own):
    job, book = own.place.jobs.all()[2], own.place.jobs.book()
    (own.place.portfolio / "note.jpg").write_bytes(b"<script>alert(1)</script>")
    found = book.add_photo(job.ref, "Ann", "note.jpg")
    client = create_app(own.place).server.test_client()
    answer = client.get(f"/jobs/{job.ref}/photo/{found.number}")
    assert (answer.status_code, answer.content_type) == (200, "application/octet-stream")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Disposition"].startswith("attachment")
    (own.place.portfolio / "note.jpg").write_bytes(b"changed")
    assert client.get(f"/jobs/{job.ref}/photo/{found.number}").status_code == 409
    for address in (f"/jobs/{job.ref}/photo/99", "/jobs/x/photo/1", f"/jobs/{job.ref + 1}/photo/{found.number}"):
        assert client.get(address).status_code in (404, 409)
