"""The contract's tables: their columns, their closure, and a folder written whole or not at all."""

import pandas as pd
import pytest

from tests.report.invented import assessment
from tests.report.invented_jobs import HOSTILE_COMMAND, HOSTILE_FORMULA
from yieldwatch.errors import InputError
from yieldwatch.report import write_report
from yieldwatch.report.tables import safe_cell, tables, write_files

# The contract, "What the tool writes": columns at least, in this order.
CONTRACT = {
    "yields": "site_id, month, insolation_kwh_m2, expected_kwh, measured_kwh, measured_from, estimated_kwh, "
    "inverter_kwh, clipped_kwh, performance_ratio, performance_ratio_temp_corrected, availability, coverage",
    "losses": "site_id, month, cause, energy_kwh, energy_low_kwh, energy_high_kwh, revenue_lost, "
    "revenue_lost_low, revenue_lost_high, basis",
    "string_findings": "site_id, string_id, last_round, p_mp_stc_w, p_mp_ratio, i_sc_ratio, v_oc_ratio, "
    "fill_factor_ratio, finding, confidence, on_glass",
    "downtime": "site_id, inverter_id, start, end, cause, energy_kwh",
    "obstacles": "site_id, inverter_id, from, to, azimuth_from_deg, azimuth_to_deg, height_deg, height_low_deg, height_high_deg, "
    "sun_highest_deg, beam_lost_pct, energy_kwh, months, rise_per_10_m, half_height_deg",
    "work_list": "rank, job_id, site_id, job_kind, cause, scope, due_from, due_to, gain_kwh_per_year, "
    "gain_low_kwh_per_year, gain_high_kwh_per_year, gain_per_year, cost, cost_alone, payback_months, "
    "payback_low_months, payback_high_months, npv, chosen, confidence, caution",
    "statement_checks": "site_id, start, end, reference, verdict, energy_kwh, meter_kwh, energy_difference_kwh, "
    "energy_tolerance_kwh, amount, amount_due, amount_difference, due_to_energy, due_to_price, amount_tolerance, note",
    "bridge": "site_id, span, from_month, to_month, months, place, step, energy_kwh, energy_low_kwh, energy_high_kwh, money, "
    "money_low, money_high, note",
    "returns": "site_id, measure, cause, value, low, high, unit, plan, note",
    "claims": "site_id, payer, ground, subject, period_from, period_to, energy_kwh, amount, amount_low, amount_high, state, "
    "deadline, reason, evidence",
    "set_aside": "file, line, column, value, reason",
    "plan": "row, visit_id, week, start, site_id, crew, job_id, job_kind, scope, turn, safety, crew_hours, crew_days, cost, "
    "gain, gain_low, gain_high, net, needs_budget, needs_crew_days, needs_gain, why, caution",
    "waiting": "site_id, job_id, week, start, gain, low, high, allowed, why_not",
    "proof": "site_id, job, job_ref, job_kind, cause, scope, done_on, contractor, measured_from, measured_to, methods, peers, "
    "before_days, after_days, gain_kwh, gain_low_kwh, gain_high_kwh, promised_kwh, gain, gain_low, gain_high, "
    "gain_kwh_per_year, gain_low_kwh_per_year, gain_high_kwh_per_year, gain_per_year, cost, chance, verdict, days_more, words",
    "promises": "of, name, jobs, promised_kwh, proven_kwh, factor, factor_low, factor_high",
    "next_measurements": "rank, site_id, measurement, scope, how, bears_on, may_turn, chance_of_change, worth, worth_low, "
    "worth_high, worth_if_certain, cost, cost_alone, net_worth, needs_strong_light, verdict, caution",
    "bright_hours": "site_id, month, hour, light_w_m2, hours, hours_low, hours_high, years",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("out") / "new" / "folder"
    write_report(assessment(), place, parquet=True)
    return place


@pytest.mark.parametrize("name", CONTRACT)
@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_every_table_begins_with_the_contracts_columns(folder, name, suffix):
    path = folder / f"{name}.{suffix}"
    frame = pd.read_csv(path) if suffix == "csv" else pd.read_parquet(path)
    wanted = CONTRACT[name].split(", ")
    assert list(frame.columns[: len(wanted)]) == wanted
    assert len(frame) > 0


def test_added_columns_come_after_and_are_kept(folder):
    assert pd.read_csv(folder / "yields.csv").columns[-1] == "weather_gaps_pct"
    assert {"why", "safety"} <= set(pd.read_csv(folder / "work_list.csv").columns)


def test_losses_still_close_on_the_meter_after_rounding(folder):
    yields = pd.read_csv(folder / "yields.csv").dropna(subset="measured_kwh")
    losses = pd.read_csv(folder / "losses.csv")
    summed = losses.groupby(["site_id", "month"])["energy_kwh"].sum()
    gaps = yields.set_index(["site_id", "month"]).eval("expected_kwh - measured_kwh")
    assert len(gaps) == 6
    # 13 figures, each rounded to 6 decimals: at most 13 x 0.5e-6.
    assert (gaps - summed.loc[gaps.index]).abs().max() < 6.5e-6


def test_missing_stays_blank_and_is_never_zero(folder):
    losses = pd.read_csv(folder / "losses.csv")
    absent = losses[losses["basis"] == "not_assessed"]
    assert len(absent) == 12
    assert absent["energy_kwh"].isna().all()
    text = (folder / "yields.csv").read_text(encoding="utf-8")
    # The unmeasured farm: a blank measured value and no source for it.
    assert "birch,2025-01,44.389205,9000.0,,,0.0" in text


def test_downtime_is_in_site_time_with_its_offset(folder):
    spells = pd.read_csv(folder / "downtime.csv")
    # 3 May, 06:00 UTC in London is 07:00 in summer time; 10 Feb is in winter time.
    assert spells["start"].iloc[0] == "2025-05-03T07:00:00+01:00"
    assert spells["start"].iloc[1] == "2025-02-10T10:00:00+00:00"


def test_scope_is_written_as_identifiers_between_spaces(folder):
    jobs = pd.read_csv(folder / "work_list.csv")
    assert jobs.loc[jobs["job_id"] == "J4", "scope"].item() == "S01 S02"


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (HOSTILE_COMMAND, "'" + HOSTILE_COMMAND),
        ("+dde", "'+dde"),
        ("-cmd", "'-cmd"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1+1", "'\t=1+1"),
        ("-5", "-5"),
        ("-5.2e3", "-5.2e3"),
        ("plain", "plain"),
        (None, None),
    ],
)
def test_text_that_a_spreadsheet_would_run_is_marked_as_text(value, written):
    assert safe_cell(value) == written


