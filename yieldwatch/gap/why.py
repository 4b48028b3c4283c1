"""
The record of why a cause has the size it has, for people and for machines.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True)
class Reading:
    """
    One kind of reading that a cause rests on.

    Attributes
    ----------
    what : str
    count : int
    unit : str
        What is counted.
    first, last : date or None
        Days of the first and the last one, site time; None where there is none or it has no date.
    """

    what: str
    count: int
    unit: str
    first: dt.date | None = None
    last: dt.date | None = None


@dataclass(frozen=True)
class Figure:
    """
    One number of the pattern.

    Attributes
    ----------
    name : str
    value : float
    unit : str
    low, high : float or None
        Ends of its 90 % interval; None where it is a count or a reading.
    where : str
        Identifier of an inverter or a string, or a month; empty for the site.
    note : str
    """

    name: str
    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    where: str = ""
    note: str = ""


@dataclass(frozen=True)
class Rival:
    """
    What the energy of a cause trades off with.

    Attributes
    ----------
    name : str
        A cause, or one of `yieldwatch.gap.energy_draws.NOT_LOSSES`.
    correlation : float
        Of the two energies by draw of the posterior, -1 to 1. Negative: what one has less the other has more.
    moves_kwh : float
        How far the cause's energy moves, on average, as the rival goes from its middle to an end of its 90 % interval. [kWh]
    """

    name: str
    correlation: float
    moves_kwh: float


@dataclass(frozen=True)
class Turn:
    """
    What it would take to change the answer.

    Attributes
    ----------
    name : str
    value : float or None
        None where nothing of this kind would.
    unit : str
    says : str
        A sentence.
    """

    name: str
    value: float | None
    unit: str
    says: str


@dataclass(frozen=True)
class Why:
    """
    Why a cause has the size it has at a site.

    Attributes
    ----------
    cause, basis : str
    from_month, to_month : str
        First and last month of the energy, `YYYY-MM`.
    energy_kwh, low_kwh, high_kwh : float
        Estimate and 90 % interval over these months; NaN where not assessed. [kWh]
    share : float
        Of the energy expected in these months. [fraction]
    readings : tuple of Reading
    pattern : str
        What the readings show, in sentences.
    figures : tuple of Figure
        The same as numbers, and those that the sentences leave out.
    rivals : tuple of Rival
        By the posterior's draws; empty for causes that are read off and not inferred.
    looks_like : str
        What else makes such a pattern; empty if nothing does.
    settle : str
        The measurement that would decide; empty if none is needed.
    turns : tuple of Turn
    why_not : str
        Why it could not be assessed, or by a prior only; empty otherwise.
    """

    cause: str
    basis: str
    from_month: str
    to_month: str
    energy_kwh: float
    low_kwh: float
    high_kwh: float
    share: float
    readings: tuple[Reading, ...] = ()
    pattern: str = ""
    figures: tuple[Figure, ...] = ()
    rivals: tuple[Rival, ...] = ()
    looks_like: str = ""
    settle: str = ""
    turns: tuple[Turn, ...] = ()
    why_not: str = ""

    @property
    def assessed(self) -> bool:
        return self.basis != "not_assessed"
