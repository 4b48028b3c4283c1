"""
What was proven of a job.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from yieldwatch.proof.done import DoneJob


@dataclass(frozen=True)
class Proof:
    """
    What was proven of one job.

    Attributes
    ----------
    job : DoneJob
    first, last : date
        First and last day measured after the work.
    gain_kwh : ndarray, shape (n_draws,)
        Won back over these days; empty where nothing tells. [kWh]
    price : float
        Mean price of the energy of these days; NaN where none is known. [money/kWh]
    year_share : float
        Gain of a year over that of the days measured; NaN where the history cannot say.
    methods : tuple of str
        "peers", "model", "meter", "readings" or "sun" (the same sun positions), whichever were used.
    peers : tuple of str
        Inverters that served as control.
    before_days, after_days : int
        Days that the series holds on either side; 0 where there is none.
    promised_kwh : float
        For the same days; NaN without a promise. [kWh]
    doubts : tuple of str
        What the figures have to be read with, whole sentences.
    sun_back : date or None
        Of a cut: when the sun is next in shaded positions that it has hardly been in since.
    closed : bool
        Whether no more days count: a year has passed, or the next work on the same parts was done.
    """

    job: DoneJob
    first: dt.date
    last: dt.date
    gain_kwh: np.ndarray
    price: float
    year_share: float
    methods: tuple[str, ...] = ()
    peers: tuple[str, ...] = ()
    before_days: int = 0
    after_days: int = 0
    promised_kwh: float = float("nan")
    doubts: tuple[str, ...] = ()
    sun_back: dt.date | None = None
    closed: bool = False
