"""
What a preparer gets and what it gives.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Site


@dataclass(frozen=True)
class Subject:
    """One site and all that the stages found of it; `rounds` and `clamps` as in `SiteAssessment`."""

    site: Site
    data: SiteData
    state: SiteState
    gap: SiteGap
    losses: pd.DataFrame
    rounds: pd.DataFrame
    clamps: pd.DataFrame


@dataclass(frozen=True)
class Picture:
    """
    One prepared series of a site.

    Attributes
    ----------
    kind : str
        The preparer's module, such as "coverage".
    item : str
        What it is of: an inverter, a string, a year; empty for the site.
    columns : mapping of str to sequence
        Columns of equal length, named with their unit; text, numbers (NaN where missing) or times (UTC).
    about : mapping of str to object
        Single facts: unit, from, to, coverage, and what else its page says.
    """

    kind: str
    item: str
    columns: Mapping[str, Sequence]
    about: Mapping[str, object] = field(default_factory=dict)


def rounded(values: Iterable[float], decimals: int) -> list[float]:
    """Numbers with no more decimals than a picture shows; NaN stays."""
    return [round(float(v), decimals) for v in values]
