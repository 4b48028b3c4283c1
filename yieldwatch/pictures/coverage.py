"""
What share of each day's readings is there, for every table that is read at intervals.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from yieldwatch.pictures.base import Picture, Subject


def prepare(subject: Subject) -> Iterator[Picture]:
    """One picture a table: share of the day's intervals that hold a reading, by month of site time."""
    data, tz = subject.data, subject.site.tz
    if data.weather is not None and data.weather_step is not None:
        yield _monthly("weather", data.weather.index[data.weather.notna().any(axis=1)], data.weather_step, tz)
    if data.power is not None and data.power_step is not None:
        for inverter, rows in data.power.dropna(subset=["ac_power_kw"]).groupby("inverter_id", observed=True):
            yield _monthly(f"inverter {inverter}", pd.DatetimeIndex(rows["time"].unique()), data.power_step, tz)


def _monthly(item: str, times: pd.DatetimeIndex, step: pd.Timedelta, tz: object) -> Picture:
    local = times.tz_convert(tz)
    counts = pd.Series(1, index=local).groupby(local.strftime("%Y-%m")).sum()
    months = pd.period_range(counts.index[0], counts.index[-1], freq="M")
    counts = counts.reindex(months.strftime("%Y-%m"), fill_value=0)
    wanted = months.days_in_month * (pd.Timedelta(days=1) / step)
    return Picture("coverage", item, {"month": list(counts.index), "share": list(counts.to_numpy() / wanted)},
                   {"unit": "share of the month's intervals", "step_minutes": step / pd.Timedelta(minutes=1)})
