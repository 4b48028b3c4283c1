"""
When an inverter or the grid was off, interval by interval.

No rate or shape is to be estimated: it is read off the log and, where there is none, off the events.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import Fine, InverterLog, at_own_interval
from yieldwatch.gap.mechanisms.snow import FREEZES
from yieldwatch.gap.recorded import recorded_outages

#: Share of the rating that a working inverter is expected to exceed before a zero reading means "off".
_BRIGHT = 0.03
#: Share of the rating below which a reading is zero.
_ZERO = 0.003
#: Days on either side, and fewest of them, that say what an inverter usually gives at a time of day; and the share of a day's
#: energy from which it counts as one on which it ran. Common practice, no source.
_DAYS_AROUND, _FEWEST_DAYS, _RAN = 10, 5, 0.3
#: Share of the rating that no shade takes whole: what is then left of diffuse light runs an inverter. Common practice, no source.
_SHADE_ENDS = 0.2
#: Share of the usual output next to a spell that snow does not leave, or give back, within two intervals. Common practice, no
#: source.
_AT_ONCE = 0.6


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


def inverter_ac(model: SiteModel, dc_factor: np.ndarray | float = 1.0) -> np.ndarray:
    """AC power each inverter could give, before its rating and any limit. [kW]"""
    dc = model.dc * dc_factor
    return np.stack([curve.ac_power(row) for curve, row in zip(model.curves, dc, strict=True)])


def find_off(model: SiteModel, log: InverterLog | None, data: SiteData, snow: np.ndarray) -> Off:
    """
    Tell who was off when.

    With a log: no power in light in which the inverter usually gives some. All together is the grid's doing unless an
    event names it the plant's own; one of several is the inverter's. Without a log: the recorded events.

    Parameters
    ----------
    snow : ndarray of bool, shape (n_times,)
        Intervals in which snow may cover all modules: no power there is the grid's doing only where it went or came at once.
    """
    shape = model.dc.shape
    inverter, grid = np.ones(shape), np.ones(shape)
    recorded, recorded_grid = recorded_outages(model, data)
    if log is None:
        inverter[recorded & ~recorded_grid] = 0.0
        grid[:, recorded_grid] = 0.0
        return Off(inverter, grid)
    fine = at_own_interval(model, log)
    dark = fine.ac < _ZERO * model.rating
    could = np.minimum(inverter_ac(model), model.rating)[:, fine.slot]
    sun_times = fine.times + pd.Timedelta(hours=round(model.site.longitude / 15.0))
    usual = _usual_share(fine.ac, could, np.atleast_1d(dark.any(axis=1)), sun_times)
    could = np.where(could < _SHADE_ENDS * model.rating, usual, 1.0) * could
    bright = (could > _BRIGHT * model.rating) & (model.sun.elevation > 3.0)[fine.slot]
    named = recorded_grid[fine.slot]
    zero, known = bright & dark, np.isfinite(fine.ac) & bright
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(known, fine.ac / could, np.nan)
    dead = (known.sum(axis=0) > 0) & (zero.sum(axis=0) == known.sum(axis=0))
    dead &= ~_snowed_under(dead & snow[fine.slot], over_known(np.nanmedian, ratio, axis=0), fine, model, named)
    zero &= dead | ((known & ~zero).any(axis=0) & (_best_peer(ratio) * could > _BRIGHT * model.rating))
    all_off = dead & ((known.sum(axis=0) > 1) | named) & ~(recorded.all(axis=0) & ~recorded_grid)[fine.slot]
    # The edge of a spell falls inside an interval: what that interval lost belongs to the spell.
    level = over_known(np.nanmedian, np.where(zero, np.nan, ratio), axis=1, keepdims=True)
    left = np.clip(np.nan_to_num(ratio / level, nan=1.0), 0.0, 1.0)
    near = np.r_[all_off[1:], False] | np.r_[False, all_off[:-1]]
    for k in range(shape[0]):
        off = zero[k]
        edge = (np.r_[off[1:], False] | np.r_[False, off[:-1]]) & ~off & known[k] & (left[k] < 0.8)
        whole = np.where(off | edge, np.where(off, 0.0, left[k]), 1.0)
        of_grid = all_off | (edge & near)
        grid[k] = fine.on_grid(np.where(of_grid, whole, 1.0), shape[1])
        inverter[k] = fine.on_grid(np.where(of_grid, 1.0, whole), shape[1])
        inverter[k][recorded[k] & ~np.isfinite(log.ac[k]) & ~recorded_grid] = 0.0
    return Off(inverter, grid)


def _usual_share(ac: np.ndarray, could: np.ndarray, wanted: np.ndarray, times: pd.DatetimeIndex) -> np.ndarray:
    """
    What each inverter that is `wanted` gives of `could` at that time of day: the median of the days around, 1 at most.

    A hedge that takes the last hour of every evening switches nothing off. Days on which the inverter gave little at all do not
    speak of what is usual. Days are those of `times`.
    """
    share = np.ones(ac.shape)
    day, slot = times.normalize(), (times - times.normalize()).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(could > 0.0, ac / could, np.nan)
    for k in np.flatnonzero(wanted):
        known = np.isfinite(ac[k])
        given = pd.Series(np.where(known, ac[k], 0.0)).groupby(day).transform("sum").to_numpy()
        able = pd.Series(np.where(known, could[k], 0.0)).groupby(day).transform("sum").to_numpy()
        ran = known & (given > _RAN * able)
        table = pd.DataFrame({"day": day[ran], "slot": slot[ran], "ratio": ratio[k, ran]}).pivot(
            index="day", columns="slot", values="ratio"
        )
        table = table.reindex(pd.date_range(day[0], day[-1], freq="D"))
        usual = table.rolling(2 * _DAYS_AROUND + 1, center=True, min_periods=_FEWEST_DAYS).median()
        at = usual.index.get_indexer(day), usual.columns.get_indexer(pd.Index(slot))
        found = np.where(at[1] >= 0, usual.to_numpy()[at[0], at[1]] if usual.shape[1] else np.nan, np.nan)
        share[k] = np.clip(np.nan_to_num(found, nan=1.0), 0.0, 1.0)
    return share


def _best_peer(ratio: np.ndarray) -> np.ndarray:
    """Largest share that another inverter gives, 1 at most and where none is known, shape as `ratio`."""
    out = np.ones(ratio.shape)
    if len(ratio) > 1:
        for k in range(len(ratio)):
            others = over_known(np.nanmax, np.delete(ratio, k, axis=0), axis=0)
            out[k] = np.clip(np.nan_to_num(others, nan=1.0), 0.0, 1.0)
    return out


def _snowed_under(off: np.ndarray, share: np.ndarray, fine: Fine, model: SiteModel, recorded: np.ndarray) -> np.ndarray:
    """
    Runs of `off` on days with snow that are the snow's doing.

    A grid goes and comes at once, from one interval to the next but one; snow slides off over hours. While it falls it may cover
    as fast as a switch.

    Parameters
    ----------
    share : ndarray, shape (n,)
        What the inverters gave of what they usually do; NaN where nobody knows.
    recorded : ndarray of bool, shape (n,)
        Recorded outages of the grid.
    """
    out = np.zeros(len(off), dtype=bool)
    table = model.weather.table
    falling = np.zeros(len(off), dtype=bool)
    if "precipitation" in table:
        falls = ((table["precipitation"] > 0.0) & (table["temp_air"] < FREEZES)).to_numpy()
        falling = (falls | np.r_[False, falls[:-1]] | np.r_[falls[1:], False])[model.at][fine.slot]
    day = fine.times.tz_convert(model.site.tz).normalize()
    follows = np.r_[False, off[:-1] & off[1:] & np.asarray(day[1:] == day[:-1])]
    number = np.cumsum(off & ~follows)
    for run in range(1, int(number.max()) + 1):
        at = np.flatnonzero(off & (number == run))
        first, last = at[0], at[-1]
        before = [t for t in (first - 1, first - 2) if t >= 0 and day[t] == day[first]]
        after = [t for t in (last + 1, last + 2) if t < len(off) and day[t] == day[last]]
        went = bool(before) and np.nanmax([0.0, *share[before]]) > _AT_ONCE and not falling[[*before, first]].any()
        came = bool(after) and np.nanmax([0.0, *share[after]]) > _AT_ONCE
        out[at] = not (went or came or recorded[at].any())
    return out
