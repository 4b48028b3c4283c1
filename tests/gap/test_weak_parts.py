"""Parts that are constantly behind their like."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from yieldwatch.gap.weak_parts import _constant, _standing_out, _whole_strings, weak_parts


def behind(deficits: list[float], days: int = 30, sd: float = 0.004, seed: int = 1) -> np.ndarray:
    return np.array(deficits)[:, None] + np.random.default_rng(seed).normal(0.0, sd, (len(deficits), days))


def test_one_of_six_that_lacks_nine_per_cent_is_weak():
    found = _standing_out(behind([0.0, 0.004, -0.003, 0.002, 0.09, -0.002]))

    assert [row for row, _, _ in found] == [4]
    assert abs(found[0][1] - 0.09) < 0.005


def test_makers_spread_is_not_weakness():
    assert _standing_out(behind([0.0, 0.012, -0.010, 0.015, -0.008, 0.02])) == []


def test_a_deficit_that_comes_and_goes_is_not_constant():
    values = behind([0.0, 0.0, 0.0, 0.0])
    values[0, :15] += 0.12

    assert _standing_out(values) == []


def test_of_two_inverters_one_is_weak_where_it_always_lacks_whole_strings():
    ((row, deficit, _),) = _constant(behind([0.0, -np.log(1.0 - 1.0 / 4.0)]))
    assert row == 1
    # One of four; of six it would be one and a half, which no dead string makes.
    assert _whole_strings(deficit, 4)
    assert not _whole_strings(deficit, 6)
    assert not _whole_strings(0.03, 12)


def test_too_few_days_prove_nothing():
    assert _standing_out(behind([0.0, 0.0, 0.0, 0.10], days=3)) == []


def test_a_part_dead_from_the_first_day_is_weak_also_after_a_peer_has_failed():
    # Four inverters of four strings; one lacks a string all along, another from the middle on, at which a median would fall.
    dead = np.log(0.75)
    output = np.random.default_rng(2).normal(0.0, 0.004, (4, 400))
    output[3] += dead
    output[0, 200:] += dead
    times = pd.date_range("2024-01-01 11:00", periods=4, freq="15min", tz="UTC")
    days = [times + pd.Timedelta(days=d) for d in range(100)]
    index = days[0].append(days[1:])
    model = SimpleNamespace(
        times=index, dc=np.full((4, 400), 50.0), planes={"A": SimpleNamespace(poa_global=np.full(400, 800.0))},
        inverter_ids=["I1", "I2", "I3", "I4"],
        site=SimpleNamespace(tz="UTC", strings=[SimpleNamespace(string_id=f"S{k}", inverter_id=f"I{k + 1}") for k in range(4)]))

    (part,) = weak_parts(model, SimpleNamespace(power=None), 50.0 * np.exp(output), np.zeros(4, dtype=bool))

    assert part.inverter == 3
    assert abs(part.deficit + dead) < 0.02
