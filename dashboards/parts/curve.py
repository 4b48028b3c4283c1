"""
What the plan would return under other budgets: a picture, the jobs that come in at each step, and a way to take each budget.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import flask
import numpy as np
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria
from dashboards.parts.work import days_limit, farm_names, job_link, money_cell, with_span
from dashboards.people import current_person
from dashboards.planner import BadLimit, Curve, Limits, Working, desk, limits_from
from dashboards.store import NoAssessment
from dashboards.visit import Content, Place, Visit, address
from yieldwatch.action.budget_curve import STEPS, CurvePoint
from yieldwatch.action.plan_rows import OutOfTime
from yieldwatch.report.words import count, number, per_cent, plain

#: Jobs up to which it is worked out without being asked for, and jobs of a step that are named.
MOST_UNASKED, _MOST_NAMED = 300, 4
#: How far the picture goes beyond what is in it.
_BEYOND = 1.15
#: How long between looks [ms], and share by which another plan may be worth more from which on that is said.
_LOOK, _TOLD_GAP = 1000, 1e-5


def curve_part(visit: Visit, limits: Limits, wait: float) -> Content:
    """The picture and the table, or word that they are being made."""
    at = desk(visit.place)
    jobs = at.jobs()
    if jobs > MOST_UNASKED and visit.query.get("curve") != "1":
        return html.P([f"To plan {count(jobs, 'job')} at {STEPS} budgets takes a while. ",
                       dcc.Link("Work it out", href=visit.here(curve=1))])
    curve = at.curve(limits.crew_days, wait)
    if not curve.done:
        return [html.P(f"Planning at other budgets: {len(curve.points)} of {STEPS + 2} at most are done."),
                html.Progress(value=str(len(curve.points)), max=str(STEPS + 2), **aria(label="Budgets planned")),
                dcc.Interval(id="curve-look", interval=_LOOK)]
    if not curve.points:
        return html.P(f"What other budgets would return is not known. {curve.cut}", className="sorry")
    return _shown(visit, limits, curve)


def _shown(visit: Visit, limits: Limits, curve: Curve) -> list:
    currency, horizon = plain(visit.store.about()["currency"]), visit.store.about()["horizon_months"]
    points = curve.points
    named = _Named(visit)
    rows = [{"point": point, "to": _take(visit, limits, point), "changes": named.changes(before, point)}
            for before, point in zip((None, *points), points, strict=False)]
    columns = [
        Column("budget", f"From a budget of [{currency}], rounded up", lambda r: dcc.Link(
            number(_asked(r["point"])), href=r["to"], title="Plan with this budget"), number=True),
        Column("gain", f"Returns [{currency}]", lambda r: with_span(r["point"].gain, r["point"].low, r["point"].high),
               number=True),
        Column("net", f"More than it costs [{currency}]", lambda r: money_cell(r["point"].gain - r["point"].budget), number=True),
        Column("crew_days", "Crew days", lambda r: number(r["point"].crew_days, 1), number=True),
        Column("changes", "What comes in and goes out", lambda r: r["changes"]),
    ]
    last = points[-1]
    said = (f"More than the {currency} {number(last.budget)} of the last plan below brings in nothing more that pays."
            if curve.top is None or last.budget < curve.top - curve.top / STEPS else
            f"Up to twice the portfolio's own budget, {currency} {number(curve.top)}.")
    days = days_limit(limits.crew_days)
    gap = max(p.gap for p in points)
    return [
        html.P([said, " A press on a point, or on a budget in the table, plans with it.", *(
            [f" The search was cut off at some budgets: another plan may be worth up to {per_cent(gap)} more."]
            if gap > _TOLD_GAP else []), *([f" Smaller budgets are missing: {curve.cut}"] if curve.cut else [])]),
        chart("curve", _traces(rows, curve, limits, currency, _returned(visit, limits)),
              layout(x=f"works budget [{currency}]", y=currency, height=320, showlegend=True, xaxis={"rangemode": "tozero"},
                     yaxis={"rangemode": "tozero"}),
              f"What the best plan returns by the works budget, with {days}: present value within {horizon} months "
              f"[{currency}], with its 90 % interval. Between two points another plan may return more than the lower one.",
              "What the plan returns by the works budget. The table below holds every point.", topic="budget-curve"),
        grid(columns, rows, "By budget, the smallest first; in brackets the 90 % interval. Safety is done whatever the budget"),
    ]


def _asked(point: CurvePoint) -> float:
    """Its budget in whole money, rounded up so that it is enough when it is typed."""
    return math.ceil(point.budget - 1e-6)


def _take(visit: Visit, limits: Limits, point: CurvePoint) -> str:
    return address("/plan", set=1, budget=f"{_asked(point):.0f}",
                   crew_days=None if limits.crew_days is None else f"{limits.crew_days:.12g}",
                   **{k: visit.query[k] for k in ("view", "curve") if k in visit.query})


def _returned(visit: Visit, limits: Limits) -> float | None:
    """What the plan that the page tells of returns; None while it is not made. [money]"""
    try:
        made = desk(visit.place).plan(limits, 0.0)
    except OutOfTime:
        return None
    return None if isinstance(made, Working) else made.gain


def _traces(rows: list[dict], curve: Curve, limits: Limits, currency: str, own: float | None) -> list[dict]:
    points = curve.points
    # As far as the plans go and the budget that is asked about, and not on over what changes nothing.
    own_budget = 0.0 if limits.budget is None else _BEYOND * limits.budget
    end = max(points[-1].budget, min(curve.top or np.inf, max(_BEYOND * points[-1].budget, own_budget)))
    x = [*(p.budget for p in points), end]
    line: dict[str, Any] = {"type": "scatter", "mode": "lines", "x": x, "hoverinfo": "skip"}
    band = {**line, "line": {"shape": "hv", "width": 0}}

    def held(name: str) -> list[float]:
        values = [getattr(p, name) for p in points]
        return [*values, values[-1]]

    traces = [
        {**band, "y": held("low"), "showlegend": False},
        {**band, "y": held("high"), "fill": "tonexty", "fillcolor": "rgba(47,128,194,0.18)", "name": "90 % interval"},
        {**line, "y": held("gain"), "name": "returns", "line": {"shape": "hv", "width": 2.5, "color": COLOURS["blue"]}},
        {"type": "scatter", "mode": "lines", "x": [0.0, end], "y": [0.0, end], "name": "as much as the budget",
         "line": {"color": COLOURS["grey"], "dash": "dot", "width": 1.5}, "hoverinfo": "skip"},
        {"type": "scatter", "mode": "markers", "x": [p.budget for p in points], "y": [p.gain for p in points],
         "customdata": [r["to"] for r in rows], "name": "a plan to take", "marker": {"size": 10, "color": COLOURS["blue"]},
         "hovertemplate": f"from {currency} %{{x:,.0f}}: %{{y:,.0f}} returned<extra></extra>"},
    ]
    if limits.budget is not None and limits.budget <= end:
        now = [p for p in points if p.budget <= limits.budget + 1e-6]
        returned = now[-1].gain if own is None and now else own
        traces += [{"type": "scatter", "mode": "markers", "x": [limits.budget], "y": [returned], "name": "the budget above",
                    "marker": {"symbol": "diamond", "size": 14, "color": COLOURS["purple"]},
                    "hovertemplate": f"{currency} %{{x:,.0f}}<extra></extra>"}] if now else []
    return traces


class _Named:
    """What changes from one plan to the next, in links."""

    def __init__(self, visit: Visit) -> None:
        wanted = ("job_id", "site_id", "job_kind", "cause", "scope", "safety")
        self._rows = {r["job_id"]: r for r in visit.store.rows("work_list", columns=wanted)}
        self._farms = farm_names(visit)

    def changes(self, before: CurvePoint | None, point: CurvePoint) -> list:
        was: Mapping[str, int] = before.jobs if before else {}
        now = point.jobs
        groups = [("in: ", [j for j in now if j not in was]), ("out: ", [j for j in was if j not in now]),
                  ("more often: ", [j for j in now if was.get(j, now[j]) < now[j]]),
                  ("less often: ", [j for j in now if was.get(j, now[j]) > now[j]])]
        told = [html.Div([word, *self._links(sorted(ids))]) for word, ids in groups if ids]
        return told or ["the same jobs in other weeks" if before else "nothing"]

    def _links(self, ids: list[str]) -> list:
        shown = [[job_link(self._rows[j]), f" at {self._farms.get(self._rows[j]['site_id'], '')}"] for j in ids[:_MOST_NAMED]
                 if j in self._rows]
        links = [part for place, pair in enumerate(shown) for part in (*([", "] if place else []), *pair)]
        return [*links, f" and {len(ids) - _MOST_NAMED} more" if len(ids) > _MOST_NAMED else ""]


def curve_callbacks(app: Dash, place: Place, path: str, roles: frozenset[str]) -> None:
    """Looks for the points that come, and the press on one."""
    @app.callback(Output("plan-curve", "children"), Input("curve-look", "n_intervals"), State("plan-query", "data"),
                  prevent_initial_call=True)
    def look(looks: int | None, query: dict[str, str] | None) -> Any:
        person = current_person()
        if not person.may(roles):
            flask.abort(403)
        try:
            visit = Visit(place, person, path, {}, {str(k): str(v) for k, v in (query or {}).items()})
            return curve_part(visit, limits_from(visit.query, visit.store.about()), 0.0)
        except (BadLimit, NoAssessment):
            return no_update

    app.clientside_callback(ClientsideFunction("yieldwatch", "taken"), Output("address", "href"),
                            Input("chart-curve", "clickData"), prevent_initial_call=True)
