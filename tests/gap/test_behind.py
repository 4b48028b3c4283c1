"""Inverters that lack strings at every hour, by written-out arithmetic."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE
from yieldwatch.gap.behind import behind_at_best
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import WEAK, Fault
from yieldwatch.portfolio.model import String

HOURS, DAYS = 10, 100
HOUR = np.tile(np.arange(HOURS), DAYS)
#: Shade of the morning: all but the last three hours of the day, a fifth to a half of the light.
SHADE = np.where(HOUR < 7, np.log(0.8) - 0.06 * (7 - HOUR), 0.0)


def traces(strings, blocks):
    """One trace of each, on the fifth day."""
    return pd.DataFrame({"time": blocks.dates[5], "string_id": list(strings), "grade": "good",
                         "p_mp_plate": 0.97}) if strings else pd.DataFrame()


def found(ratio, faults=(), sizes=(), columns=(), traced=()):
    """What is told of inverters of four strings, from ln(measured / expected) by inverter and block."""
    n = len(ratio)
    names = [f"I{k + 1}" for k in range(n)]
    strings = tuple(String(f"{name}.{s}", name, "A", MODULE, 20) for name in names for s in range(4))
    day = np.repeat(np.arange(len(ratio[0]) // HOURS), HOURS)
    share = np.tile(np.where(day % 4 == 0, 0.05, 0.7), (n, 1))
    blocks = SimpleNamespace(
        n=len(day), day=day, dates=pd.date_range("2024-01-01", periods=len(day) // HOURS), beam_share=share,
        model=SimpleNamespace(inverter_ids=names, site=SimpleNamespace(strings=strings, inverters=())),
        day_of=lambda time: (pd.Timestamp(time) - pd.Timestamp("2024-01-01")).days)
    named = [Column("string_fault", "open", np.ones(blocks.n), f.inverter, 0.3, 0.1, 0.0, 5.0, ("fault", f)) for f in faults]
    posterior = SimpleNamespace(columns=[*named, *columns], estimate=np.array(sizes))
    return behind_at_best(blocks, np.array(ratio), np.ones((n, blocks.n)), posterior, pd.DataFrame(), traces(traced, blocks))


def test_a_string_lost_under_shade_is_found_and_shade_alone_is_not():
    nothing, lost = np.zeros(HOURS * DAYS), np.log(0.75)
    (fault,) = found([SHADE, SHADE + lost, nothing])
    assert (fault.cause, fault.inverter, fault.strings, fault.kind) == ("string_fault", 1, (), WEAK)
    assert fault.share == pytest.approx(-lost)
    assert fault.share_sd == pytest.approx(0.25 * -lost)
    assert found([SHADE, SHADE, nothing]) == []


def test_shade_at_all_hours_that_overcast_days_are_spared_is_no_string_s():
    # Grass before the one inverter takes the beam of each hour. Every fourth day is overcast, and then it takes little.
    nothing = np.zeros(HOURS * DAYS)
    overcast = np.repeat(np.arange(DAYS) % 4 == 0, HOURS)
    assert found([nothing, np.where(overcast, np.log(0.96), np.log(0.7)), nothing]) == []
    (fault,) = found([nothing, np.where(overcast, np.log(0.75), np.log(0.7)), nothing])
    assert fault.share == pytest.approx(-np.log(0.75))


def test_a_loss_that_has_a_name_is_no_second_one():
    nothing, lost = np.zeros(HOURS * DAYS), np.log(0.75)
    named = Fault("string_fault", 1, ("I2.0",), "open", 10, DAYS, 0.25, 0.01, True)
    assert found([nothing, nothing + lost, nothing], [named], [-lost]) == []


def test_a_conversion_below_its_curve_is_no_string():
    nothing, lost = np.zeros(HOURS * DAYS), np.log(0.75)
    below = Column("inverter_efficiency", "AC over DC", np.ones(HOURS * DAYS), 1, 1.0, 0.15, 0.0, 2.0, ("efficiency", 1))
    assert found([nothing, nothing + lost, nothing], sizes=[-lost], columns=[below]) == []


def test_a_few_per_cent_are_make_and_dirt_and_more_is_something_inside_a_string():
    nothing = np.zeros(HOURS * DAYS)
    assert found([nothing, nothing + np.log(0.96), nothing]) == []
    (fault,) = found([nothing, nothing + np.log(0.94), nothing])  # a quarter of one of four
    assert (fault.cause, fault.strings) == ("string_fault", ())
    assert found([nothing + np.log(0.75)]) == []  # no peer


def test_a_part_that_is_missing_tells_how_long_it_has_been_so():
    nothing, lost = np.zeros(HOURS * 400), np.log(0.75)
    for gone, since in ((0, -1), (150, 160), (270, 280)):
        # Spans of 120 days, back from the last: the one in which it was lost holds days at its best.
        late = np.where(np.arange(HOURS * 400) < HOURS * gone, 0.0, lost)
        (fault,) = found([nothing, late, nothing])
        assert (fault.inverter, fault.start) == (1, since)


def test_where_all_strings_were_traced_since_the_inverter_lacks_it():
    nothing, lost = np.zeros(HOURS * DAYS), np.log(0.75)
    for traced, cause in ((range(4), "inverter_efficiency"), (range(3), "string_fault")):
        (fault,) = found([nothing, nothing + lost, nothing], traced=[f"I2.{s}" for s in traced])
        assert fault.cause == cause
