"""What each job would return over the year after the history, nothing else being done in that time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
import pandas as pd

from .causes import dirt, fault_active, in_scope
from .layout import strings_of
from .settings import JOB_COSTS
from .shade import grass_height, hedge_height
from .simulate import Farm, build, chain
from .spec import (
    Curtailment,
    FarmSpec,
    Grass,
    Hedge,
    InverterEfficiency,
    Mechanism,
    Soiling,
    StringFault,
    WetMorningTrips,
)


@dataclass(frozen=True)
class Job:
    """Something to do on the as-of date: the mechanisms that go, and what is there in their place."""

    kind: str
    scope: str
    cause: str
    before: tuple[Mechanism, ...]
    after: tuple[Mechanism, ...]
    units: float


def _dirt_now(farm: Farm, soil: Soiling) -> Soiling:
    """The dirt on an average string as the history ends."""
    cleaned = [tuple(d for d, scope, _ in soil.cleanings if in_scope(u, scope)) for u in farm.units]
    last = {days: [x[-1] for x in dirt(farm.spec, soil, farm.wx, days)] for days in set(cleaned)}
    dust, stuck = np.mean([last[days] for days in cleaned], axis=0) * 100
    return replace(soil, start_pct=float(dust), start_persistent_pct=float(stuck), cleanings=())


def _carried_on(farm: Farm, mechanism: Mechanism) -> Mechanism | None:
    """The mechanism as the year to come begins with it; None where it is over."""
    spec, times = farm.spec, farm.wx.index
    if isinstance(mechanism, Soiling):
        return _dirt_now(farm, mechanism)
    if isinstance(mechanism, Hedge):
        return replace(mechanism, height_m=float(hedge_height(spec, mechanism, times)[-1]), cuts=())
    if isinstance(mechanism, Grass):
        return replace(mechanism, height_m=float(grass_height(spec, mechanism, times)[-1]), mowings=())
    if isinstance(mechanism, StringFault) and not fault_active(mechanism, times[-1:])[0]:
        return None
    return mechanism


def year_to_come(farm: Farm, draw: int) -> FarmSpec:
    """The same farm over the twelve months after its history, in another drawing of the weather."""
    kept = tuple(m for m in (_carried_on(farm, m) for m in farm.spec.mechanisms) if m is not None)
    end = farm.spec.end
    return replace(farm.spec, start=end, end=end.replace(year=end.year + 1), mechanisms=kept, draw=draw)


def _vegetation(spec: FarmSpec) -> Iterator[Job]:
    before = tuple(spec.all_of(Hedge) + spec.all_of(Grass))
    if before:
        low = [replace(h, height_m=min(h.height_m, 2.0)) for h in spec.all_of(Hedge)]
        mown = [replace(g, height_m=min(g.height_m, 0.15)) for g in spec.all_of(Grass)]
        yield Job("cut_vegetation", "site", "shading", before, (*low, *mown), 1)


def _strings(spec: FarmSpec) -> Iterator[Job]:
    """A connector, a diode or a missing module is mended; modules that leak or are weak are replaced."""
    series = {u.id: u.series for u in strings_of(spec)}
    for fault in spec.all_of(StringFault):
        modules = {"shunt": series[fault.string], "current_low": ceil(fault.size * series[fault.string])}.get(fault.kind)
        kind, units = ("replace_modules", modules) if modules else ("repair_string", 1)
        yield Job(kind, fault.string, "string_fault", (fault,), (), units)


def _inverters(spec: FarmSpec) -> Iterator[Job]:
    for fault in spec.all_of(InverterEfficiency):
        yield Job("repair_inverter", fault.inverter, "inverter_efficiency", (fault,), (), 1)
    for trip in spec.all_of(WetMorningTrips):
        yield Job("repair_inverter", trip.inverter, "inverter_outage", (trip,), (), 1)
    for curtail in spec.all_of(Curtailment):
        for limit in (x for x in curtail.left_on if x[3] is None or x[3] > spec.start):
            rest = replace(curtail, left_on=tuple(x for x in curtail.left_on if x != limit))
            yield Job("fix_settings", limit[0], "curtailment", (curtail,), (rest,), 1)


def jobs(spec: FarmSpec) -> Iterator[Job]:
    """The jobs that would change something in the year that `spec` describes."""
    for soil in spec.all_of(Soiling):
        clean = replace(soil, start_pct=0.0, taken_pct=0.9 * soil.start_persistent_pct, drops_taken=1.0)
        modules = sum(b.inputs * b.per_input * b.series for b in spec.blocks)
        yield Job("clean", "site", "soiling", (soil,), (clean,), modules)
    yield from _vegetation(spec)
    yield from _strings(spec)
    yield from _inverters(spec)


def _energy(spec: FarmSpec) -> float:
    """What the meter would read over the history of `spec`. [kWh]"""
    farm = build(spec)
    on = frozenset(spec.causes)
    return float(chain(farm, farm.inverter_dc(farm.string_dc(on)), on).meter.sum()) * spec.step_minutes / 60


def job_gains(farm: Farm, draws: int) -> pd.DataFrame:
    """
    Energy that each job returns over the twelve months after the history.

    Parameters
    ----------
    farm : Farm
        The farm with its history.
    draws : int
        Drawings of the weather to come, at least 1.

    Returns
    -------
    DataFrame
        A row a job: site_id, job_kind, scope, cause, gain_kwh_12m (mean over the drawings),
        gain_kwh_12m_min, gain_kwh_12m_max, cost (of the job alone, its visit included).
    """
    costs = {kind: (visit, unit) for kind, visit, unit, *_ in JOB_COSTS}
    gains: dict[tuple[str, str, str, float], list[float]] = {}
    for draw in range(1, draws + 1):
        spec = year_to_come(farm, draw)
        left = _energy(spec)
        for job in jobs(spec):
            others = tuple(m for m in spec.mechanisms if m not in job.before)
            done = replace(spec, mechanisms=(*others, *job.after))
            visit, unit = costs[job.kind]
            key = (job.kind, job.scope, job.cause, round(visit + unit * job.units, 2))
            gains.setdefault(key, []).append(_energy(done) - left)
    rows = [
        (farm.spec.id, kind, scope, cause, *(round(float(f(g)), 2) for f in (np.mean, np.min, np.max)), cost)
        for (kind, scope, cause, cost), g in gains.items()
    ]
    names = ["gain_kwh_12m", "gain_kwh_12m_min", "gain_kwh_12m_max", "cost"]
    return pd.DataFrame(rows, columns=["site_id", "job_kind", "scope", "cause", *names])
