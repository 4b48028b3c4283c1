"""
How what a job took away comes back.

Dirt that rain leaves, and hedges, go on growing where nobody works, too. While both grow alike, what the job took off stays
taken off; once what was left alone has reached all that it will be, the other closes in on it. Which of the two a site is in,
a year or two of readings do not show. So the pace of the return is taken to lie anywhere from nil to that of the second case.
"""

from __future__ import annotations

import numpy as np


def paces(back_in_years: float, n_draws: int, rng: np.random.Generator) -> np.ndarray:
    """Pace of the return by draw, shape (n_draws,): evenly from nil to back by 63 % in `back_in_years`. [1/a]"""
    return rng.uniform(0.0, 1.0 / back_in_years, n_draws)


def kept(years: np.ndarray, back_in_years: float) -> np.ndarray:
    """
    Share of what a job took off that is still off, in the mean of all `paces`.

    Parameters
    ----------
    years : ndarray
        Since the job, 0 or more.
    back_in_years : float

    Returns
    -------
    ndarray, same shape
        The mean of exp(-pace x years), which is (1 - exp(-x)) / x with x = years / back_in_years.
    """
    x = np.maximum(np.asarray(years, dtype=float) / back_in_years, 1e-9)
    return -np.expm1(-x) / x


def against_mean(pace: np.ndarray, back_in_years: float, months: int) -> np.ndarray:
    """How many times the mean of `kept` each draw keeps in each month, shape (n_draws, months)."""
    years = (np.arange(months) + 0.5) / 12.0
    return np.exp(-pace[:, None] * years) / kept(years, back_in_years)
