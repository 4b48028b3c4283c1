"""Downtime rows: short breaks belong to the spell, long ones and other inverters do not, and no energy is made or lost by it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.gap.spell_table import downtime_table
from yieldwatch.gap.split import Split

#: A day of ten hours, minute by minute.
TIMES = pd.date_range("2023-06-01 07:00", periods=600, freq="1min", tz="UTC")
START = TIMES[0]
#: What each of two inverters is expected to give in a minute. [kWh]
EXPECTED = 1.0


def minutes(n: int) -> pd.Timestamp:
    return START + pd.Timedelta(minutes=n)


def table(
    off: tuple[tuple[int, int, int], ...] = (),
    grid: tuple[tuple[int, int], ...] = (),
    held: tuple[tuple[int, int, int], ...] = (),
    capped: tuple[tuple[int, int], ...] = (),
    clipped: np.ndarray | None = None,
    times: pd.DatetimeIndex = TIMES,
    kept: np.ndarray | None = None,
) -> pd.DataFrame:
    """The table of two inverters; spans are places in `times`: (inverter, from, to), or (from, to) where both are meant."""
    n = len(times)
    inverter, all_off = np.ones((2, n)), np.ones((2, n))
    setting, site_cap = np.full((2, n), np.inf), np.full(n, np.inf)
    for k, a, b in off:
        inverter[k, a:b] = 0.0
    for a, b in grid:
        all_off[:, a:b] = 0.0
    for k, a, b in held:
        setting[k, a:b] = 0.5
    for a, b in capped:
        site_cap[a:b] = 1.0
    energy = {
        "inverter_outage": (1.0 - inverter) * EXPECTED,
        "grid_outage": (1.0 - all_off) * EXPECTED,
        "curtailment": np.where(np.isfinite(setting) | np.isfinite(site_cap), 0.5 * EXPECTED, 0.0),
    }
    expected = np.full((2, n), EXPECTED)
    split = Split(energy, expected, expected - sum(energy.values()), np.zeros(n) if clipped is None else clipped)
    model = SimpleNamespace(
        times=times,
        inverter_ids=("I0", "I1"),
        site=SimpleNamespace(id="site"),
        weather=SimpleNamespace(step=pd.Timedelta(minutes=1)),
    )
    state = SimpleNamespace(
        model=model,
        off=SimpleNamespace(inverter=inverter, grid=all_off),
        limits=SimpleNamespace(site_cap=site_cap, setting=setting),
    )
    return downtime_table(state, split, np.ones(n, dtype=bool) if kept is None else kept)


def test_clipping_under_passing_clouds_is_one_spell() -> None:
    rng = np.random.default_rng(5)
    clipped = np.where((np.arange(600) >= 100) & (np.arange(600) < 400), rng.uniform(0.1, 0.4, 600), 0.0)
    clipped[101:399][rng.random(298) < 0.4] = 0.0
    assert (np.diff(np.flatnonzero(clipped)) > 1).sum() > 50
    rows = table(clipped=clipped)
    assert rows["cause"].tolist() == ["clipping"]
    assert (rows["start"][0], rows["end"][0]) == (minutes(100), minutes(400))
    assert rows["energy_kwh"][0] == pytest.approx(clipped.sum(), rel=1e-12)


def test_what_is_lost_in_the_break_is_not_counted() -> None:
    rows = table(off=((0, 100, 110), (0, 130, 140)))
    assert len(rows) == 1
    assert rows["energy_kwh"][0] == pytest.approx(20 * EXPECTED)


@pytest.mark.parametrize(("minutes_between", "spells"), [(1, 1), (30, 1), (31, 2)])
def test_half_an_hour_is_the_longest_break(minutes_between: int, spells: int) -> None:
    assert len(table(off=((0, 100, 110), (0, 110 + minutes_between, 200)))) == spells


def test_outages_hours_apart_are_two() -> None:
    rows = table(off=((0, 50, 60), (0, 240, 300)), grid=((100, 105), (500, 505)))
    own, grid = rows[rows["cause"] == "inverter_outage"], rows[rows["cause"] == "grid_outage"]
    assert own["start"].tolist() == [minutes(50), minutes(240)]
    assert own["end"].tolist() == [minutes(60), minutes(300)]
    assert own["energy_kwh"].tolist() == pytest.approx([10 * EXPECTED, 60 * EXPECTED])
    assert grid["energy_kwh"].tolist() == pytest.approx([10 * EXPECTED, 10 * EXPECTED])


def test_inverters_and_causes_are_never_merged() -> None:
    rows = table(
        off=((0, 100, 110), (1, 112, 120), (0, 122, 130)),
        grid=((132, 140),),
        held=((0, 142, 150), (1, 152, 160), (0, 162, 170)),
        capped=((172, 180),),
    )
    spans = {(r.cause, r.inverter_id): (r.start, r.end, r.energy_kwh) for r in rows.itertuples()}
    assert len(rows) == len(spans) == 6
    assert spans["inverter_outage", "I0"] == (minutes(100), minutes(130), pytest.approx(18 * EXPECTED))
    assert spans["inverter_outage", "I1"] == (minutes(112), minutes(120), pytest.approx(8 * EXPECTED))
    assert spans["grid_outage", ""] == (minutes(132), minutes(140), pytest.approx(16 * EXPECTED))
    assert spans["curtailment", ""] == (minutes(172), minutes(180), pytest.approx(8 * EXPECTED))
    assert {k for c, k in spans if c == "curtailment"} == {"", "I0", "I1"}
    assert rows["start"].is_monotonic_increasing


def test_a_night_is_not_a_short_break() -> None:
    """Two minutes of running before dusk and after dawn: few intervals, but hours by the clock."""
    two = TIMES[:100].append(TIMES[:100] + pd.Timedelta(days=1))
    assert len(table(off=((0, 50, 98), (0, 102, 150)), times=two)) == 2
    through = table(off=((0, 50, 150),), times=two)
    assert through[["start", "end"]].to_numpy().tolist() == [[two[50], two[149] + pd.Timedelta(minutes=1)]]


def test_nothing_outside_the_period_is_reported() -> None:
    kept = np.arange(600) < 110
    rows = table(off=((0, 100, 120), (0, 125, 140)), kept=kept)
    assert rows["end"].tolist() == [minutes(110)]
    assert rows["energy_kwh"].tolist() == pytest.approx([10 * EXPECTED])


def test_no_spell_is_an_empty_table() -> None:
    rows = table()
    assert rows.empty
    assert list(rows.columns) == ["site_id", "inverter_id", "start", "end", "cause", "energy_kwh"]
