"""Who pays: guarantees by contract year, warranties beyond doubt, deadlines, and what nobody else owes."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.cost.farm_year import MODULE, account, evidence, farm
from yieldwatch.action.guarantees import contract_years
from yieldwatch.action.warranties import inverter_deadlines, is_short, short_strings, warranted_share
from yieldwatch.action.who_pays import site_claims
from yieldwatch.constants import CAUSES
from yieldwatch.cost.revenue import value_losses
from yieldwatch.portfolio.model import Assumption, Guarantee, JobCost

# Each hour of 10 kWh: the inverter takes 0.1, the grid 0.2.
GAP = account("2023-01-01", "2025-01-01", grid_outage=0.2)
TODAY = dt.date(2025, 1, 1)
GRID_OUT = ("grid_outage", "curtailment")


def promise(kind="availability", value=99.5, cap=None, excludes=GRID_OUT, start=dt.date(2023, 1, 1)):
    return Guarantee(kind, value, 1000.0, cap, excludes, start)


def claims(site, gap=GAP, rounds=None, jobs=None, today=TODAY, **more):
    data = evidence(gap, **more)
    losses, _ = value_losses(site, data, gap)
    rounds = pd.DataFrame() if rounds is None else rounds
    return site_claims(site, data, gap, losses, rounds, pd.DataFrame() if jobs is None else jobs, today)


def test_availability_with_and_without_its_exclusions_by_hand():
    first, second = contract_years(farm(), GAP, promise())
    value = 100 * (1 - 0.1 / (10 - 0.2))
    assert first.value_pct[0] == pytest.approx(value)
    assert first.raw_pct == pytest.approx(100 * (1 - 0.3 / 10))
    assert (first.start, first.end, second.end) == (dt.date(2023, 1, 1), dt.date(2024, 1, 1), dt.date(2025, 1, 1))
    assert first.damages[0] == pytest.approx((99.5 - value) * 1000)
    assert first.damages[1] < first.damages[0] < first.damages[2]
    assert first.energy_kwh == pytest.approx(876.0)


def test_the_cap_ends_the_damages_and_part_of_a_year_has_part_of_them():
    capped = contract_years(farm(), GAP, promise(cap=200.0))[0]
    assert capped.damages[0] == 200.0
    half = contract_years(farm(), account("2023-01-01", "2023-07-01"), promise())[0]
    assert half.covered == pytest.approx(181 / 365)
    whole = contract_years(farm(), account("2023-01-01", "2024-01-01"), promise())[0]
    assert half.damages[0] == pytest.approx(whole.damages[0] * 181 / 365)


def test_performance_ratio_adds_back_what_is_excluded():
    gap = account("2023-01-01", "2024-01-01", grid_outage=0.2)
    year = contract_years(farm(), gap, promise("performance_ratio", 80.0, excludes=("grid_outage",)))[0]
    light = 12 * 110 * 20  # kWh/m² times kWp
    assert year.raw_pct == pytest.approx(100 * 8760 * 8.8 / light)
    assert year.value_pct[0] == pytest.approx(100 * 8760 * 9.0 / light)
    assert year.value_pct[1] < 0.976 * year.value_pct[0]  # the light alone is doubtful by 2.5 %


def test_a_limit_left_on_within_the_curtailment_excluded_is_asked_about():
    gap = account("2023-01-01", "2024-01-01", curtailment=0.5)
    # Half of each hour's 0.5 kWh came with an instruction.
    gap = replace(gap, intervals=gap.intervals.assign(instructed_kwh=0.25))
    (year,) = contract_years(farm(), gap, promise())
    assert year.left_on_kwh == pytest.approx(8760 * 0.25)
    asked = claims(replace(farm(), guarantees=(promise(),)), gap)["reason"].iloc[0]
    assert "of the curtailment excluded no instruction held 2,190 kWh: ask whether the contract excludes" in asked
    instructed = account("2023-01-01", "2024-01-01", curtailment=0.5)
    for quiet, of in ((instructed, promise()), (gap, promise(excludes=("grid_outage",)))):
        assert contract_years(farm(), quiet, of)[0].left_on_kwh == 0.0
        assert "left on" not in claims(replace(farm(), guarantees=(of,)), quiet)["reason"].iloc[0]


@pytest.mark.parametrize(
    ("value", "today", "state"),
    [(99.5, TODAY, "claim"), (98.99, TODAY, "watch"), (98.5, TODAY, "none"), (99.5, dt.date(2024, 12, 1), "watch")],
)
def test_a_shortfall_is_a_claim_only_beyond_doubt_and_after_the_year(value, today, state):
    # 98.98 %, with draws of the outage from 0.8 to 1.2 times: 98.8 to 99.2.
    found = claims(replace(farm(), guarantees=(promise(value=value),)), today=today)
    last = found[found["payer"] == "maintenance_contractor"].iloc[-1]
    assert last["state"] == state
    assert last["deadline"] == "2025-01-31"
    assert "99" in last["reason"] or "98" in last["reason"]


def test_a_power_warranty_is_short_only_beyond_the_measurement():
    # Written-out arithmetic: 91 % warranted, field readings good to 5.9 % (k = 2): 91 / 1.059 = 85.93 %.
    assert is_short(0.859, 0.0295, 0.91)
    assert not is_short(0.860, 0.0295, 0.91)
    assert warranted_share(MODULE, 0.5) == pytest.approx(0.98)
    assert warranted_share(MODULE, 11.0) == pytest.approx(0.93)  # 98 less ten times 0.5
    assert np.isnan(warranted_share(MODULE, 25.1))
    assert np.isnan(warranted_share(replace(MODULE, warranty_first_year_pct=None), 5.0))


def rounds(**share):
    return pd.DataFrame({
        "string_id": list(share), "time": pd.Timestamp("2024-06-01", tz="UTC"), "p_mp_plate": list(share.values()),
        "u_p_mp": 0.03, "grade": "good", "flags": "", "file": "iv/a.csv", "line": range(2, 2 + len(share))})


def test_strings_below_warranty_are_named_and_soiled_ones_are_not():
    # 5.4 years old: 98 - 4.4 x 0.5 = 95.8 % warranted; 6 % of doubt, so below 90.4 %.
    found = short_strings(farm(), rounds(S0=0.85, S1=0.91, S2=0.80), GAP.string_findings)
    assert found["string_id"].tolist() == ["S0"]  # S2 is soiled, S1 within doubt
    assert short_strings(farm(), rounds(S0=0.85).assign(flags="light in doubt"), GAP.string_findings).empty
    assert found["missing_w"].item() == pytest.approx((0.958 - 0.85) * 5000, abs=1)
    assert found["deadline"].item() == dt.date(2044, 1, 1)


def test_the_module_makers_row_has_money_evidence_and_the_job_follows_it():
    cost = JobCost("replace_modules", 0, 150.0, "module", 0, 0, 0)
    job = pd.DataFrame([{
        "site_id": "moor", "job_id": "J", "job_kind": "replace_modules", "scope": ("S0",), "due_from": "2025-01-01",
        "due_to": "2025-02-01", "cost": 1500.0}])
    found = claims(replace(farm(), job_costs={"replace_modules": cost}), rounds=rounds(S0=0.85), jobs=job)
    maker = found[found["payer"] == "module_maker"].set_index("ground")
    row = maker.loc["power_warranty"]
    assert row["amount"] == pytest.approx((0.958 - 0.85) * 5000 * 150 / 500, abs=0.5)
    assert row["amount_low"] < row["amount"] < row["amount_high"]
    assert row["state"] == "watch"  # a field trace is a screen, no proof
    assert "iv/a.csv line 2" in row["evidence"]
    assert maker.loc["job", "subject"] == "J"


def test_a_claim_stands_with_what_it_may_bring_and_not_with_what_the_letter_costs():
    job = pd.DataFrame([{
        "site_id": "moor", "job_id": "C", "job_kind": "claim", "scope": ("S0",), "due_from": "2025-01-01", "due_to": "2044-01-01",
        "cost": 90.0, "gain_per_year": 320.0, "gain_low_per_year": 0.0, "gain_high_per_year": 980.0}])
    cost = JobCost("replace_modules", 0, 150.0, "module", 0, 0, 0)
    found = claims(replace(farm(), job_costs={"replace_modules": cost}), rounds=rounds(S0=0.85), jobs=job)
    row = found[found["ground"] == "job"].iloc[0]
    assert (row["payer"], row["amount"], row["amount_low"], row["amount_high"]) == ("module_maker", 320.0, 0.0, 980.0)
    assert "by the chance that it is granted" in row["reason"]


def test_an_inverters_warranty_runs_from_its_replacement():
    data = evidence(GAP)
    assert inverter_deadlines(farm(), data) == {"INV1": dt.date(2029, 1, 1)}
    events = pd.DataFrame({"event_id": ["E"], "kind": ["replacement"], "start": [pd.Timestamp("2022-05-01", tz="UTC")],
                           "scope": [("INV1",)], "cost": [np.nan], "note": [None]})
    assert inverter_deadlines(farm(), replace(data, events=events)) == {"INV1": dt.date(2032, 5, 1)}


def test_the_term_of_an_inverter_that_was_replaced_may_be_the_first_ones():
    spells = pd.DataFrame({
        "site_id": "moor", "inverter_id": ["INV1"], "cause": ["inverter_outage"], "energy_kwh": [50.0],
        "start": pd.to_datetime(["2024-05-01"], utc=True), "end": pd.to_datetime(["2024-05-02"], utc=True)})
    events = pd.DataFrame({"event_id": ["E"], "kind": ["replacement"], "start": [pd.Timestamp("2022-05-01", tz="UTC")],
                           "scope": [("INV1",)], "cost": [np.nan], "note": [None]})
    row = claims(farm(), replace(GAP, downtime=spells), events=events).query("payer == 'inverter_maker'").iloc[0]
    assert row["deadline"] == "2032-05-01"
    assert "has the rest of the first term alone, which ends on 2029-01-01" in row["reason"]
    assert "first term" not in claims(farm(), replace(GAP, downtime=spells)).query("payer == 'inverter_maker'")["reason"].item()


@pytest.mark.parametrize(("today", "payer"), [(TODAY, "inverter_maker"), (dt.date(2029, 1, 2), "owner")])
def test_a_repair_within_the_inverters_warranty_is_the_makers(today, payer):
    job = pd.DataFrame([{"site_id": "moor", "job_id": "J", "job_kind": "repair_inverter", "scope": ("INV1",),
                         "due_from": "2025-01-01", "due_to": "2025-02-01", "cost": 800.0}])
    found = claims(farm(), jobs=job, today=today)
    assert found[found["ground"] == "job"]["payer"].tolist() == [payer]


def test_outages_count_against_the_makers_warranty_and_others_do_not():
    spells = pd.DataFrame({
        "site_id": "moor", "inverter_id": ["INV1", "INV1"], "cause": ["inverter_outage", "clipping"],
        "energy_kwh": [50.0, 9.0],
        "start": pd.to_datetime(["2024-05-01", "2024-06-01"], utc=True),
        "end": pd.to_datetime(["2024-05-02", "2024-06-02"], utc=True)})
    row = claims(farm(), replace(GAP, downtime=spells)).query("payer == 'inverter_maker'").iloc[0]
    assert (row["energy_kwh"], row["amount"]) == (50.0, pytest.approx(5.0))
    assert (row["state"], row["deadline"]) == ("ask", "2029-01-01")
    # Its outage ended on 2 May; a period ends with the day after.
    assert str(row["period_to"])[:10] == "2024-05-03"


def test_storm_damage_goes_to_the_insurer_with_its_clock():
    events = pd.DataFrame({"event_id": ["E1", "E2"], "kind": "repair", "start": pd.Timestamp("2024-12-10", tz="UTC"),
                           "scope": [("S0",), ("S1",)], "cost": [450.0, 60.0], "note": ["hail broke the glass", "fuse"]})
    found = claims(farm(), events=events)
    row = found[found["payer"] == "insurer"]
    assert row["subject"].tolist() == ["E1"]
    assert (row["amount"].item(), row["state"].item(), row["deadline"].item()) == (450.0, "ask", "2025-01-09")
    assert claims(farm(), events=events, today=dt.date(2025, 3, 1)).query("payer == 'insurer'")["state"].item() == "watch"


def test_the_grid_is_asked_and_the_rest_is_the_owners():
    found = claims(farm())
    # Notice of 30 days: of December it can still be given, of the 23 months before no longer.
    asked = found[found["payer"] == "network"].set_index("state")
    assert asked["ground"].tolist() == ["grid_outage", "grid_outage"]
    assert asked.loc["ask", ["period_from", "period_to", "deadline"]].tolist() == ["2024-12-01", "2025-01-01", "2025-01-31"]
    assert asked.at["ask", "energy_kwh"] == pytest.approx(31 * 24 * 0.2)
    assert asked.loc["watch", ["period_from", "period_to", "deadline"]].tolist() == ["2023-01-01", "2024-12-01", "2024-12-31"]
    assert asked["energy_kwh"].sum() == pytest.approx(731 * 24 * 0.2)
    late = claims(farm(), today=dt.date(2025, 6, 1)).query("payer == 'network'")
    assert late["state"].item() == "watch"
    assert late["reason"].item().endswith("The usual notice has passed.")
    own = found[found["payer"] == "owner"].set_index("ground")
    hours = 731 * 24
    assert own.at["soiling", "amount"] == pytest.approx(hours * 0.5 * 0.10)
    assert set(own.index) <= set(CAUSES)
    assert "snow" not in own.index  # nothing was lost to it


def test_a_guarantee_whose_outages_were_not_assessed_cannot_be_told():
    blind = replace(GAP, draws={c: d for c, d in GAP.draws.items() if c != "inverter_outage"})
    row = claims(replace(farm(), guarantees=(promise(),)), blind).query("payer == 'maintenance_contractor'")
    assert row["state"].tolist() == ["watch"]
    assert np.isnan(row["amount"].item())
    assert "cannot be told" in row["reason"].item()


def test_a_limit_left_on_is_asked_of_no_network_and_is_the_owners_own():
    gap = account("2023-01-01", "2025-01-01", curtailment=0.3)
    gap = replace(gap, intervals=gap.intervals.assign(instructed_kwh=0.1))
    found = claims(farm(), gap).groupby(["payer", "ground"])[["energy_kwh", "amount"]].sum()
    hours = 731 * 24  # of 2023 and 2024
    # 0.10 a kWh, and the tariff pays nothing for what was held down.
    assert found.at[("network", "curtailment"), "energy_kwh"] == pytest.approx(0.1 * hours)
    assert found.at[("network", "curtailment"), "amount"] == pytest.approx(0.1 * hours * 0.10)
    assert found.at[("owner", "limit_left_on"), "energy_kwh"] == pytest.approx(0.2 * hours)
    gap = replace(gap, intervals=gap.intervals.assign(instructed_kwh=0.0))
    assert ("network", "curtailment") not in claims(farm(), gap).set_index(["payer", "ground"]).index


def test_a_contract_that_ended_owes_nothing_after_its_end():
    ended = replace(promise(), end=dt.date(2023, 7, 2))
    (year,) = contract_years(farm(), GAP, ended)
    assert (year.start, year.end) == (dt.date(2023, 1, 1), dt.date(2023, 7, 2))
    whole = contract_years(farm(), GAP, promise())[0]
    assert (year.covered, year.of_year) == (1.0, pytest.approx(182 / 365))
    assert year.damages[0] == pytest.approx(whole.damages[0] * 182 / 365)
    row = claims(replace(farm(), guarantees=(ended,))).query("payer == 'maintenance_contractor'")
    assert row["state"].tolist() == ["claim"]
    assert "leaves 50 %" in row["reason"].item()


def test_months_that_were_not_measured_carry_no_damages():
    # Nothing was measured from July on: half of the year's damages, and no claim on it until it is.
    blind = GAP.yields["measured_kwh"].where(~GAP.yields["month"].between("2023-07", "2023-12"))
    first, second = contract_years(farm(), replace(GAP, yields=GAP.yields.assign(measured_kwh=blind)), promise())
    assert first.covered == pytest.approx(181 / 365)
    assert first.damages[0] == pytest.approx(second.damages[0] * 181 / 365)
    found = claims(replace(farm(), guarantees=(promise(),)), replace(GAP, yields=GAP.yields.assign(measured_kwh=blind)))
    assert found.query("payer == 'maintenance_contractor'")["state"].tolist() == ["watch", "claim"]


def test_a_claim_whose_notice_has_passed_says_so():
    found = claims(replace(farm(), guarantees=(promise(),))).query("payer == 'maintenance_contractor'")
    assert found["state"].tolist() == ["claim", "claim"]
    assert "the usual notice ended on 2024-01-31" in found["reason"].iloc[0]
    assert "notice ended" not in found["reason"].iloc[1]


def test_damages_for_one_outage_under_two_guarantees_are_remarked():
    ratio = promise("performance_ratio", 300.0, excludes=())  # beyond what this farm's light allows
    both = claims(replace(farm(), guarantees=(promise(), ratio))).query("ground == 'performance_ratio'")
    assert both["reason"].str.contains("contracts commonly pay for them once").all()
    apart = replace(ratio, excludes=("inverter_outage",))
    for guarantees in ((ratio,), (promise(), apart)):
        alone = claims(replace(farm(), guarantees=guarantees)).query("ground == 'performance_ratio'")
        assert not alone["reason"].str.contains("pay for them once").any()


def test_a_power_warranty_that_ended_is_no_claim_and_pays_for_no_module():
    cost = JobCost("replace_modules", 0, 150.0, "module", 0, 0, 0)
    job = pd.DataFrame([{"site_id": "moor", "job_id": "J", "job_kind": "replace_modules", "scope": ("S0",),
                         "due_from": "2044-01-01", "due_to": "2044-02-01", "cost": 1500.0}])
    site = replace(farm(), job_costs={"replace_modules": cost})
    for today, state, payer in ((dt.date(2044, 1, 1), "watch", "module_maker"), (dt.date(2044, 1, 2), "none", "owner")):
        found = claims(site, rounds=rounds(S0=0.85), jobs=job, today=today)
        row = found.query("ground == 'power_warranty'").iloc[0]
        assert (row["state"], row["deadline"]) == (state, "2044-01-01")
        assert ("has ended" in row["reason"]) == (state == "none")
        assert found.query("ground == 'job'")["payer"].item() == payer


@pytest.mark.parametrize(
    ("note", "insured"),
    [("hailstorm broke four modules", True), ("cable stolen", True), ("flooded kiosk", True), ("checked, no storm damage", False),
     ("fire extinguishers inspected", False), ("brainstorming with the contractor", False)],
)
def test_a_note_counts_as_an_insured_event_by_what_it_says(note, insured):
    assert (not claims(farm(), events=happened(note)).query("payer == 'insurer'").empty) == insured


def happened(note, cost=450.0):
    return pd.DataFrame({"event_id": ["E1"], "kind": "repair", "start": pd.Timestamp("2024-12-10", tz="UTC"), "scope": [("S0",)],
                         "cost": [cost], "note": [note]})


@pytest.mark.parametrize(
    ("excess", "cost", "state", "amount", "words"),
    [(200.0, 450.0, "ask", 250.0, "the cost of 450 less the excess of 200"),
     (450.0, 450.0, "none", 0.0, "within the policy's excess"),
     (200.0, np.nan, "ask", np.nan, "excess and waiting days are the policy's")],
)
def test_the_insurer_owes_what_is_beyond_the_excess(excess, cost, state, amount, words):
    site = replace(farm(), assumptions={"insurance_excess": Assumption(excess, "the policy", None)})
    row = claims(site, events=happened("hail", cost)).query("payer == 'insurer'").iloc[0]
    assert row["state"] == state
    assert row["amount"] == pytest.approx(amount, nan_ok=True)
    assert words in row["reason"]
