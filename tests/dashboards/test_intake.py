"""New files: looked at on a copy, kept only as looked at, never over another."""

from __future__ import annotations

import gzip
import os
import shutil

import pytest

from dashboards import intake
from dashboards.intake import Offer, Refused, keep, look, safe_name
from tests.dashboards.conftest import ROOT

ROUND = "sites/drumlin/readings/iv/round-03-2025-05-26.csv"


@pytest.fixture
def folder(tmp_path):
    """One farm of the sample, without its large files."""
    root = tmp_path / "portfolio"
    shutil.copytree(ROOT / "sample_portfolio", root, ignore=shutil.ignore_patterns("truth", "kelter", "varzea", "terrajal", "power"))
    return root


def everything(root):
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file()}


def later_round(root, *more: bytes) -> bytes:
    return (root / ROUND).read_bytes().replace(b"2025-05-26", b"2025-06-12") + b"".join(more)


def test_a_look_counts_every_row_and_leaves_the_folder_as_it_was(folder):
    before = everything(folder)
    content = later_round(folder, b"too,few\n")
    seen = look(folder, Offer("drumlin", "iv", "june.csv", content))
    assert seen.rows == content.count(b"\n") - 1
    assert seen.used + seen.set_aside == seen.rows
    assert "fields where the header has" in seen.reasons["reason"].iloc[-1]
    assert everything(folder) == before


def test_what_was_looked_at_is_kept_byte_for_byte_and_nothing_else_changes(folder):
    before = everything(folder)
    offer = Offer("drumlin", "iv", "june.csv", later_round(folder))
    place = keep(folder, offer, look(folder, offer).token)
    assert everything(folder) == {**before, place: offer.content}
    assert place == "sites/drumlin/readings/iv/june.csv"


def test_a_file_other_than_the_one_looked_at_is_not_kept(folder):
    before = everything(folder)
    offer = Offer("drumlin", "iv", "june.csv", later_round(folder))
    token = look(folder, offer).token
    for other in (Offer("drumlin", "iv", "june.csv", offer.content + b"\n"), Offer("drumlin", "clamp", "june.csv", offer.content)):
        with pytest.raises(Refused, match="looked at"):
            keep(folder, other, token)
    assert everything(folder) == before


def test_nothing_is_written_over_even_if_it_came_after_the_look(folder):
    offer = Offer("drumlin", "iv", "june.csv", later_round(folder))
    token = look(folder, offer).token
    (folder / ROUND).with_name("june.csv").write_text("mine")
    with pytest.raises(Refused, match="there already"):
        keep(folder, offer, token)
    assert (folder / ROUND).with_name("june.csv").read_text() == "mine"


def test_a_second_file_beside_a_table_that_is_one_file_is_refused(folder):
    with pytest.raises(Refused, match=r"events\.csv is one file"):
        look(folder, Offer("drumlin", "events", "more.csv", b"date\n"))


@pytest.mark.parametrize(("given", "kept"), [
    ("../../../etc/cron.csv", "cron.csv"), ("C:\\x\\..\\Runde 3.CSV", "Runde-3.csv"), (".hidden.csv", "hidden.csv"),
    ("=cmd()|x<b>.csv.gz", "cmd-x-b.csv.gz"), ("été\u202egpj.parquet", "etegpj.parquet"),
    ("a" * 300 + ".csv", "a" * 76 + ".csv"),
])
def test_a_name_is_made_harmless(given, kept):
    assert safe_name(given) == kept


@pytest.mark.parametrize("given", ["", "..", ".csv", "run.exe", "x.csv/..", "site.toml", "a.csv\u0000.sh"])
def test_a_name_that_is_no_tables_is_refused(given):
    with pytest.raises(Refused, match="Expected a table"):
        safe_name(given)


@pytest.mark.parametrize(("site", "table"), [("../drumlin", "iv"), ("..", "iv"), ("nowhere", "iv"), ("drumlin", "strings"),
                                             ("drumlin", "../iv")])
def test_no_other_place_can_be_asked_for(folder, site, table):
    with pytest.raises(Refused):
        look(folder, Offer(site, table, "x.csv", b"a\n1\n"))


def test_a_folder_that_leads_out_of_the_portfolio_is_refused(folder, tmp_path):
    (tmp_path / "outside").mkdir()
    os.symlink(tmp_path / "outside", folder / "sites/drumlin/readings/power")
    with pytest.raises(Refused):
        look(folder, Offer("drumlin", "power", "x.csv", b"a\n1\n"))


def test_a_small_file_that_unpacks_to_a_very_large_one_is_refused(folder, monkeypatch):
    monkeypatch.setattr(intake, "MOST_UNPACKED", 2**20)
    bomb = gzip.compress(b"0" * 2**19) * 3
    with pytest.raises(Refused, match="unpacked"):
        look(folder, Offer("drumlin", "iv", "x.csv.gz", bomb))


def test_a_file_that_cannot_be_read_says_why(folder):
    with pytest.raises(Refused, match="not UTF-8"):
        look(folder, Offer("drumlin", "iv", "x.csv", b"time,string_id\n\xff\xfe\n"))
    with pytest.raises(Refused, match="not what its ending says"):
        look(folder, Offer("drumlin", "iv", "x.parquet", b"time"))
