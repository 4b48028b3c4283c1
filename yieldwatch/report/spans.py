"""
The portfolio's last month, year to date and trailing year, farm by farm and in sum, as tables of the store.

All spans end with the newest month that any farm has measured, so that farms compare; a farm that does not reach it is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.constants import IN_HAND, LEFT_ON
from yieldwatch.cost.left_on import in_hand_rows
from yieldwatch.report import words
from yieldwatch.report.changes import change_table
from yieldwatch.report.runs import run_table
from yieldwatch.report.sentences import added
from yieldwatch.report.totals import Amount, CauseTotal, SiteTotal, site_total

SPANS = ("month", "year_to_date", "twelve_months")
_GROUPS = ("in_hand", "beyond", "unexplained")
_GROUP_COLUMNS = tuple(f"{group}{end}" for group in _GROUPS for end in (
    "_kwh", "_low_kwh", "_high_kwh", "_money", "_money_low", "_money_high"))
#: Every table has all its columns whatever the farms lack, so that who reads it need not ask which there are.
_COLUMNS = {
    "span_farms": ("span", "site_id", "name", "from_month", "to_month", "months", "expected_kwh", "measured_kwh", "coverage",
                   *_GROUP_COLUMNS, "largest_cause", "largest_money", "budget_kwh", "budget_money", "actual_money", "paid",
                   "note"),
    "span_causes": ("span", "site_id", "name", "cause", "basis", "energy_kwh", "energy_low_kwh", "energy_high_kwh", "money",
                    "money_low", "money_high", "in_hand", "part", "months", "months_not_assessed"),
    "spans": ("span", "from_month", "to_month", "farms", "farms_measured", "expected_kwh", "measured_kwh", "coverage",
              "farms_priced", "farms_planned", *_GROUP_COLUMNS, "budget_kwh", "planned_kwh", "budget_money", "planned_money",
              "paid", "farms_paid"),
    "span_bridge": ("span", "place", "step", "energy_kwh", "energy_low_kwh", "energy_high_kwh", "money", "money_low",
                    "money_high", "farms", "of_farms", "note"),
}


def span_tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """
    Prepare what an owner's page shows.

    Returns
    -------
    dict of str to DataFrame
        `span_farms`: one row a span and farm; `span_causes`: one a span, farm and cause, and where a cause is in our hands in
        part one for each `part` as well, its own `in_hand` being blank; `spans`: one a span, over the farms; `span_bridge`: one
        a span and step, over the farms with a budget; `month_sums`, `cause_months`: each measured month, and each of its causes
        and the limits left on, which are a part of one, over the farms; `run_ends`: of `runs.run_table`; `run_draws`: of
        `changes.change_table`; `statement_sums`, `return_sums`: what statements and returns come to over the farms. Energy in
        kWh, money in the portfolio's currency, bounds of 90 %. Over farms, bounds are added: farms share weather and model, and
        so their errors.
    """
    last = max((m for s in assessment.sites for m in _measured(s)), default=None)
    farms, causes, sums, bridges = [], [], [], []
    for span in SPANS if last else ():
        first = _first(span, str(last))
        found = [_farm(site, span, first, str(last)) for site in assessment.sites]
        farms += [row for row, _ in found]
        causes += [row for _, t in found if t is not None for row in _cause_rows(span, t)]
        sums.append(_sum(span, first, str(last), found))
        bridges += _bridge(span, str(last), assessment.sites)
    rows = {"span_farms": farms, "span_causes": causes, "spans": sums, "span_bridge": bridges}
    return {name: pd.DataFrame(rows[name], columns=_COLUMNS[name]) for name in rows} | {
        "run_ends": run_table(assessment.sites), "run_draws": change_table(assessment.sites),
        "statement_sums": _statements(assessment.sites), "return_sums": _returns(assessment.sites), **_months(assessment.sites)}


def _months(sites: Sequence[SiteAssessment]) -> dict[str, pd.DataFrame]:
    """
    What months come to over the farms that measured them.

    A farm whose cause was not assessed is left out of that cause; a bound or price that one farm lacks leaves the sum's unknown.
    """
    months, causes = [], []
    for site in sites:
        known = site.gap.yields[site.gap.yields["measured_kwh"].notna()]
        months.append(known.assign(covered_kwh=known["coverage"] * known["expected_kwh"], farms=1))
        mine = site.losses[site.losses["month"].isin(known["month"]) & site.losses["energy_kwh"].notna()]
        left = in_hand_rows(mine)
        mine = pd.concat([mine, left[left["cause"] == LEFT_ON]])
        causes.append(mine.assign(farms=1).rename(columns={f"revenue_lost{end}": f"money{end}" for end in ("", "_low", "_high")}))
    whole = ["farms", "expected_kwh", "measured_kwh", "covered_kwh"]
    bounded = [f"{name}{end}{unit}" for name, unit in (("energy", "_kwh"), ("money", "")) for end in ("", "_low", "_high")]
    return {
        "month_sums": pd.concat(months).groupby("month", as_index=False)[whole].sum(),
        "cause_months": pd.concat(causes).groupby(["cause", "month"], as_index=False)[["farms", *bounded]].agg(
            lambda v: v.sum(skipna=False)),
    }


def _statements(sites: Sequence[SiteAssessment]) -> pd.DataFrame:
    """
    Statements by verdict: how many, how many of them could be priced, settled less due over those, what all were due, and of how
    many that is known.
    """
    frames = [s.statement_checks for s in sites if len(s.statement_checks)]
    if not frames:
        return pd.DataFrame(columns=["verdict", "statements", "priced", "difference", "due", "due_known"])
    rows = pd.concat(frames)
    rows["difference"] = rows["amount"] - rows["amount_due"]
    by = rows.groupby("verdict", as_index=False)
    return by.agg(statements=("verdict", "size"), priced=("difference", "count"), difference=("difference", "sum"),
                  due=("amount_due", "sum"), due_known=("amount_due", "count"))


def _returns(sites: Sequence[SiteAssessment]) -> pd.DataFrame:
    """Farms with a rate of return to hold against the plan's, and those whose whole interval is below or above it."""
    frames = [s.returns[s.returns["measure"] == "rate_of_return"] for s in sites if len(s.returns)]
    rows = pd.concat(frames).dropna(subset=["value", "plan"]) if frames else pd.DataFrame(columns=["low", "high", "plan"])
    return pd.DataFrame([{"farms": len(rows), "below": int((rows["high"] < rows["plan"]).sum()),
                          "above": int((rows["low"] > rows["plan"]).sum())}])


