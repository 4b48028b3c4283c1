"""
The pictures and tables behind the month's words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup

from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.constants import CAUSES
from yieldwatch.report import jobs, pictures, words
from yieldwatch.report.monthly_words import TOTALS, Month, step_word, summed_bridge
from yieldwatch.report.pictures import Bars, Step
from yieldwatch.report.sentences import added
from yieldwatch.report.totals import IN_HAND_PARTS
from yieldwatch.report.words import EnergyUnit, money, number

#: Jobs and causes that are shown; the rest stands in the work list and the tables.
_MOST_JOBS, _MOST_CAUSES = 10, 7
#: Steps whose words are too long for a picture.
_SHORT = {
    "plan_allowance": "planned losses, model difference",
    "actual_energy": "measured, at budget's price",
    "price_and_shape": "price and hours",
    "actual_revenue": "income by the tariff",
}
#: What the colours of `pictures` mean, as captions begin.
_KEY = "Orange and hatched: in our hands, blue: not in our hands"


@dataclass(frozen=True)
class Picture:
    """A picture with its heading and caption."""

    title: str
    caption: str
    svg: Markup


@dataclass(frozen=True)
class Table:
    """Rows of text and, in the last column, a picture each; "#" marks a column of figures."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str | Markup, ...], ...]
    caption: str


def figures(assessment: Assessment, month: Month) -> tuple[Picture, ...]:
    """The bridge and the losses by month, where there is what they need."""
    return tuple(p for p in (_bridge(assessment, month), _losses(assessment, month)) if p is not None)


def _bridge(assessment: Assessment, month: Month) -> Picture | None:
    rows = summed_bridge(assessment, "twelve_months", month.month)
    if rows.empty or not math.isfinite(rows.at["budget", "money"]):
        return None
    currency = words.plain(assessment.portfolio.currency)
    shown = rows[rows["money"].notna() & ((rows["money"].abs() >= 0.5) | rows.index.isin(TOTALS))]
    steps = [Step(_SHORT.get(str(step), step_word(str(step))), row["money"], _figure(row, str(step) in TOTALS), row["money_low"],
                  row["money_high"], str(step) in TOTALS, str(step) in IN_HAND_PARTS) for step, row in shown.iterrows()]
    return Picture(
        f"From budget to income, twelve months up to {words.month_name(month.month)}",
        f"{currency}, in brackets and as whiskers the 90 % interval. {_KEY}, grey: a whole. To the right adds, to the left takes "
        "away; the axis does not begin at nil. The order of the steps is part of the answer.",
        pictures.bridge(steps, "From budget to income, step by step; the workbook holds every figure."))


def _figure(row: pd.Series, total: bool) -> str:
    text = number(row["money"])
    if total or not (math.isfinite(row["money_low"]) and math.isfinite(row["money_high"])):
        return text
    return f"{text} ({number(row['money_low'])} to {number(row['money_high'])})"


def _losses(assessment: Assessment, month: Month) -> Picture | None:
    months = [str(pd.Period(month.month, "M") - n) for n in range(11, -1, -1)]
    losses = pd.concat([s.losses for s in assessment.sites], ignore_index=True)
    # Only months that were measured close on the account.
    there = {(s.site.id, m) for s in assessment.sites
             for m in s.gap.yields.loc[s.gap.yields["measured_kwh"].notna(), "month"]}
    kept = [(i, m) in there and m in months for i, m in zip(losses["site_id"], losses["month"], strict=True)]
    figures = ["energy_kwh", "energy_low_kwh", "energy_high_kwh", "in_hand_kwh"]
    known = losses[kept]
    # Over farms bounds are added, the wider answer; a month of which one has none has none in sum, or its value would pass for
    # certain.
    sums = known[known["energy_kwh"].notna()].groupby(["cause", "month"])[figures].agg(lambda v: v.sum(skipna=False))
    if sums.empty:
        return None
    causes = [c for c in CAUSES if c in set(known["cause"])]
    table, lows, highs, mine = (sums[name].unstack().reindex(index=causes, columns=months) for name in figures)
    unit = EnergyUnit.fitting(float(table.abs().sum().sum()))
    # What is not explained is always shown, however small.
    large = table.abs().sum(axis=1).sort_values(ascending=False)
    shown = [c for c in large.index if c == "unexplained" or unit.bare(large[c]).strip("0.")][:_MOST_CAUSES]
    shown += [] if "unexplained" in shown or "unexplained" not in table.index else ["unexplained"]
    year = {c: added([t.energy for farm in month.of_year for t in farm.causes if t.cause == c]) for c in shown}
    rows = [Bars(words.cause_word(c), table.loc[c].tolist(), lows.loc[c].tolist(), highs.loc[c].tolist(),
                 f"{unit.text(table.loc[c].sum())} ({unit.span(year[c])})", mine.loc[c].tolist()) for c in CAUSES if c in shown]
    held = float(mine.loc["curtailment"].sum()) if "curtailment" in shown else 0.0
    of_held = f" Of output held down {unit.text(held)} was a limit left on." if unit.bare(held).strip("0.") else ""
    rest = [words.cause_word(c) for c in table.index if c not in shown]
    left = f" Too small to show, or not assessed: {words.listed(rest)}." if rest else ""
    unbounded = (table.notna() & (lows.isna() | highs.isna())).loc[shown].any(axis=None)
    longest = float(table.loc[shown].abs().max(axis=None))
    rings = " A ring: no interval is known of that month." if unbounded else ""
    return Picture(
        f"Losses by month, twelve months up to {words.month_name(month.month)}",
        f"Energy lost, all rows to one scale, the longest bar {unit.text(longest)}; below the line is a gain. {_KEY}."
        f"{of_held} Whiskers are the 90 % interval of each month, to the right stands the sum of the twelve months with its own "
        f"in brackets; over farms bounds are added.{rings} A bar is what the evidence shows; its interval holds what may have "
        f"gone unseen too.{left}",
        pictures.bars_by_month(rows, [words.month_name(m)[:3] for m in months],
                               "Losses by cause and month; losses.csv holds every figure."))


