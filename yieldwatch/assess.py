"""
The only place that runs the stages in their order.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Portfolio, Site


@dataclass(frozen=True)
class SiteAssessment:
    """
    The answer for one site.

    `losses` is the contract's `losses.csv`, energy and money. `rounds` is what each string showed in
    each IV round, `clamp_checks` what each clamp reading showed.
    """

    site: Site
    data: SiteData
    gap: SiteGap
    losses: pd.DataFrame
    rounds: pd.DataFrame
    clamp_checks: pd.DataFrame


@dataclass(frozen=True)
class Assessment:
    """
    The answer for a portfolio: one record a site, and the work list over all sites.

    `work_list` and `set_aside` are the contract's tables; `period` is the reported span, start
    inclusive and end exclusive, and `as_of` the date at which the history ends.
    """

    portfolio: Portfolio
    as_of: dt.date
    period: tuple[dt.date, dt.date]
    sites: tuple[SiteAssessment, ...]
    work_list: pd.DataFrame
    set_aside: pd.DataFrame
    notices: tuple[str, ...]
