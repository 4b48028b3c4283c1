"""Parts that are constantly behind their like."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE, make_site
from tests.action.farm_state import inferred
from tests.farm.spec import StringFault
from yieldwatch.gap.mechanisms.string_fault import find_faults
from yieldwatch.gap.weak_parts import WeakPart, _constant, _standing_out, _whole_strings, weak_parts
from yieldwatch.portfolio.model import String


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


def told_beyond(found: list[str], kind: str, share_lost: float, strings: int, lacks: float) -> list[float]:
    """Sizes of what is told of an inverter beyond what its round of June found, where it always lacked a share of its output."""
    own = tuple(String(f"S{k}", "I1", "A", MODULE, 20) for k in range(1, strings + 1))
    site = make_site().__class__(**{**vars(make_site()), "strings": own})
    dates, seen = pd.date_range("2024-01-01", periods=300), pd.Timestamp("2024-06-01", tz="UTC")
    blocks = SimpleNamespace(dates=dates, model=SimpleNamespace(inverter_ids=["I1"], site=site), washing=np.zeros(300),
                             day_of=lambda t: int((t.tz_localize(None).normalize() - dates[0]).days))
    findings = pd.DataFrame({
        "string_id": found, "finding": kind, "share_lost": share_lost, "share_lost_sd": 0.01, "on_glass": 0.0,
        "confidence": 1.0, "first_seen_bad": seen, "last_seen_good": pd.NaT, "last_round": "2024-06-01",
        "p_series_resistance": 0.0, "p_current_low": float(kind == "current_low")})
    rounds = pd.DataFrame({"time": seen, "string_id": [*found, "S3"], "grade": "good", "p_mp_plate": 0.9})
    weak = WeakPart(0, None, tuple(s.string_id for s in own), -np.log(1.0 - lacks), 0.01, 1.0)
    return [fault.share for fault in find_faults(blocks, site, findings, rounds, [], [], [weak]) if not fault.strings]


@pytest.mark.parametrize(("dead", "lacks", "told"), [
    (["S1"], 2, -np.log(2 / 3)),  # of the three that the dead one left, one
    (["S1", "S2"], 3, -np.log(1 / 2)),
    (["S1", "S2"], 2, None),
])
def test_what_an_inverter_lacks_beyond_the_dead_strings_that_a_round_found_is_anothers(dead, lacks, told):
    assert told_beyond(dead, "open", 1.0, 4, lacks / 4) == ([] if told is None else [pytest.approx(told)])


@pytest.mark.parametrize(("share_lost", "told"), [(0.04, True), (0.6, False)])
def test_a_small_fault_of_one_string_does_not_explain_that_a_whole_string_is_lacking(share_lost, told):
    # Of nine strings one reads 4 % or 60 % weak; the inverter lacks a ninth: it less what the weak string takes of it.
    rest = told_beyond(["S1"], "current_low", share_lost, 9, 1 / 9)
    assert rest == ([pytest.approx(-np.log(8 / 9) + np.log(1 - 0.04 / 9), abs=1e-4)] if told else [])


def test_a_string_that_dies_beside_one_that_was_dead_from_the_first_day_is_one_more_of_those_left(tmp_path):
    # Four strings: the first lacks a quarter, the second a third of what is left. A third of four is no number of strings.
    dead = [StringFault("INV1.1.1", "open", dt.date(2020, 1, 1)), StringFault("INV1.2.1", "open", dt.date(2023, 6, 1))]
    farm = inferred(tmp_path, *dead, start=dt.date(2023, 3, 1), end=dt.date(2023, 9, 1))

    told = {fault.kind: fault for fault in farm.state.faults}
    assert {fault.cause for fault in told.values()} == {"string_fault"}
    assert told["weak from the first day"].share == pytest.approx(-np.log(3 / 4), abs=0.03)
    assert told["unseen"].share == pytest.approx(-np.log(2 / 3), abs=0.02)