def test_user_text_in_the_csv_files_is_marked_as_text(folder):
    values = pd.read_csv(folder / "set_aside.csv", dtype=str)["value"]
    assert list(values) == ["'" + HOSTILE_COMMAND, "-5", "'+dde"]
    whys = pd.read_csv(folder / "work_list.csv", dtype=str)["why"]
    assert "'" + HOSTILE_FORMULA in set(whys)
    assert not whys.str.startswith(("=", "+", "-", "@")).any()


def test_parquet_keeps_user_text_as_it_came(folder):
    assert pd.read_parquet(folder / "set_aside.parquet")["value"].iloc[0] == HOSTILE_COMMAND


def test_a_run_that_fails_leaves_the_old_files_whole(tmp_path):
    (tmp_path / "losses.csv").write_text("old")

    def fail(path):
        raise RuntimeError("midway")

    writers = {"losses.csv": lambda path: path.write_text("new"), "report.html": fail}
    with pytest.raises(RuntimeError, match="midway"):
        write_files(tmp_path, writers)
    assert (tmp_path / "losses.csv").read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["losses.csv"]


def test_stale_parquet_of_an_earlier_run_is_removed_and_other_files_stay(tmp_path):
    (tmp_path / "losses.parquet").write_text("earlier run")
    (tmp_path / "notes.txt").write_text("mine")
    write_report(assessment(), tmp_path)
    assert not (tmp_path / "losses.parquet").exists()
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert (tmp_path / "losses.csv").exists()


def test_a_folder_that_cannot_be_written_is_a_message(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"cannot write the results here .* Name another one with --out"):
        write_files(tmp_path / "file" / "below", {})


def test_an_empty_table_still_has_its_columns():
    empty = assessment()
    frames = tables(type(empty)(**{**empty.__dict__, "work_list": pd.DataFrame()}))
    assert list(frames["work_list"].columns) == CONTRACT["work_list"].split(", ")
