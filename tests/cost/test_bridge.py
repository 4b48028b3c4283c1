"""From budget to income: the steps close, each in its place."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.cost.farm_year import PLAN, account, evidence, farm, statements
from yieldwatch.cost.bridge import BridgeMonth, bridge_rows
from yieldwatch.cost.budget import site_bridge

GAP = account()


def steps_of(rows, span="twelve_months"):
    return rows[rows["span"] == span].set_index("step")


def test_a_june_of_a_5_mwp_farm_written_out():
    # Invented figures, written-out arithmetic: 640.0 MWh planned at 68 per MWh, 624.5 metered at 63.2.
    steps = {
        "sun": 25_600.0, "temperature": -4_000.0, "grid_outage": -9_000.0, "inverter_outage": -7_500.0, "string_fault": -2_100.0,
        "shading": -5_400.0, "soiling": -8_000.0, "inverter_efficiency": -1_500.0,
    }
    june = BridgeMonth("2024-06", 640_000.0, 0.068, 624_500.0, 39_468.4, 0.0, float("nan"), steps)
    rows = {r["step"]: r for r in bridge_rows("farm", "month", [june], {})}
    assert rows["unexplained"]["energy_kwh"] == pytest.approx(-3_600.0)
    money = {"budget": 43_520, "sun": 1_741, "temperature": -272, "grid_outage": -612, "inverter_outage": -510,
             "string_fault": -143, "shading": -367, "soiling": -544, "inverter_efficiency": -102, "unexplained": -245,
             "actual_energy": 42_466, "price_and_shape": -2_998, "actual_revenue": 39_468}
    for step, value in money.items():
        assert rows[step]["money"] == pytest.approx(value, abs=0.5), step  # given in whole units


def test_every_span_closes_in_energy_and_in_money():
    days = [*(f"2024-{m:02d}-01" for m in range(1, 13)), "2025-01-01"]
    paid = statements(*[(start, end, 1.0, 700.0, "") for start, end in itertools.pairwise(days)])
    rows, said = site_bridge(farm(), evidence(GAP, statements=paid), GAP)
    assert not said
    for span in ("month", "year_to_date", "twelve_months"):
        own = steps_of(rows, span)
        names = list(own.index)
        before = own.iloc[: names.index("actual_energy")]
        for column in ("energy_kwh", "money"):
            assert before[column].sum() == pytest.approx(own.at["actual_energy", column], abs=1e-6)
        money = own["money"]
        assert money["actual_energy"] + money["price_and_shape"] + money["compensation"] == pytest.approx(money["actual_revenue"])
        assert money["actual_revenue"] + money["settlement"] == pytest.approx(money["paid"])
    assert steps_of(rows, "twelve_months").at["paid", "money"] == pytest.approx(8400.0)
    # A correction of December, below nil, is part of what was paid.
    more = pd.concat([paid, statements(("2024-12-01", "2025-01-01", -1.0, -50.0, "c"))], ignore_index=True)
    rows, _ = site_bridge(farm(), evidence(GAP, statements=more), GAP)
    assert steps_of(rows, "month").at["paid", "money"] == pytest.approx(650.0)


def test_the_steps_of_one_month_by_hand():
    # December 2024, 744 h: five whole years old, so 0.995^5 of 7000 planned.
    own = steps_of(site_bridge(farm(), evidence(GAP), GAP)[0], "month")
    aged = 0.995**5
    budget = 7000 * aged
    energy = own["energy_kwh"]
    assert energy["budget"] == pytest.approx(budget)
    assert energy["sun"] == pytest.approx(0.10 * budget)  # 110 against 100 kWh/m²
    assert energy["temperature"] == pytest.approx(1.10 * budget * -0.004 * 2)  # 12 against 10 °C, -0.4 % per °C
    planned_ageing = 7440 * (1 - aged)
    assert energy["excess_ageing"] == pytest.approx(planned_ageing - 744 * 0.3)
    assert energy["soiling"] == pytest.approx(-372)
    assert energy["unexplained"] == pytest.approx(-74.4)
    assert own.at["soiling", "energy_low_kwh"] == pytest.approx(-372 * 1.18)  # 5 % quantile of three draws, 0.8 to 1.2
    assert own.at["price_and_shape", "money"] == pytest.approx(6696 * (0.10 - 0.11))


def test_what_the_plan_lacks_is_merged_and_said_never_zero():
    bare = replace(PLAN, insolation_kwh_m2_by_month=None, temp_air_c_by_month=None, price_per_kwh_by_year=None)
    own = steps_of(site_bridge(farm(bare), evidence(GAP), GAP)[0])
    for step, needs in (("sun", "insolation"), ("temperature", "insolation"), ("price_and_shape", "price_per_kwh")):
        assert np.isnan(own.at[step, "money"])
        assert needs in own.at[step, "note"]
    full = steps_of(site_bridge(farm(), evidence(GAP), GAP)[0])
    merged = full["energy_kwh"][["sun", "temperature", "plan_allowance"]].sum()
    assert own.at["plan_allowance", "energy_kwh"] == pytest.approx(merged)
    assert own.at["budget", "money"] == pytest.approx(own.at["budget", "energy_kwh"] * 0.10)


def test_a_cause_that_was_not_assessed_is_blank_and_within_the_rest():
    losses = GAP.losses.assign(energy_kwh=GAP.losses["energy_kwh"].where(GAP.losses["cause"] != "soiling"))
    own = steps_of(site_bridge(farm(), evidence(GAP), replace(GAP, losses=losses))[0], "month")
    assert np.isnan(own.at["soiling", "energy_kwh"])
    assert "within unexplained" in own.at["soiling", "note"]
    assert own.at["unexplained", "energy_kwh"] == pytest.approx(-74.4 - 372)


def test_a_month_without_a_meter_is_left_out_and_named():
    yields = GAP.yields.assign(measured_kwh=GAP.yields["measured_kwh"].where(GAP.yields["month"] != "2024-05"))
    rows, said = site_bridge(farm(), evidence(GAP), replace(GAP, yields=yields))
    assert steps_of(rows)["months"].iloc[0] == 11
    assert "2024-05" in said[0]
    assert "11" in said[1]


def test_no_plan_no_bridge():
    rows, said = site_bridge(farm(None), evidence(GAP), GAP)
    assert rows.empty
    assert "p50_kwh_by_month" in said[0]


def test_a_limit_left_on_is_a_step_of_its_own_beside_what_an_instruction_held():
    held = GAP.intervals["curtailment"] + 2.0
    instructed = held.where(held.index.month != 12, 0.5)
    losses = GAP.losses.copy()
    of = losses["cause"] == "curtailment"
    losses.loc[of, "energy_kwh"] = losses.loc[of, "month"].map(held.groupby(held.index.strftime("%Y-%m")).sum())
    gap = replace(GAP, intervals=GAP.intervals.assign(curtailment=held, instructed_kwh=instructed), losses=losses)
    own = steps_of(site_bridge(farm(), evidence(gap), gap)[0], "month")
    # 744 hours of December at 2 kWh, of which an instruction held half a kWh each.
    assert own.at["curtailment", "energy_kwh"] == pytest.approx(-744 * 0.5)
    assert own.at["limit_left_on", "energy_kwh"] == pytest.approx(-744 * 1.5)
