"""
A farm's money in the report: what was settled, how the budget became the income, the return, and who pays.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from yieldwatch.assess_site import SiteAssessment
from yieldwatch.report import words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.totals import Amount
from yieldwatch.report.words import EnergyUnit, bare_span, bounds, count, money, money_of, number

#: Rows of a table that the page shows before it sends the reader to the CSV file.
MOST_ROWS = 12
STEP_WORDS = {
    "budget": "budget",
    "sun": "sun",
    "temperature": "temperature",
    "plan_allowance": "planned losses added back and model difference",
    "excess_ageing": "ageing beyond the plan's",
    "actual_energy": "measured energy, at the budget's price",
    "price_and_shape": "price, and when the energy came",
    "compensation": "paid for output held down",
    "actual_revenue": "income by the tariff",
    "settlement": "settled more or less than that",
    "paid": "settled and paid",
}
VERDICT_WORDS = {
    "energy_differs": "settled over other energy",
    "price_differs": "settled at another price",
    "energy_and_price_differ": "settled over other energy, at another price",
    "duplicate": "settled twice",
    "overlap": "overlapping another",
    "missing": "missing",
    "not_checked": "not checked",
}
MEASURE_WORDS = {
    "income": "income",
    "running_cost": "running cost",
    "yield_on_cost": "income less running cost, over the price of the farm",
    "yield_on_cost_usual_light": "the same, in usual light",
    "income_per_kwp": "income per kWp",
    "captured_price": "mean price of a kWh",
    "operating_margin": "operating margin",
    "rate_of_return": "rate of return, to date and forecast",
    "value_of_remaining_life": "present value of the years left",
    "payback_remaining": "months until the farm has paid itself back",
    "cash_needed": "net income a year that the owner's rate asks for",
}
#: In place of the days by which a loss delays the payback.
PAID_BACK = "paid back already"
PAYER_WORDS = {
    "owner": "owner",
    "maintenance_contractor": "maintenance contractor",
    "module_maker": "module maker",
    "inverter_maker": "inverter maker",
    "insurer": "insurer",
    "network": "network operator",
}


@dataclass(frozen=True)
class MoneySection:
    """Sentences, then tables."""

    said: tuple[str, ...]
    grids: tuple[Grid, ...]


def money_section(site: SiteAssessment, claims: pd.DataFrame, names: Mapping[str, str], currency: str) -> MoneySection:
    """Put a farm's money together; `claims` are those of all farms, `names` what people call jobs by their identifiers."""
    own = claims[(claims["site_id"] == site.site.id) & (claims["payer"] != "owner")] if len(claims) else claims
    said = [_statements_said(site.statement_checks, currency), _bridge_said(site.bridge, currency), _returns_said(site.returns)]
    grids = [
        _bridge(site.bridge, currency), _statements(site.statement_checks, currency), _returns(site.returns, currency),
        _losses(site.returns, currency), _claims(own, names, currency),
    ]
    return MoneySection(tuple(said), tuple(g for g in grids if g is not None))


def _statements_said(checks: pd.DataFrame, currency: str) -> str:
    if checks.empty:
        return "No statements were given, so it is not known whether the farm was paid for its energy."
    verdicts = checks["verdict"].value_counts()
    both = checks[checks["amount"].notna() & checks["amount_due"].notna()]
    agree = int(verdicts.get("agrees", 0))
    parts = [f"{agree} of {count(int((checks['verdict'] != 'missing').sum()), 'statement')} agree with meter and tariff"]
    parts += [f"{verdicts[v]} {text}" for v, text in VERDICT_WORDS.items() if v in verdicts]
    difference = both["amount_difference"].sum()
    way = "more" if difference >= 0 else "less"
    total = f"{money(abs(difference), currency)} {way} was settled than was due"
    # Two meters differ for good within their class; what a wrong price took must not hide in that.
    by_price = checks.loc[checks["verdict"].isin(["price_differs", "energy_and_price_differ"]), "due_to_price"].sum()
    if abs(by_price) >= 0.5:
        total += f"; at prices that differ, {money(abs(by_price), currency)} too {'much' if by_price > 0 else 'little'}"
    missing = checks[checks["verdict"] == "missing"]
    worth = unsettled(missing["amount_due"].sum(), bool(missing["amount_due"].isna().any()), currency)
    return f"{'; '.join(parts)}. Of those that could be priced, {total}.{worth}"


