"""Strings washed alone before a round tell how dirty the others are."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.infer import solve
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.witness import witness_columns, witness_rows

DAYS = 400
BLOCKS = SimpleNamespace(
    n=DAYS,
    day=np.arange(DAYS),
    dates=pd.date_range("2024-01-01", periods=DAYS),
    model=SimpleNamespace(inverter_ids=["I0", "I1"]),
    day_of=lambda t: (pd.Timestamp(t).tz_localize(None).normalize() - pd.Timestamp("2024-01-01")).days,
)
NO_FINDINGS = pd.DataFrame({"string_id": [], "finding": []})
#: A layer that rain does not take, the same all through.
DIRT = Column("soiling", "lasting layer at the start", np.ones((2, DAYS)), None, 0.0, 0.05)


def a_round(number, day, washed=(), ratio=None):
    """Twelve strings on two inverters; `ratio` maps a string to its power over the plate."""
    time = pd.Timestamp(day, tz="UTC") + pd.Timedelta(hours=12)
    names = [f"S{k:02d}" for k in range(12)]
    return pd.DataFrame(
        {
            "time": time,
            "round_id": number,
            "string_id": names,
            "inverter_id": [f"I{k // 6}" for k in range(12)],
            "module_type": "M",
            "array_id": "A",
            "grade": "good",
            "i_sc_peer": 1.0,
            "p_mp_plate": [(ratio or {}).get(n, 0.90) for n in names],
            "washed": pd.Series([time if n in washed else pd.NaT for n in names], dtype="datetime64[ns, UTC]"),
        }
    )


def dirt_told(rounds, findings=NO_FINDINGS):
    columns = [DIRT, *witness_columns(BLOCKS, rounds)]
    posterior = solve(columns, witness_rows(BLOCKS, columns, rounds, findings), 400, np.random.default_rng(1))
    return posterior.estimate[0], posterior.draws[:, 0].std()


def test_witnesses_measure_the_dirt_of_the_others():
    witness = ("S00", "S06", "S03")
    told, doubt = dirt_told(a_round(1, "2024-06-01", witness, dict.fromkeys(witness, 0.90 / 0.95)))
    # 5 % of the light: ln(1/0.95) = 0.0513, of which a wash takes 97 %. Makers' spread of 0.8 % a string and 1 % a reading leave
    # three witnesses sqrt(0.008² + 0.010²) x sqrt(1/3 + 1/9) = 0.9 %.
    assert told == pytest.approx(0.0513 / 0.97, abs=0.003)
    assert 0.006 < doubt < 0.012


def test_a_round_without_a_wash_tells_how_the_witnesses_were_made():
    witness = ("S00", "S06", "S03")
    better = dict.fromkeys(witness, 0.90 * 1.01)
    washed = dict.fromkeys(witness, 0.90 * 1.01 / 0.95)
    alone, unsure = dirt_told(a_round(2, "2024-09-01", witness, washed))
    both, surer = dirt_told(pd.concat([a_round(1, "2024-02-01", (), better), a_round(2, "2024-09-01", witness, washed)]))
    truth = 0.0513 / 0.97
    assert abs(both - truth) < abs(alone - truth)
    assert surer < unsure


def test_a_string_traced_before_and_after_its_wash_needs_no_peer():
    # Witnesses 1 % better made than the rest, traced dirty and then clean.
    witness = ("S00", "S06")
    dirty = a_round(1, "2024-06-01", (), dict.fromkeys(witness, 0.909))
    clean = a_round(1, "2024-06-01", witness, dict.fromkeys(witness, 0.909 / 0.95))
    clean = clean[clean["string_id"].isin(witness)].assign(time=clean["time"] + pd.Timedelta(hours=1))
    told, _ = dirt_told(pd.concat([dirty, clean], ignore_index=True))
    # Against the others alone it would be 1 % more; the pairs pull that back.
    alone, _ = dirt_told(pd.concat([dirty[~dirty["string_id"].isin(witness)], clean], ignore_index=True))
    assert told == pytest.approx(0.0513 / 0.97, abs=0.006)
    assert abs(told - 0.0513 / 0.97) < abs(alone - 0.0513 / 0.97)


def test_a_faulty_witness_is_not_heard():
    witness = ("S00", "S06", "S03")
    ratio = {"S00": 0.6, "S06": 0.90 / 0.95, "S03": 0.90 / 0.95}
    told, _ = dirt_told(a_round(1, "2024-06-01", witness, ratio), pd.DataFrame({"string_id": ["S00"], "finding": ["shunt"]}))
    assert told == pytest.approx(0.0513 / 0.97, abs=0.004)


def test_where_all_or_none_were_washed_nobody_is_a_witness():
    every = [f"S{k:02d}" for k in range(12)]
    for rounds in (a_round(1, "2024-06-01"), a_round(1, "2024-06-01", every)):
        assert witness_columns(BLOCKS, rounds) == []
        assert witness_rows(BLOCKS, [DIRT], rounds, NO_FINDINGS) == []