def _measured(site: SiteAssessment) -> list[str]:
    yields = site.gap.yields
    return list(yields.loc[yields["measured_kwh"].notna(), "month"])


def _first(span: str, last: str) -> str:
    if span == "month":
        return last
    return f"{last[:4]}-01" if span == "year_to_date" else str(pd.Period(last, "M") - 11)


def _farm(site: SiteAssessment, span: str, first: str, last: str) -> tuple[dict, SiteTotal | None]:
    """A farm's row, and its totals where anything was measured in the span."""
    row: dict[str, object] = {"span": span, "site_id": site.site.id, "name": site.site.name, "from_month": first,
                              "to_month": last}
    yields = site.gap.yields
    inside = yields[(yields["month"] >= first) & (yields["month"] <= last) & yields["measured_kwh"].notna()]
    if inside.empty:
        return {**row, "months": 0, "note": f"nothing measured in {words.months_span((first, last))}"}, None
    total = site_total(replace(site, gap=replace(site.gap, yields=inside)))
    row |= {"months": len(total.months), "expected_kwh": total.expected_kwh, "measured_kwh": total.measured_kwh,
            "coverage": total.coverage}
    for name in _GROUPS:
        row |= _amounts(name, getattr(total, name))
    own = [c for c in total.in_hand_parts if c.money.known]
    largest = max(own, key=lambda c: c.money.value, default=None)
    if largest is not None and largest.money.value > 0:
        row |= {"largest_cause": largest.cause, "largest_money": largest.money.value}
    return row | _against_plan(site, span, last), total


def _amounts(name: str, group: CauseTotal) -> dict[str, float]:
    energy, money = group.energy, group.money
    return {f"{name}_kwh": energy.value, f"{name}_low_kwh": energy.low, f"{name}_high_kwh": energy.high,
            f"{name}_money": money.value, f"{name}_money_low": money.low, f"{name}_money_high": money.high}


def _against_plan(site: SiteAssessment, span: str, last: str) -> dict[str, object]:
    steps = _steps(site, span, last)
    if steps is None:
        reached = site.bridge["to_month"].max() if len(site.bridge) else None
        why = "no budget in its plan" if reached is None else f"its last measured month is {words.month_name(reached)}"
        return {"note": why}
    named = steps.set_index("step")
    return {
        "budget_kwh": named.at["budget", "energy_kwh"], "budget_money": named.at["budget", "money"],
        "actual_money": named.at["actual_revenue", "money"],
        "paid": named.at["paid", "money"] if "paid" in named.index else np.nan, "note": "",
    }


