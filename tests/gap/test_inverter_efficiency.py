"""Clamp rounds on a farm without a log: falls from round to round, and losses that every round saw."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.mechanisms import inverter_efficiency
from yieldwatch.gap.mechanisms.inverter_efficiency import clamp_columns, efficiency_columns

ROUNDS = pd.to_datetime(["2023-03-01", "2023-09-01", "2024-03-01"], utc=True)
SCATTER = np.array([[0.004, -0.006, 0.002], [-0.003, 0.005, -0.004], [0.002, -0.001, 0.003], [0.001, 0.003, -0.002]])


def told(extra: np.ndarray, inverters: tuple[int, ...] = (0, 1, 2, 3), limited: str = "", rounds: int = 3,
         read: list[tuple[int, int]] | None = None) -> list:
    """
    Columns of four inverters, or some, of which the last lacks `extra` of its AC over DC in each of some rounds, and the others
    are `limited` in the first. Each round reads all, or `read` names inverter and round of each reading.
    """
    days = pd.date_range("2023-01-01", "2024-06-30")
    blocks = SimpleNamespace(
        day=np.arange(len(days)), dates=days, model=SimpleNamespace(inverter_ids=["I1", "I2", "I3", "I4"]),
        day_of=lambda t: (t.tz_localize(None).normalize() - days[0]).days,
    )
    ratio = SCATTER.copy()
    ratio[3] -= extra
    rows = [
        {"inverter_id": f"I{k + 1}", "clamp_round": r + 1, "time": ROUNDS[r], "mppt": np.nan, "phase": np.nan,
         "limited": limited if r == 0 and k < 3 else "",
         "current_ratio": 1.0, "efficiency_log_ratio": ratio[k, r]}
        for k, r in (read or [(k, r) for k in inverters for r in range(rounds)])
    ]
    return clamp_columns(blocks, pd.DataFrame(rows), pd.DataFrame())


def test_a_loss_that_every_round_saw_began_before_the_first():
    (column,) = told(np.array([0.25, 0.25, 0.25]))

    assert column.inverter == 3
    assert column.mean == pytest.approx(0.25, abs=0.01)
    # The first round is on day 59: it began before, taken as half way.
    assert column.values.sum() == len(column.values) - 29
    assert 0.01 < column.sd < 0.02


def test_inverters_at_their_rating_are_a_measure_of_ac_over_dc_all_the_same():
    # At its rating an inverter takes less current, but what it takes it converts.
    (column,) = told(np.array([0.25, 0.25, 0.25]), limited="at its kW rating")

    assert column.mean == pytest.approx(0.25, abs=0.01)


def test_a_loss_that_began_between_rounds_is_a_fall():
    (column,) = told(np.array([0.0, 0.25, 0.25]))

    assert column.mean == pytest.approx(0.25, abs=0.01)
    assert column.values.argmax() == (59 + 243) // 2


@pytest.mark.parametrize("inverters", [(0, 1, 2, 3), (0, 3), (3,)])
@pytest.mark.parametrize(("fell", "columns"), [(0.12, 1), (0.03, 0)])
def test_two_rounds_tell_a_fall_of_ac_over_dc_that_no_clamp_makes(fell, columns, inverters):
    found = told(np.array([0.0, fell, fell]), inverters, rounds=2)

    assert [c.inverter for c in found] == [3] * columns
    # The likeliest of several is partly luck: told smaller, and never larger than it was read.
    assert all(0.07 < c.mean < 0.13 for c in found)


@pytest.mark.parametrize(("traced", "grade", "columns"), [
    ("2022-12-01", "good", 1), ("2023-05-01", "good", 0), ("2023-05-01", "unfit", 1)])
def test_current_read_before_the_first_trace_is_no_pair_with_current_read_after_it(traced, grade, columns):
    # Of two of three inverters half and a quarter of the strings were dead all along; once traced, they are expected to be.
    days = pd.date_range("2023-01-01", "2024-06-30")
    blocks = SimpleNamespace(
        day=np.arange(len(days)), dates=days, model=SimpleNamespace(inverter_ids=["I1", "I2", "I3"]),
        day_of=lambda t: (t.tz_localize(None).normalize() - days[0]).days)
    ratio = np.array([[0.96, 0.961, 0.958], [0.50, 1.0, 1.002], [0.75, 1.001, 0.999]])
    rows = [
        {"inverter_id": f"I{k + 1}", "clamp_round": r + 1, "time": ROUNDS[r], "mppt": np.nan, "phase": np.nan, "limited": "",
         "current_ratio": ratio[k, r], "efficiency_log_ratio": np.nan}
        for k in range(3) for r in range(3)]
    rounds = pd.DataFrame({"inverter_id": ["I1", "I2", "I3"], "time": pd.Timestamp(traced, tz="UTC"), "grade": grade})
    assert len(clamp_columns(blocks, pd.DataFrame(rows), rounds)) == columns


def test_one_of_two_inverters_is_held_against_its_curve():
    (column,) = told(np.array([0.0, 0.12, 0.12]), (0, 3))

    assert column.inverter == 3
    assert column.mean == pytest.approx(0.12, abs=0.01)
    assert told(np.array([0.0, 0.02, 0.02]), (0, 3)) == []


def test_inverters_that_are_read_in_turn_are_each_held_against_their_own_last_reading():
    # Rounds 1 and 3 read one of two inverters, round 2 the other: no two rounds in a row have the same.
    (column,) = told(np.array([0.0, 0.0, 0.12]), (0, 3), read=[(3, 0), (0, 1), (3, 2)])

    assert column.inverter == 3
    assert 0.08 < column.mean < 0.13
    assert 0.01 < column.sd < 0.03
    assert told(np.array([0.0, 0.0, 0.12]), (0, 3), read=[(0, 0), (3, 1), (0, 2)]) == []


@pytest.mark.parametrize("extra", [[0.03, 0.03, 0.03], [0.0, 0.12, 0.0]])
def test_what_a_pair_of_clamps_may_be_off_or_comes_and_goes_is_no_loss(extra):
    assert told(np.array(extra)) == []


def test_a_fall_past_the_other_inverters_is_told_whole(monkeypatch):
    # Channels that are off for good by unlike amounts; two peers without a reading in the last months; the first falls by 2 %.
    months = np.arange(24)
    excess = np.array([0.004, -0.003, 0.001, -0.002])[:, None] + np.zeros(24)
    excess[0] -= np.clip(0.002 * (months - 13), 0.0, 0.02)
    excess[[1, 3], 21:23] = np.nan
    monkeypatch.setattr(inverter_efficiency, "monthly_excess", lambda *args: excess)
    dates = pd.date_range("2022-01-01", periods=730)
    blocks = SimpleNamespace(dates=dates, day=np.arange(730), model=SimpleNamespace(inverter_ids=["I1", "I2", "I3", "I4"]))
    (column,) = efficiency_columns(blocks, SimpleNamespace(dc=np.ones((4, 1))))

    assert column.inverter == 0
    assert column.values[-1] == pytest.approx(0.02, abs=0.0005)
    assert column.values[:360].max() < 0.001
    # Read to 0.1 points within one log: 5 % of a fall of 2 %.
    assert column.sd == pytest.approx(0.05, abs=0.005)
