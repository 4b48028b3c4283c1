"""The work list; numbers are written-out arithmetic at a discount rate of nil unless said."""

from __future__ import annotations

import time

import numpy as np
import pytest

from tests.action.build import AS_OF, make_job, make_portfolio, make_site
from yieldwatch.action.ranking import WORK_LIST_COLUMNS, rank_jobs
from yieldwatch.action.verdicts import Case, _in_hundred, verdict
from yieldwatch.errors import InputError
from yieldwatch.report.words import per_cent


def ranked(jobs, **portfolio):
    table, notices = rank_jobs(make_portfolio(*portfolio.pop("sites", ()), **portfolio), jobs, AS_OF)
    return table, notices


def only(jobs, **portfolio):
    return ranked(jobs, **portfolio)[0].iloc[0]


def test_one_job_that_pays():
    row = only([make_job(20.0)])  # 240 to do, 20 a month
    assert row["chosen"]
    assert row["cost"] == row["cost_alone"] == pytest.approx(240.0)
    assert row["gain_per_year"] == pytest.approx(240.0)
    assert row["gain_kwh_per_year"] == pytest.approx(2400.0)
    assert row["payback_months"] == pytest.approx(12.0)
    assert row["npv"] == pytest.approx(36 * 20 - 240)
    assert row["chance_of_payback"] == 1.0
    assert row["verdict"].startswith("Do: returns GBP 240")
    assert "live" in row["caution"]


@pytest.mark.parametrize(("share", "said"), [(0.485, "49 %"), (0.325, "33 %"), (0.285, "29 %"), (0.484, "48 %")])
def test_a_half_of_a_chance_goes_up_as_in_the_tables(share, said):
    assert _in_hundred(share) == said == per_cent(share, 0)


@pytest.mark.sourced
def test_returns_are_discounted_from_the_end_of_each_month():
    # Uniform present value at 8 % nominal a year: 20 x (1 - 1.08^-3) / (1.08^(1/12) - 1); standard factor.
    row = only([make_job(20.0)], rate=0.08)
    assert row["npv"] == pytest.approx(20 * (1 - 1.08**-3) / (1.08 ** (1 / 12) - 1) - 240, rel=1e-12)


def test_a_job_not_worth_doing_says_what_would_change_it():
    row = only([make_job(2.0)])  # 72 in three years against 240: a factor of 10/3
    assert not row["chosen"]
    assert row["npv"] == pytest.approx(72 - 240)
    assert "Not worth doing: returns GBP 24 in the first year" in row["verdict"]
    assert "price of GBP 0.333 per kWh" in row["verdict"]
    assert "800 kWh a year and not 240" in row["verdict"]
    assert "cost below GBP 72" in row["verdict"]
    assert row["payback_months"] == pytest.approx(120.0)


def test_a_job_that_returns_nothing_never_pays_and_stands_last():
    table, _ = ranked([make_job(0.0), make_job(2.0, scope=("I1.2",))])
    assert np.isnan(table["payback_months"].iloc[-1])
    assert "No price or lower cost" in table["verdict"].iloc[-1]


def test_two_jobs_that_share_a_visit_pay_where_neither_pays_alone():
    alone = only([make_job(6.0)])  # 216 against 240
    assert not alone["chosen"]
    table, _ = ranked([make_job(6.0), make_job(6.0, scope=("I1.2",))])  # 432 against 320
    assert table["chosen"].all()
    assert table["cost"].tolist() == pytest.approx([160.0, 160.0])
    assert (table["npv"] > 0).all()


def test_a_job_that_pays_in_the_mean_is_done_and_its_odds_are_told():
    draws = np.r_[np.zeros(60), np.full(40, 60.0)]  # mean 24 x 36 = 864 against 240, but 40 % only
    row = only([make_job(draws, confidence=0.4)])
    assert row["chosen"]
    assert row["npv"] == row["npv_expected"] == pytest.approx(864 - 240)
    assert row["chance_of_payback"] == pytest.approx(0.4)
    assert "40 % confidence" in row["verdict"]
    assert "a cheap test first" in row["verdict"]
    assert "test" not in only([make_job(draws, "inspect", confidence=0.4)])["verdict"]  # it is the test
    assert not only([make_job(draws / 4.0, confidence=0.4)])["chosen"]  # 216 against 240


