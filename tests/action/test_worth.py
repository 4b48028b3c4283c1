"""Worth over a job's life; written-out arithmetic and standard factors."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from tests.action.build import AS_OF, make_job, make_portfolio, make_site
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.worth import worth
from yieldwatch.portfolio.model import Plan


def test_the_net_value_has_its_interval():
    row = rank_jobs(make_portfolio(), [make_job(np.linspace(10, 30, 101))], AS_OF)[0].iloc[0]
    assert row["npv_low"] == pytest.approx(11 * 36 - 240)
    assert row["npv_high"] == pytest.approx(29 * 36 - 240)


def test_a_wash_is_judged_by_what_it_returns_until_it_has_faded():
    value = np.zeros((1, 36))
    value[0, :4] = [100.0, 60.0, 35.0, 5.0]
    got = worth(make_portfolio(), make_job(0.0, "clean", ("site",), gain_value=value), 160.0, value.sum(axis=1), AS_OF)
    assert got["life_months"] == 3  # 195 of 200 is more than 95 %
    assert got["gain_over_life"] == pytest.approx(200.0)
    assert got["benefit_cost"] == pytest.approx(1.25)


@pytest.mark.sourced
def test_what_stays_mended_returns_to_the_planned_end_of_the_farm():
    # In operation since January 2019 and planned for 20 years: 165 months from April 2025. Uniform present value of 10 a month
    # at 6 % a year: 10 (1 - 1.06^-13.75) / (1.06^(1/12) - 1); standard factor.
    owned = make_portfolio(make_site(plan=Plan(life_years=20.0)), rate=0.06)
    got = worth(owned, make_job(10.0), 240.0, np.array([300.0]), AS_OF)
    assert got["life_months"] == 165
    assert got["gain_over_life"] == pytest.approx(10 * (1 - 1.06**-13.75) / (1.06 ** (1 / 12) - 1), rel=1e-9)
    assert np.isnan(got["benefit_cost"])


def test_without_a_planned_end_nothing_is_counted_beyond_the_forecast():
    got = worth(make_portfolio(), make_job(10.0), 240.0, np.array([360.0]), AS_OF)
    assert (got["life_months"], got["gain_over_life"]) == (36, pytest.approx(360.0))
    past = make_portfolio(make_site(plan=Plan(life_years=1.0)))
    assert worth(past, make_job(10.0), 240.0, np.array([360.0]), dt.date(2030, 1, 1))["life_months"] == 36


def test_a_return_that_fades_is_not_drawn_out_to_the_farm_s_end():
    value = 10.0 * 0.9 ** np.arange(36.0)[None, :]
    owned = make_portfolio(make_site(plan=Plan(life_years=20.0)))
    assert worth(owned, make_job(0.0, gain_value=value), 240.0, value.sum(axis=1), AS_OF)["life_months"] == 36
