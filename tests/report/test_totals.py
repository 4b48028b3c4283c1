"""Sums over a period: what is missing is counted, and intervals know what is shared."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import EXPECTED, MONTHS, PRICE, assessment
from yieldwatch.constants import BEYOND, IN_HAND
from yieldwatch.report.totals import site_total, site_totals


def measured_site():
    return assessment().sites[1]


def with_draws(site, draws):
    return replace(site, gap=replace(site.gap, draws=draws))


def test_every_cause_is_in_one_group_only():
    from yieldwatch.constants import CAUSES

    assert sorted([*IN_HAND, *BEYOND, "unexplained"]) == sorted(CAUSES)


def test_causes_add_up_to_the_gap():
    total = site_total(measured_site())
    known = [c.energy.value for c in total.causes if c.energy.known]
    assert total.gap_kwh == pytest.approx(sum(known), abs=1e-6)
    parts = (total.in_hand, total.beyond, total.unexplained)
    assert total.gap_kwh == pytest.approx(sum(p.energy.value for p in parts), abs=1e-6)
    # 8.3 % of 162 000 kWh at 0.082 a kWh: 162000 x 0.083 x 0.082 = 1102.57
    assert total.gap_money == pytest.approx(1102.572, abs=1e-6)


def test_money_is_not_known_where_only_nil_has_a_price():
    site = measured_site()
    unpriced = site.losses.assign(revenue_lost=site.losses["revenue_lost"].where(site.losses["cause"] == "snow"))
    total = site_total(replace(site, losses=unpriced))
    assert not total.in_hand.money.known
    assert not total.beyond.money.known


def test_doubt_shared_by_all_months_adds_up_and_doubt_of_its_own_does_not():
    site = measured_site()
    rng = np.random.default_rng(1)
    soiling = site.losses.query("cause == 'soiling'")["energy_kwh"].to_numpy()
    shared = {"soiling": soiling + 100.0 * rng.standard_normal((20_000, 1)) * np.ones(6)}
    own = {"soiling": soiling + 100.0 * rng.standard_normal((20_000, 6))}

    def width(draws):
        energy = site_total(with_draws(site, draws)).causes[0].energy
        return energy.high - energy.low

    # 90 % of a normal lies within 1.6449 sd. Six months of 100 kWh: 600 shared, 100 x sqrt(6) = 244.9
    # of their own. 20 000 draws give the bounds to about 2 %.
    assert width(shared) == pytest.approx(2 * 1.6449 * 600.0, rel=0.03)
    assert width(own) == pytest.approx(2 * 1.6449 * 244.95, rel=0.03)


def test_money_interval_is_the_energy_interval_at_the_price_of_its_month():
    soiling = site_total(measured_site()).causes[0]
    assert soiling.money.low == pytest.approx(soiling.energy.low * PRICE, rel=1e-9)
    assert soiling.money.high == pytest.approx(soiling.energy.high * PRICE, rel=1e-9)


def test_without_draws_the_months_bounds_are_added():
    site = with_draws(measured_site(), {})
    energy = site_total(site).causes[0].energy
    # The fixture's rows: 0.00658 of expected to either side.
    assert energy.high - energy.value == pytest.approx(0.00658 * EXPECTED.sum())


def test_a_cause_not_assessed_has_no_figure_and_no_share():
    reactive = next(c for c in site_total(measured_site()).causes if c.cause == "reactive_power")
    assert reactive.basis == "not_assessed"
    assert not reactive.energy.known
    assert np.isnan(reactive.share.value)
    assert (reactive.months, reactive.months_not_assessed) == (0, 6)


def test_an_unmeasured_farm_has_no_gap():
    total = site_total(assessment().sites[0])
    assert not total.is_measured
    assert np.isnan(total.gap_kwh)
    assert np.isnan(total.measured_kwh)
    assert np.isnan(total.gap_money)
    assert total.months == MONTHS
    assert total.in_hand.energy.known


def test_a_month_without_measurement_is_in_no_sum_and_is_named():
    site = measured_site()
    yields = site.gap.yields.copy()
    yields.loc[5, "measured_kwh"] = np.nan
    total = site_total(replace(site, gap=replace(site.gap, yields=yields)))
    assert total.months == MONTHS[:5]
    assert total.months_left_out == ("2025-06",)
    assert total.expected_kwh == EXPECTED[:5].sum()
    assert total.expected_other_kwh == EXPECTED[5]


def test_a_month_without_price_is_counted_and_not_summed_as_nothing():
    site = measured_site()
    losses = site.losses.copy()
    losses.loc[losses["month"] == "2025-06", ["revenue_lost", "revenue_lost_low", "revenue_lost_high"]] = (
        np.nan
    )
    total = site_total(replace(site, losses=losses))
    assert total.months_priced == 5
    assert total.gap_money == pytest.approx(0.083 * EXPECTED[:5].sum() * PRICE)


def test_farms_are_ordered_by_money_in_hand_and_unknown_money_comes_last():
    whole = assessment()
    poor = replace(whole.sites[0], losses=whole.sites[0].losses.assign(revenue_lost=np.nan))
    totals = site_totals(replace(whole, sites=(poor, whole.sites[1])))
    assert [t.site_id for t in totals] == ["alder", "birch"]
