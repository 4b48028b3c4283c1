"""
The owner's page: what came in, what was expected, why it differs, what was in our hands, what to decide.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts import decide, words
from dashboards.parts.bridge import WHOLES, step_name, waterfall
from dashboards.parts.charts import COLOURS, chart, interval, layout
from dashboards.parts.farm import span_words
from dashboards.parts.proven import recorded
from dashboards.parts.tables import Column, grid, stored_table
from dashboards.parts.words import page_head, stated
from dashboards.parts.work import farm_names, named
from dashboards.visit import OWNER, Content, Page, Visit, address
from yieldwatch.book import states
from yieldwatch.errors import BookError
from yieldwatch.report.money import VERDICT_WORDS, unsettled
from yieldwatch.report.words import (
    NOT_KNOWN,
    WHAT_A_MARK_IS,
    EnergyUnit,
    cause_word,
    count,
    day,
    loss_word,
    money,
    number,
    per_cent,
    plain,
)

SPANS = {"month": "The last month", "year_to_date": "Year to date", "twelve_months": "Trailing year"}
#: Farms in the picture, decisions on the page: the table and the full list have the rest.
MOST_FARMS, MOST_DECISIONS = 12, 4


def build(visit: Visit) -> Content:
    span = visit.query.get("span", "month")
    span = span if span in SPANS else "month"
    about = visit.store.about()
    sums = visit.store.row("spans", {"span": span}) if visit.store.has("spans") else None
    if sums is None:
        return words.sorry("The month", "No farm has a measured month yet, so there is nothing to hold against the plan.")
    currency = plain(about["currency"])
    period = span_words(sums["from_month"], sums["to_month"])
    view = _View(visit, span, sums, currency, period)
    return html.Div([
        page_head(period, *_switch(visit, span)),
        words.lead(_lead(view)),
        html.H2("From plan to actual"), *_bridge(view),
        html.H2("Were we paid?"), html.P(_paid(view)),
        html.H2("Farms by money in our hands"), *_farms(view),
        html.H2("To decide"), *_decisions(view),
        html.H2("Did last quarter's money work?"), *_worked(view),
        html.H2("The return against the plan"), *_returns(view),
        html.H2("How far to trust this"), html.P(_trust(view)),
    ])


class _View:
    """What all parts of the page share."""

    def __init__(self, visit: Visit, span: str, sums: dict, currency: str, period: str) -> None:
        self.visit, self.store, self.span, self.sums, self.currency, self.period = (
            visit, visit.store, span, sums, currency, period)
        self.months = {"month__from": sums["from_month"], "month__to": sums["to_month"]}
        self.coverage = f"readings cover {per_cent(sums['coverage'], 0)}"
        self.bridge = visit.store.rows("span_bridge", {"span": span}, order=["place"]) if visit.store.has("span_bridge") else []

    def rows(self, table: str, **where: object) -> str:
        return rows_behind(table, **where)

    def linked(self, text: str, behind: str) -> dcc.Link:
        """A count, a share or a sum that was read and not estimated, as a link."""
        return stated(words.Figure(text, behind, self.period))


def _switch(visit: Visit, span: str) -> list:
    parts: list = []
    for name, text in SPANS.items():
        parts += [" · "] if parts else []
        parts.append(html.B(text) if name == span else dcc.Link(text, href=visit.here(span=name, page=None)))
    return [*parts, " · ", dcc.Link("Any period against any other", href="/losses/periods")]


def _lead(view: _View) -> list:
    return [*_came_in(view), *_why(view), *_in_hand(view), *_to_decide(view)]


def _came_in(view: _View) -> list:
    sums, currency = view.sums, view.currency
    behind = view.rows("yields", **view.months)
    some = sums["farms_measured"] < sums["farms"]
    farms = f"{sums['farms_measured']} of {sums['farms']} farms" if some else (
        "farm" if sums["farms"] == 1 else count(sums["farms"], "farm"))
    said: list = ["" if some else "The ", view.linked(farms, "/farms"), " delivered ",
                  stated(words.energy(sums, "measured", behind, view.period, view.coverage)),
                  f" in {view.period}."]
    if not sums["farms_planned"]:
        return [*said, " No plan with a budget covers this, so nothing is held against it. "]
    bridge = view.rows("bridge", span=view.span)
    partly = [] if sums["farms_planned"] == sums["farms_measured"] else [
        " (held against plan: ", view.linked(count(sums["farms_planned"], "farm"), bridge), ")"]
    return [
        *said, f" {'They' if sums['farms_measured'] > 1 else 'It'} earned ",
        stated(words.money(sums, "planned_money", currency, bridge, view.period)), ". The plan",
        *partly, " was ", stated(words.energy(sums, "budget", bridge, view.period)), " and ",
        stated(words.money(sums, "budget_money", currency, bridge, view.period)),
        f"; {'they' if sums['farms_planned'] > 1 else 'it'} came in ",
        *_off(view, sums["planned_kwh"], sums["budget_kwh"], bridge), " in energy and ",
        *_off(view, sums["planned_money"], sums["budget_money"], bridge), " in money. ",
    ]


def _off(view: _View, came: float | None, plan: float | None, behind: str) -> list:
    if came is None or not plan:
        return [NOT_KNOWN]
    share = came / plan - 1.0
    if abs(share) < 0.0005:
        return ["as planned"]
    return [view.linked(per_cent(abs(share)), behind), f" {'above' if share > 0 else 'below'} it"]


def _why(view: _View) -> list:
    steps = [r for r in view.bridge if r["step"] not in (*WHOLES, "price_and_shape", "compensation", "settlement")
             and r["energy_kwh"] is not None]
    whole = abs(view.sums["budget_kwh"] or 0.0)
    large = sorted((r for r in steps if abs(r["energy_kwh"]) > 0.002 * whole), key=lambda r: -abs(r["energy_kwh"]))[:4]
    if not large:
        return []
    unit = EnergyUnit.fitting(whole)
    parts = []
    for row in large:
        behind = view.rows("bridge", span=view.span, step=row["step"])
        figure = words.Figure(_signed(unit.text(row["energy_kwh"])), behind, view.period,
                              _span(row["energy_low_kwh"], row["energy_high_kwh"], unit.bare))
        parts.append(html.Span([f"{step_name(row['step'])} ", stated(figure)]))
    return ["The largest steps between the two: ", *words.joined(parts), ". "]


def _signed(change: str) -> str:
    return change if change.startswith("−") else f"+{change}"


def _in_hand(view: _View) -> list:
    behind = address("/losses", span=view.span, in_hand=1)
    coverage = f"{view.sums['farms_priced']} farms with a price; {view.coverage}"
    if view.sums["in_hand_money"] is None:
        return ["What was in our hands was ", stated(words.energy(view.sums, "in_hand", behind, view.period, coverage)),
                "; no price says what it was worth. "]
    figure = words.money(view.sums, "in_hand_money", view.currency, behind, view.period, coverage)
    said: list = ["In our hands was ", stated(figure)]
    worst = view.store.rows("span_causes", {"span": view.span, "in_hand": 1}, ["money"], descending=True, limit=1)
    if worst and (worst[0]["money"] or 0.0) > 0:
        row = worst[0]
        figure = words.money(row, "money", view.currency,
                             view.rows("losses", site_id=row["site_id"], cause=row["cause"], **view.months), view.period)
        said += [f", the largest part of it {loss_word(row)} at {plain(row['name'])}, ", stated(figure)]
    return [*said, ". "]


def _to_decide(view: _View) -> list:
    try:
        asked = decide.waiting(view.visit)
    except BookError:
        return ["There is no job book, so decisions are not kept."]
    if not asked.jobs:
        return ["Nothing waits for a decision."]
    safety = ["; ", view.linked(count(asked.safety, "is", "are"), view.rows("work_list", safety=1)), " a matter of safety."]
    return ["To decide: ", view.linked(count(len(asked.jobs), "job"), "/decisions"), ", ",
            view.linked(money(asked.cost, view.currency), "/decisions"), " together, against ",
            view.linked(money(asked.gain_per_year, view.currency), "/decisions"),
            " that they would return in the first year", *(safety if asked.safety else ["."])]


def _bridge(view: _View) -> list:
    if not view.bridge:
        return [html.P("No farm's plan has a budget that reaches this month, so there is nothing to bridge. Add "
                       "p50_kwh_by_month to the [plan] of its site.toml.")]
    unit = EnergyUnit.fitting(*(r["energy_kwh"] or 0.0 for r in view.bridge))
    in_money = view.visit.query.get("show") == "money"
    rows = [r for r in view.bridge if r["farms"] and (r["step"] not in ("settlement", "paid") or r["farms"] == r["of_farms"])]
    columns = [
        Column("step", "Step",
               lambda r: dcc.Link(step_name(r["step"]), href=view.rows("bridge", span=view.span, step=r["step"]))),
        Column("energy_kwh", f"Energy [{unit.name}]",
               lambda r: _with_span(r["energy_kwh"], r["energy_low_kwh"], r["energy_high_kwh"], unit.bare), number=True),
        Column("money", f"Money [{view.currency}]", lambda r: _with_span(r["money"], r["money_low"], r["money_high"], number),
               number=True),
        Column("farms", "Farms", lambda r: f"{r['farms']} of {r['of_farms']}", number=True),
    ]
    other = dcc.Link("Show energy" if in_money else "Show money", href=view.visit.here(show=None if in_money else "money"))
    what = f"money at the planned price [{view.currency}]" if in_money else f"energy [{unit.name}]"
    return [
        chart("bridge", *waterfall(rows, unit, in_money, view.currency), caption=[
            f"From the plan to what came, {what}, {view.period}, {rows[0]['of_farms']} farms with a plan. Whiskers: 90 % "
            "interval, bounds added over farms. Steps that a plan cannot tell apart stand together. ", other, "."],
            alternative=f"Steps from plan to actual, {what}, {view.period}. The table below holds every figure.", topic="bridge"),
        grid(columns, rows, f"From plan to actual, {view.period}; in brackets the 90 % interval; money of the steps at the "
             "budget's price. Budget and steps add up to the measured energy; with price and payments for held-down output they "
             "add up to the income."),
    ]


def _cell(value: float | None, shown: Any) -> str:
    return "" if value is None else shown(value)


def _span(low: float | None, high: float | None, shown: Any) -> str:
    return "" if low is None or high is None else f"{shown(low)} to {shown(high)}"


def _with_span(value: float | None, low: float | None, high: float | None, shown: Any) -> str:
    between = _span(low, high, shown)
    return _cell(value, shown) + (f" ({between})" if between else "")


def _paid(view: _View) -> list:
    sums = view.store.rows("statement_sums", order=["verdict"])
    if not sums:
        return ["No settlement statements were given, so whether we were paid for our energy is not known. Add statements.csv "
                "to a farm's folder."]
    differ = sum(r["difference"] or 0.0 for r in sums)
    unpaid = [r for r in sums if r["verdict"] == "missing"]
    worth = unsettled(sum(r.get("due") or 0.0 for r in unpaid),
                      any(r.get("due_known", r["statements"]) < r["statements"] for r in unpaid), view.currency)
    given = sum(r["statements"] for r in sums if r["verdict"] != "missing")
    parts = [dcc.Link(f"{number(r['statements'])} {VERDICT_WORDS.get(r['verdict'], 'agree with meter and tariff')}",
                      className="figure", href=view.rows("statement_checks", verdict=r["verdict"])) for r in sums]
    return [f"Of {count(given, 'statement')} over the whole history: ", *words.joined(parts),
            f". Over the {count(sum(r['priced'] for r in sums), 'statement')} that could be priced, ",
            view.linked(money(abs(differ), view.currency), view.rows("statement_checks")),
            f" {'more' if differ >= 0 else 'less'} was settled than was due.{worth}"]


def _farms(view: _View) -> list:
    first = view.store.rows("span_farms", {"span": view.span}, ["in_hand_money"], descending=True, limit=MOST_FARMS)
    known = [r for r in first if r["in_hand_money"] is not None]
    unit = EnergyUnit.fitting(*(r["in_hand_kwh"] or 0.0 for r in first))
    columns = [
        Column("name", "Farm", lambda r: dcc.Link(plain(r["name"]), href=address(f"/farm/{r['site_id']}"))),
        Column("in_hand_money", f"In our hands [{view.currency}]", lambda r: _farm_figure(view, r), number=True),
        Column("in_hand_kwh", f"Energy [{unit.name}]", lambda r: _cell(r["in_hand_kwh"], unit.bare), number=True),
        Column("largest_cause", "Largest part", lambda r: cause_word(r["largest_cause"]) if r["largest_cause"] else ""),
        Column("measured_kwh", "Delivered of plan",
               lambda r: per_cent(r["measured_kwh"] / r["budget_kwh"]) if r["budget_kwh"] else plain(r["note"]), number=True),
        Column("coverage", "Covered", lambda r: _cell(r["coverage"], lambda v: per_cent(v, 0)), number=True),
    ]
    parts: list = []
    if len(known) > 1:
        names = [plain(r["name"]) for r in known]
        values = [r["in_hand_money"] for r in known]
        marks = interval(values, [r["in_hand_money_low"] for r in known], [r["in_hand_money_high"] for r in known])
        trace = {"type": "scatter", "mode": "markers", "y": names, "x": values, "error_x": marks,
                 "marker": {"color": COLOURS["orange"], "size": 9, "symbol": "diamond"},
                 "hovertemplate": f"%{{y}}: {view.currency} %{{x:,.0f}}<extra></extra>"}
        more = "" if len(known) < MOST_FARMS else f" The {MOST_FARMS} with the most."
        parts.append(chart(
            "farms", [trace], layout(x=view.currency, height=70 + 34 * len(known), yaxis={"autorange": "reversed"},
                                     xaxis={"rangemode": "tozero"}),
            caption=f"Money lost in our hands by farm [{view.currency}], {view.period}, with its 90 % interval.{more} "
            f"{WHAT_A_MARK_IS}",
            alternative=f"Money lost in our hands by farm, {view.period}. The table below holds every figure.",
            topic="revenue-lost"))
    return [*parts, stored_table(view.visit, "span_farms", columns, f"Farms, {view.period}; in brackets the 90 % interval",
                                 "in_hand_money", descending=True, where={"span": view.span}, size=12)]


def _farm_figure(view: _View, row: dict) -> Any:
    if row["in_hand_money"] is None:
        return plain(row["note"]) or NOT_KNOWN
    behind = view.rows("losses", site_id=row["site_id"], **view.months)
    return stated(words.money(row, "in_hand_money", view.currency, behind, view.period))


def _decisions(view: _View) -> list:
    try:
        asked = decide.waiting(view.visit)
    except BookError:
        return [html.P(["The job book cannot be shown: ", dcc.Link("why", href="/jobs"), "."])]
    if not asked.jobs:
        return [html.P("Nothing waits for a decision.")]
    rest = len(asked.jobs) - MOST_DECISIONS
    return [
        html.Ol(decide.cards(view.visit, asked.jobs[:MOST_DECISIONS]), className="jobs"),
        *([html.P(dcc.Link(f"{count(rest, 'more job')} to decide", href="/decisions"))] if rest > 0 else []),
    ]


def _worked(view: _View) -> list:
    try:
        jobs = view.visit.place.jobs.all()
    except BookError:
        return [html.P(["The job book cannot be shown: ", dcc.Link("why", href="/jobs"), "."])]
    first, end = _last_quarter(str(view.store.about()["as_of"]))
    last = dt.date.fromisoformat(end) - dt.timedelta(days=1)
    quarter = f"{day(first)} to {day(last)}"
    done = [j for j in jobs if j.done_on and first <= j.done_on.isoformat() < end]
    events = recorded(view.visit, first, last.isoformat())
    if not done:
        return [html.P([f"No job of the job book was done from {quarter}. ",
                        dcc.Link("All promises and what came of them", href="/promises")]), *events]
    spent = sum(j.cost or 0.0 for j in done)
    judged = [j for j in done if j.verdict_kwh is not None]
    proven = sum(j.verdict_kwh or 0.0 for j in judged)
    told = [(p, j) for j in judged if (p := states.promised_kwh(j)) is not None]
    promised = sum(p for p, _ in told)
    columns = [
        Column("what", "Job", lambda r: r["what"]), Column("state", "State", lambda r: r["state"]),
        Column("cost", f"Cost [{view.currency}]", lambda r: _cell(r["cost"], number), number=True),
        Column("promised", "Promised [kWh]", lambda r: _cell(r["promised"], number), number=True),
        Column("proven", "Proven [kWh], 90 % interval", lambda r: r["proven"], number=True),
    ]
    farms = farm_names(view.visit)
    rows = [{"what": named(j, farms), "state": states.state(j), "cost": j.cost, "promised": states.promised_kwh(j),
             "proven": "not measured yet" if j.verdict_kwh is None else
             f"{number(j.verdict_kwh)} ({number(j.verdict_low_kwh)} to {number(j.verdict_high_kwh)})"} for j in done]
    return [
        html.P([f"From {quarter}, {count(len(done), 'job was', 'jobs were')} done for "
                f"{money(spent, view.currency)}. {len(judged)} of them have a measured effect: {number(proven)} kWh won back"
                + (f", where {number(promised)} kWh were promised for the same days of {len(told)}. " if told else ". "),
                dcc.Link("All promises and what came of them", href="/promises")]),
        grid(columns, rows, f"Jobs done from {quarter}"), *events,
    ]


def _last_quarter(as_of: str) -> tuple[str, str]:
    """First day of the last whole quarter before a day, and the day after its last."""
    year, start = int(as_of[:4]), 3 * ((int(as_of[5:7]) - 1) // 3) + 1
    before = (year, start - 3) if start > 3 else (year - 1, 10)
    return f"{before[0]}-{before[1]:02d}-01", f"{year}-{start:02d}-01"


def _returns(view: _View) -> list:
    sums = view.store.row("return_sums", {})
    if sums is None or not sums["farms"]:
        return [html.P("No farm has a rate of return to show: its plan needs a capital cost, a life and prices.")]

    def name(site: str) -> str:
        farm = view.store.row("sites", {"site_id": site})
        return plain(farm["name"] if farm else site)

    columns = [
        Column("site_id", "Farm", lambda r: dcc.Link(name(r["site_id"]), href=address(f"/farm/{r['site_id']}"))),
        Column("value", "Return, to date and forecast [% a year]", lambda r: stated(words.Figure(
            number(r["value"], 1), view.rows("returns", site_id=r["site_id"], measure="rate_of_return"), "over the farm's life",
            _span(r["low"], r["high"], lambda v: number(v, 1)))), number=True),
        Column("plan", "Plan [% a year]", lambda r: number(r["plan"], 1), number=True),
    ]
    unsaid = sums["farms"] - sums["below"] - sums["above"]
    return [
        html.P(["Of ", view.linked(count(sums["farms"], "farm"), view.rows("returns", measure="rate_of_return")),
                f" with a plan's return, {_many(sums['below'])} the whole 90 % interval below it, "
                f"{_many(sums['above'])} it above, and for {unsaid or 'none'} the interval holds the plan."]),
        stored_table(view.visit, "returns", columns, "Rate of return by farm; in brackets the 90 % interval", "value",
                     where={"measure": "rate_of_return"}, key="return_", size=12),
    ]


def _many(n: int) -> str:
    return count(n, "has", "have") if n else "none has"


def _in_unit_of(view: _View, name: str, unit: EnergyUnit) -> words.Figure:
    """A part of the expected energy in the whole's unit: its last digits are not known to a kWh."""
    value, low, high = (view.sums[f"{name}{end}_kwh"] for end in ("", "_low", "_high"))
    return words.Figure(NOT_KNOWN if value is None else unit.text(value), address("/losses", span=view.span, cause=name),
                        view.period, _span(low, high, unit.bare), view.coverage)


def _trust(view: _View) -> list:
    sums = view.sums
    return [
        "Readings cover ", view.linked(per_cent(sums["coverage"], 0), view.rows("yields", **view.months)),
        f" of the energy to be expected in {view.period}. Not explained is ",
        stated(_in_unit_of(view, "unexplained", EnergyUnit.fitting(sums["expected_kwh"]))),
        ", which is spread over no cause; below nil more came than is explained. ",
        dcc.Link("Coverage, rows set aside, clocks and sensors", href="/trust"), ".",
    ]


PAGE = Page("/", "The month", build, menu="The month", roles=frozenset({OWNER}))
