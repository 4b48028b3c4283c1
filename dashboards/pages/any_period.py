"""
What the portfolio delivered and lost over any run of months, against any other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import PERIOD_LOOKS, chart, interval, layout
from dashboards.parts.farm import signed, wrapped
from dashboards.parts.period import Period, chosen, picker
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import Figure, energy, lead, page_head, sorry, stated
from dashboards.parts.words import money as money_figure
from dashboards.parts.work import explained
from dashboards.store import Row
from dashboards.visit import Content, Page, Visit, address
from yieldwatch.constants import CAUSES, LEFT_ON
from yieldwatch.report.changes import change_bounds
from yieldwatch.report.runs import GROUP
from yieldwatch.report.totals import IN_HAND_PARTS, Amount
from yieldwatch.report.words import NOT_KNOWN, WHAT_A_MARK_IS, EnergyUnit, cause_word, count, number, per_cent, plain

TITLE = "Any period"
_VALUES = ("energy_kwh", "money")
_SUMMED = ("energy_kwh", "energy_low_kwh", "energy_high_kwh", "money", "money_low", "money_high")


def build(visit: Visit) -> Content:
    months = visit.store.rows("month_sums", order=["month"]) if visit.store.has("month_sums") else []
    if not months or not visit.store.has("run_draws"):
        return sorry(TITLE, "No farm has a measured month yet, or the last assessment is of an earlier version: assess anew.")
    picked = chosen(visit, [r["month"] for r in months])
    currency = plain(visit.store.about()["currency"])
    one = _Span(visit, picked.period, months)
    other = _Span(visit, picked.against, months) if picked.against else None
    changes = _changes(visit, one, other, [r["month"] for r in months]) if other else {}
    return html.Div([
        page_head(f"{one.period.words}{f' against {other.period.words}' if other else ''}",
                  "All farms together, months that were measured. In brackets the 90 % interval: over months that of the sum or "
                  "change, over farms its ends added, since farms share weather data and model: the widest it can be."),
        picker(visit, picked),
        lead(_lead(one, currency)),
        *([html.P(["Against it, ", *_lead(other, currency), *_in_hand_change(changes)])] if other else []),
        *_picture(one, other),
        grid(_columns(one, other, currency, changes), [c for c in CAUSES if c in one.causes or (other and c in other.causes)],
             f"Losses by cause, {one.period.words}{f' and {other.period.words}' if other else ''}. A loss below nil is a gain"),
        html.P(["Farm by farm over the same period: ", *_farms(visit, picked.query())]),
        explained("loss-energy", "revenue-lost", "intervals"),
    ])


class _Span:
    """One period's sums over farms."""

    def __init__(self, visit: Visit, period: Period, months: list[Row]) -> None:
        self.period = period
        inside = [r for r in months if r["month"] in period.months]
        self.farms = (min(r["farms"] for r in inside), max(r["farms"] for r in inside))
        self.expected, self.measured, covered = (
            sum(r[name] for r in inside) for name in ("expected_kwh", "measured_kwh", "covered_kwh"))
        self.coverage = f"readings cover {per_cent(covered / self.expected, 0)}" if self.expected else ""
        self.causes: dict[str, Row] = {}
        self._farm_months, self._assessed = sum(r["farms"] for r in inside), Counter[str]()
        for row in visit.store.rows("cause_months", period.bounds()):
            self._assessed[row["cause"]] += row["farms"]
            so_far = self.causes.setdefault(row["cause"], dict.fromkeys(_SUMMED, 0.0))
            for name in _VALUES:
                # A month that a farm has no price for leaves the sum unknown.
                so_far[name] = None if so_far[name] is None or row[name] is None else so_far[name] + row[name]
        ends = visit.store.rows("run_ends", {"from_month": period.first, "to_month": period.last})
        self._ends = {r["cause"]: r for r in ends}
        for cause, row in self.causes.items():
            row.update(self._bounds(cause, row))

    def partly(self, cause: str) -> str:
        """In how many of all months of farms a cause was assessed; empty where in all or none."""
        told = self._assessed[cause]
        return "" if told in (0, self._farm_months) else f"assessed in {told:,} of {self._farm_months:,} months of farms"

    def behind(self, table: str, **where: object) -> str:
        return rows_behind(table, **where, **self.period.bounds())

    def cell(self, cause: str, names: tuple[str, ...], shown: Callable[[object], str]) -> Any:
        """A cause's figure, its unit in the column's head."""
        row = self.causes.get(cause)
        if row is None:
            return ""
        value, low, high = (row[name] for name in names)
        between = "" if low is None or high is None else f"{shown(low)} to {shown(high)}"
        return stated(Figure(NOT_KNOWN if value is None else shown(value), self.behind("losses", cause=cause), self.period.words,
                             between, self.coverage))

    def shares(self, cause: str) -> tuple[float | None, float | None, float | None]:
        """Of the energy expected: value, low, high. [%]"""
        row = self.in_hand() if cause == GROUP else self.causes.get(cause)
        if row is None or not self.expected:
            return None, None, None
        value, low, high = (row[n] for n in _SUMMED[:3])
        return tuple(None if v is None else 100.0 * v / self.expected for v in (value, low, high))  # type: ignore[return-value]

    def in_hand(self) -> Row:
        rows = [self.causes[c] for c in IN_HAND_PARTS if c in self.causes]
        if not rows:
            return dict.fromkeys(_SUMMED)
        own: Row = {name: None if any(r[name] is None for r in rows) else sum(r[name] for r in rows) for name in _VALUES}
        return own | self._bounds(GROUP, own)

    def _bounds(self, cause: str, row: Row) -> Row:
        """Low and high of a sum, from how far they lie from it."""
        found: Row = {}
        for name, unit in (("energy", "_kwh"), ("money", "")):
            value = row[f"{name}{unit}"]
            for end, side, sign in (("low", "below", -1.0), ("high", "above", 1.0)):
                away = self._ends.get(cause, {}).get(f"{name}_{side}{unit}")
                found[f"{name}_{end}{unit}"] = None if value is None or away is None else value + sign * away
        return found


