"""
How far an inverter's conversion will be below its curve: as far as it is now, or farther if it has been falling all along.

A part that broke leaves a step, which stays; what clogs, wears or ages goes on. Monthly losses are fitted by both shapes, and the
better fit says how likely the loss is to grow (Bayes factor of two models with as many unknowns, by their residuals).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.gap.attribute import SiteState

#: Standard uncertainty of a month's AC over DC against the curve, smoothed over three. Common practice, no source. [fraction]
_MONTH_U = 0.001
#: Chance that a fall of conversion goes on, before its shape is seen, and months that tell its shape. Common practice, no source.
_GOES_ON, _FEWEST = 0.6, 6
#: Months before the history at which a loss may have begun, and months at its end that cannot begin one.
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
    years = state.blocks.year_fraction
    now = float(values[years > years[-1] - 0.25].mean())
    if now <= 0:
        return Slope(now, 0.0)
    month = np.floor((years - years[-1]) * 12.0).astype(int)
    return Slope(now, *growth(np.array([values[month == m].mean() for m in np.unique(month)])))


def growth(monthly: np.ndarray) -> tuple[float, float]:
    """
    Rate at which a loss grows if it does, per year, and the chance that it does.

    Parameters
    ----------
    monthly : ndarray, shape (n_months,)
        Loss of each month with light, as -ln.
    """
    n = len(monthly)
    if n < _FEWEST or monthly.max() <= 0 or monthly[-_LAST:].mean() < _MENDED * monthly.max():
        return 0.0, 0.0
    month = np.arange(n)
    ramps = [np.maximum(month - began, 0.0) for began in range(-_BEFORE, n - _LAST)]
    steps = [(month >= began).astype(float) for began in range(n - _LAST)]
    misfit_ramp, rate = min(_fitted(monthly, shape) for shape in ramps)
    misfit_step, _ = min(_fitted(monthly, shape) for shape in steps)
    odds = _GOES_ON / (1.0 - _GOES_ON) * np.exp(np.clip((misfit_step - misfit_ramp) / (2.0 * _MONTH_U**2), -50.0, 50.0))
    return 12.0 * rate, float(odds / (1.0 + odds))


def _fitted(values: np.ndarray, shape: np.ndarray) -> tuple[float, float]:
    """Squared misfit of a shape scaled to the values, and its scale."""
    scale = float(values @ shape / (shape @ shape))
    return float(((values - scale * shape) ** 2).sum()), scale
