"""
What a kWh won back in the months to come will be worth.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.cost.tariffs import interval_mean, prices_at, usual_step
from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import Site, Tariff

#: Ways to group history, finest first; a coarser one stands in where a finer one has no history.
_GROUPS = (["month", "hour", "weekend"], ["month", "hour"], ["hour"])


def price_outlook(
    site: Site, data: SiteData, as_of: dt.date, months: int, generation_kwh: pd.Series | None = None, whole: bool = False
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Hourly price of one more kWh, or of all that is made, from the as-of date on.

    Parameters
    ----------
    site : Site
    data : SiteData
    as_of : date
        The outlook starts with this day in site time.
    months : int
        How many months it holds.
    generation_kwh : Series, optional
        Past generation, index UTC, interval start: hours that made more count for more, because a market pays less in sun, and
        with the load it tells how often one more kWh would be used on site. [kWh]
    whole : bool
        Whether all energy is to be valued, of which the share that the site used counts, and not the chance that one more kWh
        would have been used.

    Returns
    -------
    outlook : DataFrame
        Index UTC, hourly. month_ahead (0 for the first month after `as_of`), export_price,
        import_price, curtailment_paid as in `prices_at`; self_use_share, the chance that one more kWh is used on site, or the
        share of all that is; value_per_kwh, what it is worth. [money/kWh] NaN where it cannot be told.
    notices : tuple of str
        What was assumed, in whole sentences.

    Notes
    -----
    Market prices are taken to be the mean of the same calendar month, hour and kind of day (Monday to Friday, or weekend) in the
    history, floor applied before the mean, weighted by generation where it is given; a known contract that ends is taken to go
    on, or to be followed by the site's assumed `price_after_tariff_per_kwh`.
    """
    start = pd.Timestamp(as_of)
    bounds = pd.DatetimeIndex([start + pd.DateOffset(months=k) for k in range(months + 1)])
    earlier = np.ones(len(bounds), dtype=bool)  # of the two hours where a midnight comes twice
    local = bounds.tz_localize(site.timezone, nonexistent="shift_forward", ambiguous=earlier)
    borders = local.tz_convert("UTC")
    index = pd.date_range(borders[0].floor("h"), borders[-1], freq="h", inclusive="left", name="time")
    future, notes = _future_tariffs(site, as_of, bounds[-1].date())
    prices, market_notes = _typical_prices(future, data, index, generation_kwh)
    out = prices_at(future, index, prices)
    out.insert(0, "month_ahead", np.maximum(borders.searchsorted(index, side="right") - 1, 0))
    out["self_use_share"], own_notes = _self_use_share(site, data, index, generation_kwh, whole)
    saved = out["import_price"].fillna(out["export_price"])
    out["value_per_kwh"] = out["export_price"] + out["self_use_share"] * (saved - out["export_price"])
    return out, (*notes, *market_notes, *own_notes)


def value_of_energy(site: Site, outlook: pd.DataFrame, profile_kwh: pd.Series) -> pd.Series:
    """
    Mean value of a kWh in each month to come, weighted by when it is made.

    Parameters
    ----------
    site : Site
    outlook : DataFrame
        From `price_outlook`.
    profile_kwh : Series
        Energy of past intervals, index UTC, interval start: the loss to be won back, or generation.
        Its mean by calendar month and hour gives the weights. [kWh]

    Returns
    -------
    Series, shape (n_months,)
        Index month_ahead. [money/kWh] NaN where an hour with weight has no price. A month whose
        profile is all zero has the plain mean.
    """
    index = pd.DatetimeIndex(outlook.index)
    weight = pd.Series(_typical(profile_kwh, index, site), index).clip(lower=0)
    worth = (weight * outlook["value_per_kwh"]).where(weight != 0, 0.0)
    frame = pd.DataFrame({
        "month_ahead": outlook["month_ahead"], "weight": weight, "worth": worth,
        "blank": worth.isna(), "plain": outlook["value_per_kwh"],
    })
    by = frame.groupby("month_ahead")
    total = by["weight"].sum()
    value = (by["worth"].sum() / total.where(total > 0)).fillna(by["plain"].mean())
    return value.mask(by["blank"].any()).rename("value_per_kwh")


