"""
The price of energy in each interval, by the tariff in force that day in site time.

Nothing is filled here: an interval that no tariff or no market price covers has no price.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.portfolio.model import Site, Tariff, TariffBand

#: Interval of a series with a single row, whose step cannot be seen. Common practice, no source.
LONE_STEP = pd.Timedelta(hours=1)
#: Finest slice of an interval that is looked at, because bands are set to the minute.
_FINEST_S = 60
_MINUTE = 60
_DAY_MINUTES = 24 * 60

PRICE_COLUMNS = ["export_price", "import_price", "curtailment_paid"]


def prices_at(site: Site, index: pd.DatetimeIndex, prices: pd.DataFrame | None) -> pd.DataFrame:
    """
    Price of energy in each interval.

    Parameters
    ----------
    site : Site
        Its tariffs hold from `start` up to and not including `end`; where two overlap, the one that
        starts later holds.
    index : DatetimeIndex, UTC
        Starts of the intervals, rising; their step is the usual distance between them.
    prices : DataFrame or None
        Market prices: index UTC, interval start; column price_per_kwh. A price holds until the next
        one, at most for the usual step.

    Returns
    -------
    DataFrame, same index
        export_price : what a kWh sold brings. [money/kWh]
        import_price : what a kWh used on site saves; NaN where the tariff names none. [money/kWh]
        curtailment_paid : share of the export price that is paid while held down. [fraction]

        NaN where no tariff is in force, and where a market price is missing.

    Notes
    -----
    An interval that holds several prices (a shorter price interval, a band that starts inside it)
    gets their mean by time, because energy inside an interval has no known shape.

    The index applies to the price and to every band from each anniversary of `start`, not to import
    or floor prices, which other contracts set. A tariff from 29 February has its anniversary on
    1 March in a common year.
    """
    index = pd.DatetimeIndex(index)
    if not len(index) or not site.tariffs:
        return pd.DataFrame(np.nan, index, PRICE_COLUMNS)
    return pd.DataFrame(np.mean(_parts(site, index, prices), axis=0), index, PRICE_COLUMNS)


def is_mixed(site: Site, index: pd.DatetimeIndex, prices: pd.DataFrame | None) -> np.ndarray:
    """Whether an interval of `prices_at` holds more than one export price. Bool, shape (n,)."""
    if not len(index) or not site.tariffs:
        return np.zeros(len(index), dtype=bool)
    export = [part[:, 0] for part in _parts(site, pd.DatetimeIndex(index), prices)]
    return np.asarray(np.ptp(export, axis=0) > 0)


def _parts(site: Site, index: pd.DatetimeIndex, prices: pd.DataFrame | None) -> list[np.ndarray]:
    """Prices of each slice of the intervals in which none changes, each of shape (n, 3)."""
    market = None if prices is None else prices["price_per_kwh"]
    edges = _band_edges(site)
    if market is not None and any(t.kind == "market" for t in site.tariffs):
        edges = np.union1d(edges, _seconds_of_day(pd.DatetimeIndex(market.index)))
    return [_price_now(site, times, market) for times in _slices(index, edges, site)]


def usual_step(index: pd.DatetimeIndex) -> pd.Timedelta:
    """The most frequent distance between the times of an index; one hour for a single time."""
    steps = index.to_series().diff().dropna()
    return LONE_STEP if steps.empty else pd.Timedelta(steps.mode().iloc[0])


def interval_mean(series: pd.Series, index: pd.DatetimeIndex) -> np.ndarray:
    """
    Mean of a stepwise series over each interval.

    Parameters
    ----------
    series : Series
        Index UTC, interval start; each value holds until the next, at most for the usual step.
    index : DatetimeIndex, UTC
        Starts of the intervals.

    Returns
    -------
    ndarray, shape (n_intervals,)
        NaN where any part of the interval has no value.
    """
    edges = _seconds_of_day(pd.DatetimeIndex(series.index))
    return np.mean([held(series, times) for times in _slices(index, edges)], axis=0)


def held(series: pd.Series, times: pd.DatetimeIndex) -> np.ndarray:
    """Value of a stepwise series at each time; NaN beyond the usual step of its last value."""
    if series.empty:
        return np.full(len(times), np.nan)
    starts = pd.DatetimeIndex(series.index)
    at = starts.searchsorted(times, side="right") - 1
    within = (at >= 0) & (times < starts[np.maximum(at, 0)] + usual_step(starts))
    return np.where(within, series.to_numpy(dtype=float)[np.maximum(at, 0)], np.nan)


def _slices(
    index: pd.DatetimeIndex, edges: np.ndarray, site: Site | None = None
) -> Iterator[pd.DatetimeIndex]:
    """Cut every interval into equal slices so that no edge (seconds of a day) falls inside one."""
    step = max(int(usual_step(index).total_seconds()), 1)
    starts = _seconds_of_day(index)
    if site is not None:
        starts = np.union1d(starts, _seconds_of_day(_wall_clock(index, site)))
    cut = int(np.gcd.reduce(np.concatenate([[step], starts, edges]).astype(np.int64)))
    if cut < _FINEST_S:
        cut = _FINEST_S if step % _FINEST_S == 0 else step
    for k in range(step // cut):
        yield index + pd.Timedelta(seconds=k * cut)


def _seconds_of_day(index: pd.DatetimeIndex) -> np.ndarray:
    return np.unique(index.hour * 3600 + index.minute * 60 + index.second)


def _band_edges(site: Site) -> np.ndarray:
    minutes = [m for t in site.tariffs for b in t.bands for m in (b.start_minute, b.end_minute)]
    return np.unique(np.array(minutes, dtype=np.int64) * _MINUTE)


def _wall_clock(times: pd.DatetimeIndex, site: Site) -> pd.DatetimeIndex:
    return times.tz_convert(site.timezone).tz_localize(None)


def _price_now(site: Site, times: pd.DatetimeIndex, market: pd.Series | None) -> np.ndarray:
    """Prices at single times, shape (n_times, 3)."""
    wall = _wall_clock(times, site)
    day = wall.normalize()
    out = np.full((len(times), 3), np.nan)
    for tariff in sorted(site.tariffs, key=lambda t: t.start):
        on = np.asarray(day >= pd.Timestamp(tariff.start))
        if tariff.end is not None:
            on &= np.asarray(day < pd.Timestamp(tariff.end))
        if on.any():
            out[on, 0] = _export_price(tariff, times[on], wall[on], market)
            own = tariff.import_price_per_kwh
            out[on, 1] = np.nan if own is None else own
            out[on, 2] = tariff.curtailment_paid_pct / 100.0
    return out


def _export_price(
    tariff: Tariff, times: pd.DatetimeIndex, wall: pd.DatetimeIndex, market: pd.Series | None
) -> np.ndarray:
    if tariff.kind == "market":
        price = np.full(len(times), np.nan) if market is None else held(market, times)
        return price if tariff.floor_price is None else np.maximum(price, tariff.floor_price)
    base = np.nan if tariff.price_per_kwh is None else tariff.price_per_kwh
    price = np.full(len(times), base, dtype=float)
    for band in reversed(tariff.bands):  # so that the first band named wins where two overlap
        price[_in_band(band, wall)] = band.price_per_kwh
    return price * (1.0 + tariff.index_pct_per_year / 100.0) ** anniversaries(tariff.start, wall)


def anniversaries(start: dt.date, wall: pd.DatetimeIndex) -> np.ndarray:
    """Anniversaries of `start` that have passed at each local time."""
    not_yet = (wall.month < start.month) | ((wall.month == start.month) & (wall.day < start.day))
    return np.asarray(wall.year - start.year - not_yet)


def _in_band(band: TariffBand, wall: pd.DatetimeIndex) -> np.ndarray:
    minute = np.asarray(wall.hour * 60 + wall.minute)
    weekday = np.asarray(wall.day_of_week)
    today = np.isin(weekday, band.days)
    if band.start_minute < band.end_minute:
        return today & (minute >= band.start_minute) & (minute < band.end_minute)
    # Past midnight: the hours after it belong to the day on which the band began.
    yesterday = np.isin((weekday - 1) % 7, band.days)
    return (today & (minute >= band.start_minute)) | (yesterday & (minute < band.end_minute % _DAY_MINUTES))
