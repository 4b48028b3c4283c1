"""Present value, return and payback against published examples and closed forms."""

from __future__ import annotations

import warnings

import numpy as np
import numpy_financial as npf
import pytest

from yieldwatch.cost import finance


@pytest.mark.sourced
def test_net_present_value_of_the_published_example():
    # numpy-financial, docstring of npv (commit f47e8af289f9)
    assert finance.npv([-40_000, 5_000, 8_000, 12_000, 30_000], 0.08) == pytest.approx(3065.22267, abs=1e-5)


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("flows", "rate"),
    [
        ([-100, 39, 59, 55, 20], 0.28095),
        ([-100, 0, 0, 74], -0.0955),
        ([-100, 100, 0, 7], 0.06206),
        ([-250_000, 100_000, 150_000, 200_000, 250_000, 300_000], 0.5672303344),
    ],
)
def test_rate_of_return_of_the_published_examples(flows, rate):
    # numpy-financial, docstring and tests of irr (same commit); given to as many digits as here, 5e-5
    # being half of the last digit of the shortest.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert finance.irr(flows) == pytest.approx(rate, abs=5e-5)


@pytest.mark.sourced
@pytest.mark.parametrize(("flows", "rate"), [([-100, 100, 0, -7], -0.0833), ([-5, 10.5, 1, -8, 1], 0.0886)])
def test_payments_with_several_rates_are_warned_of(flows, rate):
    # numpy-financial, docstring of irr; for the second 0.70956 solves it too, found by a root search.
    with pytest.warns(finance.SeveralRatesWarning, match="change sign"):
        assert finance.irr(flows) == pytest.approx(rate, abs=5e-5)
    if flows[0] == -5:
        assert finance.npv(flows, 0.70956) == pytest.approx(0, abs=1e-4)


def test_payments_of_one_sign_or_with_a_hole_have_no_rate():
    assert np.isnan(finance.irr([1.0, 2.0]))
    assert np.isnan(finance.irr([-1.0, np.nan, 2.0]))
    assert np.isnan(finance.irr([0.0, 0.0]))


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("rate", "periods", "factor", "present"),
    [
        (0.03, 20, 0.0672157, 14.87747), (0.05, 20, 0.0802426, 12.46221), (0.05, 25, 0.0709525, 14.09394),
        (0.07, 25, 0.0858105, 11.65358), (0.08, 20, 0.1018522, 9.81815), (0.10, 10, 0.1627454, 6.14457),
    ],
)
def test_capital_recovery_factors_and_the_present_value_of_level_payments(rate, periods, factor, present):
    # Standard table of discount factors; formula as in NREL Annual Technology Baseline 2024, equations.
    assert finance.capital_recovery_factor(rate, periods) == pytest.approx(factor, abs=1e-7)
    assert finance.npv(np.r_[0.0, np.ones(periods)], rate) == pytest.approx(present, abs=5e-6)


@pytest.mark.sourced
def test_loan_payment_future_value_and_cost_of_energy_by_the_same_factors():
    # numpy-financial, docstrings of pmt, fv: 200 000 at 7.5 %/12 over 180 months; 100 now and at the end
    # of each of 120 months at 5 %/12.
    assert 200_000 * finance.capital_recovery_factor(0.075 / 12, 180) == pytest.approx(1854.02472, abs=1e-5)
    rate = 0.05 / 12
    future = finance.npv(np.full(121, 100.0), rate) * (1 + rate) ** 120
    assert future == pytest.approx(15692.92889434, abs=1e-6)
    # NREL ATB: (CRF x 1000 + 15) / (0.20 x 8760)
    cost = (finance.capital_recovery_factor(0.07, 25) * 1000 + 15) / (0.20 * 8760)
    assert cost == pytest.approx(0.05754025, abs=1e-7)
    # Single present value, 3 %, 10 years, of the standard table.
    assert finance.npv(np.r_[np.zeros(10), 1.0], 0.03) == pytest.approx(0.744094, abs=1e-6)


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("cost", "flow", "n", "rate", "periods"),
    [
        (8000, 150, 100, 0.07 / 12, 64.07335),  # numpy-financial, docstring of nper
        (8000, 2600, 7, 0.08, 3.6716),  # closed form, by hand
        (10_000, 2500, 10, 0.08, 5.01114),  # closed form, by hand
    ],
)
def test_discounted_payback(cost, flow, n, rate, periods):
    got = finance.discounted_payback(cost, np.full(n, flow), rate)
    assert got == pytest.approx(periods, abs=1e-4)


@pytest.mark.sourced
def test_a_return_below_the_interest_never_pays():
    # 10 000 x 8 % = 800 a year is more than 700.
    assert finance.discounted_payback(10_000, np.full(1000, 700.0), 0.08) == np.inf


