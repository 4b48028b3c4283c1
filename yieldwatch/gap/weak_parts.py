"""
Parts that gave less than their like from the first day to the last: no step shows them, only the peers.

Tracker inputs, where the log has them, are compared within one array, per kilowatt of modules; else whole inverters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.gaps import over_known

#: Deficit that makes a part weak: makers' spread of many modules and a log's gain are below it. Common practice, no source.
_WEAK = 0.03
#: And this many times the spread of the others.
_STANDS_OUT = 4.0
#: Or this deficit, whatever the spread.
_SURELY = 0.05
#: Inverters from which the upper quartile tells a sound one's level, also where one after another fails; of fewer, one is weak
#: where it lacks whole strings, give or take this. Common practice, no source. [strings]
MANY, _NEAR = 4, 0.2
_LEAST_LIGHT = 300.0
_LEAST_DAYS = 5


@dataclass(frozen=True)
class WeakPart:
    """
    A part that is constantly behind its like.

    Attributes
    ----------
    inverter : int
    mppt : str or None
        The input; None for the whole inverter.
    strings : tuple of str
        All strings of the part.
    deficit, uncertainty : float
        ln against the level of its like, and its standard uncertainty.
    share : float
        Share of the inverter's nameplate that the part is.
    """

    inverter: int
    mppt: str | None
    strings: tuple[str, ...]
    deficit: float
    uncertainty: float
    share: float


def weak_parts(model: SiteModel, data: SiteData, ac: np.ndarray, shaded: np.ndarray) -> list[WeakPart]:
    """
    Find weak inputs, and weak inverters where the log has no inputs: of two or three, those that lack whole strings.

    Parameters
    ----------
    ac : ndarray, shape (n_inverters, n_times)
        Logged power in usable intervals, NaN elsewhere. [kW]
    shaded : ndarray, shape (n_inverters,)
        Inverters left out: shade is not weakness.
    """
    inputs = _inputs(model, data)
    if inputs is not None:
        return [p for p in inputs if not shaded[p.inverter]]
    open_air = np.flatnonzero(~shaded)
    few = len(open_air) < MANY
    if len(open_air) < 2:
        return []
    # Of few, the best one is the level: a median would be half the weak one's own.
    behind = _daily_behind(model, ac[open_air], open_air, np.nanmax if few else _upper_quartile)
    out = []
    for row, deficit, u in _constant(behind) if few else _standing_out(behind):
        k = int(open_air[row])
        strings = tuple(s.string_id for s in model.site.strings if s.inverter_id == model.inverter_ids[k])
        if not few or _whole_strings(deficit, len(strings)):
            out.append(WeakPart(k, None, strings, deficit, u, 1.0))
    return out


def _upper_quartile(values: np.ndarray, axis: int) -> np.ndarray:
    return np.asarray(np.nanquantile(values, 0.75, axis=axis))


def _whole_strings(deficit: float, strings: int) -> bool:
    """Whether so many strings without one or more of them have this deficit."""
    count = -np.expm1(-deficit) * strings
    return round(count) >= 1 and abs(count - round(count)) < _NEAR


def _daily_behind(
    model: SiteModel, ac: np.ndarray, rows: np.ndarray, level: Callable[..., np.ndarray]
) -> np.ndarray:
    """
    Daily median of how far each inverter is behind the level of all in the same interval, shape (n_rows, n_days).

    Interval by interval: days summed up over unlike hours would compare the hours and not the inverters.
    """
    light = np.max([p.poa_global for p in model.planes.values()], axis=0)
    nominal = model.dc[rows]
    with np.errstate(invalid="ignore", divide="ignore"):
        y = np.log(np.where((light > _LEAST_LIGHT) & (ac > 0), ac / nominal, np.nan))
    behind = pd.DataFrame((over_known(level, y, axis=0) - y).T)
    grouped = behind.groupby(model.times.tz_convert(model.site.tz).tz_localize(None).normalize())
    return grouped.median().where(grouped.count() >= 4).to_numpy().T


def _inputs(model: SiteModel, data: SiteData) -> list[WeakPart] | None:
    log = data.power
    if log is None or "mppt" not in log or "dc_power_kw" not in log:
        return None
    log = log[log["mppt"].notna() & log["dc_power_kw"].notna()]
    if log.empty:
        return None
    local = pd.DatetimeIndex(log["time"]).tz_convert(model.site.tz).tz_localize(None).normalize()
    power = log.assign(day=local, input=log["inverter_id"].astype(str) + "\n" + log["mppt"].astype(str))
    place = {name: k for k, name in enumerate(model.inverter_ids)}
    parts: dict[str, list] = {}
    for s in model.site.strings:
        parts.setdefault(f"{s.inverter_id}\n{s.mppt}", []).append(s)
    out: list[WeakPart] = []
    for array in model.site.arrays:
        alike = [name for name, strings in parts.items() if {s.array_id for s in strings} == {array.id}]
        here = power[power["input"].isin(alike)]
        bright = model.times[model.planes[array.id].poa_global > _LEAST_LIGHT]
        here = here[model.weather.floor(pd.DatetimeIndex(here["time"])).isin(bright)]
        if here["input"].nunique() < 3:
            continue
        wide = here.pivot_table(index="time", columns="input", values="dc_power_kw").dropna()
        per_kw = np.log(wide.where(wide > 0) / [sum(s.p_mp_w for s in parts[c]) / 1000.0 for c in wide.columns])
        day = pd.DatetimeIndex(wide.index).tz_convert(model.site.tz).tz_localize(None).normalize()
        behind = per_kw.rsub(per_kw.median(axis=1), axis=0).groupby(day).median().to_numpy().T
        for row, deficit, u in _standing_out(behind):
            strings = parts[wide.columns[row]]
            k = place[strings[0].inverter_id]
            whole = sum(s.p_mp_w for s in model.site.strings if s.inverter_id == strings[0].inverter_id)
            out.append(
                WeakPart(
                    k,
                    str(strings[0].mppt),
                    tuple(s.string_id for s in strings),
                    deficit,
                    u,
                    sum(s.p_mp_w for s in strings) / whole,
                )
            )
    return out


def _standing_out(behind: np.ndarray) -> list[tuple[int, float, float]]:
    """Rows whose daily deficit is constant and far beyond the spread of the others: (row, deficit, uncertainty)."""
    deficit = over_known(np.nanmedian, behind, axis=1)
    spread = 1.4826 * over_known(np.nanmedian, np.abs(deficit - over_known(np.nanmedian, deficit)))
    return [part for part in _constant(behind) if part[1] > max(_WEAK, min(_STANDS_OUT * float(spread), _SURELY))]


def _constant(behind: np.ndarray) -> list[tuple[int, float, float]]:
    """Rows whose daily deficit is there from the first day to the last: (row, deficit, uncertainty)."""
    known = np.isfinite(behind).sum(axis=1)
    deficit = over_known(np.nanmedian, behind, axis=1)
    out = []
    for row in np.flatnonzero(known >= _LEAST_DAYS):
        values = behind[row][np.isfinite(behind[row])]
        u = 1.4826 * float(np.median(np.abs(values - deficit[row]))) * 1.25 / np.sqrt(len(values))
        # The weakest tenth of days still shows half of it.
        constant = np.quantile(values, 0.1) > 0.5 * deficit[row]
        if constant and deficit[row] > 4.0 * u:
            out.append((int(row), float(deficit[row]), max(u, 0.005)))
    return out
