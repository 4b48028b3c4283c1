"""
Whether the weather's light drifts against a second source: age, or dirt that stays on the sensor.

Two sources have two biases, which tell nothing; how their ratio moves over a year or more does. The second source is no better
than the first by itself, so nothing is corrected by it: it is a row of evidence, and frees an unknown else held near nil.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse, stats

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.level import LIGHT_DRIFT

_LIGHT = ("ghi", "poa_global")
#: Months that a trend takes, and days of both sources that make a month.
_MONTHS, _DAYS = 18, 10
#: Share of a day's intervals that must be there, and ratio of two days beyond which they are no one sky.
_WHOLE, _SAME_SKY = 0.9, 0.4
#: What a modelled source may itself drift by. [1/year] Common practice, no source.
_SECOND_DRIFT = 0.003
#: Standard uncertainties, and drift, beyond which the sensor is said to drift. [1/year] The second is the most that ISO 9060
#: allows class A in a year.
_BEYOND, _LEAST = 3.0, 0.008
#: Degrees of freedom that the months of a trend leave at the least. Common practice, no source.
_FEWEST_FREE = 3.0


@dataclass(frozen=True)
class LightDrift:
    """By how much the weather's light rises against the second source, and its standard uncertainty. [1/year]"""

    per_year: float
    doubt: float

    @property
    def counts(self) -> bool:
        """Whether it is beyond chance, and beyond what a good sensor may do."""
        return abs(self.per_year) > max(_BEYOND * self.doubt, _LEAST)


def light_drift(data: SiteData, tz: str) -> LightDrift | None:
    """
    Trend of the weather's light over the second source's, over months and clear of the seasons; None where it cannot be told.

    Only like is compared with like: horizontal with horizontal light, or in-plane with in-plane. The doubt is by Student's
    distribution, and by the correlation of neighbouring months without its bias in short series (Marriott & Pope, Biometrika 41
    (1954) 390; from memory).
    """
    if data.weather is None or data.weather_2 is None:
        return None
    for column in _LIGHT:
        if all(column in table and table[column].notna().any() for table in (data.weather, data.weather_2)):
            return _trend(_daily(data.weather[column], tz), _daily(data.weather_2[column], tz))
    return None


def drift_rows(columns: list[Column], drift: LightDrift | None) -> list[Rows]:
    """The trend as a row on the unknown drift of the light; none where it does not count."""
    if drift is None or not drift.counts:
        return []
    place = next(j for j, c in enumerate(columns) if c.name == LIGHT_DRIFT)
    design = sparse.csr_matrix(([1.0], ([0], [place])), shape=(1, len(columns)))
    return [Rows("light against the second source", design, np.array([-drift.per_year]), np.ones(1), drift.doubt, 1.0)]


def _daily(values: pd.Series, tz: str) -> pd.Series:
    """Mean light of each local day, NaN where a tenth of it or more is missing."""
    times = pd.DatetimeIndex(values.index)
    per_day = pd.Timedelta(days=1) / pd.Series(times).diff().median()
    groups = values.clip(lower=0.0).groupby(times.tz_convert(tz).tz_localize(None).normalize())
    return groups.mean().where(groups.count() >= _WHOLE * per_day)


def _trend(first: pd.Series, second: pd.Series) -> LightDrift | None:
    both = pd.DataFrame({"first": first, "second": second}).dropna()
    both = both[(both > 0).all(axis=1)]
    ratio = np.log(both["first"] / both["second"])
    ratio = ratio[(ratio - ratio.median()).abs() < _SAME_SKY]
    months = ratio.groupby(pd.DatetimeIndex(ratio.index).to_period("M"))
    by_month = months.median()[months.count() >= _DAYS]
    if len(by_month) < _MONTHS:
        return None
    middle = by_month.index.to_timestamp() + pd.Timedelta(days=15)
    years = np.asarray((middle - middle[0]) / pd.Timedelta(days=365.25))
    turn = 2.0 * np.pi * years
    design = np.column_stack([np.ones(len(years)), years - years.mean(), np.cos(turn), np.sin(turn)])
    found, *_ = np.linalg.lstsq(design, by_month.to_numpy(float), rcond=None)
    rest = by_month.to_numpy(float) - design @ found
    # A model's error lasts for weeks: each month's holds part of the month before. Read off a few months it comes out too small.
    n, lasting = len(years), float(np.corrcoef(rest[:-1], rest[1:])[0, 1])
    lasting = float(np.clip(lasting + (1.0 + 4.0 * lasting) / n, 0.0, 0.8))
    free = n - design.shape[1]
    spread = float((rest**2).sum()) / free * (1.0 + lasting) / (1.0 - lasting)
    # So few months know their own scatter badly: wider, until the limit is passed by chance as seldom as a normal would.
    few = stats.t.isf(stats.norm.sf(_BEYOND), max(free * (1.0 - lasting) / (1.0 + lasting), _FEWEST_FREE)) / _BEYOND
    doubt = few * np.sqrt(spread * np.linalg.inv(design.T @ design)[1, 1])
    return LightDrift(float(found[1]), float(np.hypot(doubt, _SECOND_DRIFT)))
