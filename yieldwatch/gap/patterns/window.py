"""
What the tellers of patterns look at, and what they say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.split import Split
from yieldwatch.gap.why import Figure, Turn

#: Chance that a fault is dirt from which it is said. Common practice, no source.
_PERHAPS_DIRT = 0.05
#: Names of months in sentences.
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, eq=False)
class Window:
    """
    A site over the months that its evidence is told for.

    Attributes
    ----------
    state : SiteState
    data : SiteData
    findings : DataFrame
        From `yieldwatch.gap.findings.string_findings`.
    split : Split
    obstacles : DataFrame
        From `yieldwatch.gap.obstacle.outlines`.
    downtime : DataFrame
        From `yieldwatch.gap.spell_table.downtime_table`, of these months.
    months : tuple of str
        `YYYY-MM`.
    inside : ndarray of bool, shape (n_times,)
        Daylight intervals of these months.
    expected_kwh : float
    unexplained : ndarray, shape (n_months,)
        NaN in months that nothing measured. [kWh]
    """

    state: SiteState
    data: SiteData
    findings: pd.DataFrame
    split: Split
    obstacles: pd.DataFrame
    downtime: pd.DataFrame
    months: tuple[str, ...]
    inside: np.ndarray
    expected_kwh: float
    unexplained: np.ndarray

    @property
    def names(self) -> list[str]:
        return self.state.model.inverter_ids

    @property
    def days(self) -> np.ndarray:
        """Local days of the history that lie in these months, shape (n_days,), bool."""
        return np.bincount(self.state.blocks.day[self.state.blocks.of[self.inside]], minlength=len(self.state.blocks.dates)) > 0

    def taken(self, cause: str) -> np.ndarray:
        """Energy the cause took, by inverter and interval of the window. [kWh]"""
        energy = self.split.energy.get(cause)
        return np.zeros((len(self.names), int(self.inside.sum()))) if energy is None else energy[:, self.inside]

    def perhaps_dirt(self) -> list[Figure]:
        """Of each string whose loss is told as dirt in part, the chance that it is dirt and no fault."""
        name = "chance that it lies on the glass, told as dirt"
        return [
            Figure(name, f.on_glass, "probability", where=" ".join(f.strings))
            for f in self.state.faults
            if f.on_glass >= _PERHAPS_DIRT
        ]

    def percent(self, kwh: float) -> str:
        return f"{100.0 * kwh / self.expected_kwh:.1f} % of expected energy"

    def hours(self, on: np.ndarray) -> float:
        """Daylight hours of the window in which something was so, over inverters where `on` has them."""
        return float(on[..., self.inside].sum() * self.state.model.weather.hours)

    def events(self, kind: str) -> int:
        """How many of the kind began in these months."""
        if not len(self.data.events):
            return 0
        start = self.data.events.loc[self.data.events["kind"] == kind, "start"]
        return int(pd.DatetimeIndex(start).tz_convert(self.state.model.site.tz).strftime("%Y-%m").isin(self.months).sum())


@dataclass(frozen=True)
class Told:
    """What a teller says of a cause."""

    pattern: str
    figures: tuple[Figure, ...] = ()
    looks_like: str = ""
    settle: str = ""
    turns: tuple[Turn, ...] = ()


def interval(draws: np.ndarray, value: float) -> tuple[float, float]:
    low, high = np.quantile(draws, (0.05, 0.95))
    return min(float(low), float(value)), max(float(high), float(value))


def month_words(name: str) -> str:
    return f"{MONTHS[int(name[5:]) - 1]} {name[:4]}"


def count(n: int, one: str, many: str = "") -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"