def test_bounds_are_those_of_the_draws():
    row = only([make_job(np.linspace(10, 30, 101))])
    assert row["gain_low_kwh_per_year"] == pytest.approx(11 * 120)
    assert row["gain_high_kwh_per_year"] == pytest.approx(29 * 120)
    assert row["payback_months"] == pytest.approx(240 / 20)
    assert row["payback_low_months"] == pytest.approx(240 / 29)
    assert row["payback_high_months"] == pytest.approx(240 / 11, rel=0.01)  # between two draws


def test_a_payback_whose_bad_end_never_comes_is_blank_there():
    row = only([make_job(np.r_[np.zeros(10), np.full(90, 20.0)])])
    assert row["chosen"]
    assert np.isnan(row["payback_high_months"])


def sites(*names):
    return tuple(make_site(n) for n in names)


def test_the_budget_takes_the_best_set_and_says_what_missed_it():
    jobs = [make_job(12.0, site="a"), make_job(20.0, site="b"), make_job(11.0, site="c")]
    table, notices = ranked(jobs, sites=sites("a", "b", "c"), budget=500.0)
    assert table["site_id"].tolist() == ["b", "a", "c"]
    assert table["chosen"].tolist() == [True, True, False]
    missed = table.iloc[2]
    assert missed["npv"] == pytest.approx(11 * 36 - 240)
    assert "missed the budget by GBP 220" in missed["verdict"]  # 720 - 500
    assert "2 jobs are chosen for GBP 480 within the works budget of GBP 500." in notices


def test_crew_days_limit_the_list_too():
    jobs = [make_job(12.0, site="a"), make_job(20.0, site="b")]  # 3.5 hours each
    table, _ = ranked(jobs, sites=sites("a", "b"), crew_days=0.5)
    assert table["chosen"].tolist() == [True, False]
    assert "missed the crew days by 0.4" in table["verdict"].iloc[1]  # 3 of 8 hours


def test_safety_stands_first_whatever_it_returns_and_counts_in_the_budget():
    jobs = [make_job(20.0, site="a"), make_job(0.0, "inspect", ("I1.2",), site="b", safety=True)]
    table, notices = ranked(jobs, sites=sites("a", "b"), budget=300.0)
    assert table["safety"].tolist() == [True, False]
    assert table["chosen"].tolist() == [True, False]
    assert "missed the budget by GBP 120" in table["verdict"].iloc[1]  # 180 + 240 - 300
    assert "made safe" in table["verdict"].iloc[0]
    assert any("first for safety" in n for n in notices)
    table, notices = ranked(jobs, sites=sites("a", "b"), budget=100.0)
    assert table["chosen"].tolist() == [True, False]
    assert any("alone cost more than the works budget" in n for n in notices)


def test_two_ways_to_mend_one_loss_exclude_each_other():
    repair = make_job(20.0)
    replace = make_job(80.0, "replace_modules", ("I1",))  # 2880 - 2240 = 640; the repair 720 - 240 = 480
    table, _ = ranked([repair, replace])
    assert table["job_kind"].tolist() == ["replace_modules", "repair_string"]
    assert table["chosen"].tolist() == [True, False]
    assert table["npv"].iloc[1] == pytest.approx(480 - 640)
    assert table["verdict"].iloc[1].startswith('Not beside "replace modules of I1", chosen for the same loss')
    table, _ = ranked([repair, replace], budget=2000.0)
    assert table["job_kind"].tolist() == ["repair_string", "replace_modules"]
    assert table["npv"].iloc[1] == pytest.approx(640 - 480)
    assert "missed the budget by GBP 240" in table["verdict"].iloc[1]
    other = make_job(80.0, "replace_modules", ("I1.2",))
    assert ranked([repair, other])[0]["chosen"].all()
    # What a test of the inverter looks for is what no round explains, and so not the string that one found.
    for kind in ("inspect", "repair_string"):
        assert ranked([repair, make_job(20.0, kind, ("I1",))])[0]["chosen"].all()
    assert ranked([make_job(20.0, kind, ("I1",)) for kind in ("inspect", "repair_string")])[0]["chosen"].sum() == 1


