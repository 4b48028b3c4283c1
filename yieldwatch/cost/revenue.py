"""
What the lost energy was worth: each interval's loss at that interval's price.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.constants import CAUSES
from yieldwatch.cost.left_on import left_on_kwh, left_on_share, with_in_hand
from yieldwatch.cost.tariffs import interval_mean, prices_at, usual_step
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Site

MONEY_COLUMNS = ["revenue_lost", "revenue_lost_low", "revenue_lost_high"]
HAND_COLUMNS = ["in_hand_kwh", "in_hand_revenue_lost"]
_KEYS = ["month", "cause"]


def value_of_generation(
    energy_kwh: np.ndarray, load_kwh: np.ndarray | None, export_price: np.ndarray, import_price: np.ndarray
) -> np.ndarray:
    """
    What an interval's generation is worth: own use at the import price, the rest sold.

    Parameters
    ----------
    energy_kwh : ndarray, shape (n,)
    load_kwh : ndarray or None
        What the site itself draws; None where all energy is sold.
    export_price, import_price : ndarray, shape (n,)
        [money/kWh]; `import_price` is NaN where own use saves nothing of its own.

    Returns
    -------
    ndarray, shape (n,)
        [money]; NaN where a price or a load that matters is missing.
    """
    if load_kwh is None:
        return energy_kwh * export_price
    own = np.minimum(np.maximum(energy_kwh, 0.0), load_kwh)
    saved = np.where(np.isnan(import_price), export_price, import_price)
    return saved * own + export_price * (energy_kwh - own)


def value_losses(site: Site, data: SiteData, gap: SiteGap) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Price every loss of a site.

    Parameters
    ----------
    site : Site
    data : SiteData
        Its market prices and its load, where there are any.
    gap : SiteGap

    Returns
    -------
    losses : DataFrame
        `gap.losses` with revenue_lost, revenue_lost_low, revenue_lost_high. [money] Positive is money
        lost; negative where the price was. The bounds are the energy's bounds at the row's price. And with in_hand_kwh,
        in_hand_revenue_lost, what of both was in the owner's hands.
        Blank where the energy is, and in a month where an interval with a loss has no price.
    notices : tuple of str
        What was assumed and which months are blank, in whole sentences.

    Notes
    -----
    The rows of a month add up to the value of the expected less the value of the measured energy, what
    was paid for curtailed energy counted as income.

    Where own use is valued, a kWh lost is worth something between the import and the export price; the
    causes of an interval share the price at which the whole of its gap was lost.
    """
    table = gap.intervals
    causes = [c for c in CAUSES if c in table.columns]
    if table.empty or not causes:
        return gap.losses.assign(**{c: np.nan for c in (*MONEY_COLUMNS, *HAND_COLUMNS)}), ()
    index = pd.DatetimeIndex(table.index)
    price = prices_at(site, index, data.prices)
    load = load_kwh(site, data, index)
    energy = table[causes].to_numpy(dtype=float)
    unit = _unit_price(table, energy, price, load)
    per_cause = np.repeat(unit[:, None], len(causes), axis=1)
    left = np.zeros(len(table))
    if "curtailment" in causes:
        held, left = table["curtailment"].to_numpy(dtype=float), left_on_kwh(table)
        # Nobody pays for a limit that was left on by mistake.
        share = np.divide(held - left, held, out=np.zeros(len(held)), where=held != 0)
        paid = (price["export_price"] * price["curtailment_paid"]).to_numpy() * share
        per_cause[:, causes.index("curtailment")] -= paid
    money = np.where(energy == 0, 0.0, energy * per_cause)  # no loss needs no price

    month = index.tz_convert(site.timezone).strftime("%Y-%m").to_numpy()
    first = np.flatnonzero(np.r_[True, month[1:] != month[:-1]])
    monthly = _by_month(money, np.abs(energy), per_cause, first)
    keyed = pd.DataFrame(monthly, columns=["revenue_lost", "_price"]).assign(
        month=np.repeat(month[first], len(causes)), cause=causes * len(first)
    )
    losses = gap.losses.merge(keyed, on=_KEYS, how="left")
    losses = _with_bounds(losses)
    left_on_money = pd.Series(np.where(left == 0, 0.0, left * unit)).groupby(month).sum()
    losses = _in_order(with_in_hand(losses, left_on_share(gap, site.timezone), left_on_money))
    return losses, _notices(site, data, energy, unit, month, usual_step(index))


def load_kwh(site: Site, data: SiteData, index: pd.DatetimeIndex) -> np.ndarray | None:
    """The site's own draw in each interval, or None where the meter's energy is all sold. [kWh]"""
    own_use = any(t.import_price_per_kwh is not None for t in site.tariffs)
    if site.meter != "generation" or data.load is None or not own_use:
        return None
    hours = usual_step(index) / pd.Timedelta(hours=1)
    return interval_mean(data.load["load_kw"], index) * hours


