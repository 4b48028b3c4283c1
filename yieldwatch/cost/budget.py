"""
A site's months as steps from its plan to its income.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.constants import CAUSES, LEFT_ON
from yieldwatch.cost.bridge import CAUSE_STEPS, COLUMNS, BridgeMonth, bridge_rows, spans
from yieldwatch.cost.income import monthly_income
from yieldwatch.cost.left_on import left_on_share
from yieldwatch.cost.statements import netted
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Plan, Site

#: Share of a month's hours that need an air temperature for its mean. Common practice, no source.
_ENOUGH_HOURS = 0.9
_NOT_ASSESSED = "not assessed; what it took is within unexplained"


def site_bridge(site: Site, data: SiteData, gap: SiteGap) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    From budget to income: the last measured month, the year so far, the last twelve months.

    Returns
    -------
    bridge : DataFrame
        Columns of `bridge.COLUMNS`; no rows without a budget or a measured month.
    notices : tuple of str

    Notes
    -----
    The budget is P50 of the month, aged by the plan's yearly ageing for each whole year since commissioning. sun scales it by
    measured over planned insolation; temperature by the modules' mean temperature coefficient and the difference of the
    month's mean air temperatures. plan_allowance leads from there to what is expected here less the planned ageing: the losses
    that the plan allowed for, and its model against this one. The causes are the account's, each the mean effect over all orders
    of switching them on; ageing counts only where it exceeds the plan's, and of output held down a limit left on by mistake is a
    step of its own.
    """
    plan = site.plan
    if plan is None or plan.p50_kwh_by_month is None:
        return pd.DataFrame(columns=COLUMNS), ("no p50_kwh_by_month in [plan], so there is no budget to compare with.",)
    months, left_out = bridge_months(site, data, gap, plan)
    if not months:
        return pd.DataFrame(columns=COLUMNS), ("no month has a measured value, so none is held against the budget.",)
    notes = _notes(plan, months)
    rows: list[dict[str, object]] = []
    for span, chosen in spans(months).items():
        rows += bridge_rows(site.id, span, chosen, notes)
    said = [f"{len(left_out)} months have no measured value and are left out of the bridge: {', '.join(left_out[:5])}"
            f"{', ...' if len(left_out) > 5 else ''}."] if left_out else []
    short = len(spans(months)["twelve_months"])
    if short < 12:
        said.append(f"the bridge of the last twelve months holds {short} of them.")
    return pd.DataFrame(rows, columns=COLUMNS), tuple(said)


