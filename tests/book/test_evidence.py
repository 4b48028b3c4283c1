"""Readings and photos: possible ones only, photos inside the portfolio only, and nothing lost when one is withdrawn."""

from __future__ import annotations

import datetime as dt
import hashlib
import re

import pytest

from tests.book.build import raise_job
from yieldwatch.book.evidence import is_neighbour, photo_file, photo_reference
from yieldwatch.book.keep import Reading
from yieldwatch.errors import BookError


@pytest.fixture
def folder(tmp_path):
    portfolio = tmp_path / "farms"
    (portfolio / "photos").mkdir(parents=True)
    (portfolio / "photos" / "I1.1 before.JPG").write_bytes(b"light")
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    return portfolio


def test_a_photo_is_kept_by_its_path_in_the_folder_and_its_digest(folder):
    kept = ("photos/I1.1 before.JPG", hashlib.sha256(b"light").hexdigest())
    for given in ("photos/I1.1 before.JPG", str(folder / "photos" / "I1.1 before.JPG"), "photos/../photos/I1.1 before.JPG"):
        assert photo_reference(folder, given) == kept


@pytest.mark.parametrize("given", ["../secret.jpg", "photos/../../secret.jpg", "{outside}", "photos/link.jpg", "away/secret.jpg"])
def test_a_photo_outside_the_folder_is_refused_however_it_is_reached(folder, given):
    (folder / "photos" / "link.jpg").symlink_to(folder.parent / "secret.jpg")
    (folder / "away").symlink_to(folder.parent)
    with pytest.raises(BookError, match="outside the portfolio's folder"):
        photo_reference(folder, given.format(outside=folder.parent / "secret.jpg"))


@pytest.mark.parametrize(("given", "message"), [
    ("photos/none.jpg", "not there"), ("photos", "no photo"), ("portfolio.toml", "no photo"), ("", "no photo"),
    ("a\x00.jpg", "control character"),
])
def test_what_is_no_photo_is_refused(folder, given, message):
    (folder / "portfolio.toml").write_text("")
    with pytest.raises(BookError, match=message):
        photo_reference(folder, given)


def test_a_photo_that_changed_or_went_is_told(book, tmp_path):
    raise_job(book)
    photo = tmp_path / "a.png"
    photo.write_bytes(b"before")
    found = book.add_photo(1, "Ann", "a.png", note="=1+1")
    assert photo_file(tmp_path, found) == (photo, "")
    photo.write_bytes(b"after")
    assert photo_file(tmp_path, found)[1] == "not as it was when added"
    photo.unlink()
    assert photo_file(tmp_path, found) == (None, "no longer there")


def test_a_reading_is_kept_with_its_conditions_in_utc(book):
    raise_job(book)
    at = dt.datetime.fromisoformat("2025-06-30T13:45+01:00")
    given = {"p_mp_w": 3412.0, "poa_global_w_m2": 812.0, "temp_module_c": 41.5, "insulation_mohm": 40.0}
    book.add_reading(1, "Ann", "before", given, at, part="I1.1", note="clear sky")
    (found,) = book.evidence(1)
    assert (found.kind, found.readings, found.part, found.note, found.added_by) == ("before", given, "I1.1", "clear sky", "Ann")
    assert found.at == at
    assert found.at.utcoffset() == dt.timedelta(0)
    assert book.job(1).version == 2
    assert (book.history(1)[-1].field, book.history(1)[-1].old) == ("before 1", None)


@pytest.mark.parametrize(("readings", "at", "message"), [
    ({}, None, "none given"),
    ({"p_mp_w": 1e9}, None, "p_mp_w = 1e.09, not possible. Expected -100 to 100000 W"),
    ({"p_mp_w": float("nan")}, None, "not possible"),
    ({"p_mp_kw": 3.0}, None, 'Did you mean "p_mp_w"'),
    ({"p_mp_w": 3e3}, dt.datetime(2025, 6, 30, 13, 45), "without its offset"),
    ({"p_mp_w": 3e3}, dt.datetime(2026, 1, 1, tzinfo=dt.UTC), "still to come"),
])
def test_a_reading_that_cannot_be_is_refused(book, readings, at, message):
    raise_job(book)
    with pytest.raises(BookError, match=message):
        book.add_reading(1, "Ann", "after", readings, at)
    assert book.evidence(1) == ()


#: Two inverters of two strings each.
PARTS = {"I1": "I1", "I2": "I2", "I1.1": "I1", "I1.2": "I1", "I2.1": "I2", "I2.2": "I2"}


def readings_of(*parts):
    return [Reading("after", {"v_oc_v": 742.0}, part=part) for part in parts]


def test_a_reading_of_a_part_that_the_site_does_not_have_is_refused_and_one_of_a_neighbour_kept(book):
    job = raise_job(book)
    told = 'part = "I1.l": no string or inverter of moor. Did you mean "I1.1"? Expected one of the job\'s (I1.1), or a'
    with pytest.raises(BookError, match=re.escape(told)):
        book.add_readings(1, "Ann", readings_of("I1.1", "I1.l"), PARTS)
    assert book.evidence(1) == ()
    kept = book.add_readings(1, "Ann", readings_of("I1.1", "I2.1", None, "site"), PARTS)
    assert [is_neighbour(job, e.part, PARTS) for e in kept] == [False, True, False, False]
    # Of a site whose parts nobody knows nothing is refused.
    assert book.add_reading(1, "Ann", "after", {"v_oc_v": 742.0}, part="X", parts={}).part == "X"


@pytest.mark.parametrize(("scope", "part", "neighbour"), [
    ("I1", "I1.2", False), ("I1", "I2.2", True), ("I1", "I2", True), ("site", "I2.2", False), ("I1.1 I2", "I2.1", False),
    ("I1.1", "I1.2", True),
    # The inverter that holds the string shows what the job does.
    ("I1.1", "I1", False), ("I1.1", "I2", True),
])
def test_an_inverter_in_scope_holds_its_strings_and_the_site_all(book, scope, part, neighbour):
    assert is_neighbour(raise_job(book, scope=scope), part, PARTS) == neighbour


def test_a_part_that_left_the_scope_after_the_decision_is_still_the_jobs(book):
    assert not is_neighbour(raise_job(book, scope="I1.1", agreed_scope="I1.1 I1.2"), "I1.2", PARTS)


def test_what_is_withdrawn_stays_in_the_book_and_its_history(book):
    raise_job(book)
    book.add_reading(1, "Ann", "after", {"v_oc_v": 742.0})
    book.withdraw(1, "Bo", 1)
    assert [e.withdrawn for e in book.evidence(1)] == [True]
    last = book.history(1)[-1]
    assert (last.who, last.field, last.old, last.new) == ("Bo", "after 1", '{"readings": {"v_oc_v": 742.0}}', None)
    with pytest.raises(BookError, match="withdrawn already"):
        book.withdraw(1, "Bo", 1)


def test_evidence_of_another_job_is_not_withdrawn(book):
    raise_job(book)
    raise_job(book, scope="I1.2")
    book.add_reading(1, "Ann", "after", {"v_oc_v": 742.0})
    with pytest.raises(BookError, match="job 2: has no reading or photo 1"):
        book.withdraw(2, "Bo", 1)