def _lead(span: _Span, currency: str) -> list:
    farms = count(span.farms[1], "farm") if span.farms[0] == span.farms[1] else f"{span.farms[0]} to {span.farms[1]} farms"
    whole = {"measured_kwh": span.measured, "expected_kwh": span.expected}
    behind = span.behind("yields")
    share = Figure(per_cent(span.measured / span.expected), behind, span.period.words) if span.expected else None
    said: list = [stated(Figure(farms, behind, span.period.words)), " delivered ",
                  stated(energy(whole, "measured", behind, span.period.words, span.coverage)), f" in {span.period.words}",
                  *([", ", stated(share), " of the ", stated(energy(whole, "expected", behind, span.period.words)),
                     " to be expected with nothing wrong. "] if share else [". "])]
    own = span.in_hand()
    figure = energy({f"e{k}": own[f"energy{k}"] for k in ("_kwh", "_low_kwh", "_high_kwh")}, "e", span.behind("losses"),
                    span.period.words, span.coverage)
    said += ["In our hands was ", stated(figure)]
    if own["money"] is not None:
        said += [", worth ", stated(money_figure(own, "money", currency, span.behind("losses"), span.period.words))]
    return [*said, "."]


def _changes(visit: Visit, one: _Span, other: _Span, record: Sequence[str]) -> dict[str, Amount]:
    """Of each cause, and of all in hand, the share of expected less the other period's. [points]"""
    if not (one.expected and other.expected):
        return {}
    weights = np.array([100.0 * ((m in one.period.months) / one.expected - (m in other.period.months) / other.expected)
                        for m in record])
    bounds = change_bounds(visit.store.rows("run_draws"), weights)
    found = {}
    for cause in (*one.causes.keys() & other.causes.keys(), GROUP):
        now, then = (span.shares(cause)[0] for span in (one, other))
        if now is not None and then is not None:
            below, above = bounds.get(cause, (np.nan, np.nan))
            found[cause] = Amount(now - then, now - then - below, now - then + above)
    return found


def _in_hand_change(changes: Mapping[str, Amount]) -> list:
    if GROUP not in changes:
        return []
    return [f" What was in our hands, as a share of the energy expected, changed by {_points(changes[GROUP])} points."]


