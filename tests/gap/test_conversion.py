"""Steps of the output that AC over DC makes too, and which of two losses came back."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE, make_site
from tests.expected.plain import inverter_type, on_grid, site
from yieldwatch.expected.power import site_model
from yieldwatch.gap.attribute import _at_setting
from yieldwatch.gap.conversion import fell_at
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION
from yieldwatch.gap.mechanisms.fault_spans import Span, going_on
from yieldwatch.gap.mechanisms.string_fault import find_faults
from yieldwatch.gap.spells import Limits
from yieldwatch.gap.steps import Step
from yieldwatch.gap.weak_parts import WeakPart
from yieldwatch.portfolio.model import String

DATES = pd.date_range("2024-01-01", periods=300)
NONE = pd.DataFrame(columns=["string_id", "finding", "share_lost", "confidence", "last_seen_good"])


def found(steps, conversion, findings=NONE, weak=()):
    strings = tuple(String(f"S{k}", "I1", "A", MODULE, 20) for k in range(1, 9))
    one = make_site().__class__(**{**vars(make_site()), "strings": strings})
    blocks = SimpleNamespace(dates=DATES, model=SimpleNamespace(inverter_ids=["I1"], site=one), washing=np.zeros(300),
                             day_of=lambda t: int((t.tz_localize(None).normalize() - DATES[0]).days))
    rounds = pd.DataFrame({"time": pd.DatetimeIndex([], tz="UTC"), "string_id": [], "grade": [], "p_mp_plate": []})
    return find_faults(blocks, one, findings, rounds, steps, [], list(weak), conversion)


def days_of(fall, start=100, end=300):
    daily = 0.002 * np.sin(np.arange(300.0))[None]
    daily[0, start:end] -= fall
    return daily


@pytest.mark.parametrize(("fall", "inverters"), [(0.133, True), (0.09, True), (0.0, False)])
def test_a_step_of_one_string_is_the_inverters_where_most_of_it_is_conversion(fall, inverters):
    (fault,) = found([Step(0, 100, -np.log(1.0 - 0.125), 0.002)], days_of(fall))

    assert fault.cause == ("inverter_efficiency" if inverters else "string_fault")
    assert (fault.kind == OF_CONVERSION) == inverters
    assert (fault.start, fault.end) == (100, 300)


@pytest.mark.parametrize(("days", "told"), [(1, False), (2, True), (4, True)])
def test_a_fall_of_conversion_is_told_after_two_days(days, told):
    faults = found([], days_of(0.09, start=300 - days))

    assert [(f.cause, f.kind, f.start) for f in faults] == ([("inverter_efficiency", OF_CONVERSION, 300 - days)] if told else [])
    # Where the output has shown the step, it is one fault and not two.
    assert len(found([Step(0, 296, 0.09, 0.002)], days_of(0.09, start=296))) == 1


def test_without_dc_power_a_step_of_one_string_stays_a_strings():
    (fault,) = found([Step(0, 100, -np.log(1.0 - 0.125), 0.002)], np.full((1, 300), np.nan))

    assert fault.cause == "string_fault"


def test_a_part_weak_all_the_time_is_no_string_where_its_inverter_converts_less_than_the_others():
    weak = WeakPart(0, None, tuple(f"S{k}" for k in range(1, 9)), 0.134, 0.01, 1.0)

    (fault,) = found([], np.zeros((4, 300)), weak=[weak])

    assert fault.kind == "weak from the first day"
    assert found([], np.array([[-0.13], [0.0], [0.005], [-0.004]]) + np.zeros((4, 300)), weak=[weak]) == []


def test_a_fall_needs_days_on_both_sides():
    daily = days_of(0.1)[0]

    assert fell_at(daily, 100) == pytest.approx(0.1, abs=0.003)
    assert np.isnan([fell_at(daily, 299), fell_at(daily, 1)]).all()


def test_of_two_losses_the_one_read_faulty_afterwards_goes_on():
    # Two dead strings; the log pairs the rise with the later one, which a trace on day 250 found dead.
    first, later = Span(0, 50, 300, 0.088, 0.001, True), Span(0, 80, 120, 0.096, 0.001, True)

    spans = going_on([first, later], set(), 1, 250)

    assert [(s.start, s.end) for s in spans] == [(50, 120), (80, 300)]
    assert going_on([first, later], set(), 1, 100) == [first, later]  # it was last read before the rise
    assert going_on([first, later], {0}, 1, 250) == [first, later]  # the other is another string's


def test_a_string_still_dead_keeps_its_share_when_another_came_back():
    finding = pd.DataFrame([{
        "string_id": "S1", "finding": "open", "share_lost": 1.0, "share_lost_sd": 0.01, "on_glass": 0.0,
        "first_seen_bad": pd.Timestamp("2024-04-01", tz="UTC"), "last_seen_good": pd.Timestamp("2024-03-01", tz="UTC"),
        "p_series_resistance": 0.0, "p_current_low": 0.0, "last_round": DATES[250].date(), "confidence": 1.0}])
    steps = [Step(0, 50, 0.134, 0.001), Step(0, 80, 0.154, 0.001), Step(0, 120, -0.153, 0.001)]

    faults = found(steps, None, finding)

    assert [(f.strings, f.start, f.end) for f in faults] == [(("S1",), 80, 300), ((), 50, 120)]


def test_an_hour_in_which_a_limit_held_one_reading_counts_as_held():
    # Broken clouds: a quarter-hour at the limit of 40 kW and three in shade. Its mean is far below, as is that of a dull hour.
    times = pd.date_range("2023-06-01 13:00", periods=3, freq="1h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    model = site_model(site(kinds=(inverter_type(100.0, points=((1.0, 1.0),)),)), on_grid(weather, minutes=60.0))
    quarters = np.array([[40.0, 15.0, 15.0, 15.0], [20.0, 22.0, 21.0, 22.0], [30.0, 31.0, 32.0, 36.0]])
    readings = pd.DataFrame({"I1": quarters.ravel()}, pd.date_range(times[0], periods=12, freq="15min"))
    ac, none = quarters.mean(axis=1)[None], np.zeros((1, 3), dtype=bool)
    limits = Limits(np.full(3, np.inf), np.full((1, 3), 40.0), np.full((1, 3), np.inf))
    could = np.full((1, 3), 60.0)

    fine = InverterLog(ac, ac, none, none, none, readings, pd.Timedelta(minutes=15))
    assert _at_setting(model, fine, limits, could).tolist() == [[True, False, False]]
    hourly = InverterLog(np.array([[21.0, 21.0, 38.0]]), ac, none, none, none)
    assert _at_setting(model, hourly, limits, could).tolist() == [[False, False, True]]