def _future_tariffs(site: Site, as_of: dt.date, until: dt.date) -> tuple[Site, list[str]]:
    """Close the gaps after each contract, in the outlook only, and say so."""
    ordered = sorted(site.tariffs, key=lambda t: t.start)
    after = site.assumed("price_after_tariff_per_kwh", float("nan"))
    filled: list[Tariff] = []
    notes = []
    for k, tariff in enumerate(ordered):
        filled.append(tariff)
        follows = ordered[k + 1].start if k + 1 < len(ordered) else None
        if tariff.end is None or (follows is not None and follows <= tariff.end):
            continue
        if tariff.end >= until or (follows is not None and follows <= as_of):
            continue
        if np.isnan(after):
            filled[-1] = replace(tariff, end=follows)
            how = "is taken to go on, on the same terms"
        else:
            filled.append(Tariff(tariff.end, follows, "fixed", after))
            how = f"is taken to be followed by the assumed {after:g} per kWh"
        notes.append(
            f"{site.id}: the tariff from {tariff.start} ends on {tariff.end} with none after it; for jobs to "
            f"come it {how}. Add the next [[tariffs]], or [assumptions] price_after_tariff_per_kwh."
        )
    return replace(site, tariffs=tuple(filled)), notes


def _typical_prices(
    site: Site, data: SiteData, index: pd.DatetimeIndex, generation_kwh: pd.Series | None
) -> tuple[pd.DataFrame | None, list[str]]:
    markets = [t for t in site.tariffs if t.kind == "market"]
    if not markets or data.prices is None or data.prices.empty:
        return None, []
    history = data.prices["price_per_kwh"]
    floor = max(markets, key=lambda t: t.start).floor_price
    if floor is not None:
        history = history.clip(lower=floor)
    price, weighted = _typical(history, index, site), ""
    if generation_kwh is not None and generation_kwh.gt(0).any():
        times = pd.DatetimeIndex(generation_kwh.index)
        paid = pd.Series(interval_mean(history, times), times)
        captured = _typical(paid, index, site, generation_kwh.clip(lower=0), _GROUPS[:2])
        # At night there is no generation to weigh by, and none to value.
        price, weighted = np.where(np.isnan(captured), price, captured), ", weighted by what is made in it,"
    first, last = history.index[0].date(), history.index[-1].date()
    return pd.DataFrame({"price_per_kwh": price}, index), [
        f"{site.id}: market prices to come are taken as the mean of the same month, hour and kind of day{weighted} "
        f"between {first} and {last}. A changed market moves every payback here."
    ]


def _self_use_share(
    site: Site, data: SiteData, index: pd.DatetimeIndex, generation_kwh: pd.Series | None, whole: bool
) -> tuple[np.ndarray, list[str]]:
    own_use = any(t.import_price_per_kwh is not None for t in site.tariffs)
    if data.load is None or not own_use or site.meter != "generation":
        return np.zeros(len(index)), []
    if generation_kwh is None or generation_kwh.dropna().empty:
        return np.zeros(len(index)), [
            f"{site.id}: no past generation to hold against the load, so energy won back has the export "
            "price. Where the site would use it itself it is worth more."
        ]
    times = pd.DatetimeIndex(generation_kwh.index)
    load = interval_mean(data.load["load_kw"], times) * (usual_step(times) / pd.Timedelta(hours=1))
    made = generation_kwh.clip(lower=0).to_numpy(dtype=float)
    of_made = np.divide(np.minimum(made, load), made, out=np.zeros(len(made)), where=made > 0)
    used = pd.Series(np.where(np.isnan(load) | np.isnan(made), np.nan, of_made if whole else made < load), times)
    share = _typical(used, index, site, generation_kwh.clip(lower=0), _GROUPS[:2])
    how = "energy to come is taken to be used on site by the same share as" if whole else (
        "energy won back is taken to be used on site as often as the load exceeded generation")
    return np.where(np.isnan(share), _typical(used, index, site), share), [
        f"{site.id}: {how} in the same month, hour and kind of day of the history, weighted by what is made in it."
    ]


def _typical(history: pd.Series, index: pd.DatetimeIndex, site: Site, weight: pd.Series | None = None,
             groups: Sequence[list[str]] = _GROUPS) -> np.ndarray:
    """Mean of the history in the same month, hour and kind of day, in site time; NaN where no history of any group has weight."""
    past, keys = _calendar(pd.DatetimeIndex(history.index), site), _calendar(index, site)
    past["weight"] = 1.0 if weight is None else weight.to_numpy(dtype=float)
    past["sum"] = past["weight"] * history.to_numpy(dtype=float)
    past = past.dropna()
    out = np.full(len(index), np.nan)
    for group in groups:
        sums = past.groupby(group, as_index=False)[["sum", "weight"]].sum()
        means = sums.assign(value=sums["sum"] / sums["weight"].where(sums["weight"] > 0))
        found = keys.merge(means, on=group, how="left")["value"].to_numpy(dtype=float)
        out = np.where(np.isnan(out), found, out)
    return out


def _calendar(index: pd.DatetimeIndex, site: Site) -> pd.DataFrame:
    wall = index.tz_convert(site.timezone)
    return pd.DataFrame({"month": wall.month, "hour": wall.hour, "weekend": wall.day_of_week >= 5})
