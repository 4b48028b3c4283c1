"""`yieldwatch explain`, through the command line that a user types."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Soiling
from tests.farm.write import write_portfolio
from yieldwatch import cli
from yieldwatch.constants import CAUSES
from yieldwatch.handbook import entries


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `yieldwatch assess` wrote for two months of a farm with some dust."""
    place = tmp_path_factory.mktemp("explain")
    write_portfolio(place / "farm", place / "truth", PortfolioSpec("P", (plain(Soiling(0.1, 3.0), days=61),)))
    assert cli.main(["assess", str(place / "farm"), "--out", str(place / "out")]) == cli.OK
    return place / "out"


def explained(capsys: pytest.CaptureFixture, *arguments: object, status: int = cli.OK) -> str:
    capsys.readouterr()
    assert cli.main(["explain", *map(str, arguments)]) == status
    said = capsys.readouterr()
    return said.out if status == cli.OK else said.err


def test_without_a_topic_all_topics_are_listed(capsys):
    said = explained(capsys)
    assert all(f"{e.id}: {e.title}" in said for e in entries().values())


def test_a_topic_is_printed_with_source_and_links(capsys):
    said = explained(capsys, "soiling")
    assert "Dirt on the glass (cause)" in said
    assert "Source: Kimber et al., WCPEC (2006)" in said
    assert "See also: soiling-method" in said


def test_a_topic_of_several_words_needs_no_quotes(capsys):
    assert explained(capsys, "net", "present", "value") == explained(capsys, "npv")


def test_an_unknown_topic_is_a_message_with_the_nearest(capsys):
    said = explained(capsys, "soilin", status=cli.BAD_INPUT)
    assert said.startswith('topic = "soilin", not in the handbook. Did you mean "soiling"')


def test_from_alone_lists_the_sites(results, capsys):
    assert "plain: Plain" in explained(capsys, "--from", results)


def test_a_site_is_explained_cause_by_cause(results, capsys):
    said = " ".join(explained(capsys, "--from", results, "plain").split())
    assert said.count("says how it is found.") == len(CAUSES)
    assert "Plain: dirt on the glass" in said
    assert "What would settle it: - Wash a few strings" in said
    # Two months are too short for shade: said, with its reason.
    assert "Plain: shade from plants or obstacles 0 kWh" in said
    assert "Fewer than 90 days of history" in said


def test_a_cause_is_explained_with_its_figures(results, capsys):
    said = " ".join(explained(capsys, "--from", results, "plain", "soiling").split())
    assert "build-up on a dry day, median month:" in said
    assert "dirt on the glass" in said


def test_what_it_says_is_what_the_file_holds(results, capsys):
    document = json.loads((results / "evidence.json").read_text(encoding="utf-8"))
    why = next(c for c in document["sites"][0]["causes"] if c["cause"] == "unexplained")
    said = " ".join(explained(capsys, "--from", results, "plain", "unexplained").replace("−", "-").split())
    assert " ".join(why["pattern"].split()) in said
    assert all(turn["says"] in said for turn in why["turns"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan",), 'site = plan, not in this assessment. Did you mean "plain"? Expected one of plain.'),
        (("plain", "soilin"), 'cause = soilin, not known. Did you mean "soiling"? Expected one of soiling (dirt on the glass)'),
        (("plain", "soiling", "now"), "3 words. Expected a site and a cause."),
    ],
)
def test_what_is_not_there_is_a_message(results, capsys, words, said):
    assert said in explained(capsys, "--from", results, *words, status=cli.BAD_INPUT)


def test_a_cause_is_known_by_its_words_too(results, capsys):
    assert explained(capsys, "--from", results, "plain", "Dirt on the glass") == explained(
        capsys, "--from", results, "plain", "soiling")


def test_a_table_is_a_topic_too(capsys):
    said = explained(capsys, "losses.csv")
    assert "revenue_lost: Money lost, negative where the price was negative" in said
    assert "yieldwatch explain losses.COLUMN" in said


def test_a_folder_without_evidence_is_a_message(tmp_path, capsys):
    said = explained(capsys, "--from", tmp_path, status=cli.BAD_INPUT)
    assert "evidence.json: not there. Expected the folder of a finished assessment." in said


def test_control_characters_in_a_name_do_not_reach_the_terminal(results, tmp_path, capsys):
    document = json.loads((results / "evidence.json").read_text(encoding="utf-8"))
    document["sites"][0]["name"] = "Plain\x1b[2J"
    (tmp_path / "evidence.json").write_text(json.dumps(document), encoding="utf-8")
    assert "\x1b" not in explained(capsys, "--from", tmp_path, "plain", "snow")


def test_it_runs_as_a_program_of_its_own(tmp_path):
    command = [sys.executable, "-m", "yieldwatch", "explain", "payback_months"]
    home = {"PYTHONPATH": str(Path(__file__).parents[1]), "PATH": ""}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False, env=home)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Payback (column)" in done.stdout
