"""
What a job returns if it is done later: its gain by month for each of a few start days.

Between these days a return is taken to change evenly.
"""

from __future__ import annotations

import numpy as np

#: Days ahead on which a later start is reckoned, four weeks apart through a year. [d]
START_DAYS = np.arange(0, 365, 28)
#: Weeks ahead for which returns are given: the coming year.
N_WEEKS = 53
#: Limits of the factor that brings the linear reckoning of a later start to what the whole chain gives for the first one.
_FACTOR = (0.5, 2.0)


def left_after(day_month: np.ndarray, day_share: np.ndarray) -> np.ndarray:
    """
    Share of each month's light that comes on or after each start day.

    Parameters
    ----------
    day_month : ndarray of int, shape (n_days,)
        Month ahead of each day.
    day_share : ndarray, shape (n_days,)
        Each day's share of its month.

    Returns
    -------
    ndarray, shape (n_starts, n_months)
    """
    day = np.arange(len(day_month))
    return by_month(day_share * (day >= START_DAYS[:, None]), day_month)


def by_month(daily: np.ndarray, day_month: np.ndarray) -> np.ndarray:
    """Sums over each month of daily values, shape (..., n_days) to (..., n_months)."""
    return np.add.reduceat(daily, np.flatnonzero(np.diff(day_month, prepend=-1)), axis=-1)


def to_scale(later: np.ndarray, start: float, total_kwh: float) -> np.ndarray:
    """
    Later starts brought to what the whole chain gives for one of them.

    Parameters
    ----------
    later : ndarray, shape (n_starts, n_draws, n_months)
        Reckoned linearly. [kWh]
    start : float
        Day on which `total_kwh` was reckoned to begin. [d]
    total_kwh : float
        Mean over the draws of what the whole chain gives. [kWh]
    """
    mean = np.interp(start, START_DAYS, later.sum(axis=2).mean(axis=1))
    return later * (np.clip(total_kwh / mean, *_FACTOR) if mean > 0 and total_kwh > 0 else 1.0)
