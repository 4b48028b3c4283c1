"""A limit left on by mistake is in the owner's hands wherever losses are summed; what an instruction held is not."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import EXPECTED, MONTHS, PRICE, assessment
from yieldwatch.constants import LEFT_ON
from yieldwatch.cost.left_on import beyond_rows, in_hand_rows
from yieldwatch.report import sentences
from yieldwatch.report.runs import GROUP, run_table
from yieldwatch.report.sections import _hand_word
from yieldwatch.report.spans import span_tables
from yieldwatch.report.totals import site_total
from yieldwatch.report.words import EnergyUnit, loss_word

#: Held down in each month of the invented farm, of it without an instruction, and what the tariff pays for the rest.
HELD, LEFT, PAID = 2000.0, np.array([0.0, 0.0, 0.0, 500.0, 2000.0, 1200.0]), 0.75
DOUBT = np.linspace(-100.0, 100.0, 400)


def farm():
    """The measured farm, with limits left on beside instructions, and its unexplained rest less by as much."""
    site = assessment().sites[1]
    losses = site.losses.copy()
    held, rest = losses["cause"] == "curtailment", losses["cause"] == "unexplained"
    worth = (HELD - PAID * (HELD - LEFT)) * PRICE
    losses.loc[held, ["energy_kwh", "energy_low_kwh", "energy_high_kwh"]] = HELD
    for column in ("revenue_lost", "revenue_lost_low", "revenue_lost_high"):
        losses.loc[held, column] = worth
    losses.loc[held, "in_hand_kwh"], losses.loc[held, "in_hand_revenue_lost"] = LEFT, LEFT * PRICE
    for column, less in (("energy_kwh", HELD), ("energy_low_kwh", HELD), ("energy_high_kwh", HELD), ("revenue_lost", worth)):
        losses.loc[rest, column] -= less
    held_draws = HELD + DOUBT[:, None] * np.ones(len(MONTHS))
    return replace(site, losses=losses, gap=replace(site.gap, draws={**site.gap.draws, "curtailment": held_draws}))


def part(parts, cause):
    return next(p for p in parts if p.cause == cause)


def test_the_two_parts_of_a_month_are_the_whole_in_energy_and_in_money():
    losses = farm().losses
    held = losses[losses["cause"] == "curtailment"].set_index("month")
    mine, others = (f[f["cause"].isin([LEFT_ON, "curtailment"])].set_index("month")
                    for f in (in_hand_rows(losses), beyond_rows(losses)))
    assert list(mine.index) == list(MONTHS[3:])
    assert MONTHS[4] not in others.index
    for column in ("energy_kwh", "revenue_lost"):
        both = mine[column].add(others[column], fill_value=0.0)
        assert both.to_numpy() == pytest.approx(held[column].to_numpy())


def test_what_can_be_lifted_is_in_hand_and_the_sums_close():
    plain, total = site_total(assessment().sites[1]), site_total(farm())
    left = part(total.in_hand_parts, LEFT_ON)
    assert left.energy.value == pytest.approx(3700.0)
    # Nobody pays for it.
    assert left.money.value == pytest.approx(3700.0 * PRICE)
    held = part(total.beyond_parts, "curtailment")
    assert (held.energy.value, held.money.value) == pytest.approx((8300.0, 8300.0 * (1 - PAID) * PRICE))
    # Its share of the draws, which all months have in common: 0.25 + 1 + 0.6 times 90 kWh, of which 5 % of the draws lie beyond.
    assert (left.energy.low, left.energy.high) == pytest.approx((3700.0 - 166.5, 3700.0 + 166.5))
    assert total.in_hand.energy.value == pytest.approx(plain.in_hand.energy.value + 3700.0)
    groups = (total.in_hand, total.beyond, total.unexplained)
    assert sum(g.energy.value for g in groups) == pytest.approx(total.gap_kwh)
    assert sum(g.money.value for g in groups) == pytest.approx(total.gap_money)


def test_runs_of_months_state_the_interval_that_totals_state():
    site = farm()
    total, table = site_total(site), run_table([site]).set_index(["cause", "from_month", "to_month"])
    for name, of in ((GROUP, total.in_hand), (LEFT_ON, part(total.in_hand_parts, LEFT_ON))):
        run = table.loc[(name, MONTHS[0], MONTHS[-1])]
        assert of.energy.value - run["energy_below_kwh"] == pytest.approx(of.energy.low)
        assert of.money.value + run["money_above"] == pytest.approx(of.money.high)


def test_rows_of_the_owners_page_add_up_to_its_sum_and_name_the_part():
    whole = assessment()
    tables = span_tables(replace(whole, sites=(farm(),)))
    rows = tables["span_causes"].query("span == 'twelve_months'")
    mine = rows[rows["in_hand"] == 1]
    sums = tables["span_farms"].set_index("span").loc["twelve_months"]
    assert mine["energy_kwh"].sum() == pytest.approx(sums["in_hand_kwh"])
    assert mine["money"].sum() == pytest.approx(sums["in_hand_money"])
    assert rows.loc[rows["part"] == "", "energy_kwh"].sum() == pytest.approx(sums["expected_kwh"] - sums["measured_kwh"])
    named = [loss_word(r) for r in rows[rows["cause"] == "curtailment"].to_dict("records")]
    assert named == ["output held down", "a limit left on", "output held down: by instruction"]
    months = tables["cause_months"].set_index(["cause", "month"])["energy_kwh"]
    assert months[LEFT_ON].sum() == pytest.approx(3700.0)


def test_words_count_it_among_what_was_in_our_hands():
    total = site_total(farm())
    mine, others = sentences._by_hand(total, EnergyUnit.fitting(float(EXPECTED.sum())), "GBP")
    assert "a limit left on 3.7 MWh" in mine
    assert "output held down 8.3 MWh" in others
    unit = EnergyUnit.fitting(1.0)
    held = part(total.causes, "curtailment")
    assert _hand_word(total, held, unit) == "3,700 of it: a limit left on"
    assert _hand_word(total, part(total.causes, "soiling"), unit) == "yes"
    assert _hand_word(site_total(assessment().sites[1]), held, unit) == "no"
