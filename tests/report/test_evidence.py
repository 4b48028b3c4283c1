"""The evidence of a cause: in words, as a file, and read back."""

from __future__ import annotations

import json
import math
from dataclasses import fields
from pathlib import Path

import pytest

from tests.report.invented import assessment, evidence
from tests.report.invented_jobs import HOSTILE_NAME
from yieldwatch.errors import InputError
from yieldwatch.gap.energy_draws import NOT_LOSSES
from yieldwatch.gap.why import Figure, Reading, Rival, Turn, Why
from yieldwatch.report import write_report
from yieldwatch.report.evidence import figure_cells, in_words
from yieldwatch.report.evidence_file import read_evidence, write_evidence
from yieldwatch.report.evidence_schema import EVIDENCE
from yieldwatch.report.page import render_page
from yieldwatch.report.words import RIVAL_WORDS


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("out")
    write_report(assessment(), place)
    return place


@pytest.fixture(scope="module")
def document(folder: Path) -> dict:
    return json.loads((folder / "evidence.json").read_text(encoding="utf-8"), parse_constant=lambda name: pytest.fail(name))


def test_the_file_has_the_keys_that_are_documented(document):
    site = document["sites"][0]
    cause = site["causes"][0]
    found = {
        "document": document, "site": site, "cause": cause,
        "reading": cause["readings"][0], "figure": cause["figures"][0], "rival": cause["rivals"][0], "turn": cause["turns"][0],
    }  # fmt: skip
    assert {name: list(part) for name, part in found.items()} == {name: list(keys) for name, keys in EVIDENCE.items()}


def test_the_records_have_the_same_fields():
    kinds = {"cause": Why, "reading": Reading, "figure": Figure, "rival": Rival, "turn": Turn}
    assert {name: [f.name for f in fields(kind)] for name, kind in kinds.items()} == {n: list(EVIDENCE[n]) for n in kinds}


def test_unknown_is_null_and_never_zero(document):
    shade = document["sites"][0]["causes"][2]
    assert [shade[name] for name in ("energy_kwh", "low_kwh", "high_kwh", "share")] == [None] * 4
    assert shade["why_not"] == "A single inverter has no peer."


def test_text_of_the_user_is_kept_as_it_came_in_the_file(document):
    assert HOSTILE_NAME in {site["name"] for site in document["sites"]}


def test_what_is_read_back_is_what_was_written(folder):
    found = read_evidence(folder)
    assert list(found) == [s.site.id for s in assessment().sites]
    for written in evidence():
        read = found["alder"].causes[written.cause]
        for name in (f.name for f in fields(Why)):
            one, other = getattr(read, name), getattr(written, name)
            both_unknown = isinstance(one, float) and math.isnan(one) and math.isnan(other)
            assert one == other or both_unknown, name


def test_it_is_written_with_the_tables_or_not_at_all(folder, tmp_path):
    assert {"evidence.json", "losses.csv", "report.html"} <= {p.name for p in folder.iterdir()}
    assert not [p for p in folder.iterdir() if p.name.startswith(".unfinished")]
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="cannot write the results here"):
        write_report(assessment(), tmp_path / "out" / "below")


def test_an_unknown_number_in_a_file_by_hand_is_not_known(folder, tmp_path):
    text = (folder / "evidence.json").read_text(encoding="utf-8").replace('"value": 0.08', '"value": null')
    (tmp_path / "evidence.json").write_text(text, encoding="utf-8")
    why = read_evidence(tmp_path)["alder"].causes["soiling"]
    assert figure_cells(why.figures[0])[2].startswith("not known")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "not there. Expected the folder of a finished assessment. Run yieldwatch assess PORTFOLIO --out"),
        ("{", "cannot be read"),
        (b"\xff\xfe", "cannot be read"),
        ("[]", "format = None, not known. Expected 1."),
        ('{"format": 2}', "format = 2, not known. Expected 1."),
        ('{"format": 1}', "not what yieldwatch assess writes"),
        ('{"format": 1, "sites": [{"site_id": "a", "name": "A", "causes": [{}]}]}', "not what yieldwatch assess writes"),
    ],
)
def test_a_file_that_is_no_evidence_is_a_message(tmp_path, content, said):
    if content is not None:
        (tmp_path / "evidence.json").write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(InputError) as caught:
        read_evidence(tmp_path)
    assert str(tmp_path / "evidence.json") in str(caught.value)
    assert said in str(caught.value)


def test_a_cause_is_told_with_interval_rivals_and_readings():
    soiling, fault, shade = (in_words(why) for why in evidence())
    assert soiling.headline == "1,200 kWh (300 to 2,500) in Jan 2025 to Jun 2025, 1.2 % of expected; rests on the farm's own data"
    assert soiling.readings == (
        "interval log: 4,210 inverter-hours, 14 Mar 2025 to 30 Jun 2025",
        "recorded cleanings: 1 event, 2 May 2025",
    )
    assert soiling.could_also_be == (
        "It trades off with ageing (correlation −0.61): 640 kWh move as that goes from its middle to an end of its interval.",
        "It rises and falls with the light sensor's own error (correlation +0.35): 210 kWh move as that goes from its middle to "
        "an end of its interval.",
        "A light sensor that is cleaned by the same rain.",
    )
    assert fault.could_also_be == ()
    assert (shade.headline, shade.why_not) == ("not assessed in Jan 2025 to Jun 2025", "A single inverter has no peer.")


def test_every_rival_that_is_no_cause_has_words():
    assert set(RIVAL_WORDS) == set(NOT_LOSSES)


def test_figures_keep_three_digits_and_no_more():
    assert figure_cells(Figure("x", 1234.567, "kWh"))[2] == "1,235 kWh"
    assert figure_cells(Figure("x", 12.345, "h"))[2] == "12.3 h"
    assert figure_cells(Figure("x", 1.2345, "%", 0.5, 2.0))[2] == "1.23 % (0.500 to 2)"
    assert figure_cells(Figure("x", -0.0123, "%"))[2] == "−0.012 %"


def test_the_page_shows_it_and_does_not_trust_its_text():
    page = render_page(assessment())
    assert "What would change it: To be nothing it would have to be wrong by" in page
    assert "It trades off with ageing" in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    assert "<img src=x" not in page


def test_the_evidence_is_the_same_bytes_each_time(tmp_path):
    for name in ("one", "two"):
        write_evidence(assessment(), tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_no_finding_is_told_as_certain():
    assert figure_cells(Figure("confidence", 0.99999, "probability"))[2] == "over 0.99"
    assert figure_cells(Figure("confidence", 0.62, "probability"))[2] == "0.620 probability"


def test_negative_figures_in_sentences_have_a_true_minus_and_names_keep_their_hyphen():
    why = Why("snow", "measured", "2025-01", "2025-01", 1.0, 0.0, 2.0, 0.1, pattern="INV-1 gave -7.6 % on 2025-06-07 (-0.5).")
    assert in_words(why).pattern == "INV-1 gave −7.6 % on 7 Jun 2025 (−0.5)."
