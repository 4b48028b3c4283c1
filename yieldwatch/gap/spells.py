"""
When something was held down, interval by interval, read off the log; what it took follows from the chain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import Fine, InverterLog, at_own_interval
from yieldwatch.gap.off import Off

#: Fewest readings, and days, that show a limit left on. Common practice, no source.
_FEWEST_HELD, _FEWEST_DAYS = 8, 2
#: Readings at one limit are within this of it, about three times a log's scatter. Common practice, no source.
_SAME_LEVEL = 0.006
#: A ceiling: the band below in which readings are few, so many times fewer than at it. The tops of clear days thin out as they
#: rise: they give less than twice as many in a band of the one width as in a band of the other. Common practice, no source.
_BELOW, _CROWDED = (0.968, 0.988), 3.0
#: What an inverter lacks at its limit beyond what it lacks in light that does not reach it. Common practice, no source.
_LACKS = 0.02
#: Share of the rating below which readings say nothing of a limit, and above which plate and power factor are limits as well.
#: Common practice, no source.
_READ, _PLATE = 0.3, 0.93
#: How much hotter the air is when heat holds an inverter than when nothing does, at high power. [K] Its level falls by this share
#: of its rating at least a kelvin (derating is 1 to 5 %), and by less than this with what its strings could give. Common
#: practice, no source.
_HOTTER, _LEAST_DERATING, _FOLLOWS_POWER = 2.0, 0.004, 0.4
#: How far above what heat is said to leave a reading passes it. Common practice, no source.
_PASSES = 1.05


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

    Whatever holds the whole site (export limit, instruction) is first taken out by the best of the peers. One level that is never
    passed, and at which readings crowd, is a setting, read off the log at its own interval; what else one inverter lacks at high
    power, at a level that falls as the air gets hotter, is heat.

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
    fine = at_own_interval(model, log)
    day = np.asarray(fine.times.tz_convert(model.site.tz).tz_localize(None).normalize().asi8)
    lacking = _lacking(model, fine, off, potential, site_cap)
    for k in range(len(alone)):
        for level, first, last in _ceilings(fine, day, lacking[k], k, model.rating[k, 0]):
            setting[k, first : last + 1] = level
        below = usable[k] & (alone[k] < 0.965 * could[k]) & ~np.isfinite(setting[k])
        below &= np.r_[False, below[:-1]] | np.r_[below[1:], False]
        days = model.times[below].normalize().nunique() if below.any() else 0
        if days < 4:
            continue
        strong = could[k] > 0.6 * model.rating[k, 0]
        hot, free = below & strong, usable[k] & ~below & strong
        if (hot.sum() >= 16 and _heat_shows(alone[k], could[k], temp_air, hot, free, model.rating[k, 0])
                and not _passes(alone[k], could[k], temp_air, hot, usable[k])):
            heat[k, hot] = alone[k, hot]
    return setting, heat


def _lacking(model: SiteModel, fine: Fine, off: Off, potential: np.ndarray, site_cap: np.ndarray) -> np.ndarray:
    """
    Share that each inverter lacks of what it could give, the best of its peers' taken out, shape (n_inverters, n) of `fine`.

    NaN where nothing can be said: off, held with the whole site, or in weak light.
    """
    could = np.minimum(potential, model.rating)[:, fine.slot]
    export = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
    # Inverters that were not logged are taken to have given what the others did.
    logged = (np.isfinite(fine.ac) * model.rating[:, :1]).sum(axis=0) / model.rating[:, 0].sum()
    total = np.nansum(fine.ac, axis=0) / np.maximum(logged, 1e-9) * model.to_meter
    free = np.isinf(site_cap)[fine.slot] & ~(total > 0.97 * export)
    usable = np.isfinite(fine.ac) & off.running[:, fine.slot] & free & (could > _READ * model.rating)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(usable, fine.ac / could, np.nan)
        best = np.minimum(over_known(np.nanmax, share, axis=0), 1.0) if len(share) > 1 else 1.0
        return np.asarray(1.0 - share / best)


def _ceilings(fine: Fine, day: np.ndarray, lacking: np.ndarray, k: int, rating: float) -> list[tuple[float, int, int]]:
    """
    Levels at which inverter `k` was held [kW], each with the first and the last of the model's times that show it.

    No reading passes the level for days. In them the readings at it are many, those just below few, and at it the inverter lacks
    more than in less light: clear weather, too, makes days of one height. `day` is the local day of each time of `fine`.
    """
    ac = fine.ac[k]
    known = np.isfinite(lacking) & (ac > _READ * rating)
    days, number = np.unique(day[known], return_inverse=True)
    if len(days) < _FEWEST_DAYS:
        return []
    found: list[tuple[float, int, int]] = []
    at, read, lacks = np.flatnonzero(known), ac[known], lacking[known]
    order = np.lexsort((read, number))
    highest = order[np.append(np.diff(number[order]) > 0, True)]
    for level in _levels(read[highest][(read[highest] < _PLATE * rating) & (lacks[highest] > 0.0)]):
        passed, stands = read > (1.0 + 2.0 * _SAME_LEVEL) * level, np.abs(read / level - 1.0) < _SAME_LEVEL
        run = np.cumsum(passed)
        below = ~passed & (read > _BELOW[0] * level) & (read < _BELOW[1] * level)
        many = np.bincount(run[stands], minlength=run[-1] + 1)
        few = np.bincount(run[below], minlength=run[-1] + 1)
        for n in np.flatnonzero(many >= np.maximum(_FEWEST_HELD, _CROWDED * few)):
            inside = (run == n) & ~passed
            held, less = inside & stands, inside & (read < _BELOW[0] * level)
            if len(np.unique(number[held])) < _FEWEST_DAYS:
                continue
            usual = np.median(lacks[less]) if less.any() else 0.0
            first, last = (int(fine.slot[at[j]]) for j in np.flatnonzero(held)[[0, -1]])
            if np.median(lacks[held]) > usual + _LACKS and all(last < a or first > b for _, a, b in found):
                found.append((float(np.median(read[held])), first, last))
    return found


def _levels(top: np.ndarray) -> list[float]:
    """All levels at which the days' highest readings crowd, those of most days first: a limit may be on for two days alone."""
    top = np.sort(top)
    out: list[float] = []
    while True:
        count = np.searchsorted(top, top * (1.0 + 2.0 * _SAME_LEVEL), side="right") - np.arange(len(top))
        if not len(top) or count.max() < _FEWEST_DAYS:
            break
        at = int(np.argmax(count))
        out.append(float(np.median(top[at : at + count[at]])))
        top = np.delete(top, slice(at, at + count[at]))
    return out


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


def _passes(alone: np.ndarray, could: np.ndarray, temp_air: np.ndarray, held: np.ndarray, usable: np.ndarray) -> bool:
    """
    Does an inverter give more than the line through its held power leaves it, in air as hot, more often than it is held?

    Heat holds it whenever the air is that hot. A pole's shadow on some hours of the summer is passed at all others.
    """
    slope, start = np.polyfit(temp_air[held], alone[held], 1)
    line = _PASSES * (start + slope * temp_air)
    first, last = np.flatnonzero(held)[[0, -1]]
    as_hot = usable & (temp_air >= np.quantile(temp_air[held], 0.02)) & (could > line)
    as_hot[:first] = as_hot[last + 1:] = False
    return bool((alone > line)[as_hot].sum() > held.sum())