def unsettled(due: float, partial: bool, currency: str) -> str:
    """
    What the spans that no statement settles are worth, after other sentences; nothing where that is nothing or not known, and
    `partial` where it is not known of some.
    """
    least = "at least " if partial else ""
    return f" What no statement settles is worth {least}{money(due, currency)}." if due >= 0.5 else ""


def _bridge_said(bridge: pd.DataFrame, currency: str) -> str:
    rows = bridge[bridge["span"] == "twelve_months"].set_index("step") if len(bridge) else bridge
    if rows.empty:
        return "There is no budget in the plan, or no measured month, so nothing is held against it."
    energy, budget = rows.at["actual_energy", "energy_kwh"], rows.at["budget", "energy_kwh"]
    off = 100.0 * (energy / budget - 1.0) if budget else math.nan
    unit = EnergyUnit.fitting(budget)
    earned = rows.at["actual_revenue", "money"]
    over = f"{number(abs(off), 1)} % {'above' if off >= 0 else 'below'} budget"
    months = count(int(rows["months"].iloc[0]), "month")
    return f"The last {months} gave {unit.text(energy)}, {over}, and {money(earned, currency)}."


def _returns_said(returns: pd.DataFrame) -> str:
    if returns.empty or not (returns["measure"] == "rate_of_return").any():
        return "No rate of return is stated; the notes say what it needs."
    row = returns[returns["measure"] == "rate_of_return"].iloc[0]
    bounds = f" ({number(row['low'], 1)} to {number(row['high'], 1)})" if math.isfinite(row["low"]) else ""
    value, plan = number(row["value"], 1), number(row["plan"], 1)
    return f"The rate of return to date and forecast is {value} %{bounds}; the plan's is {plan} %."


def _bridge(bridge: pd.DataFrame, currency: str) -> Grid | None:
    rows = bridge[bridge["span"] == "twelve_months"] if len(bridge) else bridge
    if rows.empty:
        return None
    unit = EnergyUnit.fitting(float(rows["energy_kwh"].abs().max()))
    shown = tuple(
        (
            STEP_WORDS.get(r["step"], words.cause_word(r["step"])),
            _blank(r["energy_kwh"], unit.bare),
            _span(r["energy_low_kwh"], r["energy_high_kwh"], unit.bare),
            *_money_cells(r, "money", currency),
            words.plain(r["note"]),
        )
        for r in rows.to_dict("records")
    )
    first, last = rows["from_month"].iloc[0], rows["to_month"].iloc[0]
    return Grid(
        f"From budget to income, {words.month_name(first)} to {words.month_name(last)}, in this order. Energy in {unit.name}; "
        "below zero took it away; intervals are 90 %.",
        ("Step", "#Energy", "interval", "#Worth", "interval", "What it holds"), shown,
        after="The last month and the year so far stand in bridge.csv.")


def _statements(checks: pd.DataFrame, currency: str) -> Grid | None:
    odd = checks[checks["verdict"] != "agrees"] if len(checks) else checks
    if odd.empty:
        return None
    rows = tuple(
        (
            words.day(r["start"]), words.day(r["end"]), words.plain(r["reference"]),
            VERDICT_WORDS.get(r["verdict"], words.plain(r["verdict"])),
            _blank(r["energy_difference_kwh"], number), _blank(r["amount_difference"], lambda v: money(v, currency)),
            words.plain(r["note"]),
        )
        for r in odd.head(MOST_ROWS).to_dict("records")
    )
    return Grid("Statements that do not agree with meter and tariff.",
                ("From", "Before", "Statement", "Finding", "#Energy, kWh", "#Money", "What to do"), rows,
                after="Every statement stands in statement_checks.csv.")


