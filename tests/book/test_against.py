"""Readings before and after: like for like, and no figure where they cannot be compared."""

from __future__ import annotations

import datetime as dt
import math

import pytest

from yieldwatch.book.against import pairs
from yieldwatch.book.facts import Evidence

DAY = dt.datetime(2025, 6, 30, 12, tzinfo=dt.UTC)


def reading(number, kind, part="S21", at=DAY, withdrawn=False, **readings) -> Evidence:
    return Evidence(number, 1, kind, at, part, readings, None, None, None, "Ann", withdrawn)


def test_a_brighter_and_hotter_day_is_no_repair():
    # 3000 W at 800 W/m² and 25 °C is 3750 W at 1000. At 35 °C a string of -0.38 %/K gives 3750 x 0.962 = 3607.5 W.
    (pair,) = pairs([reading(1, "before", p_mp_w=3000.0, poa_global_w_m2=800.0, temp_module_c=25.0),
                     reading(2, "after", p_mp_w=3607.5, poa_global_w_m2=1000.0, temp_module_c=35.0)])
    assert pair.change == pytest.approx(0.0, abs=1e-12)
    assert pair.low < 0.0 < pair.high


def test_the_interval_is_of_both_readings_their_light_and_their_warmth():
    (pair,) = pairs([reading(1, "before", i_sc_a=8.0, poa_global_w_m2=800.0, temp_module_c=25.0),
                     reading(2, "after", i_sc_a=11.0, poa_global_w_m2=1000.0, temp_module_c=25.0)])
    # 10 A and 11 A at 1000 W/m². Doubt: twice 1 % of reading, 2 % of light and 2 K at 0.05 %/K.
    spread = 1.645 * math.sqrt(2 * (0.01**2 + 0.02**2 + 0.001**2))
    assert (pair.change, pair.low, pair.high) == pytest.approx((0.1, 1.1 * (1 - spread) - 1, 1.1 * (1 + spread) - 1))


@pytest.mark.parametrize(("before", "after", "why"), [
    ({"p_mp_w": 3000.0}, {"p_mp_w": 3500.0, "poa_global_w_m2": 900.0}, "needs 400"),
    ({"p_mp_w": 3000.0, "poa_global_w_m2": 300.0}, {"p_mp_w": 3500.0, "poa_global_w_m2": 900.0}, "needs 400"),
    ({"insulation_mohm": 0.3}, {"insulation_mohm": 40.0}, "side by side"),
    ({"i_sc_a": 0.0, "poa_global_w_m2": 900.0}, {"i_sc_a": 9.0, "poa_global_w_m2": 900.0}, "nil before, so in no per cent"),
])
def test_what_cannot_be_held_against_each_other_has_no_figure(before, after, why):
    (pair,) = pairs([reading(1, "before", **before), reading(2, "after", **after)])
    assert why in pair.why_not
    assert math.isnan(pair.change)


def test_the_last_reading_before_meets_the_first_after_of_the_same_part():
    later = DAY + dt.timedelta(days=3)
    found = [reading(1, "before", v_oc_v=700.0), reading(2, "before", at=later, v_oc_v=710.0),
             reading(3, "after", at=later, v_oc_v=740.0), reading(4, "after", v_oc_v=730.0),
             reading(5, "after", withdrawn=True, at=DAY - dt.timedelta(days=1), v_oc_v=1.0),
             reading(6, "after", part="S22", v_oc_v=650.0)]
    assert [(p.part, p.before.number, p.after.number) for p in pairs(found)] == [("S21", 2, 4)]
