"""The inverter's curve gives its datasheet back and behaves between and beyond its points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.expected.plain import CURVE, inverter_type
from yieldwatch.expected.inverter import InverterCurve, inverter_curve

LOADS = (0.05, 0.10, 0.20, 0.30, 0.50, 0.75, 1.00)


def efficiency_at(curve: InverterCurve, load: float, stated: float) -> float:
    """Efficiency at the DC power that the datasheet says belongs to this AC load."""
    return float(curve.efficiency(np.array([load * curve.inverter_type.ac_rated_kw / stated]))[0])


@pytest.mark.parametrize("points", [CURVE, CURVE[2:5], CURVE[::3], CURVE[:5]])
def test_the_datasheets_points_come_back_exactly(points):
    curve = inverter_curve(inverter_type(37.0, points=points))
    for load, stated in points:
        assert efficiency_at(curve, load, stated) == pytest.approx(stated, rel=1e-12)


@pytest.mark.sourced
def test_weighted_efficiencies_of_the_datasheet():
    # Weights: EN 50530 (European) and the CEC test protocol as on the Sandia PVPMC page. By hand for these
    # efficiencies: European 0.03x92 + 0.06x95 + 0.13x96.8 + 0.10x97.3 + 0.48x97.6 + 0.20x97.1 = 97.042 %, CEC
    # 0.04x95 + 0.05x96.8 + 0.12x97.3 + 0.21x97.6 + 0.53x97.5 + 0.05x97.1 = 97.342 %.
    curve = inverter_curve(inverter_type())
    at = {load: efficiency_at(curve, load, stated) for load, stated in CURVE}
    european = {0.05: 0.03, 0.10: 0.06, 0.20: 0.13, 0.30: 0.10, 0.50: 0.48, 1.00: 0.20}
    cec = {0.10: 0.04, 0.20: 0.05, 0.30: 0.12, 0.50: 0.21, 0.75: 0.53, 1.00: 0.05}
    assert 100 * sum(w * at[load] for load, w in european.items()) == pytest.approx(97.042, abs=1e-9)
    assert 100 * sum(w * at[load] for load, w in cec.items()) == pytest.approx(97.342, abs=1e-9)


def test_a_missing_point_lies_near_where_the_datasheet_had_it():
    # Left out 30 % (97.3 %) and 75 % (97.5 %): the lost power between their neighbours is nearly a parabola.
    curve = inverter_curve(inverter_type(points=tuple(p for p in CURVE if p[0] not in (0.30, 0.75))))
    assert efficiency_at(curve, 0.30, 0.973) == pytest.approx(0.973, abs=0.0015)
    assert efficiency_at(curve, 0.75, 0.975) == pytest.approx(0.975, abs=0.0015)


def test_one_point_alone_is_the_efficiency_everywhere():
    curve = inverter_curve(inverter_type(50.0, points=((0.5, 0.96),)))
    dc = np.array([0.0, 0.01, 1.0, 20.0, 60.0])
    np.testing.assert_allclose(curve.ac_power(dc), 0.96 * dc, rtol=1e-9)


def test_below_the_loss_at_rest_nothing_comes_out():
    # The loss runs straight through the two lowest points: 0.05/0.92 - 0.05 = 0.0043478 and 0.10/0.95 - 0.10
    # = 0.0052632 of the rating, so 0.0043478 - (0.0052632 - 0.0043478) = 0.0034325 of 100 kW at no load:
    # 0.343 kW.
    curve = inverter_curve(inverter_type(100.0))
    assert curve.ac_power(np.array([0.0, 0.342]))[1] == 0.0
    assert curve.ac_power(np.array([0.36]))[0] > 0.0


def test_unknown_power_stays_unknown_and_no_power_has_no_efficiency():
    curve = inverter_curve(inverter_type())
    assert np.isnan(curve.ac_power(np.array([np.nan]))[0])
    assert np.isnan(curve.efficiency(np.array([0.0, np.nan]))).all()
    assert curve.ac_power(np.array([0.0]))[0] == 0.0


def test_beyond_the_rating_the_last_efficiency_goes_on():
    # The rating is the chain's affair: what it cuts must stay visible. 1.5 x 50 kW AC at 97.1 %.
    curve = inverter_curve(inverter_type())
    assert curve.ac_power(np.array([75.0 / 0.971]))[0] == pytest.approx(75.0, rel=1e-9)


@given(
    points=st.lists(st.floats(0.85, 0.99), min_size=7, max_size=7),
    dc=st.floats(0.0, 100.0),
    more=st.floats(0.0, 20.0),
)
def test_more_in_is_never_less_out_and_never_more_than_in(points, dc, more):
    curve = inverter_curve(inverter_type(points=tuple(zip(LOADS, points, strict=True))))
    low, high = curve.ac_power(np.array([dc, dc + more]))
    assert 0.0 <= low <= high + 1e-9
    assert high <= dc + more
