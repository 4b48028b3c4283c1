"""
In which of the coming weeks a job can be done, and what forbids it in the others.

A week is closed by the usual weather of the site's own past years; what the sky does on the day is the crew's to judge.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.due import nesting_months
from yieldwatch.action.starts import N_WEEKS
from yieldwatch.constants import CREWS, OFFICE, work_of
from yieldwatch.expected.sun import sun_position
from yieldwatch.gap.attribute import SiteState
from yieldwatch.portfolio.days_off import WEEKEND, why_no_work
from yieldwatch.portfolio.model import Site

#: Least daylight for a day's work in the open. [h] Common practice, no source.
LEAST_DAYLIGHT_H = 6.0
#: Light in the array plane that an I-V test after a repair needs. [W/m²] IEC 62446-1 (from memory); IEC 61829 asks for 700.
LEAST_TEST_LIGHT_W_M2 = 400.0
#: Daytime air temperature below which nobody washes: water freezes on glass and paths. [°C] Common practice, no source.
LEAST_CLEANING_C = 3.0
#: Mean daytime wind in which neither lances nor cutters on poles are handled. [m/s] Common practice, no source.
MOST_WIND_M_S = 10.0
#: Hours of such light that make a test day, and such days that a week usually has to have. Common practice, no source.
_TEST_HOURS, _TEST_DAYS = 1.0, 1.0
#: Sun height from which on air temperature and wind are those of working hours. [°]
_WORKING_SUN = 10.0
#: Kinds that end with an I-V test, and kinds that are work in the open.
_TESTED = ("repair_string", "replace_modules", "inspect", "look_at_dirt")
_OUTDOORS = ("clean", "cut_vegetation", "repair_string", "replace_modules", "look_at_dirt", "look_at_plants")
_WET = ("clean", "look_at_dirt")
_STEPS = 144


def usual_weeks(state: SiteState, as_of: dt.date) -> pd.DataFrame:
    """
    The usual conditions of each of the coming weeks, from the site's own record.

    Parameters
    ----------
    state : SiteState
    as_of : date
        Week 0 begins on it.

    Returns
    -------
    DataFrame, index 0 to `N_WEEKS` - 1
        daylight_h; test_days, days a week with an hour or more of light for a test; temp_air_c, wind_m_s, means of working
        hours. NaN where the record holds nothing of that season.
    """
    model, site = state.model, state.model.site
    days = (state.blocks.dates[state.blocks.day[state.blocks.of]] - pd.Timestamp(as_of)).days
    week = np.minimum(np.mod(np.asarray(days), 365.25).astype(int) // 7, N_WEEKS - 1)
    table = model.weather.table.iloc[model.at]
    high = model.sun.elevation > _WORKING_SUN
    light = np.max([plane.poa_global for plane in model.planes.values()], axis=0)
    bright = light >= site.assumed("least_test_light_w_m2", LEAST_TEST_LIGHT_W_M2)
    intervals = pd.DataFrame({"day": days, "week": week, "hours": bright * model.weather.hours})
    by_day = intervals.groupby(["day", "week"])["hours"].sum()
    test = (by_day >= _TEST_HOURS).groupby("week").mean() * 7.0
    usual = pd.DataFrame({"daylight_h": daylight_hours(site, as_of)}, pd.RangeIndex(N_WEEKS))
    usual["test_days"] = test
    for name, column in (("temp_air_c", "temp_air"), ("wind_m_s", "wind_speed")):
        values = table[column].to_numpy(float) if column in table else np.full(len(week), np.nan)
        usual[name] = pd.Series(values[high]).groupby(week[high]).mean()
    return usual


def daylight_hours(site: Site, as_of: dt.date) -> np.ndarray:
    """Time that the sun is up in the middle of each coming week, shape (N_WEEKS,). [h]"""
    middle = pd.date_range(pd.Timestamp(as_of) + pd.Timedelta(days=3), periods=N_WEEKS, freq="7D")
    steps = pd.timedelta_range("0h", periods=_STEPS, freq="10min")
    times = pd.DatetimeIndex((middle.to_numpy()[:, None] + steps.to_numpy()).ravel()).tz_localize("UTC")
    up = sun_position(times, site.latitude, site.longitude, site.altitude_m).elevation > 0
    return up.reshape(N_WEEKS, _STEPS).mean(axis=1) * 24.0


def why_not(site: Site, job: Candidate, as_of: dt.date, lead_days: float, usual: pd.DataFrame | None) -> list[str]:
    """
    What forbids a job in each coming week; empty where nothing does.

    Parameters
    ----------
    site : Site
        Its assumptions replace the defaults of this module.
    job : Candidate
        A job for safety waits for nothing but its crew; desk work needs none.
    as_of : date
    lead_days : float
        Notice that the crew needs; NaN counts as none. [d]
    usual : DataFrame or None
        From `usual_weeks`. None, or NaN in it, forbids nothing.

    Returns
    -------
    list of str, length `N_WEEKS`
    """
    lead = 0.0 if math.isnan(lead_days) else lead_days
    said: list[list[str]] = [[] for _ in range(N_WEEKS)]
    for week in range(N_WEEKS):
        if 7 * week < lead:
            said[week].append(f"the crew needs {lead:.0f} days' notice")
    if CREWS.get(work_of(job.job_kind, job.cause)) != OFFICE:
        _days_off(said, site, as_of)
    if not job.safety:
        _birds(said, site, job, as_of)
        if usual is not None:
            _weather(said, site, job, usual)
    return ["; ".join(reasons) for reasons in said]


def _days_off(said: list[list[str]], site: Site, as_of: dt.date) -> None:
    """Weeks in which every day is a weekend's, a holiday or named as off."""
    for week, reasons in enumerate(said):
        off = [why_no_work(site, as_of + dt.timedelta(days=7 * week + k)) for k in range(7)]
        if all(off):
            reasons.append(f"no crew works: {', '.join(dict.fromkeys(why for why in off if why != WEEKEND))}")


