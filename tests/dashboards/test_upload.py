"""Files that come in: looked at in a copy, kept only when accepted, never over another."""

from __future__ import annotations

import gzip
import io
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dashboards.upload import KINDS, LARGEST_UNPACKED, Uploads
from tests.dashboards.conftest import visit
from yieldwatch.errors import InputError
from yieldwatch.report.source_words import TABLE_WORDS

ROOT = Path(__file__).parents[2]
COSTS = b"date,amount,kind,note\n2025-06-01,120.50,insurance,\nsometime,10,insurance,\n"


@pytest.fixture
def portfolio(tmp_path) -> Path:
    """The sample with one farm."""
    place = tmp_path / "portfolio"
    shutil.copytree(ROOT / "sample_portfolio", place, ignore=shutil.ignore_patterns("truth", "kelter", "terrajal", "varzea"))
    return place


def files(portfolio: Path) -> dict[str, bytes]:
    return {p.relative_to(portfolio).as_posix(): p.read_bytes() for p in sorted(portfolio.rglob("*")) if p.is_file()}


def test_every_kind_of_reading_that_may_come_in_has_its_word():
    assert sorted(TABLE_WORDS) == sorted(KINDS)


def test_a_preview_says_what_would_be_read_and_set_aside_and_keeps_nothing(portfolio):
    before = files(portfolio)
    preview = Uploads(portfolio).look("Ada", "drumlin", "costs", "June.csv", COSTS)
    assert (preview.rows, preview.used, preview.set_aside) == (2, 1, 1)
    assert len(preview.reasons) == 1
    assert preview.reasons[0][1:] == (1, 3)
    assert files(portfolio) == before


def test_an_accepted_file_stands_beside_what_was_there_which_stays_the_same(portfolio):
    before = files(portfolio)
    uploads = Uploads(portfolio)
    preview = uploads.look("Ada", "drumlin", "costs", "June.csv", COSTS)
    assert preview.moved == "sites/drumlin/costs.csv"
    assert uploads.accept("Ada", preview.key) == "sites/drumlin/costs/June.csv"
    after = files(portfolio)
    assert after.pop("sites/drumlin/costs/June.csv") == COSTS
    assert after.pop("sites/drumlin/costs/costs.csv") == before.pop("sites/drumlin/costs.csv")
    assert after == before
    again = uploads.look("Ada", "drumlin", "costs", "June.csv", COSTS)
    assert again.file == "sites/drumlin/costs/June-2.csv"


def test_what_a_file_would_set_aside_in_others_is_told(portfolio):
    there = portfolio / "sites" / "drumlin" / "readings" / "iv" / "round-02-2024-06-04.csv"
    copy = Uploads(portfolio).look("Ada", "drumlin", "iv", "again.csv", there.read_bytes())
    assert copy.set_aside + sum("would be set aside" in n for n in copy.notices) > 0


def test_a_dropped_file_and_another_persons_file_cannot_be_accepted(portfolio):
    uploads = Uploads(portfolio)
    preview = uploads.look("Ada", "drumlin", "costs", "June.csv", COSTS)
    with pytest.raises(InputError, match="no longer held"):
        uploads.accept("Piet", preview.key)
    uploads.drop("Ada", preview.key)
    with pytest.raises(InputError, match="no longer held"):
        uploads.accept("Ada", preview.key)


def test_a_place_taken_meanwhile_is_not_written_over(portfolio):
    uploads = Uploads(portfolio)
    preview = uploads.look("Ada", "drumlin", "costs", "June.csv", COSTS)
    taken = portfolio / "sites/drumlin/costs"
    taken.mkdir()
    (portfolio / "sites/drumlin/costs.csv").rename(taken / "costs.csv")
    (taken / "June.csv").write_text("mine")
    with pytest.raises(InputError, match="changed meanwhile"):
        uploads.accept("Ada", preview.key)
    assert (taken / "June.csv").read_text() == "mine"


