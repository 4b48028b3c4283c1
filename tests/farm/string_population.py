"""
Farms drawn at random for what befalls their strings: every layout, kind of fault and look-alike, and rounds of every sort.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from .instruments import visit
from .layout import strings_of
from .population import FAULT_SIZE, draw_farm
from .simulate import build
from .spec import Curtailment, FarmSpec, Grass, Hedge, Instruments, Mechanism, Pole, Soiling, StringFault

#: How often each kind is drawn.
_KIND_WEIGHTS = {
    "open": 0.2, "bypass_short": 0.2, "wrong_count": 0.12, "series_resistance": 0.16, "shunt": 0.16, "current_low": 0.16,
}  # fmt: skip
_GROWING = ("series_resistance", "shunt")


def draw_string_farm(seed: int, log: bool = False) -> FarmSpec:
    """
    Draw one farm.

    Parameters
    ----------
    seed : int
        The same seed gives the same farm, weather and readings.
    log : bool, default False
        With the inverters' log and the meter, for a whole assessment; else rounds, weather and string currents alone.
    """
    rng = np.random.default_rng([seed, 104729])
    spec = draw_farm(seed, years=int(rng.integers(1, 4)))
    per_input, inputs = int(rng.choice([1, 2, 3, 5])), int(rng.choice([1, 2, 3]))
    small = rng.random() < 0.25
    inverters = [b.inverter for b in spec.blocks][: 1 if small else None]
    blocks = tuple(
        replace(b, inputs=inputs, per_input=2 if small and per_input == 1 else per_input)
        for b in spec.blocks
        if b.inverter in inverters
    )
    kind = replace(spec.inverters[0], inputs=inputs)
    spec = replace(spec, blocks=blocks, inverters=(kind,))
    units = strings_of(spec)
    names = [u.id for u in units]
    kept: list[Mechanism] = [
        m for m in spec.mechanisms if not isinstance(m, StringFault) and getattr(m, "inverter", inverters[0]) in inverters
    ]
    kept = [
        replace(m, left_on=tuple(held for held in m.left_on if held[0] in inverters)) if isinstance(m, Curtailment) else m
        for m in kept
    ]
    kept = [_on_rows(rng, m, names, sorted({u.row for u in units})) if isinstance(m, Soiling) else m for m in kept]
    if not any(isinstance(m, Hedge | Grass | Pole) for m in kept) and rng.random() < 0.3:
        toward = 180.0 if spec.latitude > 0 else 0.0
        kept.append(Hedge(toward, 120.0, float(rng.uniform(3, 6)), float(rng.uniform(3, 5)), 0.4))
    number = min(int(rng.choice([0, 1, 2, 3, 5], p=[0.2, 0.25, 0.25, 0.2, 0.1])), max(1, len(names) // 3))
    faults = [_fault(rng, spec, name, units[names.index(name)].series) for name in rng.choice(names, number, replace=False)]
    spec = replace(spec, mechanisms=(*kept, *faults), instruments=_instruments(rng, spec, len(names), log))
    return _with_witnesses(rng, spec, names) if rng.random() < 0.25 else spec


def _on_rows(rng: np.random.Generator, soil: Soiling, names: list[str], rows: list[str]) -> Soiling:
    """Dirt that differs by row on some farms, and cleanings within what is there."""
    units = {n.split(".")[0] for n in names}
    return replace(
        soil,
        row_factors=tuple((r, float(rng.uniform(1, 3))) for r in rows[:1]) if rng.random() < 0.3 else (),
        droppings=tuple((n, loss) for n, loss in soil.droppings if n in names),
        cleanings=tuple(c for c in soil.cleanings if c[1] == "site" or c[1] in units),
    )


def _fault(rng: np.random.Generator, spec: FarmSpec, name: str, series: int) -> StringFault:
    kind = str(rng.choice(list(_KIND_WEIGHTS), p=list(_KIND_WEIGHTS.values())))
    low, high = FAULT_SIZE[kind]
    size = float(rng.integers(low, high + 1)) if kind in ("bypass_short", "wrong_count") else float(rng.uniform(low, high))
    part, grows = 1.0, 0.0
    if kind == "bypass_short":
        size = float(rng.integers(1, 8))
    if kind == "current_low":
        part, size = float(rng.integers(1, 10)) / (3 * series), float(rng.uniform(0.1, 0.6))
    if kind in _GROWING and rng.random() < 0.6:
        grows = float(rng.uniform(0.5, 2.0))
    span = (spec.end - spec.start).days
    since = date(2010, 1, 1) if kind == "wrong_count" else spec.start + timedelta(days=int(rng.integers(-400, span)))
    mended = None
    if since > spec.start and (spec.end - since).days > 150 and rng.random() < 0.2:
        mended = since + timedelta(days=int(rng.integers(40, 140)))
    return StringFault(name, kind, since, size, mended, part=part, years_to_full=grows)


def _instruments(rng: np.random.Generator, spec: FarmSpec, strings: int, log: bool) -> Instruments:
    span = (spec.end - spec.start).days
    days = tuple(sorted(spec.start + timedelta(days=int(d)) for d in rng.uniform(25, span - 25, int(rng.choice([1, 2, 3, 5])))))
    fit = replace(
        spec.instruments,
        iv_rounds=days,
        iv_share=float(rng.choice([1.0, 1.0, 0.75])) if strings > 6 else 1.0,
        iv_light_bias=float(rng.choice([0.015, 0.04])),
        iv_bad_light=float(rng.choice([0.02, 0.06, 0.12])),
        iv_swaps=0.1,
        iv_partial=True,
        curves=bool(rng.random() < 0.35),
        string_current=bool(rng.random() < 0.25),
        log_clock_shift_min=0,
    )
    if log:
        return replace(fit, log_minutes=fit.log_minutes or 30)
    return replace(fit, log_minutes=None, meter="none", clamp_rounds=(), second_weather=False)


def _with_witnesses(rng: np.random.Generator, spec: FarmSpec, names: list[str]) -> FarmSpec:
    """Two to four strings washed on the day of every round, before it, as the record says."""
    witnesses = rng.choice(names, min(len(names) // 3, int(rng.integers(2, 5))), replace=False)
    farm = build(spec)
    soil = spec.all_of(Soiling)[0]
    # The simulation's days are those of universal time.
    days = [farm.times[visit(farm, k, day)[2][0]].date() for k, day in enumerate(spec.instruments.iv_rounds, 1)]
    washes = [(day, str(name), 20.0) for day in days for name in witnesses]
    washed = replace(soil, cleanings=tuple(sorted((*soil.cleanings, *washes))))
    return replace(spec, mechanisms=tuple(washed if m is soil else m for m in spec.mechanisms))
