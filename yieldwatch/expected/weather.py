"""
The weather on an even grid, its gaps modelled and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.errors import FieldDataError
from yieldwatch.portfolio.model import Site


@dataclass(frozen=True)
class GridWeather:
    """
    Weather at an even step without holes.

    Attributes
    ----------
    table : DataFrame
        Index `time` (UTC, interval start, even step). Columns as in `SiteData.weather`. Light and air temperature
        have no gaps; the other columns keep theirs.
    step : Timedelta
    modelled : ndarray of bool
        Intervals whose light or air temperature was not measured.
    """

    table: pd.DataFrame
    step: pd.Timedelta
    modelled: np.ndarray

    @property
    def hours(self) -> float:
        return self.step / pd.Timedelta(hours=1)


def grid_weather(weather: pd.DataFrame, step: pd.Timedelta, site: Site, start: pd.Timestamp, end: pd.Timestamp) -> GridWeather:
    """
    Put the weather on an even grid from `start` to `end` (exclusive) and model its gaps.

    A gap is filled by the mean of the same time of day over the nearest days that have it, up to 15 days
    either side; beyond that, by the same time of day and season of the whole record.

    Raises
    ------
    FieldDataError
        If there is no light or no air temperature at all.
    """
    grid = pd.date_range(start, end, freq=step, inclusive="left", name="time")
    table = weather.reindex(weather.index.union(grid)).loc[lambda d: ~d.index.duplicated()]
    table = table.reindex(grid) if weather.index.isin(grid).mean() > 0.9 else _resample(weather, grid, step)
    light = [c for c in ("ghi", "dhi", "dni", "poa_global") if c in table]
    main = [c for c in ("ghi", "poa_global") if c in table][:1]
    if not main or "temp_air" not in table or table[main[0]].notna().sum() == 0 or table["temp_air"].notna().sum() == 0:
        raise FieldDataError(
            f"sites/{site.id}/weather.csv: no usable light or air temperature between {start.date()} and {end.date()}. "
            "Expected ghi_w_m2 or poa_global_w_m2, and temp_air_c. Add weather that covers the period.")
    modelled = table[[*main, "temp_air"]].isna().any(axis=1).to_numpy()
    per_day = max(1, round(pd.Timedelta(days=1) / step))
    for name in [*light, "temp_air"]:
        table[name] = _fill(table[name].to_numpy(float), per_day)
    return GridWeather(table, step, modelled)


def _resample(weather: pd.DataFrame, grid: pd.DatetimeIndex, step: pd.Timedelta) -> pd.DataFrame:
    """Means (sums of rain) of rows whose stamps do not fall on the grid."""
    slot = weather.index.floor(step)
    how = {c: ("sum" if c == "precipitation" else "mean") for c in weather.columns}
    return weather.groupby(slot).agg(how).reindex(grid)


def _fill(values: np.ndarray, per_day: int) -> np.ndarray:
    hole = ~np.isfinite(values)
    if not hole.any():
        return values
    pad = -len(values) % per_day
    days = np.r_[values, np.full(pad, np.nan)].reshape(-1, per_day)
    for reach in (2, 7, 15, len(days)):
        total, count = np.zeros_like(days), np.zeros_like(days)
        known = np.isfinite(days)
        zero = np.where(known, days, 0.0)
        # Running sums over +-reach days, each time of day on its own.
        for source, target in ((zero, total), (known.astype(float), count)):
            run = np.cumsum(np.vstack([np.zeros((1, per_day)), source]), axis=0)
            lo = np.clip(np.arange(len(days)) - reach, 0, len(days))
            hi = np.clip(np.arange(len(days)) + reach + 1, 0, len(days))
            target[:] = run[hi] - run[lo]
        with np.errstate(invalid="ignore", divide="ignore"):
            days = np.where(known, days, np.where(count > 0, total / count, np.nan))
        if np.isfinite(days).all():
            break
    return days.ravel()[: len(values)]
