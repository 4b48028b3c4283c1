"""
Logged string currents: each string against its like, day by day, as looks that stand beside the rounds.

A string's current is held against the median of its like in the same interval, so that light, weather and season fall out.
Of each day the string's better hours count: shade passes, a fault stays. Bright hours and overcast days are kept apart, for a
leak takes more in weak light and a resistance less.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.gaps import over_known
from yieldwatch.portfolio.model import Site

#: Looks that the log is read at, evenly over it, and the usable days of each.
LOOKS = 4
_LOOK_DAYS = 15
#: Light on the strings, by their own currents over the plate's: of bright hours, of the brightest hour of an overcast day, and
#: the least that is compared. Common practice, no source.
_BRIGHT, _OVERCAST, _LEAST = 0.45, 0.40, 0.08
#: Fewest like strings that make a reference, and fewest intervals of a day. Common practice, no source.
_FEWEST, _FEWEST_INTERVALS = 3, 3
#: Like strings from which one more or less does not move their median.
_MANY = 9
#: Strings of one inverter from which what they do alike is told from what one of them does. Common practice, no source.
_STRINGS_OF_ONE = 4
#: Of a day's hours, those in which a string stands best are its own. Common practice, no source.
_BEST_HOURS = 0.8
#: Share of its like below which a string's current is none, and that of the best string of an inverter below which the
#: inverter was off or held down. Common practice, no source.
_NONE, _HELD = 0.03, 0.85
#: Change of a string's bright hours from look to look beyond which it is not the same string on the days between. [ln] Common
#: practice, no source.
_CHANGED = 0.02


@dataclass(frozen=True, eq=False)
class StringLog:
    """
    The strings' currents against their like.

    Attributes
    ----------
    strings : tuple of str
    dates : DatetimeIndex, shape (n_days,)
        Local midnights.
    bright, dim : ndarray, shape (n_strings, n_days)
        ln of current over that of its like, in bright hours and on overcast days; NaN where neither was. A string without
        current has -inf.
    light : tuple of float
        At which the two are usually read, by the strings' own currents. [W/m²]
    """

    strings: tuple[str, ...]
    dates: pd.DatetimeIndex
    bright: np.ndarray
    dim: np.ndarray
    light: tuple[float, float]

    def looks(self) -> tuple[np.ndarray, np.ndarray]:
        """
        The log as looks.

        Returns
        -------
        time : ndarray of datetime64[ns], shape (n_looks,)
            UTC, the last day of each.
        value : ndarray, shape (n_strings, n_looks, 2)
            Medians of bright and dim; NaN where not read, -inf without current.
        """
        read = np.isfinite(self.bright) | np.isfinite(self.dim)
        known = np.flatnonzero(read.sum(axis=0) >= min(_FEWEST, len(self.strings)))
        if len(known) < _LOOK_DAYS:
            return np.array([], "datetime64[ns]"), np.empty((len(self.strings), 0, 2))
        count = min(LOOKS, len(known) // _LOOK_DAYS)
        ends = np.linspace(_LOOK_DAYS, len(known), count).astype(int)
        values, last_days = [], []
        since, before = 0, np.full(len(self.strings), np.nan)
        for end in ends:
            first, last = int(known[end - _LOOK_DAYS]), int(known[end - 1]) + 1
            bright, now = _median(self.bright[:, first:last]), _median(self.dim[:, first:last])
            # Overcast days are few: all since the look before, if the string is the same since. Dead now is so in any light.
            with np.errstate(invalid="ignore"):
                same = ~np.isneginf(now) & (np.abs(bright - before) <= _CHANGED)
            dim = np.where(same, _median(self.dim[:, since:last]), now)
            before = bright
            values.append(np.stack([np.where(np.isnan(bright) & np.isneginf(now), now, bright), dim], axis=1))
            last_days.append(last - 1)
            since = last
        time = self.dates[last_days].tz_convert("UTC").tz_localize(None) + pd.Timedelta(hours=12)
        return time.to_numpy("datetime64[ns]"), np.stack(values, axis=1)

    def change(self, string: str, after: pd.Timestamp, until: pd.Timestamp) -> int | None:
        """Day between two times at which the string's current fell, None where too few days are known or it did not."""
        own = self.bright[self.strings.index(string)]
        low, high = self.dates.searchsorted([after - pd.Timedelta(days=_LOOK_DAYS), until], side="right")
        days = low + np.flatnonzero(~np.isnan(own[low:high]))
        values = np.maximum(own[days], np.log(_NONE))
        if len(days) < 6:
            return None
        misfit = [np.abs(part - np.median(part)).sum() for k in range(3, len(days) - 2) for part in (values[:k], values[k:])]
        at = 3 + int(np.argmin(np.add.reduceat(misfit, np.arange(0, len(misfit), 2))))
        return int(days[at]) if np.median(values[:at]) > np.median(values[at:]) else None


