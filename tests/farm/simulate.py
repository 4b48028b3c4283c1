"""Strings to inverters to meter, with any set of causes on; and the exact split of the loss between them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np
import pandas as pd

from . import diode
from .causes import AC_CAUSES, DC_CAUSES, AcEffects, Spell, ac_effects, dc_effects
from .layout import Place, StringUnit, strings_of
from .sky import Plane, plane
from .spec import FarmSpec, InverterSpec
from .weather import weather

CURVE_AT = np.array([0.05, 0.10, 0.20, 0.30, 0.50, 0.75, 1.00])


@dataclass(frozen=True)
class Farm:
    """A farm with its weather and everything that happens to it. Arrays run over the lit intervals."""

    spec: FarmSpec
    units: tuple[StringUnit, ...]
    inverters: tuple[str, ...]
    types: tuple[InverterSpec, ...]
    wx: pd.DataFrame
    lit: np.ndarray
    planes: dict[Place, Plane]
    dc_factors: dict[str, np.ndarray]
    ac: AcEffects
    spells: tuple[Spell, ...]

    @property
    def times(self) -> pd.DatetimeIndex:
        return self.wx.index[self.lit]

    @cached_property
    def clean_dc(self) -> np.ndarray:
        """Power of each string at its nameplate, clean and whole, shape (strings, lit). [kW]"""
        each = {}
        for u in self.units:
            if (u.place, u.module) not in each:
                p = self.planes[u.place]
                each[u.place, u.module] = (
                    diode.power(self.spec.module(u.module), p.effective, p.temp_cell) / 1000
                )
        return np.stack([each[u.place, u.module] * u.series for u in self.units])

    @cached_property
    def sensor_plane(self) -> Plane:
        """Where the in-plane sensor stands: with the first array, above its rows."""
        return next(p for (array, _), p in self.planes.items() if array == self.spec.arrays[0].id)

    def inverter_of(self) -> np.ndarray:
        return np.array([self.inverters.index(u.inverter) for u in self.units])

    def string_dc(self, on: frozenset[str]) -> np.ndarray:
        """DC power of each string with those causes on, shape (strings, lit). [kW]"""
        out = self.clean_dc.copy()
        for cause in on & self.dc_factors.keys():
            out *= self.dc_factors[cause]
        return out

    def inverter_dc(self, strings: np.ndarray) -> np.ndarray:
        """Sum over each inverter's strings, shape (inverters, lit). [kW]"""
        which = self.inverter_of()
        return np.stack([strings[which == i].sum(axis=0) for i in range(len(self.inverters))])


@dataclass(frozen=True)
class Output:
    """Power at the inverters' DC and AC terminals and at the meter. [kW]"""

    dc: np.ndarray
    ac: np.ndarray
    meter: np.ndarray
    held: np.ndarray  # whether a limit held the inverter off its maximum power point


def build(spec: FarmSpec) -> Farm:
    """Draw everything random about the farm, once."""
    units, wx = strings_of(spec), weather(spec)
    lit = (wx["elevation"] > 0.5).to_numpy()
    inverters = tuple(dict.fromkeys(b.inverter for b in spec.blocks))
    by_name = {i.name: i for i in spec.inverters}
    types = tuple(by_name[next(b.inverter_type for b in spec.blocks if b.inverter == n)] for n in inverters)
    places = dict.fromkeys(u.place for u in units)
    planes = {(array, front): plane(spec, spec.array(array), wx[lit], front) for array, front in places}
    inputs = {n: len({u.mppt for u in units if u.inverter == n}) for n in inverters}
    ratings = np.array([t.kw for t in types])
    effects, spells = ac_effects(spec, inverters, ratings, {n: 1 / k for n, k in inputs.items()}, wx, lit)
    factors = dc_effects(spec, units, wx, lit, planes)
    return Farm(spec, units, inverters, types, wx, lit, planes, factors, effects, tuple(spells))


def conversion(kind: InverterSpec) -> tuple[np.ndarray, np.ndarray]:
    """DC power in and AC power out along the inverter's curve, with its start threshold. [kW]"""
    ac = CURVE_AT * kind.kw
    dc = ac / (np.array(kind.efficiency_pct) / 100)
    # Past its rating the curve goes on straight; the rating itself is a limit of its own.
    return np.concatenate([[0.002 * kind.kw], dc, [3 * dc[-1]]]), np.concatenate([[0.0], ac, [3 * ac[-1]]])


