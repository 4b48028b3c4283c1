"""Clamp rounds on a farm without a log: falls from round to round, and losses that every round saw."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.mechanisms.inverter_efficiency import clamp_columns

ROUNDS = pd.to_datetime(["2023-03-01", "2023-09-01", "2024-03-01"], utc=True)
SCATTER = np.array([[0.004, -0.006, 0.002], [-0.003, 0.005, -0.004], [0.002, -0.001, 0.003], [0.001, 0.003, -0.002]])


def told(extra: np.ndarray, inverters: tuple[int, ...] = (0, 1, 2, 3)) -> list:
    """Columns of four inverters, or some, of which the last lacks `extra` of its AC over DC in each round."""
    days = pd.date_range("2023-01-01", "2024-06-30")
    blocks = SimpleNamespace(
        day=np.arange(len(days)), dates=days, model=SimpleNamespace(inverter_ids=["I1", "I2", "I3", "I4"]),
        day_of=lambda t: (t.tz_localize(None).normalize() - days[0]).days,
    )
    ratio = SCATTER.copy()
    ratio[3] -= extra
    rows = [
        {"inverter_id": f"I{k + 1}", "clamp_round": r + 1, "time": ROUNDS[r], "mppt": np.nan, "phase": np.nan, "limited": "",
         "current_ratio": 1.0, "efficiency_log_ratio": ratio[k, r]}
        for k in inverters for r in range(3)
    ]
    return clamp_columns(blocks, pd.DataFrame(rows))


def test_a_loss_that_every_round_saw_began_before_the_first():
    (column,) = told(np.array([0.25, 0.25, 0.25]))

    assert column.inverter == 3
    assert column.mean == pytest.approx(0.25, abs=0.01)
    # The first round is on day 59: it began before, taken as half way.
    assert column.values.sum() == len(column.values) - 29
    assert 0.01 < column.sd < 0.02


def test_a_loss_that_began_between_rounds_is_a_fall():
    (column,) = told(np.array([0.0, 0.25, 0.25]))

    assert column.mean == pytest.approx(0.25, abs=0.01)
    assert column.values.argmax() == (59 + 243) // 2


def test_one_of_two_inverters_is_held_against_its_curve():
    (column,) = told(np.array([0.0, 0.12, 0.12]), (0, 3))

    assert column.inverter == 3
    assert column.mean == pytest.approx(0.12, abs=0.01)
    assert told(np.array([0.0, 0.02, 0.02]), (0, 3)) == []


@pytest.mark.parametrize("extra", [[0.03, 0.03, 0.03], [0.0, 0.12, 0.0]])
def test_what_a_pair_of_clamps_may_be_off_or_comes_and_goes_is_no_loss(extra):
    assert told(np.array(extra)) == []
