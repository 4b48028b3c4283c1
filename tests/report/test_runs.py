"""Intervals of sums over any months and all farms."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import MONTHS, assessment
from yieldwatch.report.runs import GROUP, run_table
from yieldwatch.report.totals import site_total


def farm(draws=None, **losses):
    """The measured farm of the invented portfolio, with draws of soiling, and figures of it in its last month, replaced."""
    alder = assessment().sites[1]
    frame = alder.losses.copy()
    for name, value in losses.items():
        frame.loc[(frame["cause"] == "soiling") & (frame["month"] == MONTHS[-1]), name] = value
    gap = alder.gap if draws is None else replace(alder.gap, draws={**alder.gap.draws, "soiling": draws})
    return replace(alder, losses=frame, gap=gap)


def ends(sites, cause="soiling", first=MONTHS[0], last=MONTHS[-1]):
    table = run_table(sites).set_index(["cause", "from_month", "to_month"])
    return table.loc[(cause, first, last)]


def soiling(off):
    """Draws about the account's own values, from (n_draws, n_months) distances. [kWh]"""
    alder = assessment().sites[1]
    rows = alder.losses[alder.losses["cause"] == "soiling"].set_index("month").loc[list(MONTHS), "energy_kwh"]
    return rows.to_numpy()[None, :] + off


def test_months_that_make_up_for_each_other_leave_no_doubt_in_their_sum():
    # What May has more June has less, by up to 100 kWh evenly: 5 % of the draws lie beyond 90 kWh.
    steps = np.linspace(-100.0, 100.0, 400)[:, None]
    site = farm(soiling(steps * np.array([0.0, 0.0, 0.0, 0.0, 1.0, -1.0])))
    may = ends([site], first="2025-05", last="2025-05")
    assert (may["energy_below_kwh"], may["energy_above_kwh"]) == pytest.approx((90.0, 90.0))
    # 0.082 a kWh
    assert may["money_above"] == pytest.approx(90.0 * 0.082)
    both = ends([site], first="2025-05")
    assert (both["energy_below_kwh"], both["energy_above_kwh"]) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_over_farms_ends_are_added():
    site = farm()
    one, two = ends([site]), ends([site, site])
    assert two["energy_below_kwh"] == pytest.approx(2 * one["energy_below_kwh"])
    assert one["energy_below_kwh"] > 0


def test_one_farms_run_over_its_record_has_the_interval_of_its_own_total():
    site = farm()
    total = site_total(site)
    for name, of in ((GROUP, total.in_hand), ("unexplained", total.unexplained)):
        run = ends([site], name)
        assert of.energy.value - run["energy_below_kwh"] == pytest.approx(of.energy.low)
        assert of.money.value + run["money_above"] == pytest.approx(of.money.high)


def test_what_one_month_lacks_the_runs_that_hold_it_do_not_know():
    site = farm(revenue_lost=np.nan)
    assert np.isnan(ends([site])["money_below"])
    assert np.isfinite(ends([site], last="2025-05")["money_below"])
    assert np.isfinite(ends([site])["energy_below_kwh"])


def test_months_that_were_not_measured_and_causes_not_assessed_are_in_no_run():
    birch, _ = assessment().sites
    assert run_table([birch]).empty
    assert "reactive_power" not in set(run_table([farm()])["cause"])
