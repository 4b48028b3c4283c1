"""
What one unit of effect is worth on each day, through the whole chain with its limits: a kilowatt-hour above a rating is no gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.split import Effect, output_with

#: Loss with which the chain is run to see what a small effect is worth. [fraction]
_SMALL = 0.02


@dataclass(frozen=True, eq=False)
class DayWorth:
    """
    Energy that an effect of size one is worth.

    Attributes
    ----------
    kwh : ndarray, shape (n_inverters, n_days)
        At the meter, by inverter and local day. [kWh]
    price : ndarray, shape (n_days,)
        Mean price of the day's energy; NaN where none is known. [money/kWh]
    measured, modelled : ndarray, shape (n_inverters, n_days)
        What was measured, and what the model gives for the same intervals with all that it knows on. [kWh]
    """

    kwh: np.ndarray
    price: np.ndarray
    measured: np.ndarray
    modelled: np.ndarray

    def between(self, start: int, end: int) -> np.ndarray:
        """`kwh` summed over these days, at the level that was measured in them, shape (n_inverters,)."""
        measured, modelled = (x[:, start:end].sum(axis=1) for x in (self.measured, self.modelled))
        level = np.where((measured > 0) & (modelled > 0), measured / np.where(modelled > 0, modelled, 1.0), 1.0)
        return np.asarray(self.kwh[:, start:end].sum(axis=1) * level)

    def ahead(self, day: int) -> tuple[np.ndarray, np.ndarray]:
        """
        Energy of the 365 days after a day, shape (n_inverters, 365), and the place in the history that each is taken from.

        Days after the history's end are taken from a year before; NaN and -1 where the history is too short for that.
        """
        n_days = self.kwh.shape[1]
        places = np.arange(day + 1, day + 366)
        places = np.where(places >= n_days, places - 365, places)
        known = (places >= 0) & (places < n_days)
        return np.where(known, self.kwh[:, np.where(known, places, 0)], np.nan), np.where(known, places, -1)


def day_worth(state: SiteState, data: SiteData, whole: bool, price: np.ndarray) -> DayWorth:
    """
    Parameters
    ----------
    whole : bool
        Whether the effect is on an inverter's whole output, its downtime and derating in it, and not on its DC power.
    price : ndarray, shape (n_times,)
        [money/kWh]
    """
    blocks = state.blocks
    day, n_days = blocks.day[blocks.of], len(blocks.dates)

    def by_day(values: np.ndarray) -> np.ndarray:
        return np.stack([np.bincount(day, weights=row, minlength=n_days) for row in values])

    now = output_with(state.model, state.effects)
    if whole:
        worth = by_day(state.model.output() * state.off.grid)
    else:
        less = [*state.effects, Effect("proof", dc_factor=np.full(now.shape, 1.0 - _SMALL))]
        worth = by_day((now - output_with(state.model, less)) / _SMALL)
    total = now.sum(axis=0)
    known = np.isfinite(price)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (np.bincount(day, weights=np.where(known, price * total, 0.0), minlength=n_days)
                / np.bincount(day, weights=np.where(known, total, 0.0), minlength=n_days))
    return DayWorth(worth, mean, *_measured(state, data, now))


def _measured(state: SiteState, data: SiteData, now: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Measured and modelled energy of the same time by inverter and day; of the meter, shared alike by all inverters. [kWh]"""
    blocks = state.blocks
    day, n_days = blocks.day[blocks.of], len(blocks.dates)
    if state.log is not None:
        known = np.isfinite(state.log.ac)
        both = (np.where(known, state.log.ac, 0.0) * state.model.weather.hours * state.model.to_meter, np.where(known, now, 0.0))
        got, could = (np.stack([np.bincount(day, weights=row, minlength=n_days) for row in values]) for values in both)
        return got, could
    metered: np.ndarray = np.zeros((len(now), n_days))
    modelled: np.ndarray = np.zeros_like(metered)
    total = np.r_[0.0, np.cumsum(np.bincount(day, weights=now.sum(axis=0), minlength=n_days))]
    for first, last, kwh in meter_by_day(blocks, data.meter) or []:
        metered[:, first], modelled[:, first] = kwh, total[last] - total[first]
    return metered, modelled
