"""
Snow: days on which all inverters give far less than they could while snow lies or has just fallen.

Read off the log like a spell, because no rate tells when a roof of snow slides off. Without a log the weather says what
may lie and slide (Marion et al.), and the meter's winter periods how fast it slid.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog

#: Depth on the ground at which snow counts as lying: a film of millimetres covers modules too. [m] Common practice, no source.
_LIES = 0.001
#: Below this air temperature precipitation is taken for snow. [°C] Common practice, no source.
FREEZES = 1.0
#: Days for which fallen snow is thought to stay on modules where no depth is recorded. Common practice, no source.
_STAYS_DAYS = 3
#: Share of the day's energy that must be missing on the median inverter.
UNSEEN_ON_A_DAY = 0.15
#: How fast snow slides, in slant heights per hour at a tilt whose sine is 1: 0.197 on the two fixed-tilt sites of Marion et al.,
#: Solar Energy 97 (2013) 112, who found other values on roofs; infinite where cold precipitation did not stay at all. And the
#: chance of each before the meter has spoken. Common practice, no source.
SLIDES, _SLIDE_CHANCE = (0.05, 0.1, 0.197, 0.4, 0.8, np.inf), (0.1, 0.15, 0.25, 0.2, 0.15, 0.15)
#: Part of a period's chance that is the site's winter's. Common practice, no source.
_AS_USUAL = 0.5
#: New snow in an hour that covers the modules whole, of the same source's 1 cm: less also gathers over hours. [cm]
_COVERS_CM = 0.1
#: Depth on the ground below which none lies on the modules. Same source. [cm]
_NONE_BELOW_CM = 1.0
#: Air temperature above which snow slides: in-plane light over this, so below zero in sun. Same source. [W/(m² °C)]
_SLIDES_BEYOND = -80.0
#: Fresh snow is about ten times as deep as its water: 1 mm is 1 cm. Common practice, no source.
_CM_PER_MM = 1.0
#: Slope of a tracker's modules over the day, on average. [°] Common practice, no source.
_TRACKER_TILT = 25.0


def snow_days(model: SiteModel) -> np.ndarray:
    """Daylight intervals of local days with lying or freshly fallen snow, bool, shape (n_times,)."""
    table = model.weather.table
    local = table.index.tz_convert(model.site.tz).tz_localize(None).normalize()
    snowy = pd.Series(False, pd.Index(local.unique()))
    recorded = "snow_depth" in table and bool(table["snow_depth"].notna().any())
    if recorded:
        snowy |= table["snow_depth"].groupby(local).max() >= _LIES
    if "precipitation" in table:
        falls = ((table["precipitation"] > 0) & (table["temp_air"] < FREEZES)).groupby(local).any()
        snowy |= falls if recorded else falls.rolling(_STAYS_DAYS, min_periods=1).max() > 0
    day = model.times.tz_convert(model.site.tz).tz_localize(None).normalize()
    return pd.Series(snowy).reindex(day, fill_value=False).to_numpy(bool)


def snow_left(model: SiteModel, log: InverterLog | None, potential: np.ndarray, running: np.ndarray) -> np.ndarray:
    """
    What snow leaves of each inverter's power, 1 without snow, shape (n_inverters, n_times).

    Parameters
    ----------
    potential : ndarray, shape (n_inverters, n_times)
        AC power each inverter could give in its own state. [kW]
    running : ndarray of bool, same shape
        Where it was neither off nor held down: that says nothing of snow.
    """
    left = np.ones(model.dc.shape)
    candidates = snow_days(model)
    if log is None or not candidates.any():
        return left
    could = np.minimum(potential, model.rating)
    known = np.isfinite(log.ac) & running
    day = pd.factorize(model.times.tz_convert(model.site.tz).tz_localize(None).normalize())[0]
    given = np.stack([np.bincount(day, weights=np.where(k, a, 0.0)) for k, a in zip(known, log.ac, strict=True)])
    able = np.stack([np.bincount(day, weights=np.where(k, c, 0.0)) for k, c in zip(known, could, strict=True)])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = over_known(np.nanmedian, np.where(able > 0, given / able, np.nan), axis=0)
    covered = candidates & (share[day] < 1.0 - UNSEEN_ON_A_DAY)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.clip(log.ac / could, 0.0, 1.0)
    # An interval without a reading on a covered day takes the day's own share.
    return np.where(covered, np.where(known & (could > 0), ratio, np.clip(share[day], 0.0, 1.0)), left)


def snow_cover(model: SiteModel, slide: float) -> np.ndarray:
    """
    Share of each inverter's modules that lies under snow by the weather alone, shape (n_inverters, n_times).

    New snow is cold precipitation, or where no gauge tells of it what the snow on the ground gained; it lies until sun and thaw
    let it slide, at the latest until none is left on the ground. After Marion et al., Solar Energy 97 (2013) 112. A module half
    covered is taken to lose half.

    Parameters
    ----------
    slide : float
        One of `SLIDES`.
    """
    table = model.weather.table
    cover = np.zeros(model.dc.shape)
    if np.isinf(slide) or not snow_days(model).any():
        return cover
    hours = model.times.floor("1h")
    hourly = table.resample("1h")
    temp_air = hourly["temp_air"].mean().interpolate()
    depth = None
    if "snow_depth" in table and table["snow_depth"].notna().any():
        depth = hourly["snow_depth"].mean().ffill() * 100.0
    fall = _new_snow(table, temp_air, depth)
    for array in model.site.arrays:
        poa = pd.Series(0.0, table.index)
        poa.iloc[model.at] = np.nan_to_num(model.planes[array.id].poa_global)
        tilt = array.tilt_deg if array.mount == "fixed" and array.tilt_deg is not None else _TRACKER_TILT
        lying = slid_cover(fall, poa.resample("1h").mean(), temp_air, tilt, depth, slide)
        cover += model.plane_share[array.id][:, None] * lying.reindex(hours).fillna(0.0).to_numpy()[None, :]
    return np.clip(cover, 0.0, 1.0)


def _new_snow(table: pd.DataFrame, temp_air: pd.Series, depth: pd.Series | None) -> pd.Series:
    """
    New snow of each hour, by the gauge, and by the rise of the depth where no gauge tells. [cm]

    Without the latter no snow ever falls on a farm whose gauge is missing or broken, and what its winters lack is told as shade.
    """
    rise = pd.Series(0.0, temp_air.index) if depth is None else depth.diff().clip(lower=0.0).fillna(0.0)
    if "precipitation" in table:
        gauge = table["precipitation"].resample("1h").sum(min_count=1) * _CM_PER_MM
        rise = gauge.where(gauge.notna(), rise)
    return rise.where(temp_air < FREEZES, 0.0)


def slid_cover(
    fall: pd.Series, poa: pd.Series, temp_air: pd.Series, tilt: float, depth: pd.Series | None, slide: float
) -> pd.Series:
    """
    Share of a row's slant height under snow, hour by hour, after Marion et al., Solar Energy 97 (2013) 112.

    Parameters
    ----------
    fall : Series
        New snow of the hour, hourly index, which the others share. [cm]
    poa, temp_air : Series
        [W/m²], [°C]
    tilt : float
        [°]
    depth : Series or None
        On the ground. [cm] Below 1 cm there is none on the modules either.
    slide : float
        Slant heights per hour at a tilt whose sine is 1.
    """
    fresh = (fall >= _COVERS_CM) if depth is None else (fall >= _COVERS_CM) & (depth >= _NONE_BELOW_CM)
    moves = (temp_air > poa / _SLIDES_BEYOND) & ~fresh
    away = np.where(moves, slide * np.sin(np.radians(tilt)), 0.0)
    if depth is not None:
        away = np.where(depth < _NONE_BELOW_CM, 1.0, away)
    since = fresh.cumsum()
    left = 1.0 - pd.Series(away, fall.index).groupby(since).cumsum()
    return left.where(since > 0, 0.0).clip(lower=0.0)


def slide_chances(misfit: np.ndarray, site: np.ndarray | None = None) -> np.ndarray:
    """
    Chance of each of `SLIDES`, shape (n_slides,).

    Parameters
    ----------
    misfit : ndarray, shape (n_slides,)
        Chi-squared of the meter's periods with snow in them.
    site : ndarray, optional
        What all of a site's winter says, where one period is asked for: no snow is quite like another.
    """
    before = np.array(_SLIDE_CHANCE)
    if site is not None:
        before = _AS_USUAL * site + (1.0 - _AS_USUAL) * before
    chance = before * np.exp(-0.5 * (misfit - misfit.min()))
    return np.asarray(chance / chance.sum())
