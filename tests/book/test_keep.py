"""The book keeps every change, lets no one overwrite another unseen, and takes every text as text."""

from __future__ import annotations

import datetime as dt
import multiprocessing
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.book.build import raise_job
from tests.book.conftest import NOW
from yieldwatch.book.facts import FACTS, RECORDED, Verdict
from yieldwatch.book.keep import ASSESSMENT, JobBook, open_book
from yieldwatch.book.states import state
from yieldwatch.book.store import open_store
from yieldwatch.book.values import from_text, to_text
from yieldwatch.errors import BookError, ChangedMeanwhile

HOSTILE = ["'; DROP TABLE jobs; --", '=HYPERLINK("http://x","y")', "+1", "-1+cmd", "@SUM(A1)", "%s {0} :name \\", "<script>",
           "Ünï çødé 太陽"]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_come_back_as_they_were(book, text):
    job = raise_job(book)
    book.change(job.ref, text, {"contractor": text, "note": text})
    kept = book.job(job.ref)
    assert (kept.contractor, kept.note) == (text, text)
    assert {(c.who, c.new) for c in book.history(job.ref) if c.field == "note"} == {(text, text)}


def test_a_change_is_kept_with_who_when_old_and_new(book):
    job = raise_job(book)
    book.change(job.ref, "Ann", {"contractor": "Moor & Son"})
    book.change(job.ref, "Ann", {"contractor": "Hill Ltd"})
    last = book.history(job.ref)[-1]
    assert (last.who, last.at, last.field, last.old, last.new, last.version) == (
        "Ann", NOW, "contractor", "Moor & Son", "Hill Ltd", 3)


@pytest.mark.parametrize(("zone", "day"), [
    ("America/Los_Angeles", dt.date(2025, 6, 30)), ("Pacific/Auckland", dt.date(2025, 7, 1)),
    ("Nowhere/Here", dt.date(2025, 7, 1)), ("../../etc", dt.date(2025, 7, 1)), (7, dt.date(2025, 7, 1)),
    (None, dt.date(2025, 7, 1))])
def test_a_decision_is_of_the_day_at_its_farm(tmp_path, zone, day):
    # 2 in the morning in UTC is the evening before in California.
    book = JobBook(open_store(None, tmp_path), tmp_path, lambda: NOW.replace(hour=2))
    settings = tmp_path / "sites" / "moor" / "site.toml"
    if zone is not None:
        settings.parent.mkdir(parents=True)
        settings.write_text(f"timezone = {zone!r}\n")
    assert book.change(raise_job(book).ref, "Ann", {"decision": "do"}).decided_on == day


def test_a_late_evening_in_utc_is_the_next_day_in_new_zealand(tmp_path):
    book = JobBook(open_store(None, tmp_path), tmp_path, lambda: NOW.replace(hour=22))
    (tmp_path / "sites" / "moor").mkdir(parents=True)
    (tmp_path / "sites" / "moor" / "site.toml").write_text('timezone = "Pacific/Auckland"\n')
    job = book.change(raise_job(book).ref, "Ann", {"decision": "do"})
    assert job.decided_on == dt.date(2025, 7, 2)
    assert book.history(job.ref)[-1].at == NOW.replace(hour=22)


def test_what_changes_nothing_leaves_no_entry(book):
    job = raise_job(book)
    first = book.change(job.ref, "Ann", {"contractor": "Hill Ltd"})
    assert book.change(job.ref, "Ann", {"contractor": " Hill Ltd "}) == first
    assert len(book.history(job.ref)) == len([c for c in book.history(job.ref) if c.who == ASSESSMENT]) + 1


def test_the_second_of_two_people_is_told_who_changed_what_and_when_with_both_values(opens):
    job = raise_job(opens())
    opens().change(job.ref, "Ann", {"contractor": "Moor & Son", "note": "key at gate"}, version=1)
    with pytest.raises(ChangedMeanwhile) as told:
        opens().change(job.ref, "Bo", {"contractor": "Hill Ltd", "hours": 3.0}, version=1)
    text = str(told.value)
    assert 'Ann set contractor from nothing to "Moor & Son" on 2025-07-01 09:30 UTC; yours: "Hill Ltd"' in text
    assert 'Ann set note from nothing to "key at gate"' in text
    kept = opens().job(job.ref)
    assert (kept.version, kept.contractor, kept.hours) == (2, "Moor & Son", None)
    assert opens().change(job.ref, "Bo", {"contractor": "Hill Ltd"}, version=2).contractor == "Hill Ltd"


def test_a_reading_added_meanwhile_stands_in_nobodys_way(book):
    job = raise_job(book)
    book.add_reading(job.ref, "Bo", "before", {"v_oc_v": 742.0})
    kept = book.change(job.ref, "Ann", {"note": "key at gate"}, version=job.version)
    assert (kept.version, kept.note) == (3, "key at gate")
    with pytest.raises(ChangedMeanwhile, match="Ann set note"):
        book.change(job.ref, "Bo", {"note": "no key"}, version=2)


def test_without_a_version_what_another_wrote_is_not_replaced_but_blanks_are_filled(book):
    job = raise_job(book)
    book.change(job.ref, "Ann", {"contractor": "Moor & Son"})
    with pytest.raises(ChangedMeanwhile, match=r'Ann set contractor .* yours: "Hill Ltd"'):
        book.change(job.ref, "Bo", {"contractor": "Hill Ltd"})
    assert book.change(job.ref, "Bo", {"note": "bring ladder"}).contractor == "Moor & Son"
    assert book.change(job.ref, "Ann", {"contractor": "Hill Ltd"}).contractor == "Hill Ltd"


