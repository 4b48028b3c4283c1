"""
Whether a crew's sheet goes by another clock than the weather: summer time, or the local time where another was said.

A round takes an hour or more, over which the light in the plane rises, turns or falls, and clouds pass. Read an hour off, it does
so at another time than the weather's does.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.blocks import Blocks

#: Fewest readings with steady light of the weather around them, and the time that they must span. [min] Common practice, no
#: source.
_FEWEST, _SPAN_MIN = 10, 40.0
#: One reading against the weather's interval beyond what all readings of a sheet share; most that one reading may weigh; what all
#: may share. [fraction, standard uncertainties] Common practice, no source.
_SIGMA, _MOST, _SHARED = 0.02, 3.0, 0.06
#: In the units of chi-square: what a shift must explain, and what the best may leave for each reading. Common practice, no
#: source.
_CLEARLY, _GOOD = 25.0, 1.5
#: Light from which readings are compared, and steadiness of the weather's three intervals around. [W/m²] Common practice, no
#: source.
_LEAST_LIGHT, _STEADY = 200.0, 1.35
#: Intervals of weather that are fine enough.
_FINEST = pd.Timedelta(minutes=30)


def minutes_late(blocks: Blocks, readings: pd.DataFrame) -> float:
    """
    By how much the times of a visit's readings are late; nil where they are right or cannot be told. [min]

    Parameters
    ----------
    readings : DataFrame
        time, poa_global [W/m²], array.
    """
    times = pd.DatetimeIndex(readings["time"]).tz_convert("UTC")
    if blocks.model.weather.step > _FINEST or len(times) < _FEWEST:
        return 0.0
    offset = times[0].tz_convert(blocks.model.site.tz).utcoffset()
    zone = 0.0 if offset is None else offset.total_seconds() / 60.0
    misfit = {late: _misfit(blocks, readings, times - pd.Timedelta(minutes=late)) for late in {0.0, 60.0, -60.0, zone, -zone}}
    best = min(misfit, key=lambda late: (misfit[late], abs(late)))
    if not np.isfinite(misfit[best]) or misfit[best] > _GOOD * len(times):
        return 0.0
    return best if misfit[0.0] - misfit[best] > _CLEARLY else 0.0


def at_right_time(blocks: Blocks, readings: pd.DataFrame) -> pd.DataFrame:
    """The readings with their times put right."""
    late = minutes_late(blocks, readings)
    return readings.assign(time=readings["time"] - pd.Timedelta(minutes=late)) if late else readings


def weather_around(model: SiteModel, times: pd.DatetimeIndex) -> tuple[np.ndarray, np.ndarray]:
    """Place of each instant among the model's intervals, never the first or last, and whether measured weather covers it."""
    at = model.times.searchsorted(times, side="right") - 1
    inside = (at >= 1) & (at < len(model.times) - 1)
    at = np.clip(at, 1, len(model.times) - 2)
    inside &= (times - model.times[at] < model.weather.step) & ~model.weather.modelled[model.at[at]]
    return at, inside


def _misfit(blocks: Blocks, readings: pd.DataFrame, times: pd.DatetimeIndex) -> float:
    """Chi-square of the readings against the weather's light at these times; infinite where the weather cannot tell."""
    model = blocks.model
    middle = (model.times + model.weather.step / 2).as_unit("ns").asi8
    at, inside = weather_around(model, times)
    ratio = np.full(len(times), np.nan)
    for array, light in model.planes.items():
        here = inside & (readings["array"] == array).to_numpy()
        around = np.stack([light.poa_global[at[here] + k] for k in (-1, 0, 1)])
        with np.errstate(divide="ignore", invalid="ignore"):
            steady = (around.min(axis=0) > _LEAST_LIGHT) & (around.max(axis=0) / around.min(axis=0) < _STEADY)
            seen = np.interp(times[here].as_unit("ns").asi8, middle, light.poa_global)
            ratio[here] = np.where(steady, np.log(readings["poa_global"].to_numpy(float)[here] / seen), np.nan)
    known = np.isfinite(ratio)
    if known.sum() < _FEWEST or np.ptp(times[known].as_unit("ns").asi8) < _SPAN_MIN * 60e9:
        return np.inf
    shared = float(np.median(ratio[known]))
    each = np.minimum(np.abs(ratio[known] - shared) / _SIGMA, _MOST) ** 2
    # Readings without steady light count as much as these do, so that a shift into clouds gains nothing.
    return float(each.mean() * len(times) + (shared / _SHARED) ** 2)