def test_a_job_without_a_cost_or_a_price_is_listed_with_the_reason():
    unpriced = np.full((1, 36), np.nan)
    table, notices = ranked([
        make_job(20.0, "fix_settings"), make_job(20.0, scope=("I1.2",), gain_value=unpriced),
        make_job(20.0, scope=("I1.1",)),
    ])
    assert table["chosen"].tolist() == [True, False, False]
    rest = table.set_index("job_kind")["verdict"].iloc[1:]
    assert any("no row for fix_settings" in v for v in rest)
    assert any("has no price" in v for v in rest)
    assert table["npv"].iloc[1:].isna().all()
    assert any("2 jobs lack a cost or a price" in n for n in notices)


def test_the_order_of_the_candidates_does_not_matter():
    jobs = [make_job(v, site=s) for v, s in zip([20.0, 20.0, 3.0], "abc", strict=True)]
    one, _ = ranked(jobs, sites=sites("a", "b", "c"), budget=400.0)
    other, _ = ranked(jobs[::-1], sites=sites("a", "b", "c"), budget=400.0)
    assert one.equals(other)
    assert one["rank"].tolist() == [1, 2, 3]


def test_no_jobs_is_an_empty_list_with_its_columns():
    table, notices = ranked([])
    assert list(table.columns) == WORK_LIST_COLUMNS
    assert len(table) == 0
    assert notices == ()


def test_gains_of_less_than_a_year_are_refused():
    with pytest.raises(InputError, match="gains of 6 months"):
        ranked([make_job(1.0, gain_value=np.ones((1, 6)))])


def test_gains_shorter_than_the_horizon_are_said():
    _, notices = ranked([make_job(20.0)], horizon=60)
    assert any("36 months and not for all 60" in n for n in notices)


def test_three_hundred_jobs_at_fifty_sites_are_planned_in_ten_seconds():
    rng = np.random.default_rng(11)
    names = [f"s{k:02d}" for k in range(50)]
    kinds = ["repair_string", "clean", "inspect"]
    jobs = [
        make_job(
            rng.uniform(0, 40) * rng.lognormal(0, 0.5, 300), kinds[rng.integers(3)], (f"x{k}",),
            site=names[k % 50], units={"string": float(rng.integers(1, 5)), "module": 400.0},
        )
        for k in range(300)
    ]
    start = time.perf_counter()
    table, _ = ranked(jobs, sites=sites(*names), budget=9000.0, crew_days=40.0, rate=0.07)
    assert time.perf_counter() - start < 10
    done = table[table["chosen"]]
    assert done["cost"].sum() <= 9000.0 + 1e-6
    assert done["crew_hours"].sum() <= 320.0 + 1e-6
    assert (done["npv"] > 0).all()
    rest = table[~table["chosen"]]
    missed = rest["verdict"].str.contains("missed the")
    assert (rest.loc[~missed, "npv"] <= 0).all()


@pytest.mark.parametrize(("interval", "said"), [((0.0, 28.0), "returns EUR 4 in the first year"),
                                                ((4.2, 4.5), "returns EUR 4.32 in the first year")])
def test_a_verdict_states_money_no_finer_than_it_is_known(interval, said):
    case = Case(currency="EUR", horizon_months=36, cost=180.0, gain_per_year=4.32, worth=11.0, gain_kwh_per_year=40.0, chance=0.0,
                confidence=0.9, chosen=False, safety=False, unpriced="", short_of="", instead_of="", gain_interval=interval)
    assert said in verdict(case)
