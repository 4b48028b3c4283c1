"""
Spells: when something was off or held down, interval by interval.

These causes need no estimate of a rate or a shape. They are read off the log (and, where there is no log,
off the events), and what they took follows from the chain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog

#: Share of the rating that a working inverter is expected to exceed before a zero reading means "off".
_BRIGHT = 0.03
#: Share of the rating below which a reading is zero.
_ZERO = 0.003
#: An unrecorded limit holds at least this long: a cloud bank levels the output of all inverters for half an hour too, and the
#: light sensor, which stands elsewhere, need not see it. Common practice, no source.
_HELD_AT_LEAST = pd.Timedelta(hours=1)
#: Fewest readings that show a limit. Common practice, no source.
_FEWEST_HELD = 8
#: How much hotter the air is when heat holds an inverter than when nothing does, at high power. [K] Its level falls by this share
#: of its rating at least a kelvin (derating is 1 to 5 %), and by less than this with what its strings could give. Common
#: practice, no source.
_HOTTER, _LEAST_DERATING, _FOLLOWS_POWER = 2.0, 0.004, 0.4
_GRID_WORDS = ("grid", "network", "supply", "dno", "utility")


@dataclass(frozen=True)
class Off:
    """
    Who was off, arrays of shape (n_inverters, n_times).

    Attributes
    ----------
    inverter, grid : ndarray
        What is left of the output, 1 running, 0 off, between at the spell's edge: off for its own cause, and
        off because all were.
    """

    inverter: np.ndarray
    grid: np.ndarray

    @property
    def running(self) -> np.ndarray:
        """True where neither cause took anything."""
        return (self.inverter >= 1.0) & (self.grid >= 1.0)


@dataclass(frozen=True)
class Limits:
    """
    Who was held down.

    Attributes
    ----------
    site_cap : ndarray, shape (n_times,)
        Power at the meter to which the site was held by instruction; inf elsewhere. [kW]
    setting : ndarray, shape (n_inverters, n_times)
        AC limit left on in an inverter; inf elsewhere. [kW]
    heat : ndarray, shape (n_inverters, n_times)
        AC power to which heat held an inverter; inf elsewhere. [kW]
    """

    site_cap: np.ndarray
    setting: np.ndarray
    heat: np.ndarray


def inverter_ac(model: SiteModel, dc_factor: np.ndarray | float = 1.0) -> np.ndarray:
    """AC power each inverter could give, before its rating and any limit. [kW]"""
    dc = model.dc * dc_factor
    return np.stack([curve.ac_power(row) for curve, row in zip(model.curves, dc, strict=True)])


def find_off(model: SiteModel, log: InverterLog | None, data: SiteData, snow: np.ndarray) -> Off:
    """
    Tell who was off when.

    With a log: no power in light that a working inverter would have used. All together is the grid's doing unless an
    event names it the plant's own; one of several is the inverter's. Without a log: the recorded events.

    Parameters
    ----------
    snow : ndarray of bool, shape (n_times,)
        Intervals in which snow may cover all modules: no power there is not the grid's doing.
    """
    shape = model.dc.shape
    inverter, grid = np.ones(shape), np.ones(shape)
    recorded, recorded_grid = _recorded_outages(model, data)
    if log is None:
        inverter[recorded] = 0.0
        grid[:, recorded_grid] = 0.0
        return Off(inverter, grid)
    could = np.minimum(inverter_ac(model), model.rating)
    bright = (could > _BRIGHT * model.rating) & (model.sun.elevation > 3.0)
    zero = bright & (log.ac < _ZERO * model.rating)
    # Under snow all give nothing; one alone that gives nothing is off all the same.
    zero &= ~(snow & ((log.ac < _ZERO * model.rating) | ~np.isfinite(log.ac)).all(axis=0))
    known = np.isfinite(log.ac) & bright
    all_off = (known.sum(axis=0) > 0) & (zero.sum(axis=0) == known.sum(axis=0)) & ((known.sum(axis=0) > 1) | recorded_grid)
    own = recorded.all(axis=0) & ~recorded_grid
    all_off &= ~own
    # The edge of a spell falls inside an interval: what that interval lost belongs to the spell.
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(known, log.ac / could, np.nan)
    level = over_known(np.nanmedian, np.where(zero, np.nan, ratio), axis=1, keepdims=True)
    left = np.clip(np.nan_to_num(ratio / level, nan=1.0), 0.0, 1.0)
    for k in range(shape[0]):
        off = zero[k]
        edge = (np.r_[off[1:], False] | np.r_[False, off[:-1]]) & ~off & known[k] & (left[k] < 0.8)
        # A missing reading between two dead ones is part of the spell.
        whole = np.where(off | edge, np.where(off, 0.0, left[k]), 1.0)
        grid[k] = np.where(all_off, whole, 1.0)
        near = np.r_[all_off[1:], False] | np.r_[False, all_off[:-1]]
        grid[k] = np.where(edge & near, whole, grid[k])
        inverter[k] = np.where(grid[k] < 1.0, 1.0, whole)
        unread = recorded[k] & ~np.isfinite(log.ac[k])
        inverter[k][unread & ~recorded_grid] = 0.0
    return Off(inverter, grid)


def _recorded_outages(model: SiteModel, data: SiteData) -> tuple[np.ndarray, np.ndarray]:
    """Masks of recorded outages: (n_inverters, n_times) for each inverter, (n_times,) for the grid's."""
    each = np.zeros(model.dc.shape, dtype=bool)
    grid = np.zeros(len(model.times), dtype=bool)
    row = {name: k for k, name in enumerate(model.inverter_ids)}
    outages = data.events[data.events["kind"] == "outage"] if len(data.events) else data.events
    for event in outages.itertuples():
        if pd.isna(event.end):
            continue
        during = np.asarray((model.times + model.weather.step > event.start) & (model.times < event.end))
        note = str(event.note).lower()
        if "site" in event.scope:
            each[:, during] = True
            if any(word in note for word in _GRID_WORDS):
                grid |= during
        else:
            for name in event.scope:
                if name in row:
                    each[row[name], during] = True
    return each, grid


