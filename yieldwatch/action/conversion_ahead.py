"""
How far an inverter's conversion will be below its curve: as far as it is now, or farther if it has been falling all along.

A part that broke leaves a step, which stays; what clogs, wears or ages goes on. Monthly losses are fitted by both shapes, and the
better fit says how likely the loss is to grow (Bayes factor of two models with as many unknowns, by their residuals).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState

#: Standard uncertainty of a month's AC over DC against the curve, smoothed over three. Common practice, no source. [fraction]
_MONTH_U = 0.001
#: Chance that a fall of conversion goes on, before its shape is seen, and months that tell its shape. Common practice, no source.
_GOES_ON, _FEWEST = 0.6, 6
#: Months before the history at which a loss may have begun, and months at its end that cannot begin a growth: in so short a time
#: it would be small, and what is not small broke.
_BEFORE, _LAST = 60, 3
#: Share of the largest loss below which the last months show it mended. Common practice, no source.
_MENDED = 0.5
#: Relative doubt of a rate of growth read off one or two years. Common practice, no source.
RATE_DOUBT = 0.3


@dataclass(frozen=True)
class Slope:
    """
    A loss and its growth.

    Attributes
    ----------
    now : float
        As -ln.
    rate : float
        Growth per year if it goes on, as -ln.
    chance : float
        That it goes on.
    """

    now: float
    rate: float
    chance: float = 1.0

    @property
    def per_year(self) -> float:
        """Growth per year in the mean, as -ln."""
        return self.rate * self.chance

    def at(self, years: np.ndarray | float) -> np.ndarray:
        """Loss in the mean so many years ahead, not beyond half of the power, as -ln."""
        return np.minimum(self.now + self.per_year * np.asarray(years), 0.7)


def conversion_slope(state: SiteState, inverter: int) -> Slope:
    """How far an inverter's conversion is below its curve now, and how fast that grows."""
    columns = [(c.values, v) for c, v in zip(state.posterior.columns, state.posterior.estimate, strict=True)
               if c.tag and c.tag[0] in ("efficiency", "clamp") and c.inverter == inverter]
    if not columns:
        return Slope(0.0, 0.0)
    values = sum(shape * v for shape, v in columns)
    months = state.blocks.dates.to_period("M")[state.blocks.day]
    return slope_of(pd.Series(values).groupby(months).mean().to_numpy())


def slope_of(monthly: np.ndarray) -> Slope:
    """
    A loss and the rate at which it grows if it does, and the chance that it does.

    Parameters
    ----------
    monthly : ndarray, shape (n_months,)
        Loss of each month with light, as -ln.
    """
    n, last = len(monthly), float(np.median(monthly[-_LAST:]))
    if n < _FEWEST or monthly.max() <= 0 or monthly[-1] < _MENDED * monthly.max():
        return Slope(last, 0.0, 0.0)
    month = np.arange(n)
    ramps = [np.maximum(month - began, 0.0) for began in range(-_BEFORE, n - _LAST)]
    steps = [(month >= began).astype(float) for began in range(n)]
    misfit_ramp, rate, ramp = min(_fitted(monthly, shape) for shape in ramps)
    misfit_step, _, step = min(_fitted(monthly, shape) for shape in steps)
    odds = _GOES_ON / (1.0 - _GOES_ON) * np.exp(np.clip((misfit_step - misfit_ramp) / (2.0 * _MONTH_U**2), -50.0, 50.0))
    chance = float(odds / (1.0 + odds))
    return Slope(chance * ramp + (1.0 - chance) * step, 12.0 * rate, chance)


def _fitted(values: np.ndarray, shape: np.ndarray) -> tuple[float, float, float]:
    """Squared misfit of a shape scaled to the values, its scale, and what it comes to in the last month."""
    scale = float(values @ shape / (shape @ shape))
    return float(((values - scale * shape) ** 2).sum()), scale, scale * float(shape[-1])
