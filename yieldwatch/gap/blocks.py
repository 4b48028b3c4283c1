"""
Blocks of about an hour: the rows on which causes are told apart.

A block is a run of daylight intervals of one day within one step of sun azimuth. With the day it fixes
the sun's height as well, so that shade keeps its place; and it is long enough to tame the weather's noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.irradiance import PlaneLight
from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.dull_days import likely_rain

#: Width of a block in sun azimuth. [°] Fifteen degrees are about an hour.
AZIMUTH_STEP = 15.0


@dataclass(frozen=True, eq=False)
class Blocks:
    """
    The blocks of a site's history, arrays of shape (n_blocks,) unless said otherwise.

    Attributes
    ----------
    model : SiteModel
    of : ndarray of int, shape (n_times,)
        The block of each daylight interval.
    day : ndarray of int
        Local day, counted from the first.
    year_fraction : ndarray
        Years since the first day.
    day_of_year : ndarray
        1 to 366, local.
    azimuth, elevation : ndarray
        Mean sun position, weighted by expected energy. [°]
    beam_share : ndarray, shape (n_inverters, n_blocks)
    row_shade : ndarray
        Share of the light that the design rows take from each other, in the plane where it is largest.
    expected : ndarray, shape (n_inverters, n_blocks)
        Energy at the meter with nothing wrong. [kWh]
    temp_air : ndarray
        [°C]
    dates : DatetimeIndex, shape (n_days,)
        Local midnights as naive dates.
    rain : ndarray, shape (n_days,)
        Rain of each local day; NaN where no gauge was read. [mm]
    washing : ndarray, shape (n_days,)
        The same as dirt feels it: where no gauge was read, what the day's light makes likely, or output shows. [mm]
    """

    model: SiteModel
    of: np.ndarray
    day: np.ndarray
    year_fraction: np.ndarray
    day_of_year: np.ndarray
    azimuth: np.ndarray
    elevation: np.ndarray
    beam_share: np.ndarray
    row_shade: np.ndarray
    expected: np.ndarray
    temp_air: np.ndarray
    dates: pd.DatetimeIndex
    rain: np.ndarray
    washing: np.ndarray

    @property
    def n(self) -> int:
        return len(self.day)

    @property
    def groups(self) -> np.ndarray:
        """
        Which inverters look at the sky alike, shape (n_inverters,): labels of equal mixes of planes, to a tenth.

        Only these are peers by sun position: between planes an error of the sky model looks like shade.
        """
        mix = np.stack([self.model.plane_share[a] for a in sorted(self.model.plane_share)], axis=1)
        return np.unique(np.round(mix, 1), axis=0, return_inverse=True)[1].ravel()

    def total(self, values: np.ndarray) -> np.ndarray:
        """Sum daylight intervals, shape (..., n_times), into blocks, shape (..., n_blocks)."""
        rows = np.atleast_2d(values)
        out = np.stack([np.bincount(self.of, weights=row, minlength=self.n) for row in rows])
        return out if values.ndim == 2 else out[0]

    def share(self, part: np.ndarray) -> np.ndarray:
        """Mean of a share of each interval, (n_inverters, n_times), over the blocks, weighted by expected energy."""
        total = self.total(part * self.model.output())
        return np.where(self.expected > 0, total / np.maximum(self.expected, 1e-12), 0.0)

    def day_of(self, time: pd.Timestamp) -> int:
        """Local day number of an instant, counted from the first day; may lie outside the history."""
        return int((pd.Timestamp(time.tz_convert(self.model.site.tz).date()) - self.dates[0]).days)


def make_blocks(model: SiteModel) -> Blocks:
    """Cut a site's daylight intervals into blocks."""
    local = model.times.tz_convert(model.site.tz)
    date = local.tz_localize(None).normalize()
    first = date[0]
    day = (date - first).days.to_numpy()
    # Counted from north in the south, so that no block straddles the jump at 0/360 at noon.
    turn = model.sun.azimuth if model.site.latitude >= 0 else (model.sun.azimuth + 180.0) % 360.0
    step = np.floor(turn / AZIMUTH_STEP).astype(int)
    _, start, of = np.unique(day * 100 + step, return_index=True, return_inverse=True)
    expected_t = model.output()
    n = len(start)
    weight = np.maximum(expected_t.sum(axis=0), 1e-9)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(of, weights=values * weight, minlength=n) / np.bincount(of, weights=weight, minlength=n)

    beam = sum(model.plane_share[a][:, None] * mean(light.beam_share)[None, :] for a, light in model.planes.items())
    dates = pd.date_range(first, date[-1])
    azimuth = mean(turn) if model.site.latitude >= 0 else (mean(turn) + 180.0) % 360.0
    block_day = day[start]
    rain = _daily_rain(model, dates)
    return Blocks(
        model,
        of,
        block_day,
        block_day / 365.25,
        dates[block_day].day_of_year.to_numpy(),
        azimuth,
        mean(model.sun.elevation),
        np.asarray(beam),
        np.max([mean(_row_shade(light)) for light in model.planes.values()], axis=0),
        np.stack([np.bincount(of, weights=row, minlength=n) for row in expected_t]),
        mean(np.nan_to_num(model.weather.table["temp_air"].to_numpy(float)[model.at], nan=15.0)),
        dates,
        rain,
        np.where(np.isnan(rain), likely_rain(model, dates), rain) if np.isnan(rain).any() else rain,
    )


def _row_shade(light: PlaneLight) -> np.ndarray:
    """Share of an inner row's light that the rows around it take, per interval."""
    best = np.max(list(light.effective.values()), axis=0)
    return np.where(best > 1.0, 1.0 - light.effective["inner"] / np.maximum(best, 1.0), 0.0)


def _daily_rain(model: SiteModel, dates: pd.DatetimeIndex) -> np.ndarray:
    table = model.weather.table
    if "precipitation" not in table:
        return np.full(len(dates), np.nan)
    local = table.index.tz_convert(model.site.tz).tz_localize(None).normalize()
    daily = table["precipitation"].groupby(local).sum(min_count=1)
    return daily.reindex(dates).to_numpy(float)