def find_curtailment(model: SiteModel, log: InverterLog | None, data: SiteData, potential: np.ndarray) -> np.ndarray:
    """
    Power at the meter to which the whole site was held, inf where it was not. [kW]

    A recorded instruction is taken where the output lies below what the site could give. Unrecorded, it shows as all
    inverters held to one share at once, the sum flat, below the standing export limit. A site with a single inverter
    cannot show that: there only the record counts.

    Parameters
    ----------
    potential : ndarray, shape (n_inverters, n_times)
        AC power that each inverter could give in its own state, before limits. [kW]
    """
    cap = np.full(len(model.times), np.inf)
    if log is None:
        return cap
    could = np.minimum(potential, model.rating)
    known = np.isfinite(log.ac).all(axis=0)
    total = log.ac.sum(axis=0) * model.to_meter
    limit = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
    able = np.minimum(could.sum(axis=0) * model.to_meter, limit)
    low = known & (total < 0.97 * able) & (able > 0.1 * model.rating.sum())
    recorded = np.zeros(len(cap), dtype=bool)
    events = data.events[data.events["kind"] == "curtailment"] if len(data.events) else data.events
    for event in events.itertuples():
        end = event.end if pd.notna(event.end) else event.start + pd.Timedelta(days=1)
        recorded |= np.asarray((model.times + model.weather.step > event.start) & (model.times < end))
    cap[recorded & low] = total[recorded & low]
    if len(model.inverter_ids) > 1:
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(could > 0.02 * model.rating, log.ac / could, np.nan)
        # All at once: even the least affected is well below what it could give.
        together = low & (np.nanmax(np.where(np.isfinite(share), share, -np.inf), axis=0) < 0.93)
        flat = _flat_runs(total, model.times, model.weather.step, together & (total < 0.98 * limit), able)
        cap[flat] = total[flat]
    return cap


def _flat_runs(total: np.ndarray, times: pd.DatetimeIndex, step: pd.Timedelta, mask: np.ndarray, able: np.ndarray) -> np.ndarray:
    """Runs of an hour and three intervals or more inside `mask` whose output holds one level within 2 %."""
    shortest = max(3, int(np.ceil(_HELD_AT_LEAST / step)))
    out = np.zeros(len(total), dtype=bool)
    follows = np.r_[False, (times[1:] - times[:-1]) == step]
    with np.errstate(invalid="ignore", divide="ignore"):
        same = np.r_[False, np.abs(total[1:] / total[:-1] - 1.0) < 0.02] & follows & mask & np.r_[False, mask[:-1]]
    start = 0
    while start < len(total):
        end = start + 1
        while end < len(total) and same[end] and abs(total[end] / total[start] - 1.0) < 0.03:
            end += 1
        if end - start >= shortest and np.mean(total[start:end] / able[start:end]) < 0.93:
            out[start:end] = True
        start = end
    return out