def _steps(site: SiteAssessment, span: str, last: str) -> pd.DataFrame | None:
    """The bridge's rows of a span; None where the farm has none that ends with the last month."""
    if site.bridge.empty:
        return None
    rows = site.bridge[(site.bridge["span"] == span) & (site.bridge["to_month"] == last)]
    return None if rows.empty else rows


def _cause_rows(span: str, total: SiteTotal) -> list[dict[str, object]]:
    """A row a cause; of output held down that was a limit left on in part, a row for either part too."""
    left = [c for c in total.in_hand_parts if c.cause == LEFT_ON]
    rows = []
    for c in total.causes:
        split = left if c.cause == "curtailment" else []
        rows.append(_cause_row(span, total, c, "", None if split else int(c.cause in IN_HAND)))
        rows += [_cause_row(span, total, replace(part, cause=c.cause), LEFT_ON, 1) for part in split]
        rows += [_cause_row(span, total, part, "instructed", 0) for part in total.beyond_parts if split and part.cause == c.cause]
    return rows


def _cause_row(span: str, total: SiteTotal, cause: CauseTotal, part: str, in_hand: int | None) -> dict[str, object]:
    energy, money = cause.energy, cause.money
    return {
        "span": span, "site_id": total.site_id, "name": total.name, "cause": cause.cause, "basis": cause.basis,
        "energy_kwh": energy.value, "energy_low_kwh": energy.low, "energy_high_kwh": energy.high, "money": money.value,
        "money_low": money.low, "money_high": money.high, "in_hand": in_hand, "part": part, "months": cause.months,
        "months_not_assessed": cause.months_not_assessed,
    }


def _sum(span: str, first: str, last: str, found: Sequence[tuple[dict, SiteTotal | None]]) -> dict[str, object]:
    totals = [t for _, t in found if t is not None]
    planned = pd.DataFrame([row for row, t in found if t is not None and not pd.isna(row.get("budget_kwh", np.nan))])
    row: dict[str, object] = {
        "span": span, "from_month": first, "to_month": last, "farms": len(found), "farms_measured": len(totals),
        "expected_kwh": float(np.sum([t.expected_kwh for t in totals])),
        "measured_kwh": float(np.sum([t.measured_kwh for t in totals])),
        "coverage": _mean([t.coverage for t in totals], [t.expected_kwh for t in totals]),
        "farms_priced": sum(t.in_hand.money.known for t in totals), "farms_planned": len(planned),
    }
    for name in _GROUPS:
        groups = [getattr(t, name) for t in totals]
        both = CauseTotal(name, added([g.energy for g in groups]), Amount(np.nan), added([g.money for g in groups]), "", 0, 0)
        row |= _amounts(name, both)
    for name, column in (("budget_kwh", "budget_kwh"), ("planned_kwh", "measured_kwh"), ("budget_money", "budget_money"),
                         ("planned_money", "actual_money"), ("paid", "paid")):
        row[name] = float(planned[column].sum(min_count=1)) if len(planned) else np.nan
    row["farms_paid"] = int(planned["paid"].notna().sum()) if len(planned) else 0
    return row


def _mean(values: Sequence[float], weights: Sequence[float]) -> float:
    known = [(v, w) for v, w in zip(values, weights, strict=True) if np.isfinite(v) and np.isfinite(w)]
    whole = sum(w for _, w in known)
    return sum(v * w for v, w in known) / whole if whole > 0 else np.nan


def _bridge(span: str, last: str, sites: Sequence[SiteAssessment]) -> list[dict[str, object]]:
    """The steps added over farms; what a farm cannot tell is within its plan_allowance or unexplained, as the note says."""
    frames = [f for site in sites if (f := _steps(site, span, last)) is not None]
    if not frames:
        return []
    rows = pd.concat(frames)
    # The longest bridge has every step in its place.
    order = list(max(frames, key=len)["step"])
    out: list[dict[str, object]] = []
    for place, step in enumerate(order, start=1):
        mine = rows[rows["step"] == step]
        known = mine[mine["energy_kwh"].notna() | mine["money"].notna()]
        sums = {}
        for column in ("energy_kwh", "energy_low_kwh", "energy_high_kwh", "money", "money_low", "money_high"):
            # A farm whose step has no bounds adds its value to both ends.
            whole = column.replace("_low", "").replace("_high", "")
            values = known[column] if column == whole else known[column].fillna(known[whole])
            has_bounds = column == whole or known[column].notna().any()
            sums[column] = float(values.sum(min_count=1)) if has_bounds else np.nan
        out.append({"span": span, "place": place, "step": step, **sums, "farms": len(known), "of_farms": len(frames),
                    "note": "; ".join(dict.fromkeys(n for n in mine["note"] if n))})
    return out
