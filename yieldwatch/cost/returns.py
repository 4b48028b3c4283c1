"""
Whether the return that was promised is coming, and what each loss takes off it.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from yieldwatch.constants import CAUSES
from yieldwatch.cost import finance
from yieldwatch.cost.budget import budget_kwh, plan_price
from yieldwatch.cost.cash import Cash, Year, life_cash, trailing_year
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Plan, Site

COLUMNS = ["site_id", "measure", "cause", "value", "low", "high", "unit", "plan", "note"]
#: Bounds of a normal distribution: of 90 % of it, and of the tenth below. (Standard normal table.)
_Z_90, _Z_P90 = 1.6449, 1.2816
#: Days in a mean month of the Gregorian calendar.
_DAYS_A_MONTH = 30.436875


def site_returns(site: Site, data: SiteData, gap: SiteGap, losses: pd.DataFrame,
                 discount_rate: float) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    The farm's return, and each loss as money a year, basis points of return and days of payback.

    Parameters
    ----------
    site, data, gap : Site, SiteData, SiteGap
    losses : DataFrame
        From `value_losses`.
    discount_rate : float
        Nominal, per year. [fraction]

    Returns
    -------
    returns : DataFrame
        Columns `COLUMNS`; a row a measure, and for each loss one a unit. `plan` is the same measure by the plan. Bounds of what
        looks ahead are the plan's spread (P90 over P50) held over all years, so they are wide; those of a loss are its energy's.
        No rows without twelve measured and priced months in a row.
    notices : tuple of str
        What is assumed and what is missing.
    """
    year = trailing_year(site, data, gap)
    if year is None:
        return pd.DataFrame(columns=COLUMNS), ("no twelve months in a row are measured and priced, so no return is stated.",)
    plan = site.plan or Plan()
    rows = _trailing(site, plan, year)
    money = _loss_money(gap, losses, year)
    rows += [_row("loss_per_year", value, low, high, "money/year", cause=cause) for cause, (value, low, high) in money.items()]
    said = [f"running costs of the last twelve months are {f'from {year.opex_from}' if np.isfinite(year.opex) else 'not known'}."]
    needs = {"p50_kwh_by_month": plan.p50_kwh_by_month, "life_years": plan.life_years, "capital_cost": plan.capital_cost,
             "operating_cost_per_year": plan.operating_cost_per_year}
    lacking = [name for name, value in needs.items() if value is None]
    if lacking:
        said.append(f"[plan] has no {', '.join(lacking)}, so rate of return and payback are not stated.")
    else:
        cash, assumed = life_cash(site, data, gap, year, plan)
        ahead, more = _ahead(plan, cash, year, money, discount_rate)
        rows += ahead
        said += [f"{cash.measured} of {cash.now} months since commissioning are measured; the others are taken as planned.",
                 *assumed, *more]
    return pd.DataFrame([{"site_id": site.id, **r} for r in rows], columns=COLUMNS), tuple(said)


def _row(measure: str, value: float, low: float = np.nan, high: float = np.nan, unit: str = "", plan: float = np.nan,
         note: str = "", cause: str = "") -> dict[str, object]:
    return {"measure": measure, "cause": cause, "value": value, "low": low, "high": high, "unit": unit, "plan": plan,
            "note": note}


def _trailing(site: Site, plan: Plan, year: Year) -> list[dict[str, object]]:
    income, energy = year.income.sum(), year.energy.sum()
    in_usual_light = float((year.income * year.usual_light).sum())
    cost = np.nan if not plan.capital_cost else plan.capital_cost
    planned = np.nan
    planned_energy = np.nan
    if plan.p50_kwh_by_month:
        budgets = np.array([budget_kwh(site, plan, m) for m in year.months])
        planned_energy = budgets.sum()
        planned = float((budgets * [plan_price(site, plan, m) for m in year.months]).sum())
    planned_opex = np.nan if plan.operating_cost_per_year is None else plan.operating_cost_per_year
    light = "" if np.isfinite(in_usual_light) else "needs insolation_kwh_m2_by_month in [plan], or two years of light"
    span = f"{year.months[0]} to {year.months[-1]}"
    return [
        _row("income", income, unit="money/year", plan=planned, note=span),
        _row("running_cost", year.opex, unit="money/year", plan=planned_opex,
             note=f"from {year.opex_from}" if np.isfinite(year.opex) else "costs.csv and [plan] hold none"),
        _row("yield_on_cost", 100 * (income - year.opex) / cost, unit="%/year", plan=100 * (planned - planned_opex) / cost),
        _row("yield_on_cost_usual_light", 100 * (in_usual_light - year.opex) / cost, unit="%/year",
             plan=100 * (planned - planned_opex) / cost, note=light),
        _row("income_per_kwp", income / site.pdc0_kw, unit="money/kWp/year", plan=planned / site.pdc0_kw),
        _row("captured_price", income / energy, unit="money/kWh", plan=planned / planned_energy),
        _row("operating_margin", 100 * (income - year.opex) / income if income else np.nan, unit="%",
             plan=100 * (planned - planned_opex) / planned),
    ]


