"""The split against every order of switching causes on, one by one."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from tests.expected.plain import CURVE, inverter_type, on_grid, site
from yieldwatch.expected.power import SiteModel, site_model
from yieldwatch.gap.ratios import log_mean_split
from yieldwatch.gap.split import Effect, output_with, split_by_cause

FLAT = ((1.0, 0.97),)
HOURS = 5


@cache
def _base(points: tuple[tuple[float, float], ...], export_limit_kw: float | None) -> SiteModel:
    times = pd.date_range("2023-06-01 17:00", periods=HOURS, freq="h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 500.0, "dhi": 200.0, "dni": 400.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=points), inverter_type(100.0, points=points))
    return site_model(
        site(kinds=kinds, export_limit_kw=export_limit_kw, ac_wiring_pct=0.0, transformer_pct=0.0),
        on_grid(weather, minutes=60.0),
    )


def chain(
    dc: object, points: tuple[tuple[float, float], ...] = FLAT, export_limit_kw: float | None = None
) -> SiteModel:
    """Two inverters of 100 kW over five hours with these DC powers. [kW]"""
    return replace(
        _base(points, export_limit_kw), dc=np.broadcast_to(np.asarray(dc, float), (2, HOURS)).copy()
    )


def full(value: object) -> np.ndarray:
    return np.broadcast_to(np.asarray(value, float), (2, HOURS)).copy()


def all_orders(model: SiteModel, effects: list[Effect]) -> dict[str, np.ndarray]:
    """The definition: what a cause takes when it comes on, in the mean over all orders."""
    orders = list(permutations(range(len(effects))))
    share = {e.cause: np.zeros(model.dc.shape) for e in effects}
    for order in orders:
        on: list[Effect] = []
        before = model.output()
        for k in order:
            on.append(effects[k])
            after = output_with(model, on)
            share[effects[k].cause] += (before - after) / len(orders)
            before = after
    return share


def random_effects(rng: np.random.Generator, *, limits: bool) -> list[Effect]:
    def some(low: float) -> np.ndarray:
        return rng.uniform(low, 1.0, (2, HOURS))

    effects = [
        Effect("soiling", dc_factor=some(0.8)),
        Effect("string_fault", dc_factor=some(0.7)),
        Effect("inverter_efficiency", ac_factor=some(0.9)),
    ]
    if limits:
        cap = np.where(rng.random((2, HOURS)) < 0.5, rng.uniform(20.0, 100.0, (2, HOURS)), np.inf)
        site_cap = np.where(rng.random(HOURS) < 0.5, rng.uniform(40.0, 180.0, HOURS), np.inf)
        return [*effects, Effect("reactive_power", cap=cap), Effect("curtailment", site_cap=site_cap)]
    return [
        *effects,
        Effect("inverter_outage", ac_factor=(rng.random((2, HOURS)) > 0.3).astype(float)),
        Effect("degradation", dc_factor=full(0.97)),
    ]


@pytest.mark.parametrize("seed", range(6))
def test_with_limits_it_is_the_mean_over_all_orders(seed):
    rng = np.random.default_rng(seed)
    model = chain(rng.uniform(10.0, 140.0, (2, HOURS)), CURVE, export_limit_kw=150.0)
    effects = random_effects(rng, limits=True)
    # Every interval bound, so that the subsets run everywhere: the exact definition but for rounding.
    effects.append(
        Effect("inverter_outage", ac_factor=(rng.random((2, HOURS)) > 0.2).astype(float), cap=full(99.0))
    )
    found, exact = split_by_cause(model, effects).energy, all_orders(model, effects)
    for cause, energy in exact.items():
        np.testing.assert_allclose(found[cause], energy, atol=1e-9, err_msg=cause)


@pytest.mark.parametrize("seed", range(6))
def test_without_limits_the_closed_form_is_the_mean_over_all_orders(seed):
    rng = np.random.default_rng(seed)
    model = chain(rng.uniform(10.0, 90.0, (2, HOURS)))
    effects = random_effects(rng, limits=False)
    found, exact = split_by_cause(model, effects).energy, all_orders(model, effects)
    for cause, energy in exact.items():
        np.testing.assert_allclose(found[cause], energy, atol=1e-9, err_msg=cause)


@pytest.mark.parametrize("seed", range(6))
def test_a_bent_inverter_curve_moves_the_closed_form_by_less_than_a_tenth_of_a_point(seed):
    # The contract: a faster split is welcome where it agrees within 0.1 point of expected energy.
    rng = np.random.default_rng(seed)
    model = chain(rng.uniform(10.0, 90.0, (2, HOURS)), CURVE)
    effects = random_effects(rng, limits=False)
    split, exact = split_by_cause(model, effects), all_orders(model, effects)
    for cause, energy in exact.items():
        assert abs(split.energy[cause].sum() - energy.sum()) < 0.001 * split.expected.sum(), cause


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("limits", [True, False])
def test_the_parts_add_up_to_the_gap(seed, limits):
    rng = np.random.default_rng(100 + seed)
    model = chain(rng.uniform(0.0, 160.0, (2, HOURS)), CURVE, export_limit_kw=150.0 if limits else None)
    split = split_by_cause(model, random_effects(rng, limits=limits))
    np.testing.assert_allclose(sum(split.energy.values()), split.expected - split.state, atol=1e-9)
    assert split.clipped.min() >= -1e-9


@pytest.mark.parametrize("export_limit_kw", [None, 120.0])
def test_the_order_in_which_causes_are_given_means_nothing(export_limit_kw):
    rng = np.random.default_rng(4)
    model = chain(rng.uniform(10.0, 140.0, (2, HOURS)), CURVE, export_limit_kw)
    effects = random_effects(rng, limits=True)
    there, back = split_by_cause(model, effects), split_by_cause(model, effects[::-1])
    for cause, energy in there.energy.items():
        np.testing.assert_allclose(back.energy[cause], energy, atol=1e-9)


@pytest.mark.parametrize("dc", [60.0, 130.0])
def test_causes_that_do_the_same_take_the_same(dc):
    one, other = Effect("soiling", dc_factor=full(0.8)), Effect("shading", dc_factor=full(0.8))
    energy = split_by_cause(chain(dc, CURVE), [one, other]).energy
    np.testing.assert_allclose(energy["soiling"], energy["shading"], rtol=1e-9)
    assert energy["soiling"].sum() > 1.0


@pytest.mark.parametrize("dc", [60.0, 130.0])
@pytest.mark.parametrize(
    "idle",
    [
        Effect("snow"),
        Effect("snow", dc_factor=full(1.0)),
        Effect("snow", cap=full(np.inf)),
        Effect("snow", cap=full(500.0)),
        Effect("snow", site_cap=np.full(HOURS, 1e4)),
    ],
)
def test_a_cause_that_does_nothing_takes_nothing(dc, idle):
    soiling = Effect("soiling", dc_factor=full(0.8))
    split = split_by_cause(chain(dc, CURVE), [soiling, idle])
    assert np.abs(split.energy["snow"]).max() < 1e-9
    np.testing.assert_allclose(split.energy["soiling"], split.expected - split.state, atol=1e-9)


def test_a_cause_alone_takes_the_whole_gap():
    split = split_by_cause(chain(80.0, CURVE), [Effect("soiling", dc_factor=full(0.9))])
    np.testing.assert_allclose(split.energy["soiling"], split.expected - split.state, rtol=1e-12)


@pytest.mark.parametrize("export_limit_kw", [None, 60.0])
def test_no_cause_at_all_is_no_loss(export_limit_kw):
    split = split_by_cause(chain(80.0, CURVE, export_limit_kw), [])
    assert split.energy == {}
    np.testing.assert_array_equal(split.expected, split.state)


def test_an_outage_of_a_soiled_inverter_by_hand():
    # 60 kW DC x 0.97 = 58.2 kWh an hour. Soiling first takes 10 % and the outage the other 90 %; outage first
    # takes all and soiling nothing. The mean: soiling 5 % = 2.91 kWh, outage 95 % = 55.29 kWh. The other
    # inverter only soils: 5.82 kWh.
    off = full([[0.0], [1.0]])
    split = split_by_cause(
        chain(60.0), [Effect("soiling", dc_factor=full(0.9)), Effect("inverter_outage", ac_factor=off)]
    )
    np.testing.assert_allclose(split.energy["soiling"], full([[2.91], [5.82]]), rtol=1e-9)
    np.testing.assert_allclose(split.energy["inverter_outage"], full([[55.29], [0.0]]), rtol=1e-9, atol=1e-12)
    np.testing.assert_array_equal(split.state[0], 0.0)


def test_dirt_that_clipping_hides_costs_nothing():
    # 140 kW DC x 0.97 = 135.8 kW: 8 % dirt leaves 124.9, still above the rating of 100.
    split = split_by_cause(chain(140.0), [Effect("soiling", dc_factor=full(0.92))])
    np.testing.assert_allclose(split.energy["soiling"], 0.0, atol=1e-9)
    np.testing.assert_allclose(split.clipped, 2 * 35.8, rtol=1e-9)


def test_two_causes_that_only_together_leave_the_clipping_share_it():
    # 110 kW x 0.97 = 106.7 kW. Either 5 % alone leaves 101.365 (clipped, no loss), both 96.29675: the loss of
    # 3.70325 in halves.
    effects = [Effect("soiling", dc_factor=full(0.95)), Effect("degradation", dc_factor=full(0.95))]
    energy = split_by_cause(chain(110.0), effects).energy
    for cause in ("soiling", "degradation"):
        np.testing.assert_allclose(energy[cause], 3.70325 / 2, rtol=1e-9)


def test_dirt_under_an_instruction_to_hold_down_is_free_where_the_instruction_binds_more():
    # 2 x 58.2 = 116.4 kW held to 60: soiling of 10 % alone 11.64, both 56.4. Soiling first 11.64, last 0:
    # 5.82; the rest 50.58.
    effects = [
        Effect("soiling", dc_factor=full(0.9)),
        Effect("curtailment", site_cap=np.r_[np.full(2, 60.0), np.full(3, np.inf)]),
    ]
    energy = split_by_cause(chain(60.0), effects).energy
    np.testing.assert_allclose(energy["soiling"].sum(axis=0), [5.82, 5.82, 11.64, 11.64, 11.64], rtol=1e-9)
    np.testing.assert_allclose(
        energy["curtailment"].sum(axis=0), [50.58, 50.58, 0.0, 0.0, 0.0], rtol=1e-9, atol=1e-12
    )


def test_a_gain_has_a_negative_sign_and_the_sum_still_closes():
    effects = [Effect("soiling", dc_factor=full(0.9)), Effect("unexplained", dc_factor=full(1.05))]
    split = split_by_cause(chain(60.0, CURVE), effects)
    assert (split.energy["unexplained"] < 0.0).all()
    np.testing.assert_allclose(sum(split.energy.values()), split.expected - split.state, atol=1e-9)


def test_hours_without_light_have_no_losses():
    split = split_by_cause(chain(0.0, CURVE), random_effects(np.random.default_rng(0), limits=False))
    for energy in split.energy.values():
        np.testing.assert_array_equal(energy, 0.0)


@pytest.mark.parametrize("dc", [60.0, 130.0])
def test_an_unknown_effect_is_an_unknown_loss(dc):
    factor = full(0.9)
    factor[:, 2] = np.nan
    effects = [Effect("soiling", dc_factor=factor), Effect("degradation", dc_factor=full(0.97))]
    energy = split_by_cause(chain(dc, CURVE), effects).energy
    assert np.isnan(energy["soiling"][:, 2]).all()
    assert np.isfinite(np.delete(energy["soiling"], 2, axis=1)).all()


@pytest.mark.sourced
@pytest.mark.parametrize("seed", range(4))
def test_the_log_mean_split_agrees_where_no_limit_is_near(seed):
    # LMDI-I of Ang, Energy Policy 33 (2005) 867: another exact and additive split of a product. For losses of
    # the usual size the two agree to the contract's 0.1 point of expected energy, cause by cause.
    rng = np.random.default_rng(seed)
    factors = {
        "soiling": rng.uniform(0.93, 1.0, (2, HOURS)),
        "shading": rng.uniform(0.88, 1.0, (2, HOURS)),
        "string_fault": rng.uniform(0.9, 1.0, (2, HOURS)),
        "degradation": full(0.965),
    }
    model = chain(rng.uniform(20.0, 95.0, (2, HOURS)), CURVE)
    split = split_by_cause(model, [Effect(c, dc_factor=f) for c, f in factors.items()])
    ones = {c: np.ones(f.size) for c, f in factors.items()}
    other = log_mean_split(
        {"light": split.expected.ravel(), **ones},
        {"light": split.expected.ravel(), **{c: f.ravel() for c, f in factors.items()}},
    )
    for cause in factors:
        assert abs(split.energy[cause].sum() + other[cause]) < 0.001 * split.expected.sum(), cause