def find_inverter_limits(
    model: SiteModel, log: InverterLog | None, off: Off, potential: np.ndarray, site_cap: np.ndarray, temp_air: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """
    AC power to which single inverters were held: by a setting (a constant level), and by heat.

    Whatever holds the whole site (export limit, instruction) is first taken out by the best of the
    peers; what one inverter still lacks at high power is its own limit. One level for days is a setting; a level
    that falls as the air gets hotter is heat.

    Returns
    -------
    setting, heat : ndarray, shape (n_inverters, n_times)
        inf where not held. [kW]
    """
    setting = np.full(model.dc.shape, np.inf)
    heat = np.full(model.dc.shape, np.inf)
    if log is None:
        return setting, heat
    could = np.minimum(potential, model.rating)
    usable = np.isfinite(log.ac) & off.running & (could > 0.4 * model.rating)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(usable, log.ac / could, -np.inf)
    held = np.minimum(share.max(axis=0), 1.0)
    held = np.where(np.isfinite(held), held, 1.0)
    if len(model.inverter_ids) == 1:
        held = np.where(np.isfinite(site_cap), held, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        alone = np.where(usable, log.ac / held, np.nan)
    for k in range(len(alone)):
        below = usable[k] & (alone[k] < 0.965 * could[k])
        below &= np.r_[False, below[:-1]] | np.r_[below[1:], False]
        days = model.times[below].normalize().nunique() if below.any() else 0
        if days < 4:
            continue
        fixed = _constant_level(alone[k], below)
        if fixed is not None:
            level, kept = fixed
            setting[k, _in_force(log.ac[k], could[k], level, kept, model.times)] = level
            below &= ~kept
        hot = below & (could[k] > 0.6 * model.rating[k, 0])
        free = usable[k] & ~below & (could[k] > 0.6 * model.rating[k, 0])
        if hot.sum() >= 16 and _heat_shows(alone[k], could[k], temp_air, hot, free, model.rating[k, 0]):
            heat[k, hot] = alone[k, hot]
    return setting, heat


def _constant_level(alone: np.ndarray, below: np.ndarray) -> tuple[float, np.ndarray] | None:
    """The one level at which most of the held intervals stand, and those intervals."""
    values = alone[below]
    order = np.sort(values)
    width = max(_FEWEST_HELD, int(0.4 * len(order)))
    if len(order) < width:
        return None
    spread = order[width - 1 :] - order[: len(order) - width + 1]
    at = int(np.argmin(spread))
    level = float(np.median(order[at : at + width]))
    if spread[at] > 0.03 * level:
        return None
    return level, below & (np.abs(alone / level - 1.0) < 0.03)


def _in_force(ac: np.ndarray, could: np.ndarray, level: float, kept: np.ndarray, times: pd.DatetimeIndex) -> np.ndarray:
    """
    Where a limit stood: spells without a reading above it, in which most of what could pass it stood at it.

    An output that happens to be at the level on another day, in cloud or under an instruction, does not stretch the limit back
    over the days between, on which the inverter gave more.
    """
    passed = np.isfinite(ac) & (ac > 1.05 * level)
    spell = np.cumsum(passed)
    able = np.isfinite(ac) & (could > 1.1 * level)
    on = np.zeros(len(ac), dtype=bool)
    for number in np.unique(spell[kept]):
        at = np.flatnonzero(kept & (spell == number))
        between = slice(at[0], at[-1] + 1)
        held = kept[between][able[between]]
        if len(at) >= _FEWEST_HELD and times[at].normalize().nunique() > 1 and len(held) and held.mean() > 0.5:
            on[between] = ~passed[between]
    return on


def _heat_shows(
    alone: np.ndarray, could: np.ndarray, temp_air: np.ndarray, held: np.ndarray, free: np.ndarray, rating: float
) -> bool:
    """
    Are held intervals hotter than free ones at as high a power, at a level that falls with the heat and not with the power?

    A cap is where it is whatever the strings could give. Shade and weak strings take a share, and the afternoon is hot, too.
    """
    if free.sum() >= 16 and np.nanmedian(temp_air[held]) < np.nanmedian(temp_air[free]) + _HOTTER:
        return False
    design = np.stack([np.ones(held.sum()), temp_air[held], could[held] / rating], axis=1)
    _, by_heat, by_power = np.linalg.lstsq(design, alone[held] / rating, rcond=None)[0]
    return bool(by_heat < -_LEAST_DERATING and by_power < _FOLLOWS_POWER)
