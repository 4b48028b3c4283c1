"""Photos that people send: pictures only, nothing else in the kept file, and nothing written over."""

from __future__ import annotations

import datetime as dt
import io
import math

import pytest
from PIL import Image, ImageFile, PngImagePlugin

from tests.book.build import raise_job
from yieldwatch.book import photos
from yieldwatch.book.photos import clean_photo, keep_file, photo_content
from yieldwatch.errors import BookError

SECRET = b"<script>alert('mine')</script>"


def picture(kind="JPEG", size=(40, 30), mode="RGB", colour="red", **more) -> bytes:
    target = io.BytesIO()
    Image.new(mode, size, colour).save(target, kind, **more)
    return target.getvalue()


def told(taken="2025:06:30 13:45:10", offset="+01:00", place=True, turned=1) -> Image.Exif:
    """What a camera writes beside the picture: 51.5° north, 1.25° west."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = SECRET.decode(), turned
    exif.get_ifd(0x8769).update({0x9003: taken, 0x9011: offset})
    if place:
        exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 0.0), 3: "W", 4: (1.0, 15.0, 0.0)})
    return exif


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_is_written_anew_without_what_the_camera_wrote_beside_it(kind):
    sent = picture(kind, exif=told()) + SECRET
    assert sent.count(SECRET) == 2
    kept = clean_photo(sent)
    assert SECRET not in kept.content
    with Image.open(io.BytesIO(kept.content)) as image:
        assert (image.format, image.size, dict(image.getexif())) == ("JPEG", (40, 30), {})
        assert not {"exif", "icc_profile", "comment", "xmp"} & set(image.info)


def test_when_and_where_it_was_taken_is_read_off_before():
    kept = clean_photo(picture(exif=told()))
    assert kept.taken == dt.datetime.fromisoformat("2025-06-30T13:45:10+01:00")
    assert (kept.latitude, kept.longitude) == (51.5, -1.25)
    # A degree of latitude on a sphere of 6371 km: 6371 pi / 180 = 111.19 km.
    assert kept.distance_km(52.5, -1.25) == pytest.approx(111.19, abs=0.01)
    plain = clean_photo(picture(exif=told(offset="", place=False)))
    assert plain.taken == dt.datetime(2025, 6, 30, 13, 45, 10)
    assert math.isnan(plain.distance_km(52.5, -1.25))
    assert clean_photo(picture(exif=told(taken="soon", offset="never"))).taken is None


def test_a_photo_held_sideways_is_turned_upright():
    # EXIF orientation 6: the camera was held on its side, the picture is to be turned by a quarter.
    assert clean_photo(picture(size=(40, 30), exif=told(turned=6))).size == (30, 40)


def test_what_can_be_seen_through_stands_on_white_and_a_large_one_is_made_smaller():
    with Image.open(io.BytesIO(clean_photo(picture("PNG", mode="RGBA", colour=(0, 0, 0, 0))).content)) as image:
        assert min(image.getpixel((5, 5))) > 250
    assert clean_photo(picture("PNG", size=(6000, 30))).size == (3000, 15)


def _bomb() -> bytes:
    """A small file that says it is a huge picture."""
    return picture("PNG", size=(20_000, 20_000), mode="1", colour=1)


def _text_bomb() -> bytes:
    more = PngImagePlugin.PngInfo()
    more.add_text("a", "b" * 5_000_000, zip=True)
    return picture("PNG", pnginfo=more)


@pytest.mark.parametrize(("content", "message"), [
    (b"", "0 bytes"), (SECRET, "no sound picture"), (b"\x89PNG\r\n\x1a\n" + SECRET, "no sound picture"),
    (picture(size=(900, 900))[:-2000], "no sound picture"), (picture("GIF"), "no sound picture"),
    (picture("BMP"), "no sound picture"),
    (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no sound picture"), (_bomb(), "sound picture|pixels"),
    (_text_bomb(), "no sound picture"), (picture("PNG", mode="I;16", colour=3), "eight bits"),
    (bytes(photos.MOST_BYTES + 1), "15,000,001 bytes"),
])
@pytest.mark.parametrize("lenient", [False, True])
def test_what_is_no_picture_by_its_content_is_refused(content, message, lenient, monkeypatch):
    # Libraries that lay out pages let half pictures pass, for the whole process.
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", lenient)
    with pytest.raises(BookError, match=message):
        clean_photo(content)


def test_a_kept_photo_stands_with_what_it_shows_and_is_never_written_over(book, tmp_path):
    raise_job(book)
    sent = clean_photo(picture()).content
    first = book.keep_photo(1, "Ann", sent, "the burnt fuse", dt.datetime.fromisoformat("2025-06-30T13:45+01:00"), "S21", 0.31)
    assert (first.kind, first.note, first.part) == ("photo", "the burnt fuse", "S21")
    assert first.readings == {"camera_distance_km": 0.31}
    assert photo_content(tmp_path, first) == (sent, "image/jpeg")
    assert [p.name for p in (tmp_path / "photos" / "job-1").iterdir()] == [first.path.rpartition("/")[2]]

    with pytest.raises(BookError, match="has it already, as photo 1"):
        book.keep_photo(1, "Bo", sent, "the same again")
    book.withdraw(1, "Ann", 1)
    assert book.keep_photo(1, "Bo", sent, "after all").path == first.path

    (tmp_path / first.path).write_bytes(b"something else")
    with pytest.raises(BookError, match="something else stands there"):
        book.keep_photo(1, "Bo", sent, "the fuse")
    assert (tmp_path / first.path).read_bytes() == b"something else"
    with pytest.raises(BookError, match="not as it was when added"):
        photo_content(tmp_path, first)


def test_a_photo_that_cannot_be_written_into_the_book_leaves_no_file(book, tmp_path):
    raise_job(book)
    with pytest.raises(BookError, match="note: blank"):
        book.keep_photo(1, "Ann", b"x", " ")
    with pytest.raises(BookError, match="9"):
        book.keep_photo(9, "Ann", b"x", "nothing")
    assert not list(tmp_path.glob("photos/*/*"))


def test_a_photo_of_a_part_that_the_site_does_not_have_is_refused_and_leaves_no_file(book, tmp_path):
    job = raise_job(book)
    parts = dict.fromkeys([*job.parts, "S90"], "I1")
    sent = clean_photo(picture()).content
    with pytest.raises(BookError, match=r'part = "S900": no string or inverter of .* Did you mean "S90"'):
        book.keep_photo(1, "Ann", sent, "the fuse", part="S900", parts=parts)
    assert not list(tmp_path.glob("photos/*/*"))
    assert book.keep_photo(1, "Ann", sent, "a sound neighbour", part="S90", parts=parts).part == "S90"


def test_a_folder_that_leads_elsewhere_takes_no_photo(tmp_path):
    portfolio, elsewhere = tmp_path / "farms", tmp_path / "elsewhere"
    for folder in (portfolio, elsewhere):
        folder.mkdir()
    (portfolio / "photos").symlink_to(elsewhere)
    with pytest.raises(BookError, match="leads out of the portfolio's folder"):
        keep_file(portfolio, 1, b"x")
    assert not list(elsewhere.rglob("*.jpg"))


def test_a_file_added_by_its_path_is_handed_out_by_its_content_whatever_its_name(book, tmp_path):
    raise_job(book)
    (tmp_path / "a.png").write_bytes(b"<script>1</script>")
    assert photo_content(tmp_path, book.add_photo(1, "Ann", "a.png")) == (b"<script>1</script>", "")