def test_a_version_still_to_come_is_refused(book):
    job = raise_job(book)
    with pytest.raises(BookError, match="version 9, but it stands at 1"):
        book.change(job.ref, "Ann", {"note": "x"}, version=9)


def test_of_threads_that_change_the_same_version_one_wins_and_the_others_are_told(opens):
    job = raise_job(opens())

    def write(n: int) -> str:
        try:
            opens().change(job.ref, f"person {n}", {"note": f"note {n}"}, version=1)
        except ChangedMeanwhile:
            return "told"
        return f"note {n}"

    with ThreadPoolExecutor(8) as pool:
        ends = list(pool.map(write, range(8)))
    assert ends.count("told") == 7
    assert opens().job(job.ref).note in ends
    assert len([c for c in opens().history(job.ref) if c.field == "note"]) == 1


def _add_notes(place: str | None, folder: Path, ref: int, who: str, n: int) -> None:
    book = open_book(folder, place)
    for i in range(n):
        while True:
            job = book.job(ref)
            try:
                book.change(ref, who, {"note": f"{job.note or ''} {who}{i}"}, job.version)
                break
            except ChangedMeanwhile:
                continue


def test_two_programs_that_write_in_turn_lose_nothing(place, tmp_path):
    job = raise_job(open_book(tmp_path, place))
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_add_notes, args=(place, tmp_path, job.ref, who, 10)) for who in ("a", "b")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
    assert [w.exitcode for w in writers] == [0, 0]
    book = open_book(tmp_path, place)
    assert sorted(book.job(job.ref).note.split()) == sorted(f"{who}{i}" for who in "ab" for i in range(10))
    notes = [c for c in book.history(job.ref) if c.field == "note"]
    assert [c.old for c in notes[1:]] == [c.new for c in notes[:-1]]


TEXTS = st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=30)
DAYS = st.dates(dt.date(2025, 1, 1), dt.date(2025, 7, 30))
KINDS = {"date": DAYS, "number": st.floats(0, 1e9), "text": TEXTS}


def value_of(name: str):
    fact = RECORDED[name]
    return st.none() | (st.sampled_from(fact.choices) if fact.choices else KINDS[fact.kind])


CHANGES = st.lists(st.sampled_from(sorted(RECORDED)), min_size=1, max_size=4, unique=True).flatmap(
    lambda names: st.fixed_dictionaries({n: value_of(n) for n in names}))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(["Ann", "Bo"]), CHANGES), max_size=8))
def test_the_history_alone_gives_the_job_back_at_every_version(book, changes):
    job = raise_job(book)
    stages = [job]
    for who, facts in changes:
        now = book.job(job.ref)
        try:
            stages.append(book.change(job.ref, who, facts, now.version))
        except BookError:
            assert book.job(job.ref) == now  # refused whole
    for stage in stages:
        facts: dict = dict.fromkeys(FACTS)
        for change in book.history(job.ref):
            if change.version <= stage.version:
                assert to_text(facts[change.field]) == change.old
                facts[change.field] = from_text(change.field, change.new)
        assert {name: getattr(stage, name) for name in FACTS} == facts


@pytest.mark.parametrize(("facts", "message"), [
    ({"cost": -1.0}, "cost = -1, below 0"),
    ({"cost": float("inf")}, "cost = .*, not a number"),
    ({"note": "a\x00b"}, r"control character U\+0000"),
    ({"note": "x" * 2001}, "2001 characters"),
    ({"decision": "maybe"}, 'decision = "maybe", not known'),
    ({"booked_for": "tomorrow"}, "not a date"),
    ({"contracter": "x"}, 'Did you mean "contractor"'),
    ({"gain_per_year": 1e6}, "written by assessments"),
    ({"done_on": dt.date(2025, 7, 2), "decision": "do"}, "proposed .* cannot become done"),
])
def test_a_fact_that_cannot_be_is_refused_and_nothing_is_written(book, facts, message):
    job = raise_job(book)
    with pytest.raises(BookError, match=message):
        book.change(job.ref, "Ann", {"invoice": "17", **facts})
    assert book.job(job.ref) == job


@pytest.mark.parametrize("who", ["", "  ", "two\nlines", ASSESSMENT])
def test_a_change_needs_a_persons_name(book, who):
    job = raise_job(book)
    with pytest.raises(BookError, match="Expected"):
        book.change(job.ref, who, {"note": "x"})


@pytest.mark.parametrize("ref", [0, -1, 7, 2**31, 10**30])
def test_a_job_that_is_not_there_is_a_message(book, ref):
    with pytest.raises(BookError, match="not among the 0 in the book"):
        book.job(ref)


def test_a_verdict_is_kept_and_a_later_one_replaces_it(book):
    job = raise_job(book)
    with pytest.raises(BookError, match="cannot become proven"):
        book.record_verdict(job.ref, "Ann", Verdict(90, 60, 120, 30, "worked", 100))
    book.change(job.ref, "Ann", {"decision": "do"})
    book.change(job.ref, "Ann", {"done_on": dt.date(2025, 5, 1)})
    assert state(book.record_verdict(job.ref, "Ann", Verdict(5, -60, 120, 30, "cannot tell yet", 100))) == "done"
    assert state(book.record_verdict(job.ref, "Ann", Verdict(90, 60, 120, 30, "worked", 100))) == "proven"
    assert [c.new for c in book.history(job.ref) if c.field == "verdict_kwh"] == ["5.0", "90.0"]
    with pytest.raises(BookError, match="within its bounds"):
        book.record_verdict(job.ref, "Ann", Verdict(5, 10, 120, 30, "x"))
