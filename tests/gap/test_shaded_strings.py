"""Shade that falls on a string in some rounds, and what else the string has."""

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import DESOTO, KIND, MODULES, data_of, one_round, perturbed, scaled, site_of
from yieldwatch.expected.module import Module
from yieldwatch.gap.curves import Part, circuit_key_points
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.likelihood import Spread
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.gap.shaded_strings import log_likelihood_shaded
from yieldwatch.gap.signatures import QUANTITIES

DAYS = ("2022-05-20", "2023-03-10", "2023-06-20", "2024-04-02", "2024-08-28")
ONE_MODULE = 1 - 1 / MODULES


def findings_of_one(odd_by_round, poa=(900.0,) * 5):
    """What is told of S07, odd as given in each round, among 23 sound strings."""
    site, rng = site_of(24), np.random.default_rng(4)
    rounds = [
        one_round(site, day, rng, None if odd is None else {"S07": odd}, light)
        for day, odd, light in zip(DAYS, odd_by_round, poa, strict=False)
    ]
    data = data_of(pd.concat(rounds, ignore_index=True))
    out = string_findings(site, assess_rounds(site, data), data).set_index("string_id")
    assert (out["confidence"].drop("S07") < 0.5).all()
    return out.loc["S07"]


def test_a_fault_that_stays_is_told_though_the_string_was_in_shade_in_some_rounds():
    missing, by_current, by_voltage = (
        scaled(v_oc=ONE_MODULE, v_mp=ONE_MODULE * v, i_mp=i) for v, i in ((1.0, 1.0), (1.0, 0.75), (0.7, 1.0))
    )
    told = findings_of_one([None, by_current, missing, by_voltage, missing])
    assert told["finding"] == "bypass_short"
    assert told["confidence"] > 0.95
    # One of twelve modules.
    assert told["share_lost"] == pytest.approx(1 / MODULES, abs=0.015)
    assert told["first_seen_bad"].date() == pd.Timestamp(DAYS[1]).date()


def test_shade_of_another_size_in_each_round_is_no_fault():
    told = findings_of_one([scaled(v_mp=0.9), None, scaled(i_mp=0.7, v_mp=1.02), scaled(v_mp=0.6), scaled(i_mp=0.85, v_mp=1.01)])
    assert told["finding"] == "shaded"
    assert told["confidence"] < 0.1


def test_dirt_on_a_string_in_shade_is_no_fault():
    dirt = perturbed(light=0.9)

    def both(point, poa):
        return scaled(v_mp=0.75)(dirt(point, poa), poa)

    told = findings_of_one([dirt, both, dirt])
    assert told["confidence"] < 0.3


def test_a_fault_that_was_mended_leaves_no_fault_on_a_string_in_shade():
    missing = scaled(v_oc=ONE_MODULE, v_mp=ONE_MODULE)
    told = findings_of_one([missing, missing, None, scaled(i_mp=0.75), scaled(v_mp=0.7)])
    assert told["confidence"] < 0.1


def test_shade_is_the_less_likely_the_higher_the_sun():
    y = np.full((3, 1, len(QUANTITIES)), np.nan)
    y[:, 0, :4] = 0.0, -0.3, 0.02, 0.0
    spread = Spread(np.full(8, 0.005), np.full(8, 0.005), np.array([24]), np.array([0]))
    log = log_likelihood_shaded(y, np.zeros((3, 1), bool), np.zeros_like(y), np.array([[20.0], [60.0], [80.0]]), spread)
    # Near things shade 0.6, 0.25 and 0.03 of such rounds; far ones, eight times as many, 0.51 of those at 20° and none above.
    np.testing.assert_allclose(np.diff(log), np.log([0.25 / (0.6 + 8 * 0.51), 0.03 / 0.25]), atol=0.01)


@pytest.mark.parametrize("light", [0.80, 0.82, 0.84, 0.86, 0.88, 0.9])
def test_weak_modules_are_told_at_any_light_though_diodes_carry_past_them_in_some_rounds_only(light):
    # A twelfth of the groups: from about 0.81 of the light on they limit the current, below that the diodes carry.
    module, whole = Module(KIND, DESOTO, np.empty((0, 0))), 3.0 * MODULES

    def weak(point, poa):
        at = poa, 45.0 + 3.0 * poa / 1000.0
        sound = circuit_key_points(module, *at, (Part(whole),))
        found = circuit_key_points(module, *at, (Part(whole - 3.0), Part(3.0, light=light)))
        return {n: x * float(found[n][0] / sound[n][0]) for n, x in point.items()}

    told = findings_of_one([weak] * 4, poa=(1000.0, 600.0, 900.0, 500.0))
    assert told["finding"] == "current_low"
    assert told["confidence"] > 0.9


def test_a_point_beside_the_top_of_the_curve_is_a_slip_and_volts_lost_alone_are_not():
    beside, lost = findings_of_one([None, None, scaled(i_mp=0.97, v_mp=1.03)]), findings_of_one([None, None, perturbed(r_s=1.5)])
    assert beside["confidence"] < 0.1
    assert lost["finding"] == "series_resistance"
