"""
The last assessment, and a new one.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import flask
from dash import Dash, Input, Output, ctx, dcc, html

from dashboards.parts.words import aria, page_head
from dashboards.people import current_person
from dashboards.run import Progress
from dashboards.store import NoAssessment, Store
from dashboards.visit import ANALYST, OWNER, Content, Page, Place, Visit
from yieldwatch.report.words import count, day, last_read, plain, tied

MAY_START = frozenset({OWNER, ANALYST})


def build(visit: Visit) -> Content:
    may = visit.person.may(MAY_START)
    running = visit.place.runner.progress()
    return html.Div([
        page_head("Assessment"), html.P(_last(visit.store), id="assess-last"),
        html.P("A new one reads the portfolio's folder as it is now, and replaces the last one when it is done; until then all "
               "pages show the last one."),
        html.P(html.Button("Assess anew", id="assess-start", n_clicks=0)) if may else
        html.P(f"An assessment is started by {' or '.join(sorted(MAY_START))}."),
        html.Div(_told(running), id="assess-told", **aria(live="polite")),
        dcc.Interval(id="assess-clock", interval=1500, disabled=running is None or running.code is not None),
        *([] if may else [html.Button(id="assess-start", hidden=True)]),
    ])


def _last(store: Store) -> list:
    try:
        about = store.about()
    except NoAssessment as err:
        return [str(err)]
    farms = store.page("sites", ["site_id"], False, 1, 1).total
    to, as_of = (last_read(dt.date.fromisoformat(about[name] or "")) for name in ("to", "as_of"))
    made = dt.datetime.fromisoformat(str(about["made"])).astimezone(dt.UTC)
    return [tied(f"The last assessment was made on {day(made.date())} at {made:%H:%M} UTC. It covers "
                 f"{count(farms, 'farm')}, {day(about['from'])} to {to}, by readings to {as_of}.")]


def _told(progress: Progress | None) -> list:
    if progress is None:
        return []
    done = len({line.partition(":")[0] for line in progress.lines if line.endswith(": jobs")})
    took = f"{progress.seconds:.0f} s"
    if progress.code is None:
        now = progress.lines[-1] if progress.lines else "starting"
        return [html.P(f"Running for {took}, started by {plain(progress.who)}: {plain(now)}. {count(done, 'farm')} done.")]
    if progress.code == 0:
        return [html.P(["Done after ", took, ". ", dcc.Link("See the month", href="/")], className="done")]
    said = [plain(line) for line in progress.lines[-12:] if line.strip()]
    return [html.P(f"It ended after {took} without a result; the last one is untouched.", className="sorry", role="alert"),
            html.Ul([html.Li(line) for line in said], className="plain")]


def callbacks(app: Dash, place: Place) -> None:
    @app.callback(Output("assess-told", "children"), Output("assess-clock", "disabled"), Output("assess-last", "children"),
                  Output("portfolio", "children"),
                  Input("assess-start", "n_clicks"), Input("assess-clock", "n_intervals"), prevent_initial_call=True)
    def follow(presses: int | None, ticks: int | None) -> tuple[Any, bool, list, str]:
        person = current_person()
        if ctx.triggered_id == "assess-start" and presses:
            if not person.may(MAY_START):
                flask.abort(403)
            # Whoever presses second sees the one that runs.
            place.runner.start(person.name)
        now = place.runner.progress()
        return _told(now), now is None or now.code is not None, _last(place.store), place.name


PAGE = Page("/assess", "Assessment", build, menu="Assessment", callbacks=callbacks)
