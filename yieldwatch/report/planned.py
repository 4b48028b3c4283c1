"""
What papers of the plan are made from, whoever made it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Protocol

import pandas as pd

from yieldwatch.portfolio.model import Portfolio, Site


class Found(Protocol):
    """What is known of a site's strings, and of what casts shade on it."""

    @property
    def string_findings(self) -> pd.DataFrame: ...

    @property
    def obstacles(self) -> pd.DataFrame: ...


class PlannedSite(Protocol):
    """A site to be visited, such as a `SiteAssessment`."""

    @property
    def site(self) -> Site: ...

    @property
    def gap(self) -> Found: ...


class Planned(Protocol):
    """A plan and what its papers are made from: an `Assessment`, or the same as it was kept."""

    @property
    def portfolio(self) -> Portfolio: ...

    @property
    def as_of(self) -> dt.date: ...

    @property
    def sites(self) -> Sequence[PlannedSite]: ...

    @property
    def work_list(self) -> pd.DataFrame: ...

    @property
    def plan(self) -> pd.DataFrame: ...
