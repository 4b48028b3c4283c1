"""
A farm's cash month by month, from its first day to the end of its life: what came, what was planned, what is to come.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.cost.budget import budget_kwh, plan_price
from yieldwatch.cost.income import monthly_income
from yieldwatch.cost.outlook import price_outlook, value_of_energy
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Plan, Site

#: Bills may come a quarter apart: costs are taken to be complete up to so long after the last one. Common practice, no source.
_BILL_MONTHS = 3


@dataclass(frozen=True)
class Year:
    """
    The last twelve measured months. Energy in kWh, money in the portfolio's currency.

    `usual_light` is the share of each month's light that is usual there, shape (12,); NaN where it cannot be told.
    """

    months: tuple[str, ...]
    energy: np.ndarray
    income: np.ndarray
    usual_light: np.ndarray
    opex: float
    opex_from: str


@dataclass(frozen=True)
class Cash:
    """
    Each month of a farm's life, the first that of commissioning.

    Attributes
    ----------
    income, opex, planned : ndarray, shape (n_months,)
        What came or is to come; what it costs; what the plan nets. [money]
    now : int
        The first month that is forecast.
    measured : int
        How many months before it were measured; the others stand as planned.
    """

    income: np.ndarray
    opex: np.ndarray
    planned: np.ndarray
    now: int
    measured: int


def trailing_year(site: Site, data: SiteData, gap: SiteGap) -> Year | None:
    """The last twelve months that follow each other and were measured and priced; None where there are fewer."""
    income = monthly_income(site, data, gap)
    yields = gap.yields.set_index("month")
    total = (income["revenue"] + income["compensation"]).reindex(yields.index)
    good = total.notna() & yields["measured_kwh"].notna()
    if not good.any():
        return None
    last = pd.Period(good[good].index[-1], "M")
    months = tuple(str(last - k) for k in range(11, -1, -1))
    if not all(good.get(m, False) for m in months):
        return None
    opex, where = _opex(site, data, months)
    rows = yields.loc[list(months)]
    return Year(months, rows["measured_kwh"].to_numpy(), total.loc[list(months)].to_numpy(),
                _usual_light(site, yields, months), opex, where)


def _opex(site: Site, data: SiteData, months: tuple[str, ...]) -> tuple[float, str]:
    planned = site.plan.operating_cost_per_year if site.plan else None
    if data.costs is not None and not data.costs.empty:
        month = data.costs["date"].dt.tz_convert(site.timezone).dt.strftime("%Y-%m")
        reach = str(pd.Period(month.max(), "M") + _BILL_MONTHS)
        if month.min() <= months[0] and reach >= months[-1]:
            return float(data.costs.loc[month.isin(months), "amount"].sum()), "costs.csv"
    return (float("nan"), "not known") if planned is None else (float(planned), "the plan, as costs.csv does not cover the year")


def _opex_before(site: Site, data: SiteData, names: list[str], planned: float) -> np.ndarray:
    """Running costs of each month as they were written down, up to the last that is; as planned where none were. [money]"""
    if data.costs is None or data.costs.empty:
        return np.full(len(names), planned)
    month = data.costs["date"].dt.tz_convert(site.timezone).dt.strftime("%Y-%m")
    paid = data.costs["amount"].groupby(month).sum().to_dict()
    return np.array([paid.get(m, 0.0) if month.min() <= m <= month.max() else planned for m in names])


def _usual_light(site: Site, yields: pd.DataFrame, months: tuple[str, ...]) -> np.ndarray:
    light = yields["insolation_kwh_m2"]
    if site.plan and site.plan.insolation_kwh_m2_by_month:
        usual = {m: site.plan.insolation_kwh_m2_by_month[m - 1] for m in range(1, 13)}
    else:
        by = light.groupby(light.index.str[5:].astype(int))
        usual = by.mean().where(by.count() >= 2).to_dict()
    return np.array([usual.get(int(m[5:]), np.nan) / light[m] if light[m] > 0 else np.nan for m in months])


def life_cash(site: Site, data: SiteData, gap: SiteGap, year: Year, plan: Plan) -> tuple[Cash, tuple[str, ...]]:
    """
    Every month's cash over the plan's life.

    Parameters
    ----------
    site, data, gap : Site, SiteData, SiteGap
    year : Year
    plan : Plan
        With p50_kwh_by_month and life_years.

    Returns
    -------
    Cash
    notices : tuple of str

    Notes
    -----
    To come: the last twelve months' energy in usual light (as it came where that cannot be told), each later year less by the
    planned ageing, at the mean value of a kWh by `price_outlook`. Months before the record stand as planned; where the plan has
    no price, at the mean price of the last twelve months, and the plan is then valued at the same prices as what came, so that
    the two differ by energy and cost alone. Costs are those of costs.csv from its first month on, before it the plan's; they go
    on as in the last twelve months. Nothing is inflated but an indexed tariff.
    """
    assert plan.life_years is not None
    first = pd.Period(site.commissioned, "M")
    n = round(12 * plan.life_years)
    names = [str(first + k) for k in range(n)]
    now = min(max((pd.Period(year.months[-1], "M") - first).n + 1, 0), n)
    income = monthly_income(site, data, gap).sum(axis=1, skipna=False)
    measured = gap.yields.set_index("month")["measured_kwh"]
    value, said = _value_to_come(site, data, gap, year, n - now)
    mean_price = float(year.income.sum() / year.energy.sum())
    came = np.full(n, np.nan)
    price = np.full(n, np.nan)
    planned_opex = np.nan if plan.operating_cost_per_year is None else plan.operating_cost_per_year / 12
    opex = np.where(np.arange(n) < now - 12, _opex_before(site, data, names, planned_opex), year.opex / 12)
    seen = 0
    light = np.where(np.isfinite(year.usual_light), year.usual_light, 1.0)
    for k, month in enumerate(names):
        budget = budget_kwh(site, plan, month)
        planned = plan_price(site, plan, month)
        if k >= now:
            at = (k - now) % 12
            price[k] = value[k - now]
            ageing = (1.0 - (plan.degradation_pct_per_year or 0.0) / 100.0) ** ((k - now) // 12 + 1)
            came[k] = year.energy[at] * light[at] * ageing * price[k]
        elif np.isfinite(income.get(month, np.nan)):
            came[k], seen = income[month], seen + 1
            price[k] = income[month] / measured[month] if measured[month] else mean_price
        else:
            price[k] = mean_price if np.isnan(planned) else planned
            came[k] = budget * price[k]
    budgets = np.array([budget_kwh(site, plan, m) for m in names])
    planned_price = np.array([plan_price(site, plan, m) for m in names])
    planned_cash = budgets * np.where(np.isnan(planned_price), price, planned_price) - planned_opex
    return Cash(came, opex, planned_cash, now, seen), said


def _value_to_come(site: Site, data: SiteData, gap: SiteGap, year: Year, n: int) -> tuple[np.ndarray, tuple[str, ...]]:
    if n <= 0:
        return np.empty(0), ()
    start = (pd.Period(year.months[-1], "M") + 1).start_time.date()
    made = gap.intervals["measured_kwh"].dropna()
    outlook, said = price_outlook(site, data, start, n, made, whole=True)
    return value_of_energy(site, outlook, made).reindex(range(n)).to_numpy(), said