def _unit_price(
    table: pd.DataFrame, energy: np.ndarray, price: pd.DataFrame, load: np.ndarray | None
) -> np.ndarray:
    """Mean price of the energy between measured and expected, of each interval. [money/kWh]"""
    export, saved = price["export_price"].to_numpy(), price["import_price"].to_numpy()
    if load is None:
        return export
    expected = table["expected_kwh"].to_numpy(dtype=float)
    measured = table["measured_kwh"].to_numpy(dtype=float)
    # A month without a meter value still has named losses: they end at the modelled state.
    measured = np.where(np.isnan(measured), expected - np.nansum(energy, axis=1), measured)
    gap = expected - measured
    closed = np.abs(gap) < 1e-6  # losses and gains that cancel are worth the price of the next kWh
    top = np.where(closed, measured + 1e-6, expected)
    worth = value_of_generation(top, load, export, saved) - value_of_generation(measured, load, export, saved)
    return worth / (top - measured)


def _by_month(money: np.ndarray, weight: np.ndarray, price: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Money and mean price of each month and cause, shape (n_months x n_causes, 2); NaN spreads."""
    total = np.add.reduceat(money, first, axis=0)
    weights = np.add.reduceat(weight, first, axis=0)
    priced = np.add.reduceat(np.where(weight == 0, 0.0, weight * price), first, axis=0)
    counts = np.diff(np.r_[first, len(price)])[:, None]
    plain = np.add.reduceat(price, first, axis=0) / counts
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(weights == 0, plain, priced / weights)
    return np.stack([total.ravel(), mean.ravel()], axis=1)


def _with_bounds(losses: pd.DataFrame) -> pd.DataFrame:
    """Bounds of the energy at the row's price; a negative price turns them round."""
    losses["revenue_lost"] = losses["revenue_lost"].where(losses["energy_kwh"].notna())
    one, other = (
        losses["revenue_lost"] + (losses[f"energy_{end}_kwh"] - losses["energy_kwh"]) * losses["_price"]
        for end in ("low", "high")
    )
    losses["revenue_lost_low"] = np.minimum(one, other)
    losses["revenue_lost_high"] = np.maximum(one, other)
    return losses


def _in_order(losses: pd.DataFrame) -> pd.DataFrame:
    last = [*MONEY_COLUMNS, *(c for c in ("basis",) if c in losses), *HAND_COLUMNS]
    return losses[[c for c in losses.columns if c not in {"_price", *last}] + last]


def _notices(
    site: Site, data: SiteData, energy: np.ndarray, unit: np.ndarray, month: np.ndarray, step: pd.Timedelta
) -> tuple[str, ...]:
    if not site.tariffs:
        return (f"{site.id}: no [[tariffs]] in site.toml, so no loss has a price. Add the sale contract.",)
    notes = []
    lossy = (np.nan_to_num(energy) != 0).any(axis=1)
    blank = np.isnan(unit) & lossy
    if blank.any():
        named = pd.unique(month[blank])
        hours = blank.sum() * (step / pd.Timedelta(hours=1))
        notes.append(
            f"{site.id}: {hours:.0f} hours with a loss have no price, in {len(named)} months "
            f"({', '.join(named[:5])}{', ...' if len(named) > 5 else ''}); money in those months is left "
            "blank. Complete the [[tariffs]], prices or load to fill it."
        )
    notes += _assumed(site, data, step)
    return tuple(notes)


def _assumed(site: Site, data: SiteData, step: pd.Timedelta) -> list[str]:
    notes = []
    if any(t.kind == "market" for t in site.tariffs) and data.prices is not None and len(data.prices) > 1:
        price_step = usual_step(pd.DatetimeIndex(data.prices.index))
        if price_step < step:
            notes.append(
                f"{site.id}: prices come every {price_step / pd.Timedelta(minutes=1):.0f} minutes and the "
                f"model's intervals last {step / pd.Timedelta(minutes=1):.0f}; an interval has the plain "
                "mean of its prices."
            )
    if any(t.curtailment_paid_pct for t in site.tariffs):
        notes.append(
            f"{site.id}: energy held down by instruction, recorded or seen in the log, is counted as paid for at the tariff's "
            "share; energy lost to a limit left on in an inverter is not."
        )
    if data.load is not None and site.meter != "generation":
        notes.append(
            f"{site.id}: the revenue meter counts export, so every lost kWh has the export price. If it "
            'counts all generation, set [data] meter = "generation" to value own use.'
        )
    return notes
