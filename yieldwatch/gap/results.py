"""
What the gap stage hands on: the loss of each interval and month by cause, with its doubt.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from yieldwatch.gap.why import Why


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
        (NaN where not assessed); instructed_kwh, what of the curtailment came while the site was held
        down by instruction, the rest being limits left on. Where measured_kwh is there, expected_kwh -
        measured_kwh is the sum of the causes.
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
    obstacles : DataFrame
        Outline of what casts shade, over the months of `evidence`: see `yieldwatch.gap.obstacle`.
    evidence : tuple of Why
        One record a cause, over the last twelve months.
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
    obstacles: pd.DataFrame = field(default_factory=pd.DataFrame)
    evidence: tuple[Why, ...] = field(default=())
    not_told: tuple[str, ...] = field(default=())
