"""
Light whose values themselves are wrong: a stuck value, and a ceiling above which the logger or the sensor reads no more.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.clear_sky import clear_site
from yieldwatch.expected.sun import sun_position
from yieldwatch.portfolio.model import Site

#: Sun height above which light cannot stand still, and how long it must have. [°, h] The sun alone moves it by more. Common
#: practice, no source.
_UP_DEG, _STILL_HOURS, _FEWEST = 8.0, 1.5, 3
#: Width of the ceiling as a share of it, how many times as many readings as in a band below, and the least readings and days.
_CEILING_BAND, _PILE, _CEILING_READINGS, _CEILING_DAYS = 0.002, 8.0, 20, 5
_BANDS_BELOW = 5
#: Light over the cloudless sky's at which an interval beside the ceiling counts as clear. Common practice, no source.
_CLEAR = 0.85


def ceiling_of(values: np.ndarray, day: np.ndarray) -> float:
    """
    The value at which readings pile up at the top; NaN where they thin out toward it, as light does.

    Parameters
    ----------
    values : ndarray, shape (n,)
        [W/m²]
    day : ndarray of int, shape (n,)
        Local day of each.
    """
    if not np.isfinite(values).any():
        return float("nan")
    top = float(np.nanmax(values))
    band = max(_CEILING_BAND * top, 0.05)
    at = values >= top - band
    below = ((values < top - band) & (values >= top - (1 + _BANDS_BELOW) * band)).sum() / _BANDS_BELOW
    piled = at.sum() >= max(_CEILING_READINGS, _PILE * below) and len(np.unique(day[at])) >= _CEILING_DAYS
    return top - band if piled else float("nan")


def stuck_light(values: np.ndarray, elevation: np.ndarray, step: pd.Timedelta) -> np.ndarray:
    """
    Flag runs of one repeated value that last while the sun is well up; the night of such a run is flagged with it.

    Parameters
    ----------
    values, elevation : ndarray, shape (n,)
        Light in the order of time [W/m²] and height of the sun [°].
    step : Timedelta
    """
    starts = np.append(True, values[1:] != values[:-1])  # NaN differs from itself, so it stands alone
    run = np.cumsum(starts) - 1
    up = np.bincount(run, weights=elevation > _UP_DEG)[run]
    least = max(_FEWEST, int(np.ceil(pd.Timedelta(hours=_STILL_HOURS) / step)))
    return (up >= least) & np.isfinite(values)


def above_ceiling(
    site: Site, column: str, light: pd.Series, step: pd.Timedelta, ceiling: float, temp_air: pd.Series
) -> pd.Series:
    """
    The light with readings at its ceiling put where the cloudless sky stands, as the sensor reads it below the ceiling.

    No lower than the ceiling: that much there was.
    """
    times = pd.DatetimeIndex(light.index)
    day = times.tz_convert(site.tz).normalize()
    near = times[day.isin(day[(light >= ceiling).to_numpy()].unique())]
    clear = clear_site(site, near, step, temp_air.reindex(near).fillna(15.0).to_numpy(float))[column]
    read = light.reindex(near)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = read / clear
    below = (read < ceiling) & (clear > 0.5 * ceiling) & (ratio > _CLEAR)
    level = float(ratio[below].median()) if below.any() else 1.0
    top = read >= ceiling
    return light.where(light < ceiling, (level * clear).where(top).reindex(times).clip(lower=ceiling)).where(light.notna())


def sun_elevation(site: Site, times: pd.DatetimeIndex, step: pd.Timedelta) -> np.ndarray:
    """Height of the sun at the middle of each interval. [°]"""
    return sun_position(times + step / 2, site.latitude, site.longitude, site.altitude_m).elevation
