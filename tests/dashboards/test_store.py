"""What pages look up: only what is there, by bound values, and a new assessment as soon as it stands."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dashboards.store import NoAssessment, Store
from tests.report.invented import assessment
from tests.report.invented_jobs import HOSTILE_NAME
from yieldwatch.report import write_report
from yieldwatch.report.spans import span_tables
from yieldwatch.report.store_file import STORE_FILE


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("written")
    write_report(assessment(), place)
    return place


@pytest.fixture
def store(folder) -> Store:
    return Store(folder)


def test_the_store_holds_the_rows_of_the_written_tables(store, folder):
    written = (folder / "losses.csv").read_text(encoding="utf-8").splitlines()
    assert len(store.rows("losses")) == len(written) - 1
    assert store.about()["currency"] == assessment().portfolio.currency


def test_a_value_from_an_address_is_bound_and_a_column_must_exist(store):
    assert store.rows("losses", {"site_id": "x' or '1'='1"}) == []
    with pytest.raises(KeyError):
        store.rows("losses", {'site_id" = "site_id" or "1': "1"})
    with pytest.raises(KeyError):
        store.rows("losses", order=['month" desc; drop table losses; --'])
    with pytest.raises(KeyError):
        store.rows("sqlite_master", {"name": "losses"})


def test_rows_come_in_pages_with_missing_values_last(store):
    whole = store.rows("losses", order=["revenue_lost"], descending=True)
    known = [r["revenue_lost"] for r in whole if r["revenue_lost"] is not None]
    assert known == sorted(known, reverse=True)
    assert all(r["revenue_lost"] is None for r in whole[len(known):])
    page = store.page("losses", ["revenue_lost"], True, 2, 5)
    assert page.total == len(whole)
    assert [r["revenue_lost"] for r in page.rows] == [r["revenue_lost"] for r in whole[5:10]]


def test_bounds_of_a_column_hold_its_ends(store):
    found = store.rows("losses", {"month__from": "2025-02", "month__to": "2025-03"})
    assert {r["month"] for r in found} == {"2025-02", "2025-03"}


def test_a_store_cannot_be_written_by_a_reader(store):
    with pytest.raises(sqlite3.OperationalError):
        store._read("delete from losses", [])


def test_a_folder_without_an_assessment_or_with_a_broken_one_says_so(tmp_path):
    with pytest.raises(NoAssessment, match="No assessment"):
        Store(tmp_path).about()
    (tmp_path / STORE_FILE).write_bytes(b"no database")
    with pytest.raises(NoAssessment, match="cannot be read"):
        Store(tmp_path).about()


def test_a_new_assessment_is_seen_without_a_restart(tmp_path, folder):
    first, second = tmp_path / STORE_FILE, tmp_path / "next"
    first.write_bytes((folder / STORE_FILE).read_bytes())
    store = Store(tmp_path)
    assert store.about()["portfolio"] == assessment().portfolio.name
    second.write_bytes(first.read_bytes())
    with sqlite3.connect(second) as changed:
        changed.execute("update about set value = 'Renamed' where key = 'portfolio'")
    os.replace(second, first)
    assert store.about()["portfolio"] == "Renamed"


def test_the_sums_of_a_span_are_those_of_its_farms_and_the_bridge_closes(store):
    for span in ("month", "year_to_date", "twelve_months"):
        total = store.row("spans", {"span": span})
        farms = [f for f in store.rows("span_farms", {"span": span}) if f["months"]]
        assert total["farms_measured"] == len(farms)
        for name in ("measured_kwh", "expected_kwh", "in_hand_kwh", "in_hand_high_kwh"):
            assert total[name] == pytest.approx(sum(f[name] for f in farms if f[name] is not None))
        steps = {r["step"]: r for r in store.rows("span_bridge", {"span": span}, ["place"])}
        if steps:
            changes = [r["energy_kwh"] or 0.0 for step, r in steps.items()
                       if step not in ("budget", "actual_energy", "actual_revenue", "paid")]
            assert steps["budget"]["energy_kwh"] + sum(changes) == pytest.approx(steps["actual_energy"]["energy_kwh"])


def test_a_farm_that_lacks_a_plan_or_a_month_says_why(store):
    for farm in store.rows("span_farms"):
        assert farm["budget_kwh"] is not None or farm["note"]


def test_tables_of_spans_have_all_their_columns_whatever_the_farms_lack(store):
    whole = assessment()
    without_plan = tuple(replace(s, bridge=pd.DataFrame()) for s in whole.sites)
    unmeasured = tuple(replace(s, gap=replace(s.gap, yields=s.gap.yields.assign(measured_kwh=np.nan))) for s in without_plan)
    for sites in (without_plan, unmeasured):
        for name, table in span_tables(replace(whole, sites=sites)).items():
            assert tuple(table.columns) == store.columns(name)


def test_names_of_a_users_stay_text(store):
    names = [r["name"] for r in store.rows("sites")]
    assert HOSTILE_NAME in names
