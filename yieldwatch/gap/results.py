"""
What the gap stage hands on: the loss of each interval and month by cause, with its doubt.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Evidence:
    """
    Why a cause has the size it has.

    Attributes
    ----------
    cause : str
    statement : str
        What the data show, with figures, units and period.
    readings : tuple of str
        Which readings say so.
    could_also_be : str
        What else would look like this; empty if nothing does.
    would_settle : str
        The measurement that would decide; empty if none is needed.
    """

    cause: str
    statement: str
    readings: tuple[str, ...] = ()
    could_also_be: str = ""
    would_settle: str = ""


@dataclass(frozen=True)
class SiteGap:
    """
    One site's gap between expected and measured, split by cause.

    Attributes
    ----------
    intervals : DataFrame
        Index `time` (UTC, interval start, the weather's step, every interval of the period). Columns:
        expected_kwh; measured_kwh (the measured energy of the month, shared among its intervals by
        modelled or logged output; NaN in a month without a measured value); one column a cause [kWh]
        (NaN where not assessed). Where measured_kwh is there, expected_kwh - measured_kwh is the
        sum of the causes.
    yields : DataFrame
        The contract's `yields.csv`.
    losses : DataFrame
        The contract's energy columns of `losses.csv`: site_id, month, cause, energy_kwh,
        energy_low_kwh, energy_high_kwh, basis.
    draws : dict of str to ndarray, shape (n_draws, n_months)
        Draws of each cause's monthly energy from the posterior. [kWh]
    months : tuple of str
        The months of `draws`, `YYYY-MM`.
    string_findings, downtime : DataFrame
        The contract's tables.
    evidence : tuple of Evidence
    not_told : tuple of str
        What could not be told, and why: one sentence each.
    """

    intervals: pd.DataFrame
    yields: pd.DataFrame
    losses: pd.DataFrame
    draws: dict[str, np.ndarray]
    months: tuple[str, ...]
    string_findings: pd.DataFrame
    downtime: pd.DataFrame
    evidence: tuple[Evidence, ...] = field(default=())
    not_told: tuple[str, ...] = field(default=())
