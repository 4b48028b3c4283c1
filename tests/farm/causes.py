"""What each cause does: a factor on each string's DC power, or a factor, cap or switch on each inverter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from . import diode
from .layout import Place, StringUnit
from .shade import shading, years_since
from .sky import Plane
from .spec import (
    Curtailment,
    FarmSpec,
    GridOutages,
    InverterEfficiency,
    Outages,
    ReactivePower,
    Snow,
    Soiling,
    StringFault,
    WetMorningTrips,
)  # fmt: skip
from .weather import summerness

DC_CAUSES = ("soiling", "shading", "snow", "string_fault", "degradation", "unexplained")
AC_CAUSES = ("inverter_efficiency", "inverter_outage", "grid_outage", "curtailment", "reactive_power")


@dataclass(frozen=True)
class Spell:
    """Something that happened, for the truth and, where `recorded`, for `events.csv`."""

    kind: str
    start: pd.Timestamp
    end: pd.Timestamp | None
    scope: str
    recorded: bool = True
    cost: float | None = None
    note: str = ""


@dataclass(frozen=True)
class AcEffects:
    """Each inverter's efficiency, cap from heat, cap left on, whether it is on; the site's grid and cap."""

    efficiency: np.ndarray
    heat_cap: np.ndarray
    limit_cap: np.ndarray
    up: np.ndarray
    grid_up: np.ndarray
    site_cap: np.ndarray
    power_factor: np.ndarray


def in_scope(unit: StringUnit, scope: str) -> bool:
    """Whether an event's scope takes in the string."""
    names = scope.split()
    return "site" in names or unit.inverter in names or unit.id in names or unit.row in names


# ---- DC ----------------------------------------------------------------------------------------


