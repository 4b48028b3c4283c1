"""
Medians by month and place, kept so that any months can be put together with the interval of what they give.

A place is a bin of the sky, or of an inverter's load. Readings of a day share their error, so that days are what is counted.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from yieldwatch.pictures.base import rounded

#: Days that a month must have at a place for their scatter to say something. Common practice, no source.
_FEWEST_DAYS = 3
#: A median's 90 % half interval, over the median absolute deviation and the root of the days.
TO_BOUND = 1.645 * 1.2533 * 1.4826


class Found(NamedTuple):
    """What some months give at a place; the bounds are NaN where no month had days enough."""

    value: float
    low: float
    high: float
    days: int


def by_month(
    name: str, place: np.ndarray, value: np.ndarray, month: np.ndarray, day: np.ndarray, decimals: int
) -> tuple[dict[str, list], list[int], list[float]]:
    """
    Median over each month's days of each day's median, at each place.

    Parameters
    ----------
    name : str
        Of the column of values, with its unit.
    place, month : ndarray of int
    value, day : ndarray
        Of the same length.

    Returns
    -------
    columns : dict
        `month`, `place` (the place's number in the next), the values, `days`: a row for each month and place.
    places : list of int
    scatter : list of float
        Of each place: median absolute deviation of its days from their month, NaN where no month has enough.
    """
    frame = pd.DataFrame({"place": place, "month": month, "day": day, "value": value})
    daily = frame.groupby(["place", "month", "day"])["value"].median().reset_index()
    monthly = daily.groupby(["place", "month"])["value"].agg(["median", "size"])
    daily = daily.join(monthly, on=["place", "month"])
    scatter = (daily["value"] - daily["median"]).abs().where(daily["size"] >= _FEWEST_DAYS).groupby(daily["place"]).median()
    at = {p: n for n, p in enumerate(scatter.index)}
    columns = {
        "month": [int(m) for _, m in monthly.index],
        "place": [at[p] for p, _ in monthly.index],
        name: [int(v) for v in monthly["median"].round()] if decimals == 0 else rounded(monthly["median"], decimals),
        "days": [int(n) for n in monthly["size"]],
    }
    return columns, [int(p) for p in scatter.index], rounded(scatter, decimals + 1)


def over_months(
    name: str, columns: Mapping[str, Sequence], about: Mapping[str, Any], months: Collection[str]
) -> dict[int, Found]:
    """
    What some months give, by place: mean of their medians, weighted by days.

    Parameters
    ----------
    columns, about : mapping
        Of a picture: `by_month`'s columns, and in `about` the names of its `months` and the places' `scatter`.
    months : collection of str
    """
    wanted = {n for n, m in enumerate(about["months"]) if m in months}
    sums: dict[int, list[float]] = {}
    for month, place, value, days in zip(columns["month"], columns["place"], columns[name], columns["days"], strict=True):
        if month in wanted:
            at = sums.setdefault(place, [0.0, 0.0])
            at[0] += days * value
            at[1] += days
    found = {}
    for place, (total, days) in sums.items():
        scatter = about["scatter"][place]
        half = np.nan if scatter is None else TO_BOUND * scatter / np.sqrt(days)
        found[place] = Found(total / days, total / days - half, total / days + half, int(days))
    return found
