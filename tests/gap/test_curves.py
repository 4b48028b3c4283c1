import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import DESOTO, KIND
from yieldwatch.expected.module import Module
from yieldwatch.gap.curves import Part, circuit_key_points, rectified_curve, trace_features, traced_key_points

MODULE = Module(KIND, DESOTO, np.empty((0, 0)))
# Source: pvlib tests (BSD-3), tests/ivtools/test_utils.py::test_astm_e1036.
ASTM_I = np.array(
    [
        8.09403993,
        8.09382549,
        8.09361103,
        8.09339656,
        8.09318205,
        8.09296748,
        8.09275275,
        8.09253771,
        8.09232204,
        8.09210506,
        8.09188538,
        8.09166014,
        8.09142342,
        8.09116305,
        8.09085392,
        8.09044425,
        8.08982734,
        8.08878333,
        8.08685945,
        8.08312463,
        8.07566926,
        8.06059856,
        8.03005836,
        7.96856869,
        7.8469714,
        7.61489584,
        7.19789314,
        6.51138396,
        5.49373476,
        4.13267172,
        2.46021487,
        0.52838624,
        -1.61055289,
    ]
)


@pytest.mark.sourced
def test_key_points_of_a_traced_curve():
    # Source: as ASTM_I; the method is that of ASTM E1036.
    v = -0.005 + 0.02 * np.arange(33)
    found = traced_key_points(v, ASTM_I)
    for name, value in {"v_oc": 0.61950975, "i_sc": 8.09398632, "v_mp": 0.49428342, "i_mp": 7.62608830,
                        "p_mp": 3.76944899}.items():
        assert found[name] == pytest.approx(value, abs=1e-6)


@pytest.mark.sourced
def test_a_messy_curve_is_put_in_order():
    # Source: pvlib tests (BSD-3), tests/ivtools/test_utils.py::test_rectify_iv_curve.
    nan = np.nan
    v = np.array([0, 1, 5, 10, 25, 25.00001, 30, 28, 45, 47, 49, 51, nan])
    i = np.array([7, 6, 6, 5, 4, 3, 2.7, 2.5, nan, 0.5, -1, 0, nan])
    plain = rectified_curve(v, i)
    np.testing.assert_allclose(plain[0], [0, 1, 5, 10, 25, 25.00001, 28, 30, 47, 51])
    np.testing.assert_allclose(plain[1], [7, 6, 6, 5, 4, 3, 2.5, 2.7, 0.5, 0])
    merged = rectified_curve(v, i, decimals=4)
    np.testing.assert_allclose(merged[0], [0, 1, 5, 10, 25, 28, 30, 47, 51], atol=1e-4)
    np.testing.assert_allclose(merged[1], [7, 6, 6, 5, 3.5, 2.5, 2.7, 0.5, 0], atol=1e-4)


@pytest.mark.sourced
@pytest.mark.parametrize(("part", "ohm", "expected"), [
    # Source: pvlib 0.16 single-diode solution of the module with one parameter changed, worked out apart
    # from this project: i_sc, v_oc, i_mp, v_mp, p_mp.
    (Part(3.0), 0.0, (5.0998, 59.4007, 4.6898, 46.9026, 219.9643)),
    (Part(3.0, light=0.9), 0.0, (4.5898, 59.1140, 4.2135, 47.0766, 198.3571)),
    (Part(3.0), 1.065, (5.0856, 59.4007, 4.6131, 42.6825, 196.8968)),
    (Part(3.0, shunt=0.2), 0.0, (5.0436, 59.0496, 4.2141, 46.7930, 197.1885)),
])
def test_circuit_of_a_module_with_one_change(part, ohm, expected):
    found = circuit_key_points(MODULE, 1000.0, 25.0, (part,), ohm)
    for name, value in zip(("i_sc", "v_oc", "i_mp", "v_mp", "p_mp"), expected, strict=True):
        # 1e-3: the curve is sampled at 300 points; the photocurrent at 25 °C leaves out 0.0001 of bandgap
        # shift.
        assert found[name][0] == pytest.approx(value, rel=1e-3)


def test_a_leak_takes_a_larger_share_in_weak_light():
    # A plain resistor at about the same voltage takes the same current: at 300 W/m² 1000/300 times the share, somewhat less as
    # the voltage falls too.
    loss = []
    for poa in (1000.0, 300.0):
        sound, found = (circuit_key_points(MODULE, poa, 25.0, (Part(3.0, shunt=s),))["p_mp"][0] for s in (1.0, 0.4))
        loss.append(1.0 - found / sound)
    assert loss[1] / loss[0] == pytest.approx(1000 / 300, rel=0.15)


@pytest.mark.sourced
def test_circuit_with_a_step_has_the_right_global_maximum():
    # Source: as above: one of three groups at 60 % of the photocurrent, ideal bypass at -0.5 V:
    # global maximum 50.728 V x 2.8953 A = 146.87 W.
    found = circuit_key_points(MODULE, 1000.0, 25.0, (Part(2.0), Part(1.0, light=0.6)))
    assert found["p_mp"][0] == pytest.approx(146.87, rel=2e-3)
    assert found["i_mp"][0] == pytest.approx(
        2.8953, rel=1e-2
    )  # flat top: power is far better known than its place
    assert found["i_sc"][0] == pytest.approx(5.0998, rel=2e-3)  # the sound groups' own


def test_a_curve_that_is_too_short_gives_nan():
    assert all(np.isnan(x) for x in traced_key_points(np.arange(5.0), np.ones(5)).values())
    assert all(np.isnan(x) for x in traced_key_points(np.arange(50.0), np.zeros(50)).values())
    # Points near short circuit only: neither open circuit nor a maximum can be read.
    half = traced_key_points(np.linspace(0.0, 10.0, 30), np.full(30, 5.0))
    assert np.isnan(half["slope_oc"])


def test_a_tracer_that_rounds_small_currents_to_nil_gives_no_slope_at_open_circuit():
    v = np.linspace(0.0, 40.0, 81)
    i = np.where(v < 34.0, 9.0 * (1.0 - np.exp((v - 36.0) / 2.0)), 0.0)
    i[v >= 32.0] = 0.0

    found = traced_key_points(v, i)

    assert np.isnan(found["slope_oc"])


def test_features_come_one_row_a_trace():
    v = np.linspace(0.0, 0.64, 33)
    curves = pd.concat([pd.DataFrame({"trace_id": t, "v": v - 0.005, "i": ASTM_I * k})
                        for t, k in (("b", 1.0), ("a", 0.5))])
    table = trace_features(curves)
    assert list(table.index) == ["a", "b"]
    assert table.loc["a", "i_sc"] == pytest.approx(0.5 * table.loc["b", "i_sc"])
    # Slopes are per i_sc and v_oc, so that half the current has the same.
    assert table.loc["a", "slope_sc"] == pytest.approx(table.loc["b", "slope_sc"])
