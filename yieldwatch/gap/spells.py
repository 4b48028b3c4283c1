"""
When something was held down, interval by interval, read off the log; what it took follows from the chain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.off import Off

#: Fewest readings that show a limit. Common practice, no source.
_FEWEST_HELD = 8
#: Readings of one limit agree within this. Common practice, no source.
_SAME_LEVEL = 0.03
#: How much hotter the air is when heat holds an inverter than when nothing does, at high power. [K] Its level falls by this share
#: of its rating at least a kelvin (derating is 1 to 5 %), and by less than this with what its strings could give. Common
#: practice, no source.
_HOTTER, _LEAST_DERATING, _FOLLOWS_POWER = 2.0, 0.004, 0.4


@dataclass(frozen=True)
class LeftOn:
    """
    A limit left on in one inverter, as clamp readings show it.

    Attributes
    ----------
    inverter : int
    level : float
        [kW]
    onset : tuple of (int, float)
        Local days, and the chance that it was on by each, linear between.
    end : int
        Local day on which it was off again, or the one after the last.
    """

    inverter: int
    level: float
    onset: tuple[tuple[int, float], ...]
    end: int

    @property
    def start(self) -> int:
        """The day by which it was as likely on as not."""
        days, chance = zip(*self.onset, strict=True)
        return int(np.ceil(np.interp(0.5, chance, days)))


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
    left_on : tuple of LeftOn
        Of `setting`, what clamp readings showed and no log dates.
    """

    site_cap: np.ndarray
    setting: np.ndarray
    heat: np.ndarray
    left_on: tuple[LeftOn, ...] = ()


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
            setting[k, _in_force(log.ac[k], could[k], level, kept, model.times, model.rating[k, 0])] = level
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
    if spread[at] > _SAME_LEVEL * level:
        return None
    return level, below & (np.abs(alone / level - 1.0) < _SAME_LEVEL)


def _in_force(
    ac: np.ndarray, could: np.ndarray, level: float, kept: np.ndarray, times: pd.DatetimeIndex, rating: float
) -> np.ndarray:
    """
    Where a limit stood: spells without a reading above it, in which most of what could pass it stood at it.

    An output that happens to be at the level on another day, in cloud or under an instruction, does not stretch the limit back
    over the days between, on which the inverter gave more.
    """
    known = np.isfinite(ac)
    passed = known & (ac > 1.05 * level)
    spell = np.cumsum(passed)
    stands = known & (np.abs(ac / level - 1.0) < _SAME_LEVEL)
    on = np.zeros(len(ac), dtype=bool)
    for number in np.unique(spell[kept]):
        at = np.flatnonzero(kept & (spell == number))
        between = slice(at[0], at[-1] + 1)
        over = np.where(known[between], could[between] / level, 0.0)
        # Where a limit hardly binds, little passes it by much; but so it is where the plate or the power factor is the limit.
        hardly = 1.1 * level < rating and not (over > 1.1).any()
        held = stands[between][over > (1.04 if hardly else 1.1)]
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