@pytest.mark.parametrize(
    "name", ["../../../evil.csv", "..\\..\\evil.csv", "/etc/evil.csv", ".evil.csv", "e'; drop table x;--.csv"])
def test_a_files_name_leads_nowhere_else(portfolio, name):
    preview = Uploads(portfolio).look("Ada", "drumlin", "costs", name, COSTS)
    assert preview.file.startswith("sites/drumlin/costs/")
    assert preview.file.count("/") == 3
    assert all(c.isalnum() or c in "-_./" for c in preview.file)


@pytest.mark.parametrize(("site", "kind"), [("../drumlin", "costs"), ("drumlin", "../costs"), ("drumlin", "strings"), ("", "")])
def test_only_known_farms_and_kinds_of_reading_are_taken(portfolio, site, kind):
    with pytest.raises(InputError):
        Uploads(portfolio).look("Ada", site, kind, "June.csv", COSTS)


def test_a_file_that_is_no_table_or_unpacks_to_too_much_is_refused(portfolio):
    uploads = Uploads(portfolio)
    with pytest.raises(InputError, match="does not end in"):
        uploads.look("Ada", "drumlin", "costs", "June.xlsm", COSTS)
    with pytest.raises(InputError, match="no sound gzip"):
        uploads.look("Ada", "drumlin", "costs", "June.csv.gz", COSTS)
    with pytest.raises(InputError, match="unpacks to more"):
        uploads.look("Ada", "drumlin", "costs", "June.csv.gz", gzip.compress(bytes(LARGEST_UNPACKED + 10), 1))
    # Members after the first count too, and so do equal cells, which take next to nothing in a Parquet file.
    half = gzip.compress(bytes(LARGEST_UNPACKED // 2 + 10), 1)
    with pytest.raises(InputError, match="unpacks to more"):
        uploads.look("Ada", "drumlin", "costs", "June.csv.gz", half + half)
    alike = io.BytesIO()
    pd.DataFrame({"amount": np.zeros(LARGEST_UNPACKED // 8 + 1, np.int8)}).to_parquet(alike)
    with pytest.raises(InputError, match="unpacks to more"):
        uploads.look("Ada", "drumlin", "costs", "June.parquet", alike.getvalue())
    with pytest.raises(InputError, match="no sound Parquet"):
        uploads.look("Ada", "drumlin", "costs", "June.parquet", COSTS)
    unread = uploads.look("Ada", "drumlin", "costs", "June.csv", b"when;how much\n1;2\n")
    assert "semicolons" in unread.refused
    with pytest.raises(InputError, match="cannot be read"):
        uploads.accept("Ada", unread.key)


def test_a_person_adds_a_file_and_sees_first_what_it_would_bring(page, served):
    visit(page, served, "/upload")
    page.fill("#upload-site", "kelter")
    page.fill("#upload-kind", "running costs")
    page.set_input_files("input[type=file]", {"name": "June.csv", "mimeType": "text/csv", "buffer": COSTS})
    page.wait_for_selector("text=1 would be used, 1 set aside")
    assert not (served.place.portfolio / "sites/kelter/costs").exists()
    page.get_by_role("button", name="Drop it", exact=True).click()
    page.wait_for_selector("text=nothing was kept")
    assert not (served.place.portfolio / "sites/kelter/costs").exists()


def test_the_same_file_sent_again_after_the_farm_was_named_is_looked_at(page, served):
    visit(page, served, "/upload")
    sent = {"name": "July.csv", "mimeType": "text/csv", "buffer": COSTS}
    page.set_input_files("input[type=file]", sent)
    page.wait_for_selector("text=Choose a farm and a kind of reading")
    page.fill("#upload-site", "kelter")
    page.fill("#upload-kind", "running costs")
    page.set_input_files("input[type=file]", sent)
    page.wait_for_selector("text=1 would be used, 1 set aside")