def years_of_age(site: Site, month: str) -> int:
    """Whole years from commissioning to the middle of a month, at least 0."""
    began = pd.Period(site.commissioned, "M")
    return max((pd.Period(month, "M") - began).n // 12, 0)


def budget_kwh(site: Site, plan: Plan, month: str) -> float:
    """P50 of a month after the plan's ageing. [kWh]"""
    assert plan.p50_kwh_by_month is not None
    return plan.p50_kwh_by_month[int(month[5:]) - 1] * _plan_ageing(site, plan, month)


def plan_price(site: Site, plan: Plan, month: str) -> float:
    """The plan's price of a month; its last one goes on. NaN without a list. [money/kWh]"""
    prices = plan.price_per_kwh_by_year
    return prices[min(years_of_age(site, month), len(prices) - 1)] if prices else float("nan")


def _plan_ageing(site: Site, plan: Plan, month: str) -> float:
    return float((1.0 - (plan.degradation_pct_per_year or 0.0) / 100.0) ** years_of_age(site, month))


def bridge_months(site: Site, data: SiteData, gap: SiteGap, plan: Plan) -> tuple[list[BridgeMonth], list[str]]:
    """Each measured month as a `BridgeMonth`, and the names of the months without a measured value."""
    income = monthly_income(site, data, gap)
    paid = _paid(site, data)
    air = _monthly_air(site, data)
    gamma = sum(s.module_type.gamma_p_mp_pct_per_c * s.p_mp_w for s in site.strings) / (1000.0 * site.pdc0_kw) / 100.0
    left_on = left_on_share(gap, site.timezone)
    energy = gap.losses.pivot(index="month", columns="cause", values="energy_kwh")
    months, left_out = [], []
    for k, row in enumerate(gap.yields.to_dict("records")):
        month = row["month"]
        if not np.isfinite(row["measured_kwh"]):
            left_out.append(month)
            continue
        losses = {c: float(energy.at[month, c]) if c in energy else np.nan for c in CAUSES}
        draws = {c: -gap.draws[c][:, k] for c in gap.draws if np.isfinite(losses[c])}
        allowed = 0.0 if np.isnan(losses["degradation"]) else row["expected_kwh"] * (1.0 - _plan_ageing(site, plan, month))
        ageing = losses.pop("degradation")
        losses["excess_ageing"] = ageing - allowed
        if "degradation" in draws:
            draws["excess_ageing"] = draws.pop("degradation") + allowed
        mistaken = float(left_on.get(month, 0.0))
        losses[LEFT_ON], losses["curtailment"] = (losses["curtailment"] * part for part in (mistaken, 1.0 - mistaken))
        if "curtailment" in draws:
            draws[LEFT_ON], draws["curtailment"] = (draws["curtailment"] * part for part in (mistaken, 1.0 - mistaken))
        budget = budget_kwh(site, plan, month)
        steps = _weather_steps(plan, month, budget, row["insolation_kwh_m2"], air.get(month, np.nan), gamma)
        steps["plan_allowance"] = row["expected_kwh"] - allowed - budget - float(np.nansum(list(steps.values())))
        steps |= {c: -losses[c] for c in CAUSE_STEPS}
        months.append(BridgeMonth(
            month, budget, plan_price(site, plan, month), row["measured_kwh"], float(income.at[month, "revenue"]),
            float(income.at[month, "compensation"]), paid.get(month, np.nan), steps, draws))
    return months, left_out


def _weather_steps(plan: Plan, month: str, budget: float, light: float, air: float, gamma: float) -> dict[str, float]:
    """sun and temperature, NaN where the plan does not hold what they need. [kWh]"""
    at = int(month[5:]) - 1
    planned_light = plan.insolation_kwh_m2_by_month[at] if plan.insolation_kwh_m2_by_month else 0.0
    if not planned_light > 0:
        return {"sun": np.nan, "temperature": np.nan}
    steps = {"sun": budget * (light / planned_light - 1.0), "temperature": np.nan}
    if plan.temp_air_c_by_month and np.isfinite(air):
        steps["temperature"] = (budget + steps["sun"]) * gamma * (air - plan.temp_air_c_by_month[at])
    return steps


def _monthly_air(site: Site, data: SiteData) -> dict[str, float]:
    """Mean air temperature of the months that have it by nine tenths. [°C]"""
    if data.weather is None or "temp_air" not in data.weather:
        return {}
    local = pd.DatetimeIndex(data.weather.index).tz_convert(site.timezone)
    by = data.weather["temp_air"].groupby(local.strftime("%Y-%m"))
    enough = by.count() / by.size() >= _ENOUGH_HOURS
    return {str(k): float(v) for k, v in by.mean()[enough].items()}


def _paid(site: Site, data: SiteData) -> dict[str, float]:
    """Money of the months that statements settle exactly. [money]"""
    if data.statements is None or data.statements.empty:
        return {}
    settled = netted(data.statements)
    start, end = (settled[name].dt.tz_convert(site.timezone) for name in ("start", "end"))
    whole = (start.dt.day == 1) & (end.dt.strftime("%Y-%m-%d") == (start + pd.offsets.MonthBegin(1)).dt.strftime("%Y-%m-%d"))
    once = whole & ~settled.duplicated(["start", "end"])
    return dict(zip(start[once].dt.strftime("%Y-%m"), settled.loc[once, "amount"].astype(float), strict=True))


def _notes(plan: Plan, months: list[BridgeMonth]) -> dict[str, str]:
    """What is beside each step: where the plan lacks a list, and what was not assessed."""
    within = "within the model difference: [plan] has no"
    named = {"plan_allowance": ["the losses that the budget counts in, added back, and how far its model differs from this one"]}
    if not plan.insolation_kwh_m2_by_month:
        named["sun"] = [f"{within} insolation_kwh_m2_by_month"]
        named["temperature"] = [f"{within} insolation_kwh_m2_by_month"]
        named["plan_allowance"].append("sun and temperature are within it")
    elif not plan.temp_air_c_by_month:
        named["temperature"] = [f"{within} temp_air_c_by_month"]
        named["plan_allowance"].append("temperature is within it")
    elif n := sum(not np.isfinite(m.steps["temperature"]) for m in months):
        named["temperature"] = [f"within the model difference in {n} of {len(months)} months, whose air temperature is not known"]
    if plan.degradation_pct_per_year is None:
        named["excess_ageing"] = ["all ageing: [plan] has no degradation_pct_per_year"]
    else:
        named["excess_ageing"] = [f"beyond the plan's {plan.degradation_pct_per_year:g} % a year"]
    if not plan.price_per_kwh_by_year:
        named["budget"] = ["valued at the price that came: [plan] has no price_per_kwh_by_year"]
        named["price_and_shape"] = ["within the steps above: [plan] has no price_per_kwh_by_year"]
    for step in CAUSE_STEPS:
        blank = [m for m in months if not np.isfinite(m.steps[step])]
        if blank:
            some = "" if len(blank) == len(months) else f" in {len(blank)} of {len(months)} months"
            named.setdefault(step, []).append(_NOT_ASSESSED + some)
    return {step: "; ".join(parts) for step, parts in named.items()}
