"""Yield, rate of return, payback: a farm that earns 0.9 x 8760 kWh's worth a year, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from tests.cost.farm_year import PLAN, account, evidence, farm
from yieldwatch.cost.returns import site_returns
from yieldwatch.cost.revenue import value_losses

GAP = account("2023-01-01", "2024-01-01")  # 365 days
DATA = evidence(GAP)
INCOME = 8760 * 9 * 0.10  # 7884
#: No ageing, plan energy as measured, plan price as paid: then every year is alike.
LEVEL = replace(PLAN, p50_kwh_by_month=tuple(GAP.yields["measured_kwh"]), price_per_kwh_by_year=(0.10,),
                insolation_kwh_m2_by_month=(110.0,) * 12, degradation_pct_per_year=0.0)


def returns(plan=LEVEL, data=DATA, gap=GAP):
    site = farm(plan)
    losses, _ = value_losses(site, data, gap)
    rows, said = site_returns(site, data, gap, losses, 0.07)
    return rows, said


def value(rows, measure, cause="", column="value"):
    return rows[(rows["measure"] == measure) & (rows["cause"] == cause)][column].item()


def test_the_last_twelve_months_by_hand():
    rows, said = returns()
    assert value(rows, "income") == pytest.approx(INCOME)
    assert value(rows, "yield_on_cost") == pytest.approx(100 * (INCOME - 876) / 60_000)
    assert value(rows, "yield_on_cost", column="plan") == pytest.approx(value(rows, "yield_on_cost"))
    assert value(rows, "income_per_kwp") == pytest.approx(INCOME / 20)
    assert value(rows, "captured_price") == pytest.approx(0.10)
    assert value(rows, "operating_margin") == pytest.approx(100 * (INCOME - 876) / INCOME)
    assert "the plan" in said[0]


def test_income_in_usual_light_takes_the_suns_luck_out():
    rows, _ = returns(replace(LEVEL, insolation_kwh_m2_by_month=(99.0,) * 12))  # 110 came: a tenth more than usual
    assert value(rows, "yield_on_cost_usual_light") == pytest.approx(100 * (0.9 * INCOME - 876) / 60_000)
    rows, _ = returns(replace(LEVEL, insolation_kwh_m2_by_month=None))  # a single year of light says nothing of the usual
    assert np.isnan(value(rows, "yield_on_cost_usual_light"))


def test_a_farm_on_plan_has_the_plans_rate_of_return():
    rows, _ = returns()
    level = INCOME - 876
    by_hand = brentq(lambda r: -60_000 + level * (1 - (1 + r) ** -20) / r, 0.01, 0.5)
    assert value(rows, "rate_of_return") == pytest.approx(100 * by_hand, abs=1e-6)
    assert value(rows, "rate_of_return", column="plan") == pytest.approx(100 * by_hand, abs=1e-6)
    assert value(rows, "rate_of_return", column="note").startswith(tuple(f"basis points against the plan: {s}0;" for s in "+-"))


def test_payback_and_the_value_of_the_years_left():
    rows, _ = returns()
    # 60 000 less five years of 7008: 24 960 left, 24 960 / 7008 = 3.56 years; months differ by their days, hence 0.3.
    assert value(rows, "payback_remaining") == pytest.approx(12 * (60_000 / 7008 - 5), abs=0.3)
    rate = 1.07 ** (1 / 12) - 1
    level = 7008 / 12 * (1 - (1 + rate) ** -180) / rate
    assert value(rows, "value_of_remaining_life") == pytest.approx(level, rel=2e-3)  # by months of unequal length
    assert value(rows, "cash_needed") == pytest.approx(60_000 * 0.07 / (1 - 1.07**-20))


def test_a_loss_in_money_basis_points_and_days():
    rows, _ = returns()
    assert value(rows, "loss_per_year", "soiling") == pytest.approx(8760 * 0.5 * 0.10)
    assert value(rows, "loss_per_year", "soiling", "low") == pytest.approx(438 * 0.82)
    more = INCOME + 438 - 876

    def rate(later):
        return brentq(lambda r: -60_000 + sum((7008 if k <= 5 else later) * (1 + r) ** -k for k in range(1, 21)), 0.01, 0.5)

    assert value(rows, "loss_rate_of_return", "soiling") == pytest.approx(1e4 * (rate(more) - rate(7008)), abs=1e-3)
    left = 60_000 - 5 * 7008
    days = 365.2425 * (left / 7008 - left / more)
    assert value(rows, "loss_payback", "soiling") == pytest.approx(days, rel=0.05)  # unequal months
    order = [value(rows, "loss_payback", "soiling", c) for c in ("low", "value", "high")]
    assert order == sorted(order)


def test_costs_come_from_their_table_where_it_covers_the_year():
    days = pd.to_datetime(["2022-12-31", "2023-03-01", "2023-12-15"], utc=True)
    costs = pd.DataFrame({"date": days, "amount": [999.0, 300.0, 200.0], "kind": "x", "note": None})
    rows, said = returns(data=replace(DATA, costs=costs))
    assert value(rows, "running_cost") == pytest.approx(500.0)  # of 2023 alone
    assert "costs.csv" in said[0]
    rows, said = returns(data=replace(DATA, costs=costs.iloc[:2]))  # none after March: not complete
    assert value(rows, "running_cost") == pytest.approx(876.0)


def test_less_than_a_year_states_no_return():
    gap = account("2023-01-01", "2023-11-01")
    rows, said = returns(data=evidence(gap), gap=gap)
    assert rows.empty
    assert "twelve months" in said[0]


def test_a_plan_without_cost_or_life_says_so():
    rows, said = returns(replace(LEVEL, capital_cost=None, life_years=None))
    assert "rate_of_return" not in set(rows["measure"])
    assert "life_years, capital_cost" in said[-1]
    assert np.isnan(value(rows, "yield_on_cost"))


def test_without_the_plans_spread_there_is_no_interval_ahead():
    rows, said = returns(replace(LEVEL, p90_over_p50=None))
    assert np.isnan(value(rows, "rate_of_return", column="low"))
    assert any("p90_over_p50" in s for s in said)


def test_running_costs_that_nobody_wrote_are_said_to_be_not_known():
    rows, said = returns(replace(LEVEL, operating_cost_per_year=None))
    assert np.isnan(value(rows, "running_cost"))
    assert value(rows, "running_cost", column="note") == "costs.csv and [plan] hold none"
    assert said[0] == "running costs of the last twelve months are not known."


def test_costs_before_the_last_year_are_those_that_were_written_down():
    gap = account("2022-01-01", "2024-01-01")
    days = pd.to_datetime(["2022-01-15", "2022-12-31", "2023-03-01", "2023-12-15"], utc=True)
    costs = pd.DataFrame({"date": days, "amount": [4000.0, 999.0, 300.0, 576.0], "kind": "x", "note": None})
    rows, _ = returns(data=replace(evidence(gap), costs=costs), gap=gap)
    # Four years before as planned, 2022 with costs of 4999, and 876 a year from 2023 on.
    flows = [7008.0] * 3 + [INCOME - 4999.0] + [7008.0] * 16
    by_hand = brentq(lambda r: -60_000 + sum(f * (1 + r) ** -k for k, f in enumerate(flows, 1)), 0.01, 0.5)
    assert value(rows, "rate_of_return") == pytest.approx(100 * by_hand, abs=2e-3)


def test_the_years_to_come_earn_what_own_use_saved_and_not_what_one_more_kwh_would():
    # Of 9 kWh an hour the site draws 8 at 0.25 and sells one at 0.10.
    site = replace(farm(LEVEL), meter="generation", tariffs=(replace(farm().tariffs[0], import_price_per_kwh=0.25),))
    data = replace(DATA, load=pd.DataFrame({"load_kw": 8.0}, GAP.intervals.index))
    losses, _ = value_losses(site, data, GAP)
    rows, _ = site_returns(site, data, GAP, losses, 0.07)
    income = 8760 * (8 * 0.25 + 1 * 0.10)
    assert value(rows, "income") == pytest.approx(income)
    rate = 1.07 ** (1 / 12) - 1
    level = (income - 876) / 12 * (1 - (1 + rate) ** -180) / rate
    assert value(rows, "value_of_remaining_life") == pytest.approx(level, rel=2e-3)  # by months of unequal length