def _points(change: Amount) -> str:
    between = f" ({signed(change.low, 1)} to {signed(change.high, 1)})" if np.isfinite([change.low, change.high]).all() else ""
    return f"{signed(change.value, 1)}{between}"


def _columns(one: _Span, other: _Span | None, currency: str, changes: Mapping[str, Amount]) -> list[Column]:
    spans = [span for span in (one, other) if span]
    unit = EnergyUnit.fitting(*(row["energy_kwh"] for span in spans for row in span.causes.values()))

    def energy_of(span: _Span, head: str = "") -> Column:
        return Column("energy", f"Energy [{unit.name}]{head}", lambda c: span.cell(c, _SUMMED[:3], unit.bare), number=True)

    def money_of(span: _Span, head: str = "") -> Column:
        return Column("money", f"Money [{currency}]{head}", lambda c: span.cell(c, _SUMMED[3:], number), number=True)

    def name(cause: str) -> list:
        partly = [f"{span.period.words}: {said}" for span in spans if (said := span.partly(cause))]
        if cause == "curtailment":
            partly += [f"{span.period.words}: {unit.text(left['energy_kwh'])} of it in our hands, {cause_word(LEFT_ON)}"
                       for span in spans if (left := span.causes.get(LEFT_ON))]
        return [dcc.Link(cause_word(cause), href=f"/handbook/{cause}"), *[html.Div(said, className="quiet") for said in partly]]

    cause = Column("cause", "Cause", name)
    if other is None:
        return [cause, energy_of(one), Column("share", "Of expected [%]", lambda c: _share(one, c), number=True), money_of(one)]
    heads = [f", {span.period.words}" for span in (one, other)]
    return [cause, energy_of(one, heads[0]), energy_of(other, heads[1]),
            Column("change", "Change [points of expected]", lambda c: _points(changes[c]) if c in changes else "", number=True),
            money_of(one, heads[0]), money_of(other, heads[1])]


def _share(span: _Span, cause: str) -> str:
    value = span.shares(cause)[0]
    return "" if value is None else number(value, 1)


def _picture(one: _Span, other: _Span | None) -> list:
    causes = [c for c in CAUSES if any(span.shares(c)[0] is not None for span in (one, other) if span)]
    if not causes:
        return []
    traces = []
    for place, (span, look) in enumerate(zip((one, other), PERIOD_LOOKS, strict=True)):
        if span is None:
            continue
        found = [span.shares(c) for c in causes]
        values = [v[0] for v in found]
        marks = interval(values, [v[1] for v in found], [v[2] for v in found])
        traces.append({"type": "scatter", "mode": "markers", "name": span.period.words, "x": values,
                       "y": [k + 0.18 * (2 * place - 1) * (other is not None) for k in range(len(causes))], "error_x": marks,
                       "marker": {"color": look.colour, "symbol": look.symbol, "size": 9},
                       "hovertemplate": f"{span.period.words}: %{{x:.1f}} %<extra></extra>"})
    words = [wrapped(cause_word(c)) for c in causes]
    axis = {"autorange": "reversed", "tickvals": list(range(len(causes))), "ticktext": words, "zeroline": False}
    return [chart("periods", traces, layout(x="of expected [%]", height=90 + 34 * len(causes), yaxis=axis,
                                            showlegend=other is not None),
                  f"Losses by cause, as shares of the energy expected in the period, with their 90 % intervals. {WHAT_A_MARK_IS}",
                  "Losses by cause as shares of the energy expected. The table below holds every figure.", topic="loss-energy")]


def _farms(visit: Visit, query: dict) -> list:
    rows = visit.store.rows("sites", order=["name"], columns=("site_id", "name"), limit=13)
    links: list = []
    for row in rows[:12]:
        links += [", " if links else "", dcc.Link(plain(row["name"]), href=address(f"/farm/{row['site_id']}", **query))]
    return [*links, *([", ", dcc.Link("all farms", href="/farms")] if len(rows) > 12 else []), "."]


PAGE = Page("/losses/periods", TITLE, build)
