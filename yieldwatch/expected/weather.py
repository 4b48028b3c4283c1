"""
The weather on an even grid, its gaps modelled and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.errors import FieldDataError
from yieldwatch.expected.sun import sun_position
from yieldwatch.portfolio.model import Site

_LIGHT = ("ghi", "dhi", "dni", "poa_global")
_DAY = pd.Timedelta(days=1)
#: A row that stands alone on both sides is held for its own step, up to this. Common practice, no source.
_LONGEST_ROW = pd.Timedelta(hours=1)
#: Light outside the atmosphere below which a share of it means nothing. [W/m²] Sun 1° high.
_FAINT = 20.0


@dataclass(frozen=True)
class GridWeather:
    """
    Weather at an even step without holes.

    Attributes
    ----------
    table : DataFrame
        Index `time` (UTC, interval start, even step). Columns as in `SiteData.weather`. Air temperature and
        the main light (`ghi`, or `poa_global` where there is none) have no gaps. The other columns keep
        theirs, but for light in the intervals where the main light was modelled: it is modelled with it.
    step : Timedelta
    modelled : ndarray of bool
        Intervals whose main light or air temperature was not measured.
    """

    table: pd.DataFrame
    step: pd.Timedelta
    modelled: np.ndarray

    @property
    def hours(self) -> float:
        return self.step / pd.Timedelta(hours=1)

    def floor(self, times: pd.DatetimeIndex) -> pd.DatetimeIndex:
        """Start of the grid's interval in which each time lies; also beyond the grid's ends."""
        first = self.table.index[0]
        return first + (times - first) // self.step * self.step


def grid_weather(weather: pd.DataFrame, step: pd.Timedelta, site: Site, start: pd.Timestamp,
                 end: pd.Timestamp) -> GridWeather:
    """
    Put the weather on an even grid from `start` to `end` (exclusive) and model its gaps.

    The grid's stamps are in step with the weather's own: hourly weather on the UTC hour keeps its hours where
    the site's midnight falls on a half hour. Rows that are off the grid go to the interval in which their
    middle lies.

    A gap in light is filled by the usual share of the light outside the atmosphere (one in temperature by the
    usual temperature) at the same time of day over the nearest days that have it, up to 15 days either side,
    beyond that over the whole record. The share, and not the light, because days grow and shrink.

    Raises
    ------
    FieldDataError
        If there is no light or no air temperature at all.
    """
    start, end = start.tz_convert("UTC"), end.tz_convert("UTC")
    stamps = pd.DatetimeIndex(weather.index)
    first = start + (_phase(stamps, step) - (start - pd.Timestamp(0, tz="UTC"))) % step
    grid = pd.date_range(first, end, freq=step, inclusive="left", name="time").as_unit(stamps.unit)
    table = _on_grid(weather, grid, step)
    light = [c for c in _LIGHT if c in table and table[c].notna().any()]
    main = next((c for c in ("ghi", "poa_global") if c in light), None)
    if main is None or "temp_air" not in table or not table["temp_air"].notna().any():
        raise FieldDataError(
            f"sites/{site.id}/weather.csv: no usable light or air temperature between {start.date()} and "
            f"{end.date()}. Expected ghi_w_m2 or poa_global_w_m2, and temp_air_c. Add weather that covers "
            "the period.")
    table = table.drop(columns=[c for c in _LIGHT if c in table and c not in light])
    dark = table[main].isna().to_numpy()
    modelled = dark | table["temp_air"].isna().to_numpy()
    per_day = max(1, round(_DAY / step))
    if dark.any():
        sun = sun_position(grid + step / 2, site.latitude, site.longitude, site.altitude_m)
        outside = np.maximum(sun.dni_extra * sun.cos_zenith, 0.0)
        for name in light:
            values = table[name].to_numpy(float)
            usual = outside * _usual(values, np.maximum(outside, _FAINT), per_day)
            table[name] = np.where(dark & np.isnan(values), usual, values)
    air = table["temp_air"].to_numpy(float)
    table["temp_air"] = np.where(np.isnan(air), _usual(air, np.ones_like(air), per_day), air)
    return GridWeather(table, step, modelled)


def _phase(times: pd.DatetimeIndex, step: pd.Timedelta) -> pd.Timedelta:
    """How far the most usual stamp lies after a whole number of steps."""
    after = times.as_unit("ns").asi8 % step.value
    if not len(after):
        return pd.Timedelta(0)
    kinds, counts = np.unique(after, return_counts=True)
    return pd.Timedelta(int(kinds[np.argmax(counts)]), unit="ns")


def _on_grid(weather: pd.DataFrame, grid: pd.DatetimeIndex, step: pd.Timedelta) -> pd.DataFrame:
    """
    Means (sums of rain) of the rows in each interval; NaN where there is none.

    A row lasts until the nearer of its neighbours: so jitter of the clock does no harm, rows finer than the
    grid are averaged, and rows of a time when the logger was set to a longer step are held for theirs.
    """
    stamps = pd.DatetimeIndex(weather.index).as_unit("ns").asi8
    wide = step.value
    gap = np.diff(stamps)
    lasts = np.minimum(np.r_[gap, wide], np.r_[wide, gap]) if len(stamps) > 1 else np.full(len(stamps), wide)
    lasts = np.minimum(lasts, max(_LONGEST_ROW.value, wide))
    repeats = np.maximum(np.round(lasts / wide), 1.0).astype(int)
    if len(grid) and (repeats == 1).all() and not ((stamps - grid[0].value) % wide).any():
        return weather.reindex(grid)
    row = np.repeat(np.arange(len(stamps)), repeats)
    turn = np.arange(len(row)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    middle = stamps[row] + turn * wide + np.minimum(lasts, wide)[row] // 2
    first = grid[0].value if len(grid) else 0
    slot = (middle - first) // wide
    spread = weather.iloc[row]
    if "precipitation" in spread:
        spread = spread.assign(precipitation=spread["precipitation"].to_numpy(float) / repeats[row])
    kept = (slot >= 0) & (slot < len(grid))
    groups = spread[kept].groupby(slot[kept])
    table = groups.mean()
    if "precipitation" in spread:
        table["precipitation"] = groups["precipitation"].sum(min_count=1)
    return table.reindex(np.arange(len(grid))).set_axis(grid)


def _usual(values: np.ndarray, weight: np.ndarray, per_day: int) -> np.ndarray:
    """
    Sum of values over sum of weights at each time of day, over the nearest days where the value is known.
    """
    if np.isfinite(values).all():
        return values / weight
    pad = (0, -len(values) % per_day)
    days = np.pad(values, pad, constant_values=np.nan).reshape(-1, per_day)
    known = np.isfinite(days)
    parts = np.where(known, days, 0.0), np.where(known, np.pad(weight, pad).reshape(days.shape), 0.0)
    usual = np.full(days.shape, np.nan)
    for reach in (2, 7, 15, len(days)):
        total, weights = (_window(part, reach) for part in parts)
        with np.errstate(invalid="ignore", divide="ignore"):
            usual = np.where(np.isnan(usual) & (weights > 0), total / weights, usual)
    out = usual.ravel()[: len(values)]
    # A time of day that was never measured (a logger that starts late each morning) lies between its
    # neighbours.
    never = np.isnan(out)
    if never.any():
        out[never] = np.interp(np.flatnonzero(never), np.flatnonzero(~never), out[~never])
    return out


def _window(days: np.ndarray, reach: int) -> np.ndarray:
    run = np.cumsum(np.vstack([np.zeros((1, days.shape[1])), days]), axis=0)
    at = np.arange(len(days))
    return run[np.minimum(at + reach + 1, len(days))] - run[np.maximum(at - reach, 0)]