def _returns(returns: pd.DataFrame, currency: str) -> Grid | None:
    rows = returns[returns["measure"].isin(list(MEASURE_WORDS))] if len(returns) else returns
    if rows.empty:
        return None
    shown = tuple(
        (MEASURE_WORDS[r["measure"]], _figure(r["value"]), _span(r["low"], r["high"], _figure), _figure(r["plan"]),
         words.plain(r["unit"]).replace("money", currency), words.in_day_words(r["note"]))
        for r in rows.to_dict("records")
    )
    return Grid("The return, last twelve months and ahead; intervals are 90 %.",
                ("Measure", "#Value", "interval", "#Plan", "Unit", "Basis"), shown)


def _losses(returns: pd.DataFrame, currency: str) -> Grid | None:
    """Each loss in the owner's three units, the dearest first."""
    rows = returns[returns["cause"] != ""] if len(returns) else returns
    if rows.empty:
        return None
    by = {(r["cause"], r["measure"]): r for r in rows.to_dict("records")}
    over = PAID_BACK if is_paid_back(returns) else words.NOT_KNOWN
    dear = rows[rows["measure"] == "loss_per_year"].sort_values("value", ascending=False)
    shown = []
    for cause in dear["cause"]:
        cells = [words.cause_word(cause)]
        for measure, decimals in (("loss_per_year", 0), ("loss_rate_of_return", 1), ("loss_payback", 0)):
            r = by.get((cause, measure))
            known = r is not None and math.isfinite(r["value"])
            cells.append(f"{number(r['value'], decimals)} ({number(r['low'], decimals)} to {number(r['high'], decimals)})"
                         if r is not None and known else over if measure == "loss_payback" else words.NOT_KNOWN)
        shown.append(tuple(cells))
    return Grid("What each loss of the last twelve months takes if it goes on; in brackets the 90 % interval.",
                ("Loss", f"#{currency} a year", "#Basis points of return", "#Days of payback"), tuple(shown))


def is_paid_back(returns: pd.DataFrame) -> bool:
    """Whether a farm has paid itself back, so that no loss delays that any more."""
    left = returns.loc[returns["measure"] == "payback_remaining", "value"]
    return bool(len(left)) and float(left.iloc[0]) == 0.0


def _claims(claims: pd.DataFrame, names: Mapping[str, str], currency: str) -> Grid | None:
    rows = claims[claims["state"] != "none"] if len(claims) else claims
    if rows.empty:
        return None
    place = rows["state"].map({"claim": 0, "ask": 1, "watch": 2, "asked": 3})
    order = rows.assign(_=place).sort_values(["_", "deadline"], kind="stable")
    shown = tuple(
        (
            PAYER_WORDS.get(r["payer"], words.plain(r["payer"])), names.get(str(r["subject"])) or words.plain(r["subject"]),
            *_money_cells(r, "amount", currency),
            words.plain(r["state"]), words.day(r["deadline"]), words.in_day_words(r["reason"]), words.plain(r["evidence"]),
        )
        for r in order.head(MOST_ROWS).to_dict("records")
    )
    return Grid("Who else may pay. Your contracts' own terms and dates win. Amounts are not to be added: one sum can stand with "
                "several payers, and as a claim and the job that asks for it.",
                ("Payer", "What", "#Amount", "interval", "State", "Until", "Why", "To send"), shown,
                after="What is the owner's own, and what is not owed, stands in claims.csv.")


def _figure(value: float) -> str:
    return _blank(value, lambda v: number(v, 0 if v == 0 or abs(v) >= 1000 else 4 if abs(v) < 1 else 1))


def _blank(value: float, shown: Callable[[float], str]) -> str:
    return shown(value) if math.isfinite(value) else ""


def _money_cells(row: Mapping[str, Any], name: str, currency: str) -> tuple[str, str]:
    """A sum and its interval, as finely as that allows; blank where they are not known."""
    cells = money_of(row, name, currency), bare_span(Amount(row[name], *bounds(row, name)))
    return "" if cells[0] == words.NOT_KNOWN else cells[0], "" if cells[1] == words.NOT_KNOWN else cells[1]


def _span(low: float, high: float, shown: Callable[[float], str]) -> str:
    return f"{shown(low)} to {shown(high)}" if math.isfinite(low) and math.isfinite(high) else ""