def chain(farm: Farm, dc: np.ndarray, on: frozenset[str], at: np.ndarray | slice = slice(None)) -> Output:
    """
    From the strings' power, shape (inverters, intervals), to the meter.

    `at` says which of the lit intervals these are.
    """
    wiring, ac_wiring, transformer, mismatch = np.array(farm.spec.losses_pct) / 100
    to_meter, fx = (1 - ac_wiring) * (1 - transformer), farm.ac
    dc_in = dc * (1 - wiring) * (1 - mismatch)
    ac = np.stack([np.interp(row, *conversion(t)) for row, t in zip(dc_in, farm.types, strict=True)])
    kva = np.array([[t.kva] for t in farm.types])
    cap = np.minimum(np.array([[t.kw] for t in farm.types]), kva * np.ones(ac.shape))
    if "inverter_efficiency" in on:
        ac = ac * fx.efficiency[:, at]
        cap = np.minimum(cap, fx.heat_cap[:, at])
    if "reactive_power" in on:
        cap = np.minimum(cap, kva * fx.power_factor[at])
    if "curtailment" in on:
        cap = np.minimum(cap, fx.limit_cap[:, at])
    held = np.minimum(ac, cap)
    if "inverter_outage" in on:
        held = held * fx.up[:, at]
    if "grid_outage" in on:
        held = held * fx.grid_up[at]
    limit = np.full(held.shape[1], farm.spec.paper.export_limit_kw or np.inf)
    if "curtailment" in on:
        limit = np.minimum(limit, fx.site_cap[at])
    total = held.sum(axis=0) * to_meter
    scale = np.where(total > limit, limit / np.maximum(total, 1e-9), 1.0)
    out = held * scale
    return Output(dc_in, out, total * scale, out < ac * 0.9999)


def subsets(causes: tuple[str, ...]) -> Iterator[frozenset[str]]:
    for k in range(len(causes) + 1):
        yield from map(frozenset, itertools.combinations(causes, k))


def _acts(farm: Farm, cause: str) -> np.ndarray:
    """Where an AC cause can change anything at all."""
    fx = farm.ac
    return {
        "inverter_efficiency": ((fx.efficiency < 1) | np.isfinite(fx.heat_cap)).any(axis=0),
        "inverter_outage": (fx.up < 1).any(axis=0),
        "grid_outage": fx.grid_up < 1,
        "curtailment": np.isfinite(fx.site_cap) | np.isfinite(fx.limit_cap).any(axis=0),
        "reactive_power": fx.power_factor < 1,
    }[cause]


def month_labels(farm: Farm) -> pd.Index:
    """The site-time month of each lit interval, `YYYY-MM`."""
    return farm.times.tz_convert(farm.spec.timezone).strftime("%Y-%m")


def energies(farm: Farm, codes: np.ndarray) -> dict[frozenset[str], np.ndarray]:
    """Energy at the meter with each set of causes on, by month or what else `codes` number. [kWh]"""
    hours = farm.spec.step_minutes / 60
    dc_causes = tuple(c for c in DC_CAUSES if c in farm.dc_factors)
    ac_causes = tuple(c for c in AC_CAUSES if c in farm.spec.causes)
    reach = {c: _acts(farm, c) for c in ac_causes}
    worth = {}
    for dc_on in subsets(dc_causes):
        dc = farm.inverter_dc(farm.string_dc(dc_on))
        plain = chain(farm, dc, frozenset()).meter
        for ac_on in subsets(ac_causes):
            meter = plain
            if ac_on:
                at = np.flatnonzero(np.logical_or.reduce([reach[c] for c in ac_on]))
                meter = plain.copy()
                meter[at] = chain(farm, dc[:, at], ac_on, at).meter
            worth[dc_on | ac_on] = np.bincount(codes, meter) * hours
    return worth


def shapley(worth: dict[frozenset[str], np.ndarray], causes: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Each cause's mean effect over all orders of switching causes on."""
    n = len(causes)
    out = {}
    for cause in causes:
        others = tuple(c for c in causes if c != cause)
        out[cause] = sum(
            factorial(len(s)) * factorial(n - 1 - len(s)) / factorial(n) * (worth[s] - worth[s | {cause}])
            for s in subsets(others)
        )
    return out


@dataclass(frozen=True)
class Truth:
    """Monthly energies, as the truth files hold them; and the farm's output as it was. [kWh]"""

    months: tuple[str, ...]
    expected: np.ndarray
    exported: np.ndarray
    losses: dict[str, np.ndarray]
    actual: Output


def truth(farm: Farm) -> Truth:
    """Run the farm with every set of causes on and split the loss."""
    codes, months = pd.factorize(month_labels(farm))
    causes = farm.spec.causes
    worth = energies(farm, codes)
    everything = frozenset(causes)
    actual = chain(farm, farm.inverter_dc(farm.string_dc(everything)), everything)
    return Truth(tuple(months), worth[frozenset()], worth[everything], shapley(worth, causes), actual)
