"""
What one unit of effect is worth on each day, through the whole chain with its limits: a kilowatt-hour above a rating is no gain.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

import numpy as np

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.split import Effect, output_with

#: Least and largest loss with which the chain is run to see what an effect is worth. [fraction]
_SMALL, _MOST = 0.02, 0.9


class DayWorth:
    """
    Energy and price of each day, and what an effect is worth.

    Parameters
    ----------
    state, data : SiteState, SiteData
    whole : bool
        Whether the effect is on an inverter's whole output, its downtime and derating in it, and not on its DC power.
    price : ndarray, shape (n_times,)
        [money/kWh]

    Attributes
    ----------
    kwh : ndarray, shape (n_inverters, n_days)
        What a small effect would be worth if it were of size one, at the meter, by inverter and local day. [kWh]
    kwh_by_power : ndarray, shape (n_inverters, n_days)
        The same times the DC power with nothing wrong at which it comes. [kWh kW]
    price : ndarray, shape (n_days,)
        Mean price of the day's energy; NaN where none is known. [money/kWh]
    """

    def __init__(self, state: SiteState, data: SiteData, whole: bool, price: np.ndarray):
        self._state, self._whole = state, whole
        self._now = output_with(state.model, state.effects)
        self._measured, self._modelled = _measured(state, data, self._now)
        small = self._now - self._with_loss(_SMALL, range(len(self._now)))
        self.kwh = self._days(small) / _SMALL
        self.kwh_by_power = self._days(small * state.model.dc) / _SMALL
        total, known = self._now.sum(axis=0), np.isfinite(price)
        day, n_days = state.blocks.day[state.blocks.of], len(state.blocks.dates)
        with np.errstate(invalid="ignore", divide="ignore"):
            self.price = (np.bincount(day, weights=np.where(known, price * total, 0.0), minlength=n_days)
                          / np.bincount(day, weights=np.where(known, total, 0.0), minlength=n_days))

    def _with_loss(self, loss: float, which: Iterable[int]) -> np.ndarray:
        """Output with this share of the power of some inverters taken, as of `output_with`. [kWh]"""
        factor = np.ones_like(self._now)
        factor[list(which)] = 1.0 - loss
        lost = Effect("proof", ac_factor=factor) if self._whole else Effect("proof", dc_factor=factor)
        return output_with(self._state.model, [*self._state.effects, lost])

    def _days(self, values: np.ndarray) -> np.ndarray:
        blocks = self._state.blocks
        return np.stack([np.bincount(blocks.day[blocks.of], weights=row, minlength=len(blocks.dates)) for row in values])

    def between(self, start: int, end: int, share: float, which: Collection[int]) -> float:
        """
        What an effect of that share on some inverters is worth over these days, over the share, at their measured level. [kWh]

        Near a rating a large loss takes more than a small one in proportion, and at the export limit of the site the other
        inverters make up for it.
        """
        rows = list(which)
        measured, modelled = (float(x[rows, start:end].sum()) for x in (self._measured, self._modelled))
        level = measured / modelled if measured > 0 and modelled > 0 else 1.0
        loss = float(np.clip(abs(share), _SMALL, _MOST))
        worth = self._days(self._now - self._with_loss(loss, rows)) / loss
        return float(worth[:, start:end].sum() * level)

    def ahead(self, day: int) -> tuple[np.ndarray, np.ndarray]:
        """
        `kwh` of the 365 days after a day, shape (n_inverters, 365), and the place in the history that each is taken from.

        Days after the history's end are taken from a year before; NaN and -1 where the history is too short for that.
        """
        n_days = self.kwh.shape[1]
        places = np.arange(day + 1, day + 366)
        places = np.where(places >= n_days, places - 365, places)
        known = (places >= 0) & (places < n_days)
        return np.where(known, self.kwh[:, np.where(known, places, 0)], np.nan), np.where(known, places, -1)


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
