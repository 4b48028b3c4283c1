"""
Past years of a site taken as the coming one.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.errors import NotEnoughData
from yieldwatch.gap.attribute import SiteState

#: Past years replayed at most. Common practice, no source.
MOST_YEARS = 3


@dataclass(frozen=True, eq=False)
class Replay:
    """
    One past year taken as the coming year.

    Attributes
    ----------
    back : int
        Years between the two.
    where : ndarray of int, shape (n_times,)
        Intervals of the history.
    blocks : ndarray of int, shape (n_blocks,)
        Blocks of the history.
    of : ndarray of int, shape (n_times,)
        Place of each interval's block in `blocks`.
    month : ndarray of int, shape (n_times,)
        Months ahead, 0 to 11.
    day : ndarray of int, shape (n_blocks,)
        Days ahead, from 0.
    """

    back: int
    where: np.ndarray
    blocks: np.ndarray
    of: np.ndarray
    month: np.ndarray
    day: np.ndarray


def months_from(first: dt.date | pd.Timestamp, months: int = 12) -> pd.DatetimeIndex:
    """Borders of months from a day on."""
    return pd.DatetimeIndex([pd.Timestamp(first) + pd.DateOffset(months=k) for k in range(months + 1)])


def past_years(state: SiteState, as_of: dt.date) -> tuple[list[Replay], tuple[str, ...]]:
    """
    The last full years before the as-of date, at most `MOST_YEARS`; part of one where there is no full year.

    Returns
    -------
    list of Replay
        The last year first.
    notices : tuple of str

    Raises
    ------
    NotEnoughData
        If none of them holds any weather.
    """
    blocks = state.blocks
    block_date = blocks.dates[blocks.day]
    age = (pd.Timestamp(as_of) - blocks.dates[0]).days
    full = int((age + 3) // 365.25)
    replays = []
    for back in range(1, max(1, min(full, MOST_YEARS)) + 1):
        bounds = months_from(pd.Timestamp(as_of) - pd.DateOffset(years=back))
        chosen = np.flatnonzero((block_date >= bounds[0]) & (block_date < bounds[-1]))
        if not len(chosen):
            continue
        place = np.full(blocks.n, -1)
        place[chosen] = np.arange(len(chosen))
        where = np.flatnonzero(place[blocks.of] >= 0)
        of = place[blocks.of[where]]
        month = bounds.searchsorted(block_date[chosen], side="right") - 1
        day = np.asarray((block_date[chosen] - bounds[0]).days)
        replays.append(Replay(back, where, chosen, of, month[of], day))
    if not replays:
        raise NotEnoughData(f"{state.model.site.id}: no weather in the {MOST_YEARS} years before {as_of}. Expected at least some "
                            "weeks of it. Choose an earlier --as-of date or add weather.")
    if full >= 1:
        return replays, ()
    return replays, (
        f"{age} days of history, less than a year: gains in months not seen yet are scaled from the months that were by the "
        "light outside the atmosphere, and their seasons' own troubles are not known.",)
