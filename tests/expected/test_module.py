"""The module model gives its datasheet back, and a published module's behaviour away from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.expected.plain import MODULE
from yieldwatch.errors import PortfolioError
from yieldwatch.expected.module import fit_module
from yieldwatch.portfolio.model import ModuleType

#: The module of De Soto et al. 2006 as pvlib's tests carry it (conftest, `cec_module`-style parameters): 96
#: cells in series.
PUBLISHED = {
    "alpha_sc": 0.004539,
    "a_ref": 2.6373,
    "I_L_ref": 5.114,
    "I_o_ref": 8.196e-10,
    "R_sh_ref": 381.68,
    "R_s": 1.065,
}


def published_module() -> ModuleType:
    """
    Its datasheet: Isc 5.1, Voc 59.4, Imp 4.69, Vmp 46.9; coefficients 0.004539 A/K, -0.2420 V/K, -0.476 %/K.
    """
    return ModuleType(
        "P220",
        "mono-Si",
        p_mp_w=219.96,
        i_sc_a=5.1,
        v_oc_v=59.4,
        i_mp_a=4.69,
        v_mp_v=46.9,
        alpha_i_sc_pct_per_c=100 * 0.004539 / 5.1,
        beta_v_oc_pct_per_c=100 * -0.2420172 / 59.4,
        gamma_p_mp_pct_per_c=-0.476,
        cells_in_series=96,
        bypass_diodes=3,
        tolerance_minus_pct=0.0,
        tolerance_plus_pct=0.0,
    )


KINDS = [
    MODULE,
    published_module(),
    # Half-cut 144-cell, older 60-cell multicrystalline, and thin film with a soft knee: invented, in the
    # usual ranges.
    replace(
        MODULE,
        module_type="M540",
        p_mp_w=540.0,
        i_sc_a=13.85,
        v_oc_v=49.5,
        i_mp_a=12.97,
        v_mp_v=41.65,
        gamma_p_mp_pct_per_c=-0.35,
        beta_v_oc_pct_per_c=-0.27,
    ),
    replace(
        MODULE,
        module_type="M250",
        p_mp_w=250.0,
        i_sc_a=8.87,
        v_oc_v=37.6,
        i_mp_a=8.27,
        v_mp_v=30.24,
        cells_in_series=60,
        gamma_p_mp_pct_per_c=-0.43,
        beta_v_oc_pct_per_c=-0.33,
    ),
    replace(
        MODULE,
        module_type="F100",
        technology="CdTe",
        p_mp_w=100.0,
        i_sc_a=1.57,
        v_oc_v=87.6,
        i_mp_a=1.44,
        v_mp_v=69.4,
        cells_in_series=154,
        gamma_p_mp_pct_per_c=-0.28,
        beta_v_oc_pct_per_c=-0.28,
        alpha_i_sc_pct_per_c=0.04,
    ),
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.module_type)
def test_the_datasheet_comes_back_at_standard_conditions(kind):
    at_stc = fit_module(kind).key_points(1000.0, 25.0)
    for name, stated in (
        ("i_sc", kind.i_sc_a),
        ("v_oc", kind.v_oc_v),
        ("i_mp", kind.i_mp_a),
        ("v_mp", kind.v_mp_v),
        ("p_mp", kind.i_mp_a * kind.v_mp_v),
    ):
        assert float(at_stc[name]) == pytest.approx(stated, rel=1e-3), name


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.module_type)
def test_the_datasheets_temperature_coefficients_come_back(kind):
    module = fit_module(kind)
    cold, warm = module.key_points(1000.0, np.array([25.0, 35.0]))["v_oc"]
    assert 100 * (warm / cold - 1) / 10 == pytest.approx(kind.beta_v_oc_pct_per_c, rel=0.01)
    cold, warm = module.key_points(1000.0, np.array([25.0, 35.0]))["i_sc"]
    # De Soto scales the photocurrent; the short circuit is 0.1 % below it, which changes the slope by as
    # much.
    assert 100 * (warm / cold - 1) / 10 == pytest.approx(kind.alpha_i_sc_pct_per_c, rel=0.02)
    for temp in (-10.0, 50.0, 75.0):
        power = (
            module.p_mp(np.array([1000.0]), np.array([temp]))[0]
            / module.p_mp(np.array([1000.0]), np.array([25.0]))[0]
        )
        # Linear by the datasheet; the table's 10 °C nodes of the correction bend it by up to 0.05 %.
        assert power == pytest.approx(1.0 + kind.gamma_p_mp_pct_per_c / 100 * (temp - 25.0), abs=1e-3)


SILICON = ("mono-Si", "mono-PERC", "Mono", "poly", "multi-crystalline", "HJT", "a-Si/c-Si heterojunction", "TOPCon", "n-type", "")
THIN_FILM = ("CdTe", "CdSeTe", "CIGS", "CIS", "a-Si", "a-Si:H", "amorphous", "µc-Si", "micromorph", "perovskite/Si tandem")


@pytest.mark.parametrize("technology", [*SILICON, *THIN_FILM])
def test_weak_light_of_a_silicon_cell_does_not_hang_on_its_trade_name(technology):
    # A datasheet whose voltage falls slowly with warmth: taken for any cell its ideality comes out far off silicon's.
    kind = replace(MODULE, technology=technology, beta_v_oc_pct_per_c=-0.24)
    silicon, own = (float(fit_module(k).parameters["a_ref"]) for k in (replace(kind, technology="mono-Si"), kind))
    if technology in SILICON:
        assert own == pytest.approx(silicon, rel=1e-9)
    else:
        assert abs(own / silicon - 1.0) > 0.01


@pytest.mark.sourced
def test_a_published_modules_low_light_follows_from_its_datasheet():
    # De Soto parameters in pvlib's tests (conftest.py), solved with pvlib 0.16: 500 W/m²: 111.6742714 W,
    # 57.5751569 V open circuit; 200 W/m²: 43.8690163 W, 55.1619808 V. Our fit sees the datasheet alone; its
    # five points leave the shunt a little free, worth 0.5 % of power at 200 W/m².
    module = fit_module(published_module())
    half = module.key_points(500.0, 25.0)
    assert float(half["p_mp"]) == pytest.approx(111.6742714, rel=0.003)
    assert float(half["v_oc"]) == pytest.approx(57.5751569, rel=0.003)
    low = module.key_points(200.0, 25.0)
    assert float(low["p_mp"]) == pytest.approx(43.8690163, rel=0.005)
    assert float(low["v_oc"]) == pytest.approx(55.1619808, rel=0.003)


@pytest.mark.sourced
def test_a_published_modules_parameters_are_found():
    # The same source. The product I_o exp(V_oc / a) fixes the three together; alone each is good to a few per
    # cent.
    found = fit_module(published_module()).parameters
    assert found["a_ref"] == pytest.approx(PUBLISHED["a_ref"], rel=0.03)
    assert found["R_s"] == pytest.approx(PUBLISHED["R_s"], rel=0.05)
    assert found["I_L_ref"] == pytest.approx(PUBLISHED["I_L_ref"], rel=0.002)


@pytest.mark.sourced
def test_the_published_module_in_the_field_agrees_with_its_parameters():
    # pvlib 0.16, the published parameters at 800 W/m², 45 °C: Isc 4.1545500, Voc 53.9332468, Pmp 160.4825499.
    # The power coefficient replaces the diode model's own: 0.2 % at 20 °C off.
    at = fit_module(published_module()).key_points(800.0, 45.0)
    assert float(at["i_sc"]) == pytest.approx(4.1545500, rel=0.001)
    assert float(at["v_oc"]) == pytest.approx(53.9332468, rel=0.002)
    assert float(at["p_mp"]) == pytest.approx(160.4825499, rel=0.004)


@pytest.mark.sourced
def test_a_measured_modules_weak_light_is_not_promised_too_much():
    # Source: 3,585 outdoor curves of one 36-cell module, Sandia National Laboratories, as pvlib's tests carry them (BSD-3, see
    # tests/data/README.md): effective light [W/m²], cell temperature [°C] and power [W] of the curves nearest to the median
    # of their light; the datasheet by straight lines through all. Silicon's gap taken as exact promises 3 % more at 350 W/m².
    kind = ModuleType("36 cells", "multi-Si", 119.5, 7.676, 21.337, 7.02, 17.02, 0.0602, -0.3515, -0.524, 36, 2, -5.0, 5.0)
    light = np.array([238.491, 278.652, 351.775, 450.455, 531.935, 733.277, 862.213])
    warmth = np.array([42.487, 41.517, 43.606, 41.022, 43.814, 50.805, 49.88])
    measured = np.array([25.313, 29.962, 37.838, 49.467, 57.771, 76.813, 90.125])
    more = fit_module(kind).p_mp(light, warmth) / measured
    assert np.all(more[:-1] / more[-1] < 1.03)
    assert np.all(more[2:-1] / more[-1] < 1.02)


@pytest.mark.parametrize("beta", [-0.24, -0.28, -0.35])
def test_a_voltages_coefficient_says_little_of_weak_light(beta):
    # Physics: the fall of voltage with warmth follows the gap, whatever the ideality.
    kinds = [replace(MODULE, beta_v_oc_pct_per_c=b) for b in (-0.28, beta)]
    usual, other = (float(fit_module(k).p_mp(np.array([200.0]), np.array([25.0]))[0]) for k in kinds)
    assert other == pytest.approx(usual, rel=0.006)


@pytest.mark.parametrize("kind", KINDS[:4], ids=lambda k: k.module_type)
def test_low_light_efficiency_of_crystalline_modules_is_sane(kind):
    # Common practice, no source: datasheets state 94 to 98 % of the efficiency at 200 W/m² for crystalline
    # silicon.
    module = fit_module(kind)
    low, full = module.p_mp(np.array([200.0, 1000.0]), np.array([25.0, 25.0]))
    assert 0.93 < 5.0 * low / full < 1.01


@pytest.mark.parametrize("kind", [MODULE, KINDS[4]], ids=lambda k: k.module_type)
def test_the_table_agrees_with_the_equation(kind):
    rng = np.random.default_rng(1)
    poa, temp = rng.uniform(10.0, 1700.0, 1500), rng.uniform(-35.0, 105.0, 1500)
    module = fit_module(kind)
    # What the module's docstring promises.
    np.testing.assert_allclose(module.p_mp(poa, temp), module.key_points(poa, temp)["p_mp"], rtol=1e-4)


def test_power_is_the_product_of_its_point_at_any_condition():
    at = fit_module(MODULE).key_points(np.array([100.0, 600.0, 1200.0]), np.array([5.0, 40.0, 70.0]))
    np.testing.assert_allclose(at["i_mp"] * at["v_mp"], at["p_mp"], rtol=1e-9)
    assert (at["i_mp"] < at["i_sc"]).all()
    assert (at["v_mp"] < at["v_oc"]).all()


def test_no_light_gives_no_power_and_unknown_light_unknown_power():
    module = fit_module(MODULE)
    p = module.p_mp(np.array([0.0, np.nan, 500.0, 500.0, -3.0]), np.array([10.0, 10.0, np.nan, 10.0, 10.0]))
    assert p[0] == 0.0
    assert np.isnan(p[1:3]).all()
    assert 150.0 < p[3] < 250.0
    assert p[4] == 0.0


def test_beyond_the_table_the_edge_holds():
    p = fit_module(MODULE).p_mp(
        np.array([1800.0, 2500.0, 800.0, 800.0]), np.array([40.0, 40.0, 110.0, 150.0])
    )
    assert p[1] == pytest.approx(p[0])
    assert p[3] == pytest.approx(p[2])


@given(poa=st.floats(0.0, 1700.0), more=st.floats(0.0, 100.0), temp=st.floats(-30.0, 100.0))
def test_more_light_never_gives_less_power_nor_heat_more(poa, more, temp):
    p = fit_module(MODULE).p_mp(np.array([poa, poa + more, poa]), np.array([temp, temp, temp + 5.0]))
    assert p[1] >= p[0]
    # Up to the table's 0.01 %.
    assert p[2] <= p[0] * (1.0 + 1e-4) + 1e-9
    assert p[0] <= 0.30 * poa * 2.0  # 400 W at 1000 W/m² on about 2 m²: never above 30 % efficiency


def test_a_model_fitted_twice_is_the_same_object():
    assert fit_module(MODULE) is fit_module(replace(MODULE))


@pytest.mark.parametrize(
    "wrong",
    [
        {"cells_in_series": 20},  # 2.5 V a cell
        {"i_mp_a": 10.29, "v_mp_v": 48.9},  # a fill factor of 0.995
        {"v_oc_v": 4.91, "v_mp_v": 4.1},  # a tenth: a typing error in both voltages
    ],
)
def test_values_of_no_module_are_refused_with_what_to_check(wrong):
    with pytest.raises(
        PortfolioError, match=r"module_types.csv, module type M400: .* count of cells in series"
    ):
        fit_module(replace(MODULE, **wrong))