def farms_table(assessment: Assessment, month: Month) -> Table:
    """Each farm: the month, the twelve months, and the return against the plan's."""
    currency = words.plain(assessment.portfolio.currency)
    by_id = {s.site.id: s for s in assessment.sites}
    of_month = {t.site_id: t for t in month.of_month}
    returns = {t.site_id: _return(by_id[t.site_id]) for t in month.of_year}
    least, most = _scale([v for r in returns.values() for v in r])
    rows: list[tuple[str | Markup, ...]] = []
    unit = EnergyUnit.fitting(max((t.measured_kwh for t in month.of_month), default=0.0))
    for year in month.of_year:
        total = of_month.get(year.site_id)
        value, low, high, plan = returns[year.site_id]
        rows.append((
            words.plain(year.name), unit.bare(total.measured_kwh) if total else words.NOT_KNOWN,
            _against(by_id[year.site_id], "month", month.month), _against(by_id[year.site_id], "twelve_months", month.month),
            f"{number(year.in_hand.money.value)} ({number(year.in_hand.money.low)} to {number(year.in_hand.money.high)})",
            f"{number(value, 1)} % ({number(low, 1)} to {number(high, 1)}); plan {number(plan, 1)} %" if math.isfinite(value) else
            words.NOT_KNOWN, pictures.span(value, low, high, least, most, plan)))
    return Table(
        ("Farm", f"#{words.month_name(month.month)}, {unit.name}", "#Month against budget", "#12 months against budget",
         f"#In our hands, 12 months, {currency}", "Rate of return", ""), tuple(rows),
        "Rate of return: the farm's cash to date and to the end of its life; dot and band are value and 90 % interval, the "
        "upright mark is the plan's, all to one scale.")


def _against(site: SiteAssessment, span: str, month: str) -> str:
    if site.bridge.empty:
        return "no budget"
    rows = site.bridge[(site.bridge["span"] == span) & (site.bridge["to_month"] == month)].set_index("step")
    if rows.empty or not rows.at["budget", "energy_kwh"] > 0:
        return words.NOT_KNOWN
    change = words.percentage(100.0 * (rows.at["actual_energy", "energy_kwh"] / rows.at["budget", "energy_kwh"] - 1.0))
    return change if change.startswith("−") else f"+{change}"


def _return(site: SiteAssessment) -> tuple[float, float, float, float]:
    rows = site.returns[site.returns["measure"] == "rate_of_return"] if len(site.returns) else site.returns
    if rows.empty:
        return (math.nan,) * 4
    value, low, high, plan = (float(rows[name].iloc[0]) for name in ("value", "low", "high", "plan"))
    return value, low, high, plan


def _scale(values: Sequence[float]) -> tuple[float, float]:
    known = [v for v in values if math.isfinite(v)]
    if not known:
        return 0.0, 0.0
    pad = 0.1 * ((max(known) - min(known)) or 1.0)
    return min(known) - pad, max(known) + pad


def jobs_table(assessment: Assessment) -> Table | None:
    """The jobs to approve in their order; None where there is none."""
    currency = words.plain(assessment.portfolio.currency)
    chosen = jobs.work_plan(assessment).do
    listed = chosen[:_MOST_JOBS]
    if not listed:
        return None
    bounds = [tuple(_number(job, n) for n in ("npv", "npv_low", "npv_high")) for job in listed]
    least, most = _scale([0.0, *(v for b in bounds for v in b)])
    rows = tuple(
        (number(job["rank"]), jobs.title(job) + (": for safety" if jobs.is_safety(job) else ""), money(job.get("cost"), currency),
         jobs.worth(job, currency), words.payback(job), number(value), pictures.span(value, low, high, least, most))
        for job, (value, low, high) in zip(listed, bounds, strict=True))
    more = f" {len(chosen) - len(listed)} more stand in the work list." if len(chosen) > len(listed) else ""
    months = assessment.portfolio.horizon_months
    return Table(("#", "Job", "#Cost", "Returns a year", "Pays back", f"#Net value, {currency}", ""), rows,
                 f"Net value over {months} months; dot and band are value and 90 % interval, the thin line is nil. "
                 f"Each job's cautions stand in the work list and go out with it; local codes and licensed practice come "
                 f"first.{more}")


def _number(job: dict, name: str) -> float:
    value = job.get(name)
    return math.nan if value is None or pd.isna(value) else float(value)
