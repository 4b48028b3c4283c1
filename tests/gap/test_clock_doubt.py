"""What is left of doubt about the clocks is an unknown of the hours, and an interval of what lives at certain hours."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import Inferred, inferred
from yieldwatch.gap.attribute import infer_state
from yieldwatch.gap.basis import causes_basis
from yieldwatch.gap.clock_check import ClockShift
from yieldwatch.gap.clock_doubt import clock_columns, days_in_doubt
from yieldwatch.gap.stamps import moved_rows

START, END = dt.date(2023, 5, 1), dt.date(2023, 7, 10)


def instant(day: dt.date) -> pd.Timestamp:
    return pd.Timestamp(day, tz="Europe/London").tz_convert("UTC")


def shift(corrected: bool, source: str = "power") -> ClockShift:
    first, last = (instant(START) + pd.Timedelta(days=d) for d in (2, 4))
    return ClockShift(source, first, last, 30.0, 4.0, corrected, "")


def parabola() -> SimpleNamespace:
    """Five days of 12 hours, in blocks of an hour of four intervals; output goes as t (12 - t), t in hours."""
    t = (np.arange(48) + 0.5) / 4.0
    output = np.tile(t * (12.0 - t), 5)[None, :]
    of = np.repeat(np.arange(60), 4)
    at = np.concatenate([np.arange(48) + 96 * d for d in range(5)])
    model = SimpleNamespace(output=lambda: output, at=at, weather=SimpleNamespace(step=pd.Timedelta(minutes=15)))
    total = lambda v: np.stack([np.bincount(of, weights=row, minlength=60) for row in v])  # noqa: E731
    return SimpleNamespace(model=model, n=60, day=np.repeat(np.arange(5), 12), expected=total(output), total=total,
                           dates=np.zeros(5), day_of=lambda time: (time - instant(START)).days)


def test_a_minute_is_worth_the_slope_of_the_days_curve():
    (column,) = clock_columns(parabola(), (), logged=True)

    hours = np.arange(1, 11)  # the first and the last hold an edge, where no slope is known
    # Over the hour from h to h + 1 the output rises from h (12 - h) to (h + 1)(11 - h), by 11 - 2 h, and its mean is the
    # integral, 6 (2 h + 1) - ((h + 1)^3 - h^3) / 3; per minute.
    rise = (11 - 2 * hours) / (6 * (2 * hours + 1) - ((hours + 1) ** 3 - hours**3) / 3.0) / 60.0

    # The middles of four quarters stand for the hour: a thousandth.
    assert column.values[0, hours] == pytest.approx(rise, rel=2e-3)
    assert np.abs(column.values).max() <= 0.03


def test_a_stretch_has_its_own_unknown_by_what_was_done():
    corrected, left = (clock_columns(parabola(), (shift(done),), logged=True) for done in (True, False))

    assert corrected[1].sd == 4.0
    assert left[1].sd == pytest.approx(np.hypot(30.0, 4.0))
    assert set(np.flatnonzero(left[1].values[0]) // 12) == {2, 3}
    assert len(clock_columns(parabola(), (shift(False, "meter"),), logged=True)) == 1
    assert clock_columns(parabola(), (), logged=False) == []


def test_days_with_a_clock_that_was_left_count_by_the_hours_it_is_off():
    assert days_in_doubt(parabola(), (shift(False),)) == pytest.approx(0.5 * 2 / 5)
    assert days_in_doubt(parabola(), (shift(True), shift(False, "meter"))) == 0.0


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Inferred:
    return inferred(tmp_path_factory.mktemp("clock"), start=START, end=END)


@pytest.mark.parametrize("minutes", [-4, 4])
def test_a_log_a_few_minutes_off_is_told_by_the_hours(farm: Inferred, minutes: int) -> None:
    span = (instant(START), instant(END), pd.Timedelta(minutes=minutes))
    data = replace(farm.data, power=moved_rows(farm.data.power, farm.data.power_step, [span]))

    moved = infer_state(farm.site, data, pd.DataFrame(), farm.findings, instant(START), instant(END))

    place = next(j for j, c in enumerate(moved.posterior.columns) if c.name == "clocks")
    before, after = (float(s.posterior.estimate[place]) for s in (farm.state, moved))
    # Moved earlier by the minutes, output comes earlier: a gain while it rises. Sun cells take a part of it.
    assert np.sign(after - before) == -np.sign(minutes)
    assert 1.5 < abs(after - before) < 5.0


def test_a_clock_that_was_left_wrong_widens_what_outages_may_hide(farm: Inferred) -> None:
    clear = causes_basis(farm.state, farm.data)["inverter_outage"]
    doubtful = causes_basis(replace(farm.state, clocks=(shift(False),)), farm.data)["inverter_outage"]

    assert doubtful.missed == pytest.approx(clear.missed + 0.02 * 0.5 * 2 / 70, rel=1e-6)
