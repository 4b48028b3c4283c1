"""
When the light is likely to be strong enough for readings in the coming months, by month and hour of the day.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.action.dirt_ahead import SHIFTS
from yieldwatch.gap.attribute import SiteState

#: Light in the array plane that a trace on site needs. [W/m²] IEC 61829 (from memory); IEC 62446-1 is content with 400.
LEAST_TRACE_LIGHT_W_M2 = 700.0
#: Months ahead, and share of a month's days that the record must hold before it speaks for the month. Common practice, no source.
MONTHS, _ENOUGH = 12, 0.5
BRIGHT_COLUMNS = ["site_id", "month", "hour", "light_w_m2", "hours", "hours_low", "hours_high", "years"]


def bright_hours(state: SiteState, as_of: dt.date) -> pd.DataFrame:
    """
    Hours with light enough for a trace, in each of the coming months and hours of the day.

    Parameters
    ----------
    state : SiteState
    as_of : date
        The first month is the one that begins on or after it.

    Returns
    -------
    DataFrame, `BRIGHT_COLUMNS`
        month "YYYY-MM" and hour (0 to 23) in site time; hours, how much of that hour of the day has the light, summed over the
        month; hours_low and hours_high, 5 and 95 % over the years of the record, each shifted by up to four weeks either way;
        years, how many years of the record speak for the month. Only hours of the day that have such light in some month of
        the record; a month that the record lacks is left blank.

    Notes
    -----
    The means of the record's intervals: light that comes and goes within one may be strong enough on average and yet too
    unsteady for a trace, which only the day shows.
    """
    model, site = state.model, state.model.site
    least = site.assumed("least_trace_light_w_m2", LEAST_TRACE_LIGHT_W_M2)
    local = model.times.tz_convert(site.tz)
    light = np.max([plane.poa_global for plane in model.planes.values()], axis=0)
    day = np.asarray((local.tz_localize(None).normalize() - state.blocks.dates[0]).days)
    n_days = len(state.blocks.dates)
    bright = np.zeros((n_days, 24))
    np.add.at(bright, (day, np.asarray(local.hour)), (light >= least) * model.weather.hours)
    used = np.flatnonzero(bright.sum(axis=0) > 0)
    first = pd.Timestamp(as_of).to_period("M") + int(as_of.day > 1)
    rows = []
    for month in pd.period_range(first, periods=MONTHS, freq="M"):
        sums, years = _like(month, bright, state.blocks.dates)
        for hour in used:
            low, high = np.quantile(sums[:, hour], [0.05, 0.95]) if years else (np.nan, np.nan)
            mean = sums[:, hour].mean() if years else np.nan
            rows.append((site.id, str(month), int(hour), least, mean, low, high, years))
    return pd.DataFrame(rows, columns=BRIGHT_COLUMNS)


def _like(month: pd.Period, bright: np.ndarray, dates: pd.DatetimeIndex) -> tuple[np.ndarray, int]:
    """Bright hours of the record's months like a coming one, shape (n_windows, 24), and how many years they are from."""
    length, windows, years = month.days_in_month, [], set()
    for year in range(dates[0].year - 1, dates[-1].year + 2):
        start = (pd.Timestamp(year, month.month, 1) - dates[0]).days
        for shift in SHIFTS:
            days = np.arange(start + shift, start + shift + length)
            days = days[(days >= 0) & (days < len(dates))]
            if len(days) > _ENOUGH * length:
                windows.append(bright[days].sum(axis=0) * length / len(days))
                years.add(year)
    return np.array(windows).reshape(-1, 24), len(years)