def dirt(
    spec: FarmSpec, soil: Soiling, wx: pd.DataFrame, cleaned: tuple[dt.date, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Dust and rain-proof dirt of clean-to-average rows at each interval, shares of light lost."""
    times = wx.index
    day = np.asarray((times.normalize() - times[0].normalize()).days)
    first = np.searchsorted(day, np.arange(day[-1] + 1))
    summer = summerness(spec, times)[first]
    rain = np.bincount(day, wx["precipitation"].to_numpy())
    rate = soil.rate_pct_day / 100 * (1 + (soil.dry_season_factor - 1) * np.clip(2 * summer - 0.6, 0, 1))
    clean_days = {(d - times[0].date()).days for d in cleaned}
    dust, fast = np.zeros(first.size), np.zeros(first.size)
    now, stuck, taken = soil.start_pct / 100, soil.start_persistent_pct / 100, soil.taken_pct / 100
    back = np.exp(-soil.return_pace / 365)
    for d in range(first.size):
        now = (now + rate[d] * (1 - now / 0.35)) * np.exp(-max(rain[d] - 0.5, 0) / soil.rain_mm)
        stuck += soil.persistent_pct_year / 100 / 365
        taken *= back
        if d in clean_days:
            now, taken = 0.0, taken + 0.9 * (stuck - taken)
        dust[d], fast[d] = now, stuck - taken
    return dust[day], fast[day]


def soiling(spec: FarmSpec, units: tuple[StringUnit, ...], wx: pd.DataFrame, lit: np.ndarray) -> np.ndarray:
    """Share of light that dirt leaves each string, shape (strings, lit intervals)."""
    soil = spec.all_of(Soiling)[0]
    rows, drops = dict(soil.row_factors), dict(soil.droppings)
    seen: dict[tuple[dt.date, ...], tuple[np.ndarray, np.ndarray]] = {}
    left = np.ones((len(units), int(lit.sum())))
    there = 1 - soil.drops_taken * np.exp(-soil.drop_pace * years_since(wx.index, spec.start)[lit])
    for i, unit in enumerate(units):
        days = tuple(d for d, scope, _ in soil.cleanings if in_scope(unit, scope))
        if days not in seen:
            dust, stuck = dirt(spec, soil, wx, days)
            seen[days] = dust[lit], stuck[lit]
        dust, stuck = seen[days]
        left[i] = (1 - np.minimum(rows.get(unit.row, 1.0) * dust + stuck, 0.5)) * (
            1 - drops.get(unit.id, 0.0) / 100 * there
        )
    return left


def snow_left(spec: FarmSpec, wx: pd.DataFrame, lit: np.ndarray) -> np.ndarray:
    """Share of light that snow leaves, by interval: fresh snow covers, thaw and sun slide it off."""
    slide = spec.all_of(Snow)[0].slide_hours
    fresh = np.clip(wx["new_snow"].to_numpy() / 0.004, 0, 1)
    thaw = np.clip((wx["temp_air"].to_numpy() + 2.5) / 4, 0, 2) + wx["ghi"].to_numpy() / 900
    away = thaw * spec.step_minutes / 60 / slide
    cover, out = 0.0, np.zeros(len(wx))
    for i in range(len(wx)):
        cover = min(1.0, max(0.0, cover + fresh[i] - away[i]))
        out[i] = cover
    return 1 - out[lit]


def fault_factor(spec: FarmSpec, unit: StringUnit, fault: StringFault, p: Plane) -> np.ndarray:
    """Share of its power that the faulty string keeps, shape (intervals,), while the fault lasts."""
    module = spec.module(unit.module)
    if fault.kind in ("series_resistance", "shunt"):
        extra = (
            {"r_s_more": fault.size / unit.series}
            if fault.kind == "series_resistance"
            else {"shunt_ohm": fault.size}
        )
        whole = np.maximum(diode.power(module, p.effective, p.temp_cell), 1e-9)
        return np.clip(diode.power(module, p.effective, p.temp_cell, **extra) / whole, 0, 1)
    keeps = {
        "open": 0.0,
        "bypass_short": 1 - fault.size / (unit.series * module.bypass),
        "wrong_count": 1 - fault.size / unit.series,
        "current_low": 1 - fault.size,
    }[fault.kind]
    if fault.kind == "current_low" and fault.part < 1:
        whole = np.maximum(diode.power(module, p.effective, p.temp_cell), 1e-9)
        return np.clip(diode.weak_power(module, p.effective, p.temp_cell, keeps, fault.part) / whole, 0, 1)
    return np.full(p.effective.size, keeps)


#: Steps in which a fault grows.
_GROWTH_STEPS = 6


def strength(fault: StringFault, times: pd.DatetimeIndex) -> np.ndarray:
    """Share of its full size that a fault has reached, 0 while it is not there, shape (intervals,)."""
    if not fault.years_to_full:
        return fault_active(fault, times).astype(float)
    grown = 0.3 + 0.7 * np.clip(years_since(times, fault.start) / fault.years_to_full, 0, 1)
    return np.ceil(grown * _GROWTH_STEPS) / _GROWTH_STEPS * fault_active(fault, times)


def at_strength(fault: StringFault, share: float) -> StringFault:
    """The fault at a share of its full size."""
    size = fault.size / share if fault.kind == "shunt" else fault.size * share
    return replace(fault, size=size)


def fault_active(fault: StringFault, times: pd.DatetimeIndex) -> np.ndarray:
    on = years_since(times, fault.start) >= 0
    return on & (years_since(times, fault.repaired) < 0) if fault.repaired else on


def string_faults(
    spec: FarmSpec, units: tuple[StringUnit, ...], wx: pd.DataFrame, planes: dict[Place, Plane]
) -> np.ndarray:
    left = np.ones((len(units), len(wx)))
    index = {u.id: i for i, u in enumerate(units)}
    for fault in spec.all_of(StringFault):
        i = index[fault.string]
        size = strength(fault, wx.index)
        for level in np.unique(size[size > 0]):
            on = size == level
            left[i, on] *= fault_factor(spec, units[i], at_strength(fault, float(level)), planes[units[i].place])[on]
    return left


def age_loss(spec: FarmSpec, unit: StringUnit, times: pd.DatetimeIndex) -> np.ndarray:
    """Share of power lost to light and years: the first loss within months, then a steady rate."""
    years = years_since(times, spec.commissioned)
    return np.where(years > 0, unit.first_year * -np.expm1(-years / 0.2) + unit.per_year * years, 0.0)


def dc_effects(
    spec: FarmSpec, units: tuple[StringUnit, ...], wx: pd.DataFrame, lit: np.ndarray, planes: dict[Place, Plane]
) -> dict[str, np.ndarray]:
    """For each cause present, the share of power each string keeps: (strings or 1, lit intervals or 1)."""
    light = wx[lit]
    makers = np.array([[u.maker_current * u.maker_voltage] for u in units])
    build = {
        "soiling": lambda: soiling(spec, units, wx, lit),
        "shading": lambda: shading(spec, units, light, planes),
        "snow": lambda: snow_left(spec, wx, lit)[None, :],
        "string_fault": lambda: string_faults(spec, units, light, planes),
        "degradation": lambda: 1 - np.stack([age_loss(spec, u, light.index) for u in units]),
        "unexplained": lambda: makers,
    }
    return {c: build[c]() for c in DC_CAUSES if c in spec.causes}


# ---- AC ----------------------------------------------------------------------------------------


def _span(times: pd.DatetimeIndex, start: pd.Timestamp, end: pd.Timestamp) -> np.ndarray:
    return np.asarray((times >= start) & (times < end))


def _random_spells(
    spec: FarmSpec,
    rng: np.random.Generator,
    per_year: float,
    mean_hours: float,
    recorded: float,
    scope: str,
    note: str,
) -> list[Spell]:
    first, last = pd.Timestamp(spec.start, tz="UTC"), pd.Timestamp(spec.end, tz="UTC")
    found = []
    for _ in range(rng.poisson(per_year * (last - first).days / 365.25)):
        day = first + pd.Timedelta(days=int(rng.integers((last - first).days)))
        noon = day + pd.Timedelta(minutes=int(60 * (12 - spec.longitude / 15)))
        begin = (noon + pd.Timedelta(minutes=int(rng.normal(0, 150)))).floor("15min")
        end = begin + pd.Timedelta(minutes=15 * max(1, round(4 * rng.exponential(mean_hours))))
        found.append(Spell("outage", begin, end, scope, bool(rng.random() < recorded), None, note))
    return found


def _trips(spec: FarmSpec, wx: pd.DataFrame) -> list[Spell]:
    """Late starts of one inverter on mornings after rain."""
    found = []
    for k, trip in enumerate(spec.all_of(WetMorningTrips)):
        rng = spec.rng(f"trip{k}")
        up = wx["elevation"].to_numpy() > 0
        dawns = np.flatnonzero(up & ~np.roll(up, 1))
        steps = 60 // spec.step_minutes if spec.step_minutes <= 60 else 1
        rain = np.concatenate([[0.0], np.cumsum(wx["precipitation"].to_numpy())])
        for d in dawns:
            wet = rain[d] - rain[max(0, d - 10 * steps)] > 0.5
            dries = int(rng.gamma(5.0, 0.75) * steps)
            if wx.index[d].date() >= trip.start and wet and rng.random() < trip.chance:
                end = wx.index[min(d + max(dries, 1), len(wx) - 1)]
                found.append(Spell("outage", wx.index[d], end, trip.inverter, False, None, "insulation low"))
    return found


def _instructions(spec: FarmSpec, capacity_kw: float) -> list[tuple[Spell, float]]:
    """Network instructions and the site's cap in each. [kW]"""
    found = []
    for k, curtail in enumerate(spec.all_of(Curtailment)):
        rng = spec.rng(f"curtail{k}")
        for spell in _random_spells(spec, rng, curtail.per_year, 1.0, curtail.recorded, "site", ""):
            end = spell.start + pd.Timedelta(minutes=15 * int(rng.integers(8, 20)))
            cap = round(capacity_kw * rng.uniform(0.25, 0.7))
            note = f"network instruction, {cap} kW"
            found.append((Spell("curtailment", spell.start, end, "site", spell.recorded, None, note), cap))
    return found


def _grid_spells(spec: FarmSpec) -> list[Spell]:
    return [
        s for k, g in enumerate(spec.all_of(GridOutages))
        for s in _random_spells(
            spec, spec.rng(f"grid{k}"), g.per_year, g.mean_hours, g.recorded, "site", "network supply lost"
        )
    ]  # fmt: skip


def _outage_spells(spec: FarmSpec, inverters: tuple[str, ...], wx: pd.DataFrame) -> list[Spell]:
    found = _trips(spec, wx)
    for k, out in enumerate(spec.all_of(Outages)):
        for name in inverters:
            rng = spec.rng(f"outage{k}{name}")
            found += _random_spells(spec, rng, out.per_year, out.mean_hours, out.recorded, name, "")
        for name, start, hours in out.planned:
            begin = pd.Timestamp(start, tz="UTC")
            found.append(
                Spell("outage", begin, begin + pd.Timedelta(hours=hours), name, True, None, "planned work")
            )
    return found


def _efficiency(
    spec: FarmSpec,
    inverters: tuple[str, ...],
    wx: pd.DataFrame,
    ratings: np.ndarray,
    shares: dict[str, float],
) -> tuple[np.ndarray, np.ndarray]:
    factor = np.ones((len(inverters), len(wx)))
    cap = np.full(factor.shape, np.inf)
    for fault in spec.all_of(InverterEfficiency):
        i = inverters.index(fault.inverter)
        years = np.clip(years_since(wx.index, fault.start), 0, None)
        if fault.repaired:
            years = np.where(years_since(wx.index, fault.repaired) < 0, years, 0.0)
        if fault.kind == "ramp":
            factor[i] *= 1 - np.minimum(fault.size / 100 * years, 0.15)
        elif fault.kind == "mppt":
            factor[i, years > 0] *= 1 - fault.size / 100 * shares[fault.inverter]
        else:
            hot = np.clip(wx["temp_air"].to_numpy() - 25, 0, None)
            cap[i, years > 0] = (ratings[i] * (1 - fault.size / 100 * hot))[years > 0]
    return factor, cap


def _switch(times: pd.DatetimeIndex, spells: Iterable[Spell]) -> np.ndarray:
    up = np.ones(len(times))
    for s in spells:
        up[_span(times, s.start, s.end if s.end is not None else times[-1])] = 0.0
    return up


def _limits(
    spec: FarmSpec, inverters: tuple[str, ...], ratings: np.ndarray, times: pd.DatetimeIndex
) -> tuple[np.ndarray, np.ndarray, list[Spell]]:
    """Caps left on, of each inverter; the site's cap; and the instructions."""
    left_on, site = np.full((len(inverters), len(times)), np.inf), np.full(len(times), np.inf)
    instructed = _instructions(spec, float(min(ratings.sum(), spec.paper.export_limit_kw or np.inf)))
    for spell, cap in instructed:
        on = _span(times, spell.start, spell.end)
        site[on] = np.minimum(site[on], cap)
    for curtail in spec.all_of(Curtailment):
        for name, share, begin, end in curtail.left_on:
            on = (years_since(times, begin) >= 0) & (years_since(times, end or dt.date(2200, 1, 1)) < 0)
            i = inverters.index(name)
            left_on[i, on] = ratings[i] * share
    return left_on, site, [s for s, _ in instructed]


def ac_effects(
    spec: FarmSpec,
    inverters: tuple[str, ...],
    ratings: np.ndarray,
    shares: dict[str, float],
    wx: pd.DataFrame,
    lit: np.ndarray,
) -> tuple[AcEffects, list[Spell]]:
    """What the AC causes do in each lit interval, and what happened when."""
    light = wx[lit]
    outages, grid = _outage_spells(spec, inverters, wx), _grid_spells(spec)
    efficiency, heat_cap = _efficiency(spec, inverters, light, ratings, shares)
    left_on, site, instructed = _limits(spec, inverters, ratings, light.index)
    factor = np.ones(len(light))
    for m in spec.all_of(ReactivePower):
        factor[years_since(light.index, m.start) >= 0] = m.power_factor
    up = np.stack([_switch(light.index, [s for s in outages if s.scope == name]) for name in inverters])
    effects = AcEffects(efficiency, heat_cap, left_on, up, _switch(light.index, grid), site, factor)
    return effects, sorted(outages + grid + instructed, key=lambda s: (s.start, s.scope))