def string_log(site: Site, data: SiteData) -> StringLog | None:
    """
    Hold every logged string against its like.

    Its like are the strings of its plane and type where there are three others, else of its plane, where two will do. Hours in
    which a whole inverter stood far below the others say nothing of its strings.

    Returns
    -------
    StringLog or None
        None where no current is logged, or too few strings are.
    """
    log = data.string_current
    if log is None or log.empty:
        return None
    amps = log.pivot_table(index="time", columns="string_id", values="dc_current_a", aggfunc="first")
    owners = {s.string_id: s for s in site.strings}
    names = tuple(amps.columns)
    local = pd.DatetimeIndex(amps.index).tz_convert(site.tz)
    plate = np.array([owners[n].module_type.i_mp_a for n in names])
    level = (amps.to_numpy(float) / plate).T
    inverter = np.array([owners[n].inverter_id for n in names])
    plane = np.array([owners[n].array_id for n in names])
    kind = np.array([owners[n].module_type.module_type for n in names])
    midnight = local.normalize()
    dates, day = np.unique(midnight, return_inverse=True)
    bright, dim = np.full((2, len(names), len(dates)), np.nan)
    light = np.full((2, len(names)), np.nan)
    for k, usual, like in _references(level, plane, kind, inverter):
        own = over_known(np.nanmax, level[like & (inverter == inverter[k])], axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where((usual > _LEAST) & np.isfinite(level[k]), level[k] / usual, np.nan)
            # An inverter whose strings all stand low is off or held down.
            ratio = np.where(own < _HELD * usual, np.nan, ratio)
            log_ratio = np.where(ratio < _NONE, -np.inf, np.log(np.maximum(ratio, 1e-9)))
        log_ratio[np.isnan(ratio)] = np.nan
        highest = pd.Series(usual).groupby(day).max().reindex(range(len(dates))).to_numpy()
        for n, hours in enumerate((usual > _BRIGHT, (usual > _LEAST) & (highest[day] < _OVERCAST))):
            light[n, k] = 1000.0 * np.quantile(usual[hours], _BEST_HOURS) if hours.any() else np.nan
        bright[k] = _by_day(log_ratio, day, usual > _BRIGHT, len(dates))
        dim[k] = np.where(highest < _OVERCAST, _by_day(log_ratio, day, usual > _LEAST, len(dates)), np.nan)
    if not np.isfinite(bright).any():
        return None
    for values in (bright, dim):
        _without_inverters(values, inverter)
    usual_light = over_known(np.nanmedian, light, axis=1)
    return StringLog(names, pd.DatetimeIndex(dates), bright, dim, (float(usual_light[0]), float(usual_light[1])))


def _references(
    level: np.ndarray, plane: np.ndarray, kind: np.ndarray, inverter: np.ndarray
) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    """Each string that has like ones: its place, their usual level in each interval, and which they are, itself included."""
    free: dict[tuple[bool, ...], np.ndarray] = {}
    whole: dict[tuple[bool, ...], np.ndarray] = {}
    for k in range(len(level)):
        like = (plane == plane[k]) & (kind == kind[k])
        like = like if like.sum() > _FEWEST else plane == plane[k]
        if like.sum() < _FEWEST:
            continue
        key = tuple(like)
        if key not in free:
            free[key] = _not_held(level, inverter, like)
            whole[key] = over_known(np.nanmedian, free[key][like], axis=0)
        if like.sum() == _FEWEST:
            # Faults and shade only lower a current: of two others the better one is the level.
            yield k, over_known(np.nanmax, free[key][like & (np.arange(len(level)) != k)], axis=0), like
        elif like.sum() < _MANY:
            yield k, over_known(np.nanmedian, free[key][like & (np.arange(len(level)) != k)], axis=0), like
        else:
            yield k, whole[key], like


def _not_held(level: np.ndarray, inverter: np.ndarray, like: np.ndarray) -> np.ndarray:
    """Levels without those of inverters that stand far below the best one: off or held down, they say nothing of the light."""
    names = np.unique(inverter[like])
    usual = np.stack([over_known(np.nanmedian, level[like & (inverter == name)], axis=0) for name in names])
    best = over_known(np.nanmax, usual, axis=0)
    out = level.copy()
    for name, own in zip(names, usual, strict=True):
        out[np.ix_(inverter == name, own < _HELD * best)] = np.nan
    return out


def _without_inverters(values: np.ndarray, inverter: np.ndarray) -> None:
    """Take out, in place, what all strings of an inverter do from day to day: that is the inverter's, or its input's."""
    for name in np.unique(inverter):
        own = values[inverter == name]
        if len(own) < _STRINGS_OF_ONE:
            continue
        living = np.where(np.isfinite(own), own, np.nan)
        shared = over_known(np.nanmedian, living - over_known(np.nanmedian, living, axis=1)[:, None], axis=0)
        values[inverter == name] = own - np.nan_to_num(shared)


def _by_day(value: np.ndarray, day: np.ndarray, use: np.ndarray, n_days: int) -> np.ndarray:
    """What a string reaches in its better hours of each day, shape (n_days,)."""
    use = use & ~np.isnan(value)
    grouped = pd.Series(np.maximum(value[use], np.log(1e-6))).groupby(day[use])
    best = grouped.quantile(_BEST_HOURS).where(grouped.size() >= _FEWEST_INTERVALS).reindex(range(n_days)).to_numpy()
    return np.where(best < np.log(_NONE), -np.inf, best)


def _median(values: np.ndarray) -> np.ndarray:
    """Median over days, NaN with fewer than three."""
    with np.errstate(invalid="ignore"):
        out = over_known(np.nanmedian, values, axis=1)
    return np.where((~np.isnan(values)).sum(axis=1) >= 3, out, np.nan)