def _birds(said: list[list[str]], site: Site, job: Candidate, as_of: dt.date) -> None:
    """Hedges and trees only: a mown field has its own season."""
    if job.job_kind != "cut_vegetation" or job.best_from is not None:
        return
    months = nesting_months(site)
    for week, reasons in enumerate(said):
        days = [as_of + dt.timedelta(days=7 * week + k) for k in range(7)]
        if any(day.month in months for day in days):
            reasons.append("birds may be nesting, and wildlife law in many countries protects nests in use: check local rules")


def _weather(said: list[list[str]], site: Site, job: Candidate, usual: pd.DataFrame) -> None:
    shortest = site.assumed("least_daylight_h", LEAST_DAYLIGHT_H)
    light = site.assumed("least_test_light_w_m2", LEAST_TEST_LIGHT_W_M2)
    coldest = site.assumed("least_cleaning_c", LEAST_CLEANING_C)
    windiest = site.assumed("most_wind_m_s", MOST_WIND_M_S)
    work = work_of(job.job_kind, job.cause)
    for row in usual.itertuples():
        reasons = said[row.Index]
        if work in _OUTDOORS and row.daylight_h < shortest:
            reasons.append(f"{row.daylight_h:.1f} h of daylight, under {shortest:g} h")
        if work in _TESTED and row.test_days < _TEST_DAYS:
            reasons.append(f"{light:.0f} W/m² for its measurement on {row.test_days:.1f} days of the week, usually")
        if work in _WET and row.temp_air_c < coldest:
            reasons.append(f"usually {row.temp_air_c:.0f} °C by day: frost")
        if work in ("clean", "cut_vegetation") and row.wind_m_s > windiest:
            reasons.append(f"wind usually {row.wind_m_s:.0f} m/s by day")
