"""
What the measured energy brought: each interval's energy at that interval's price.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.cost.revenue import load_kwh, value_of_generation
from yieldwatch.cost.tariffs import prices_at, usual_step
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.measured import METER_COVERS
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Site


def interval_income(site: Site, data: SiteData, gap: SiteGap) -> pd.DataFrame:
    """
    Income of each interval by the tariff.

    Returns
    -------
    DataFrame, index of `cut_to_meter`
        revenue : of the measured energy, own use at what it saves. [money]
        compensation : for energy held down by instruction, at the tariff's paid share. [money]
        export_price : [money/kWh]

        NaN where energy or price is missing; an interval without energy needs no price.
    """
    table = cut_to_meter(data, gap.intervals)
    index = pd.DatetimeIndex(table.index)
    price = prices_at(site, index, data.prices)
    energy = _as_it_came(site, data, gap, table)
    worth = value_of_generation(
        energy, load_kwh(site, data, index), price["export_price"].to_numpy(), price["import_price"].to_numpy())
    held = table["instructed_kwh"].to_numpy(dtype=float)
    paid = held * (price["export_price"] * price["curtailment_paid"]).to_numpy()
    return pd.DataFrame({
        "revenue": np.where(energy == 0, 0.0, worth),
        "compensation": np.where(held == 0, 0.0, paid),
        "export_price": price["export_price"],
    }, index)


def monthly_income(site: Site, data: SiteData, gap: SiteGap) -> pd.DataFrame:
    """`revenue` and `compensation` of each month of `gap.months`; NaN in a month with a hole. [money]"""
    income = interval_income(site, data, gap)[["revenue", "compensation"]]
    month = pd.DatetimeIndex(income.index).tz_convert(site.timezone).strftime("%Y-%m")
    return income.groupby(month).agg(lambda part: part.sum(skipna=False)).reindex(list(gap.months))


def cut_to_meter(data: SiteData, intervals: pd.DataFrame) -> pd.DataFrame:
    """
    `SiteGap.intervals`, each shared evenly among the meter's periods in it where these are shorter and divide it: a meter that
    says in which quarter of an hour the energy came is priced by that quarter's price, whatever the weather's interval.
    """
    index = pd.DatetimeIndex(intervals.index)
    if data.meter is None or data.meter.empty or not len(index):
        return intervals
    step, span = usual_step(index), pd.Timedelta((data.meter["end"] - data.meter["start"]).median())
    if not pd.Timedelta(0) < span < step or step % span != pd.Timedelta(0):
        return intervals
    n = step // span
    fine = intervals.iloc[np.repeat(np.arange(len(index)), n)] / n
    return fine.set_axis(index.repeat(n) + pd.TimedeltaIndex(np.tile(np.arange(n), len(index)) * span.to_timedelta64()))


def _as_it_came(site: Site, data: SiteData, gap: SiteGap, table: pd.DataFrame) -> np.ndarray:
    """
    Measured energy of each interval: in a month that the meter measured at the meter's own hours, else as the log or the model
    shares the month. [kWh] Each month adds up to its measured energy.
    """
    shared = table["measured_kwh"].to_numpy(dtype=float)
    if "measured_from" not in gap.yields:
        return shared
    month = pd.DatetimeIndex(table.index).tz_convert(site.timezone).strftime("%Y-%m")
    of_meter = np.isin(month, gap.yields.loc[gap.yields["measured_from"] == "meter", "month"])
    metered = metered_intervals(data, table).to_numpy()
    energy = pd.Series(np.where(of_meter & np.isfinite(metered), metered, shared))
    sums = pd.DataFrame({"is": energy, "should": shared}).groupby(month).transform(lambda v: v.sum(skipna=False))
    scale = (sums["should"] / sums["is"]).where((sums["is"] > 0) & (sums["should"] > 0), 1.0)
    return (energy * scale).to_numpy()


def are_on_grid(index: pd.DatetimeIndex, start: pd.Series, end: pd.Series) -> np.ndarray:
    """
    Whether periods lie within the intervals, but for the share of each that a month may lack to count as measured: weather that
    begins at midnight UTC begins in the morning, or the evening before, elsewhere. Bool, shape (n,).
    """
    if not len(index):
        return np.zeros(len(start), dtype=bool)
    spare = (end - start) * (1.0 - METER_COVERS)
    return ((start + spare >= index[0]) & (end - spare <= index[-1] + usual_step(index))).to_numpy(dtype=bool)


def metered_intervals(data: SiteData, intervals: pd.DataFrame) -> pd.Series:
    """
    The revenue meter's energy on the grid. [kWh]

    Parameters
    ----------
    data : SiteData
    intervals : DataFrame
        `SiteGap.intervals`. A meter period longer than an interval is shared by the measured energy in them, or by the
        expected where there is none.

    Returns
    -------
    Series, index of `intervals`
        NaN where no meter period covers the interval, or where one reaches beyond the grid.
    """
    index = pd.DatetimeIndex(intervals.index)
    out = pd.Series(np.nan, index)
    meter = data.meter
    if meter is None or meter.empty or not len(index):
        return out
    step = usual_step(index)
    span = meter["end"] - meter["start"]
    if span.median() <= step:
        at = index.searchsorted(pd.DatetimeIndex(meter["start"]), side="right") - 1
        inside = (at >= 0) & (meter["end"] <= index[np.maximum(at, 0)] + step).to_numpy()
        filled = np.bincount(at[inside], span[inside] / step, len(index))
        energy = np.bincount(at[inside], meter.loc[inside, "energy_kwh"], len(index))
        return out.where(np.abs(filled - 1.0) > 1e-6, energy)
    row = pd.DatetimeIndex(meter["start"]).searchsorted(index, side="right") - 1
    here = np.maximum(row, 0)
    whole = are_on_grid(index, meter["start"], meter["end"])
    covered = (row >= 0) & (index < pd.DatetimeIndex(meter["end"])[here]) & whole[here]
    shape = intervals["measured_kwh"].fillna(intervals["expected_kwh"]).clip(lower=0).to_numpy(dtype=float)
    total = np.bincount(here[covered], shape[covered], len(meter))
    hours = np.bincount(here[covered], minlength=len(meter))
    share = np.where(total[here] > 0, shape / np.where(total[here] > 0, total[here], 1.0), 1.0 / np.maximum(hours[here], 1))
    return out.where(~covered, share * meter["energy_kwh"].to_numpy()[here])
