"""The handbook says what is so: everything is explained, every number is the code's, every link leads somewhere."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

from yieldwatch import handbook
from yieldwatch.constants import CAUSES, FINDINGS, JOB_KINDS
from yieldwatch.errors import InputError
from yieldwatch.gap.energy_draws import NOT_LOSSES
from yieldwatch.gap.evidence import _ROUND_BIAS
from yieldwatch.gap.mechanisms.level import _DRIFT_SD, BIAS_SD_MEASURED
from yieldwatch.handbook import KINDS, SOURCELESS, entries, find, parse
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS

FILES = sorted(Path(handbook.__file__).parent.glob("*.md"))
COLUMNS = {f"{table}.{column}" for table, columns in TABLES.items() for column in columns}
COLUMNS |= {f"work_list.{column}" for column in WORK_LIST_EXTRAS}
#: Values of columns, which are topics as well.
VALUES = {
    "losses": set(CAUSES),
    "downtime": {*CAUSES, "clipping"},
    "string_findings": set(FINDINGS),
    "work_list": set(JOB_KINDS),
}
NUMBERS = [(e.id, name, value) for e in entries().values() for name, value in e.numbers]


def covered() -> set[str]:
    return {name for entry in entries().values() for name in entry.covers}


def test_every_written_column_is_explained():
    assert not sorted(COLUMNS - covered())


def test_no_entry_explains_a_column_that_is_not_written():
    for name in covered():
        table, dot, column = name.rpartition(".")
        if table in TABLES:
            assert name in COLUMNS or column in VALUES.get(table, ()), name
        else:
            assert not dot or name in ("evidence.json", "visits.ics"), name


@pytest.mark.parametrize(("kind", "names"), [("cause", CAUSES), ("finding", FINDINGS), ("job", JOB_KINDS)])
def test_every_cause_finding_and_job_has_an_entry_of_its_own(kind, names):
    assert {e.id for e in entries().values() if e.kind == kind} == set(names)


def test_what_may_stand_in_for_a_loss_is_a_topic():
    for name in NOT_LOSSES:
        assert find(name)


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_each_file_is_one_entry_with_a_source_and_live_links(path):
    entry = entries()[path.stem]
    assert entry.kind in KINDS
    assert entry.sources, f"Expected a source, or: {SOURCELESS}"
    assert set(entry.see) <= set(entries()) - {entry.id}
    # A reader's line: the files are read in an editor too.
    assert all(len(line) <= 120 for line in entry.body.split("\n"))


def test_there_is_an_entry_a_file():
    assert len(entries()) == len(FILES) > 60


def test_no_two_entries_share_a_title():
    titles = [e.title.lower() for e in entries().values()]
    assert len(titles) == len(set(titles))


@pytest.mark.parametrize(("entry", "name", "value"), NUMBERS, ids=lambda x: str(x))
def test_every_number_of_the_handbook_is_the_codes(entry, name, value):
    module, _, constant = name.rpartition(".")
    found = getattr(importlib.import_module(f"yieldwatch.{module}"), constant)
    told = f"handbook/{entry}.md says {name} = {value}; the code has {found}. Correct its text too."
    assert found == ast.literal_eval(value), told


def test_a_number_of_an_entry_stands_in_its_text():
    # One by hand, so that the header is not the only place that is held: 0.0025 is told as 0.25 %.
    assert ("gap.mechanisms.shading._MATTERS", "0.002") in entries()["shading"].numbers
    assert "0.2 %" in entries()["shading"].body


@pytest.mark.sourced
def test_the_doubt_about_the_light_is_one_that_published_classes_allow():
    # Source: WMO-No. 8: daily sums of a pyranometer of good quality are right to 5 % with 95 % confidence, of high quality
    # to 2 %. Two standard deviations hold 95 %.
    assert 0.02 <= 2 * BIAS_SD_MEASURED <= 0.05
    assert 0.02 <= 2 * _ROUND_BIAS <= 0.05
    # Source: ISO 9060:2018, class A: the sensitivity changes by 0.8 % a year at most.
    assert 2 * _DRIFT_SD <= 0.008


@pytest.mark.parametrize(
    ("topic", "first"),
    [
        ("soiling", "soiling"),
        ("Dirt on the glass", "soiling"),
        ("repair-string", "repair_string"),
        ("Payback Months", "payback"),
        ("losses.basis", "basis"),
        ("ISO 9060", "light-sensor"),
        ("evidence.json", "evidence"),
    ],
)
def test_a_topic_is_found_however_it_is_spelled(topic, first):
    assert find(topic)[0].id == first


def test_a_name_in_several_tables_gives_all_of_them():
    # cause: of a loss, of a spell, of a job, of a job in the plan, of what a loss takes off the return, and of a job done
    assert {e.id for e in find("cause")} == {"loss-energy", "downtime", "verdict", "plan", "returns", "proof"}


@pytest.mark.parametrize(
    ("topic", "said"),
    [
        ("pay back", 'Did you mean "payback"?'),
        ("soilin", 'Did you mean "soiling"'),
        ("lichen", 'Did you mean "soiling"?'),  # not near any name, but in a text
        ("qqqq", "not in the handbook. Run yieldwatch explain"),
        ("", "not in the handbook."),
    ],
)
def test_an_unknown_topic_names_what_is_near(topic, said):
    with pytest.raises(InputError) as caught:
        find(topic)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("id: a\ntitle: A\nkind: term\n\n", "lacks a known kind or its text"),
        ("id: a\ntitle: A\nkind: recipe\n\ntext", "lacks a known kind"),
        ("id: a\nkind: term\n\ntext", "lacks title"),
        ("id: a\nid: b\n\ntext", r"line 2: \"id: b\""),
        ("id: a\ncolour: red\n\ntext", r"line 2: \"colour: red\""),
        ("id: a\ntitle: A\nkind: term\nnumber: x.Y\n\ntext", "a number without its value"),
    ],
)
def test_a_broken_entry_is_refused_by_file_and_line(text, said):
    with pytest.raises(ValueError, match=f"^handbook/a.md.*{said}"):
        parse("a.md", text)