def _loss_money(gap: SiteGap, losses: pd.DataFrame, year: Year) -> dict[str, tuple[float, float, float]]:
    """What each cause took in the last twelve months, with bounds; only causes with money in all of them. [money]"""
    rows = losses[losses["month"].isin(year.months)]
    at = [gap.months.index(m) for m in year.months]
    captured = year.income / np.where(year.energy > 0, year.energy, np.nan)
    out = {}
    for cause in CAUSES:
        own = rows[rows["cause"] == cause].set_index("month").reindex(list(year.months))
        value = float(own["revenue_lost"].sum(skipna=False))
        if not np.isfinite(value) or cause not in gap.draws:
            continue
        energy = own["energy_kwh"].to_numpy(dtype=float)
        price = np.where(energy == 0, captured, own["revenue_lost"] / np.where(energy == 0, 1.0, energy))
        low, high = np.quantile((gap.draws[cause][:, at] * price).sum(axis=1), (0.05, 0.95))
        out[cause] = (value, min(float(low), value), max(float(high), value))
    return out


def _ahead(plan: Plan, cash: Cash, year: Year, money: dict[str, tuple[float, float, float]],
           discount_rate: float) -> tuple[list[dict[str, object]], list[str]]:
    assert plan.capital_cost is not None
    assert plan.life_years is not None
    cost, said = plan.capital_cost, []
    spread = np.nan if plan.p90_over_p50 is None else _Z_90 / _Z_P90 * (1.0 - plan.p90_over_p50)
    if np.isnan(spread):
        said.append("[plan] has no p90_over_p50, so what looks ahead has no interval.")
    later = np.arange(len(cash.income)) >= cash.now
    several = False

    def rate(share: float) -> float:
        """Rate of return with future income raised by a share. [%/year]"""
        nonlocal several
        value, many = _yearly_irr(cost, cash.income * np.where(later, 1.0 + share, 1.0) - cash.opex)
        several |= many
        return 100 * value

    def payback(share: float) -> float:
        """Months from now until the cost is back; inf where the life ends before."""
        left = cost - float((cash.income - cash.opex)[:cash.now].sum())
        return finance.discounted_payback(left, (cash.income * (1.0 + share) - cash.opex)[cash.now:], 0.0)

    def worth(share: float) -> float:
        flows = (cash.income * (1.0 + share) - cash.opex)[cash.now:]
        return float(finance.npv(np.r_[0.0, flows], finance.monthly_rate(discount_rate)))

    valued = "" if plan.price_per_kwh_by_year else "; the plan is valued at the same prices, as it has none"
    planned, many = _yearly_irr(cost, cash.planned)
    several |= many
    whole_life = plan.life_years
    planned_left = finance.discounted_payback(cost, cash.planned, 0.0) - cash.now
    base, left = rate(0.0), payback(0.0)
    rows = [
        _row("rate_of_return", base, rate(-spread), rate(spread), "%/year", 100 * planned,
             f"basis points against the plan: {1e4 * (base / 100 - planned):+.0f}; to date and forecast to life's end{valued}"),
        _row("value_of_remaining_life", worth(0.0), worth(-spread), worth(spread), "money",
             note=f"nominal, discounted at {100 * discount_rate:g} % a year"),
        _row("payback_remaining", _finite(left), _finite(payback(spread)), _finite(payback(-spread)), "months",
             _finite(max(planned_left, 0.0)), "" if np.isfinite(left) else "not within the plan's life"),
        _row("cash_needed", cost * finance.capital_recovery_factor(discount_rate, whole_life), unit="money/year",
             note=f"level net income over {whole_life:g} years that returns {100 * discount_rate:g} % a year"),
    ]
    total = year.income.sum()
    for cause, amounts in money.items():
        shares = [a / total for a in amounts]
        value, low, high = (100 * (rate(s) - base) for s in shares)
        rows.append(_row("loss_rate_of_return", value, low, high, "basis points", cause=cause))
        value, low, high = (_finite((left - payback(s)) * _DAYS_A_MONTH) if left > 0 else np.nan for s in shares)
        rows.append(_row("loss_payback", value, low, high, "days", cause=cause,
                         note="" if left > 0 else "the farm has paid itself back"))
    if several:
        said.append("the payments change sign more than once, so several rates of return may solve them: judge by the value of "
                    "the remaining life.")
    return rows, said


def _finite(value: float) -> float:
    return value if np.isfinite(value) else float("nan")


def _yearly_irr(cost: float, monthly: np.ndarray) -> tuple[float, bool]:
    """Rate of return of whole years' payments, and whether several may solve them."""
    years = np.add.reduceat(monthly, np.arange(0, len(monthly), 12))
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", finance.SeveralRatesWarning)
        value = finance.irr(np.r_[-cost, years])
    return value, bool(caught)
