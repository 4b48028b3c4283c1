"""
From the budget to what was earned, in a fixed order of steps that close exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from yieldwatch.constants import LEFT_ON

#: The steps in their order. Steps multiply, so the order is part of the answer. The first group turns the budget into what this
#: tool expects in the weather that came; a step for which the plan lacks a list is merged into the next of them.
WEATHER_STEPS = ("sun", "temperature", "plan_allowance")
CAUSE_STEPS = (
    "grid_outage", "curtailment", "reactive_power", "snow", "inverter_outage", "soiling", "shading", "string_fault",
    "inverter_efficiency", LEFT_ON, "excess_ageing",
)
STEPS = (*WEATHER_STEPS, *CAUSE_STEPS)
COLUMNS = [
    "site_id", "span", "from_month", "to_month", "months", "place", "step", "energy_kwh", "energy_low_kwh", "energy_high_kwh",
    "money", "money_low", "money_high", "note",
]


@dataclass(frozen=True)
class BridgeMonth:
    """
    One month's way from budget to income.

    Attributes
    ----------
    budget_kwh, measured_kwh : float
    plan_price : float
        What a kWh was planned to bring; NaN where the plan has none, and the budget is then valued at the price that came.
        [money/kWh]
    revenue, compensation : float
        Of the measured energy by the tariff; for energy held down. [money]
    paid : float
        By the statements of exactly this month; NaN without one. [money]
    steps : dict of str to float
        Energy of each step of `STEPS` but "unexplained", which closes the month. Negative took energy away; NaN was not
        assessed, and what it took is within "unexplained". [kWh]
    draws : dict of str to ndarray, shape (n_draws,)
        Of the steps with an interval, "unexplained" among them. [kWh]
    """

    month: str
    budget_kwh: float
    plan_price: float
    measured_kwh: float
    revenue: float
    compensation: float
    paid: float
    steps: dict[str, float]
    draws: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def price(self) -> float:
        """At what a step's energy is valued: the plan's price, or the one that came."""
        if np.isfinite(self.plan_price) or not self.measured_kwh:
            return self.plan_price
        return self.revenue / self.measured_kwh

    @property
    def unexplained_kwh(self) -> float:
        return self.measured_kwh - self.budget_kwh - float(np.nansum(list(self.steps.values())))


def bridge_rows(site_id: str, span: str, months: Sequence[BridgeMonth], notes: dict[str, str]) -> list[dict[str, object]]:
    """
    The steps of several months added up.

    Parameters
    ----------
    site_id, span : str
    months : sequence of BridgeMonth
        At least one, in order.
    notes : dict of str to str
        What is to be said beside a step.

    Returns
    -------
    list of dict
        Rows of `COLUMNS`: budget, the steps, unexplained, actual_energy, price_and_shape, compensation, actual_revenue, and
        where each month has a statement, settlement and paid. budget plus steps is actual_energy, in kWh and in money at the
        planned price; that plus price_and_shape and compensation is actual_revenue; that plus settlement is paid.
    """
    place = 0
    rows: list[dict[str, object]] = []
    head = {"site_id": site_id, "span": span, "from_month": months[0].month, "to_month": months[-1].month, "months": len(months)}

    def put(step: str, energy: float, money: float, bounds: tuple[float, float, float, float] = (np.nan,) * 4) -> None:
        nonlocal place
        place += 1
        names = ("energy_low_kwh", "energy_high_kwh", "money_low", "money_high")
        rows.append({**head, "place": place, "step": step, "energy_kwh": energy, "money": money,
                     **dict(zip(names, bounds, strict=True)), "note": notes.get(step, "")})

    budget = sum(m.budget_kwh for m in months)
    put("budget", budget, sum(m.budget_kwh * m.price for m in months))
    for step in STEPS:
        if all(step not in m.steps for m in months):
            continue
        energy = np.array([m.steps.get(step, np.nan) for m in months])
        money = energy * [m.price for m in months]
        known = np.isfinite(energy)
        put(step, _added(energy), float(money[known].sum()) if known.any() else np.nan, _bounds(months, step))
    rest = np.array([m.unexplained_kwh for m in months])
    put("unexplained", rest.sum(), float((rest * [m.price for m in months]).sum()), _bounds(months, "unexplained"))
    measured = sum(m.measured_kwh for m in months)
    at_plan = sum(m.measured_kwh * m.price for m in months)
    put("actual_energy", measured, at_plan)
    revenue = sum(m.revenue for m in months)
    planned = all(np.isfinite(m.plan_price) for m in months)
    put("price_and_shape", np.nan, revenue - at_plan if planned else np.nan)
    extra = sum(m.compensation for m in months)
    put("compensation", np.nan, extra)
    put("actual_revenue", measured, revenue + extra)
    paid = sum(m.paid for m in months)
    if np.isfinite(paid):
        put("settlement", np.nan, paid - revenue - extra)
        put("paid", np.nan, paid)
    return rows


def _added(values: np.ndarray) -> float:
    """The sum of what is known; NaN where nothing is."""
    return float(np.nansum(values)) if np.isfinite(values).any() else float("nan")


def _bounds(months: Sequence[BridgeMonth], step: str) -> tuple[float, float, float, float]:
    """90 % bounds of a step's energy and money; NaN where it has no interval."""
    drawn = [(m.draws[step], m.steps.get(step, m.unexplained_kwh), m.price) for m in months if step in m.draws]
    if not drawn:
        return (np.nan,) * 4
    out: list[float] = []
    for weights in (np.ones(len(drawn)), np.array([p for *_, p in drawn])):
        value = sum(v * w for (_, v, _), w in zip(drawn, weights, strict=True))
        low, high = np.quantile(sum(d * w for (d, *_), w in zip(drawn, weights, strict=True)), (0.05, 0.95))
        out += [min(low, value), max(high, value)] if np.isfinite(value) else [np.nan, np.nan]
    return out[0], out[1], out[2], out[3]


def spans(months: Sequence[BridgeMonth]) -> dict[str, list[BridgeMonth]]:
    """The last month, its year so far, and the twelve months up to it; of the months that are there."""
    if not months:
        return {}
    last = pd.Period(months[-1].month, "M")
    return {
        "month": [months[-1]],
        "year_to_date": [m for m in months if m.month[:4] == months[-1].month[:4]],
        "twelve_months": [m for m in months if pd.Period(m.month, "M") > last - 12],
    }
