"""
A job that could be done, before its cost is known.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Candidate:
    """
    One job that would win back a loss.

    Attributes
    ----------
    site_id, job_kind, cause : str
    scope : tuple of str
        ("site",) or identifiers of strings or inverters.
    units : dict of str to float
        How much of each cost unit the job takes: module, string, inverter, hectare, metre, visit.
    gain_kwh, gain_value : ndarray, shape (n_draws, n_months)
        Energy and money that the job returns in each month after the as-of date, against leaving
        things as they are, in usual weather; one row a draw of the posterior. [kWh], [money]
    confidence : float
        Probability that the loss to be mended is really there, 0 to 1.
    why : str
        One or two sentences with figures that the crew and the owner read.
    comes_back : str
        How the loss returns after the job, in plain words.
    safety : bool
        True for a finding that must be made safe whatever it returns.
    best_from, best_to : str or None
        "MM-DD" borders of the season in which to do it; None for any time.
    later : ndarray, shape (n_starts, n_draws, n_months), or None
        For a loss that comes back, `gain_value` if the job is done on each of `starts.START_DAYS` instead. [money]
    left : ndarray, shape (n_starts, n_months), or None
        For a loss that stays mended, the share of each month's gain that is still to come on each of those days.
    promise_factor : float
        Mean factor by which the gains were multiplied for what past promises came to.
    size : ndarray, shape (n_draws,), or None
        The loss that the job mends as a reading would show it, -ln of what it leaves: of the light for a cleaning, of the
        string's or the inverter's output for a repair. None where no reading of `readings` shows it.
    deadline : date or None
        Last day on which it can be done at all.
    awaits_look : bool
        Held back until the look that stands beside it has shown that it pays.
    chance_of_work : float
        Of such a look, the chance that it calls for the job, 0 to 1; NaN of any other job.
    """

    site_id: str
    job_kind: str
    cause: str
    scope: tuple[str, ...]
    units: dict[str, float]
    gain_kwh: np.ndarray
    gain_value: np.ndarray
    confidence: float
    why: str
    comes_back: str
    safety: bool = False
    best_from: str | None = None
    best_to: str | None = None
    later: np.ndarray | None = None
    left: np.ndarray | None = None
    promise_factor: float = 1.0
    size: np.ndarray | None = None
    deadline: dt.date | None = None
    awaits_look: bool = False
    chance_of_work: float = np.nan