@pytest.mark.sourced
def test_a_repair_that_saves_2600_a_year_for_seven_years():
    # Arithmetic: 8000 / 2600 = 3.0769 years; value 5536.562 and return 26.084 % at 8 %
    flows = np.r_[-8000.0, np.full(7, 2600.0)]
    assert finance.npv(flows, 0.08) == pytest.approx(5536.562, abs=1e-3)
    assert finance.irr(flows) == pytest.approx(0.26084, abs=1e-5)
    months = finance.payback_months(8000.0, np.full((1, 84), 2600 / 12))
    assert months[0] / 12 == pytest.approx(3.0769, abs=1e-4)


@pytest.mark.sourced
@pytest.mark.parametrize("seed", range(6))
def test_a_job_s_figures_are_those_of_a_public_finance_library(seed):
    # numpy-financial 1.0: npv, irr, pmt and nper, on a job that costs once and pays each month.
    rng = np.random.default_rng(seed)
    rate, months, cost = rng.uniform(0.001, 0.02), int(rng.integers(12, 61)), rng.uniform(100.0, 5000.0)
    flows = np.r_[-cost, rng.uniform(0.2, 2.0, months) * cost / 12.0]
    assert finance.npv(flows, rate) == pytest.approx(npf.npv(rate, flows), rel=1e-9)
    assert finance.irr(flows) == pytest.approx(npf.irr(flows), abs=1e-7)
    assert finance.capital_recovery_factor(rate, months) == pytest.approx(-npf.pmt(rate, months, 1.0), rel=1e-9)
    level = cost * finance.capital_recovery_factor(rate, months) * 1.01  # pays a little before the last month
    paid = finance.discounted_payback(cost, np.full(months, level), rate)
    assert paid == pytest.approx(float(npf.nper(rate, level, -cost)), rel=1e-9)


@pytest.mark.sourced
def test_both_rates_of_payments_that_turn_twice_are_worth_nothing():
    # numpy-financial, docstring of irr, gives 0.0886; the other root found with numpy's roots of the polynomial.
    flows = np.array([-5.0, 10.5, 1.0, -8.0, 1.0])
    roots = np.roots(flows[::-1])
    rates = sorted(1.0 / root.real - 1.0 for root in roots if abs(root.imag) < 1e-12 and root.real > 0)
    for rate in (0.0886, 0.70956):
        nearest = min(rates, key=lambda r: abs(r - rate))
        assert nearest == pytest.approx(rate, abs=5e-5)
        assert finance.npv(flows, nearest) == pytest.approx(0.0, abs=1e-9)


def test_monthly_rate_of_return_over_thirty_years():
    # 1 % a month: 1000 borrowed, 360 level payments of 1000 x CRF.
    flows = np.r_[-1000.0, np.full(360, 1000 * finance.capital_recovery_factor(0.01, 360))]
    assert finance.irr(flows) == pytest.approx(0.01, rel=1e-9)


def test_twelve_monthly_rates_make_a_yearly_one():
    assert (1 + finance.monthly_rate(0.06)) ** 12 == pytest.approx(1.06, rel=1e-12)


def test_payback_sees_the_season():
    # 60 a month from April to September (months 3 to 8 of a year from January), nothing else.
    year = np.where(np.isin(np.arange(12), range(3, 9)), 60.0, 0.0)
    got = finance.payback_months(90.0, np.tile(year, (1, 3)))
    assert got.tolist() == [4.5]  # January to March, April's 60, half of May's
    # 400: 360 in the first year, and 40 of the 60 of the second April, 15 whole months from the start
    assert finance.payback_months(400.0, np.tile(year, (1, 3)))[0] == pytest.approx(15 + 2 / 3)


def test_payback_beyond_the_forecast_only_where_the_return_does_not_fade():
    year = np.where(np.isin(np.arange(12), range(3, 9)), 60.0, 0.0)
    steady, fading = np.tile(year, 3), np.r_[year, year / 2, np.zeros(12)]
    got = finance.payback_months(1500.0, np.stack([steady, fading]))
    # 3 years return 1080, the fourth 360: 60 are left, the whole April of the fifth year.
    assert got[0] == pytest.approx(48 + 4)
    assert got[1] == np.inf
    assert finance.payback_months(1e6, steady[None])[0] == np.inf  # over 40 years is never


def test_payback_of_nothing_of_no_cost_and_of_missing_money():
    assert finance.payback_months(10.0, np.zeros((1, 36)))[0] == np.inf
    assert finance.payback_months(0.0, np.ones((1, 36)))[0] == 0.0
    assert np.isnan(finance.payback_months(np.nan, np.ones((1, 36)))[0])
    assert np.isnan(finance.payback_months(10.0, np.r_[np.nan, np.ones(35)][None])[0])
    assert finance.discounted_payback(0.0, np.ones(3), 0.1) == 0.0
    assert np.isnan(finance.discounted_payback(np.nan, np.ones(3), 0.1))
