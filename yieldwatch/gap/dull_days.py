"""
Which days were dull enough to have rained, for weather without a gauge.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel

#: Light of a day against the brightest days of its season below which rain is likely, and rain of the dullest. [mm]
#: Common practice, no source.
_DULL, _DULLEST_MM = 0.35, 10.0
#: Days on either side that make a season, their quantile that is a bright day, and the share of a day's light that may be
#: modelled. Common practice, no source.
_SEASON, _BRIGHT, _MODELLED = 30, 0.9, 0.2


def likely_rain(model: SiteModel, dates: pd.DatetimeIndex) -> np.ndarray:
    """
    Rain that the light of each local day makes likely, shape (n_days,). [mm]

    Zero where the day is not dull, and the mean of its season where the day's light is not known.
    """
    local = model.times.tz_convert(model.site.tz).tz_localize(None).normalize()
    day = (local - dates[0]).days.to_numpy()
    light = np.max([plane.poa_global for plane in model.planes.values()], axis=0)
    total = np.bincount(day, weights=light, minlength=len(dates))
    modelled = np.bincount(day, weights=light * model.weather.modelled[model.at], minlength=len(dates))
    known = (total > 0) & (modelled < _MODELLED * total)
    if not known.any():
        return np.zeros(len(dates))
    of_year = dates.day_of_year.to_numpy()
    season = np.abs((of_year[None, :] - np.arange(1, 367)[:, None] + 183) % 366 - 183) <= _SEASON

    def usual(values: np.ndarray, reduce: Callable[[np.ndarray], float]) -> np.ndarray:
        near = [values[known & days] for days in season]
        return np.array([reduce(v) if len(v) else np.nan for v in near])[of_year - 1]

    bright = usual(total, lambda v: float(np.quantile(v, _BRIGHT)))
    with np.errstate(invalid="ignore", divide="ignore"):
        rain = _DULLEST_MM * np.clip(1.0 - total / bright / _DULL, 0.0, 1.0)
    return np.nan_to_num(np.where(known, rain, usual(rain, lambda v: float(np.mean(v)))), nan=0.0)
