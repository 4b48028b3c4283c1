"""
The year's plan under limits that can be moved: visits, weeks, map, what other budgets would return, what missed the cut, and the
papers to take away.
"""

from __future__ import annotations

from typing import Any

import flask
import pandas as pd
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboards.papers import PAPERS, SiteGone, kept
from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.curve import curve_callbacks, curve_part
from dashboards.parts.plan_map import on_a_map
from dashboards.parts.tables import Column, grid, paged_grid
from dashboards.parts.words import Figure, aria, page_head, stated
from dashboards.parts.work import (
    days_limit,
    explained,
    farm_names,
    job_link,
    money_cell,
    standing,
    tied,
    with_span,
)
from dashboards.people import current_person
from dashboards.planner import SECONDS, BadLimit, Limits, Working, desk, limits_from
from dashboards.store import NoAssessment
from dashboards.visit import ROLES, Content, Page, Place, Route, Visit, address
from yieldwatch.action.plan_rows import OutOfTime, PlanMade
from yieldwatch.errors import YieldwatchError
from yieldwatch.report.pdf import why_no_pdf
from yieldwatch.report.visits import HEADS
from yieldwatch.report.words import count, day, listed, money, number, plain

VIEWS = {"visits": "By visit", "weeks": "By week", "map": "On a map"}
#: How long a page waits for its plan before it says that it is being made, and how long between looks. [s], [ms]
_WAIT, _LOOK = 0.2, 700
#: The same for what other budgets would return, which stands further down. [s]
_CURVE_WAIT = 0.2


def build(visit: Visit) -> Content:
    about = visit.store.about()
    try:
        limits = limits_from(visit.query, about)
    except BadLimit as err:
        limits = Limits(None, None)
        body: Content = html.P(str(err), className="sorry", role="alert")
    else:
        body = _body(visit, limits, _WAIT)
    return html.Div([
        page_head("The plan", f"The coming year from {day(about['as_of'])}, in visits. Returns are at present value, from each "
                  f"job's week to the end of the {about['horizon_months']} months that count; costs are the portfolio's own "
                  "prices: your quotes replace them."),
        *standing(visit)[1],
        _form(visit, limits, plain(about["currency"])),
        dcc.Store(id="plan-query", data=dict(visit.query)),
        html.Div(body, id="plan", **aria(live="polite")),
    ])


def _form(visit: Visit, limits: Limits, currency: str) -> html.Form:
    view = visit.query.get("view", "visits")
    fields = [
        _field("budget", f"Works budget [{currency}]", limits.budget, visit.query),
        _field("crew_days", "Crew days of 8 hours", limits.crew_days, visit.query),
        dcc.Input(type="hidden", name="set", value="1"),
        dcc.Input(type="hidden", name="view", value=view if view in VIEWS else "visits"),
        html.Button("Plan", type="submit"),
    ]
    return html.Form([*fields, html.P("An empty box is no limit. The address holds the limits, so it can be passed on.",
                                      className="quiet")], action="/plan", method="GET", className="limits no-print")


def _field(name: str, label: str, value: float | None, query: Any) -> html.Label:
    shown = query[name][:12] if name in query else "" if value is None else f"{value:g}"
    return html.Label([label, dcc.Input(id=f"plan-{name}", name=name, type="text", value=shown, maxLength=12,
                                        inputMode="numeric", autoComplete="off")])


def _body(visit: Visit, limits: Limits, wait: float) -> Content:
    try:
        made = desk(visit.place).plan(limits, wait)
    except NoAssessment as err:
        return html.P(str(err))
    except OutOfTime as err:
        return html.P(f"{err} Raise the limits, or ask again: the answer may come on a less busy machine.", className="sorry")
    if isinstance(made, Working):
        return [html.P(f"Planning {count(made.jobs, 'job')}, for {made.seconds:.0f} seconds so far. Once its turn has come a "
                       f"plan takes {SECONDS:.0f} seconds at most; then the best one found is shown."),
                html.Progress(value=str(min(made.seconds, SECONDS)), max=str(SECONDS), **aria(label="Time gone")),
                dcc.Interval(id="plan-look", interval=_LOOK)]
    return _shown(_View(visit, limits, made))


class _View:
    """What all parts of the page share."""

    def __init__(self, visit: Visit, limits: Limits, made: PlanMade) -> None:
        self.visit, self.limits, self.made = visit, limits, made
        about = visit.store.about()
        self.currency, self.horizon = plain(about["currency"]), about["horizon_months"]
        self.names = farm_names(visit)
        # Whole columns at once: a thousand farms have five thousand rows.
        names = list(made.table)
        columns = [made.table[name].to_numpy(object, na_value=None) for name in names]
        rows: list[dict[str, Any]] = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
        self.visits = [r for r in rows if r["row"] == "visit"]
        #: Visits, and desk work among them.
        self.dates = [r for r in rows if r["row"] in HEADS]
        self.jobs: dict[str, list[dict]] = {}
        for row in rows:
            if row["row"] == "job":
                self.jobs.setdefault(row["visit_id"], []).append(row)
        known = visit.store.columns("work_list")
        #: Jobs before which a reading is worth making.
        self.read_first = {r["job_id"] for r in visit.store.rows("work_list", columns=("job_id", "read_first"))
                           if r["read_first"]} if "read_first" in known else set()
        self.left = [r for r in rows if r["row"] == "left_out"]
        self.closed = desk(visit.place).closed()
        self.cost = sum(v["cost"] for v in self.dates)
        self.days = sum(v["crew_days"] for v in self.visits)

    def farm(self, row: dict) -> str:
        return self.names.get(row["site_id"], plain(row["site_id"]))

    def money(self, value: float) -> str:
        return tied(money(value, self.currency))


def _on_a_map(view: _View) -> list:
    return on_a_map(view.visit, view.visits, view.currency)


def _shown(view: _View) -> list:
    name = view.visit.query.get("view", "visits")
    name = name if name in VIEWS else "visits"
    parts = {"visits": _by_visit, "weeks": _by_week, "map": _on_a_map}
    return [
        html.P(_lead(view), className="lead"), *_against_list(view), *_since(view), _papers(view),
        html.H2("The visits"),
        html.P(_switch(view, name), className="no-print", role="navigation", **aria(label="How the visits are shown")),
        *(parts[name](view) if (view.visits if name == "map" else view.dates) else
          [html.P("No visit is planned within these limits.")]),
        html.H2("What another budget would return"),
        html.Div(curve_part(view.visit, view.limits, _CURVE_WAIT), id="plan-curve", **aria(live="polite")),
        html.H2("What just missed the cut, and what it would need"), *_missed(view),
        *([html.H2("To bear in mind"), html.Ul([html.Li(n) for n in view.made.notices], className="plain")]
          if view.made.notices else []),
        explained("plan", "waiting", "job-cost", "intervals"),
    ]


def _lead(view: _View) -> list:
    limits, made = view.limits, view.made
    done = {j["job_id"] for jobs in view.jobs.values() for j in jobs}
    farms = {v["site_id"] for v in view.visits}
    money_words = "no limit on money" if limits.budget is None else view.money(limits.budget)
    days_words = days_limit(limits.crew_days)
    office = len(view.dates) - len(view.visits)
    at_desk = f" and {count(office, 'office date')}" if office else ""
    gain = Figure(view.money(made.gain), address("/rows/waiting"), f"within {view.horizon} months, present value",
                  f"{number(made.low)} to {number(made.high)}")
    if not view.dates:
        return [f"With {money_words} and {days_words} nothing is planned. ", *_against_own(view, done)]
    one, net = len(view.visits) + office == 1, made.gain - view.cost
    said: list = [
        f"With {money_words} and {days_words}, {count(len(view.visits), 'visit')} to {count(len(farms), 'farm')}{at_desk} "
        f"{'does' if one else 'do'} {count(len(done), 'job')}. {'It takes' if one else 'They take'} {view.money(view.cost)} and "
        f"{number(view.days, 1)} crew days, and {'returns' if one else 'return'} ",
        stated(gain), f": {view.money(abs(net))} {'more' if net >= 0 else 'less'} than {'it costs' if one else 'they cost'}. "]
    allowed = (("budget", made.must_cost, limits.budget), ("crew days", made.must_days, limits.crew_days))
    over = [word for word, used, limit in allowed if limit is not None and used > limit + 1e-6]
    if over:
        said.append(f"Work for safety alone takes {view.money(made.must_cost)} and {number(made.must_days, 1)} crew days, more "
                    f"than the {listed(over)} allowed: it is planned all the same. ")
    said += _against_own(view, done)
    return said


def _against_own(view: _View, done: set[str]) -> list:
    """What moved against the assessment's own plan."""
    about = view.visit.store.about()
    if limits_from({}, about) == view.limits:
        return ["These are the portfolio's own limits."]
    own = {r["job_id"] for r in view.visit.store.rows("plan", {"row": "job"})}
    more, fewer = sorted(done - own), sorted(own - done)
    rows = {r["job_id"]: r for r in view.visit.store.rows("work_list")}

    said: list = []
    for ids, word in ((more, "adds"), (fewer, "leaves out")):
        if ids:
            said += [", and it " if said else "Against the portfolio's own limits it ", f"{word} ", *_named(view, rows, ids)]
    return [*said, "."] if said else ["The same jobs as under the portfolio's own limits."]


def _against_list(view: _View) -> list:
    """Why plan and work list do not hold the same jobs; nothing where they do, or where other limits are the reason."""
    if limits_from({}, view.visit.store.about()) != view.limits:
        return []
    rows = {r["job_id"]: r for r in view.visit.store.rows("work_list")}
    planned = {j["job_id"] for jobs in view.jobs.values() for j in jobs}
    advised = {job for job, r in rows.items() if (r["chosen"] or r["safety"]) and job not in view.closed}
    later, without = sorted(planned & rows.keys() - advised), sorted(advised - planned)
    if not later and not without:
        return []
    said: list = [f"The work list advises {count(len(advised), 'job')}, the plan holds {len(planned)}: the list weighs each job "
                  "done now, the plan picks the week in which it returns most. "]
    if later:
        said += ["Only later in the year worth their cost: " if len(later) > 1 else "Only later in the year worth its cost: ",
                 *_named(view, rows, later), ". "]
    if without:
        said += [f"Advised and not in this plan{' without those below' if view.closed else ''}: ",
                 *_named(view, rows, without), ". "]
    return [html.P(said)]


def _since(view: _View) -> list:
    """Jobs that were done or turned down since the assessment; the list holds them until the next."""
    if not view.closed:
        return []
    rows = {r["job_id"]: r for r in view.visit.store.rows("work_list", {"job_id": list(view.closed)})}
    return [html.P(["Done or turned down in the job book since the assessment, and not planned: ",
                    *_named(view, rows, sorted(rows)), "."])]


def _named(view: _View, rows: dict[str, dict], ids: list[str]) -> list:
    links: list = []
    for job in ids[:5]:
        links += ([", "] if links else []) + [job_link(rows[job]), f" at {view.farm(rows[job])}"]
    return [*links, f" and {len(ids) - 5} more" if len(ids) > 5 else ""]


def _switch(view: _View, now: str) -> list:
    parts: list = []
    for name, text in VIEWS.items():
        parts += [" · "] if parts else []
        parts.append(html.B(text, **aria(current="true")) if name == now else dcc.Link(text, href=view.visit.here(view=name)))
    return parts


def _papers(view: _View) -> html.P:
    query = {"set": 1, **{k: None if v is None else f"{v:.12g}" for k, v in vars(view.limits).items()}}
    names = {"plan.csv": "table (CSV)", "plan.xlsx": "workbook (XLSX)", "crew_sheets.pdf": "crew sheets (PDF)",
             "visits.ics": "calendar"}
    if not view.visits:
        names.pop("crew_sheets.pdf")
        if not view.dates and not any(view.visit.store.rows("plan", {"row": head}, limit=1) for head in HEADS):
            names.pop("visits.ics")
    lacking = why_no_pdf()
    if lacking:
        names.pop("crew_sheets.pdf", None)
    links: list = []
    for name, text in names.items():
        links += [" · " if links else "", html.A(text, href=address(f"/plan/{name}", **query), download=name)]
    return html.P(["Take this plan away as ", *links, ". Crew sheets and calendar hold no money; the calendar cancels visits "
                   "that an earlier one held and this plan does not.",
                   " No crew sheets here: the library that lays out pages is missing." if lacking else ""], className="no-print")


def _by_visit(view: _View) -> list:
    columns = [
        Column("start", "Week from", lambda r: tied(day(r["start"]))),
        Column("site_id", "Farm", lambda r: view.farm(r)),
        Column("crew", "Crew", lambda r: plain(r["crew"])),
        Column("jobs", "Jobs", lambda r: _jobs(view, r)),
        Column("crew_days", "Crew days", lambda r: "none" if r["row"] == "office" else number(r["crew_days"], 1),
               number=True),
        Column("cost", f"Cost [{view.currency}]", lambda r: money_cell(r["cost"]), number=True),
        Column("gain", f"Returns [{view.currency}]", lambda r: with_span(r["gain"], r["gain_low"], r["gain_high"]), number=True),
    ]
    total = html.P([f"Together {number(view.days, 1)} crew days, {view.money(view.cost)}, and {view.money(view.made.gain)} "
                    f"returned ({number(view.made.low)} to {number(view.made.high)})."])
    return [paged_grid(view.visit, columns, view.dates,
                       "Visits and office dates in order of their week; in brackets the 90 % interval, within "
                       f"{view.horizon} months. Each job's cautions go out with it; local codes and licensed practice come "
                       "first.",
                       "visits"),
            total, *_readings_note(view)]


def _readings_note(view: _View) -> list:
    if not view.read_first & {j["job_id"] for jobs in view.jobs.values() for j in jobs}:
        return []
    return [html.P("A reading before a job is on the sheet of the crew that makes it. Its time and cost come on top of these "
                   "sums: the job's page states them.", className="quiet")]


def _jobs(view: _View, row: dict) -> html.Ul:
    items = []
    for job in view.jobs[row["visit_id"]]:
        items.append(html.Li([html.Strong("For safety: ") if job["safety"] else "", job_link(job, turn=True),
                              html.Span(", after a reading", className="quiet") if job["job_id"] in view.read_first else ""]))
    return html.Ul(items, className="jobs-of-visit")


def _by_week(view: _View) -> list:
    weeks: dict[int, dict] = {}
    for row in view.dates:
        week = weeks.setdefault(int(row["week"]), {"start": row["start"], "visits": [], "crew_days": 0.0, "cost": 0.0, "out": 0})
        week["visits"].append(row)
        week["out"] += row["row"] != "office"
        week["crew_days"] += row["crew_days"]
        week["cost"] += row["cost"]
    spent = 0.0
    for week in weeks.values():
        spent += week["cost"]
        week["spent"] = spent
    rows = list(weeks.values())
    columns = [
        Column("start", "Week from", lambda r: tied(day(r["start"]))),
        Column("visits", "Where, and who goes", lambda r: "; ".join(f"{view.farm(v)}, {plain(v['crew'])}" for v in r["visits"])),
        Column("crew_days", "Crew days", lambda r: number(r["crew_days"], 1) if r["out"] else "none", number=True),
        Column("cost", f"Cost [{view.currency}]", lambda r: money_cell(r["cost"]), number=True),
        Column("spent", f"Spent so far [{view.currency}]", lambda r: money_cell(r["spent"]), number=True),
    ]
    crews = sorted({v["crew"] for v in view.visits})
    colours, shapes = list(COLOURS.values()), ("", "/", ".", "x", "-", "|")
    bars = []
    for place, crew in enumerate(crews):
        of = [v for v in view.visits if v["crew"] == crew]
        bars.append({"type": "bar", "name": plain(crew), "x": [v["start"] for v in of], "y": [v["crew_days"] for v in of],
                     "width": 5 * 86_400_000, "customdata": [view.farm(v) for v in of],
                     "hovertemplate": "%{customdata}, week from %{x|%-d %b %Y}: %{y:.1f} days<extra></extra>",
                     "marker": {"color": colours[place % len(colours)], "pattern": {"shape": shapes[place % len(shapes)]}}})
    as_of = pd.Timestamp(view.visit.store.about()["as_of"])
    shown = [(as_of - pd.Timedelta(days=5)).isoformat(), (as_of + pd.Timedelta(days=370)).isoformat()]
    figure = layout(y="crew days", height=260, barmode="stack", xaxis={"type": "date", "range": shown}, showlegend=True)
    return [
        grid(columns, rows, "Weeks in which somebody goes out, or desk work is done"),
        chart("weeks", bars, figure, "Crew days by week and crew, the coming year. Crew days are limited over the year, not week "
              "by week.", "Crew days by week and crew over the coming year. The table above holds every figure."),
    ]


def _missed(view: _View) -> list:
    near = [r for r in view.left if r["needs_budget"] is not None]
    rest = [r for r in view.left if r["needs_budget"] is None]
    columns = [
        Column("job_id", "Job", lambda r: job_link(r)),
        Column("site_id", "Farm", lambda r: view.farm(r)),
        Column("start", "Best from", lambda r: tied(day(r["start"]))),
        Column("cost", f"Would add [{view.currency}]", lambda r: money_cell(r["cost"]), number=True),
        Column("gain", f"Returns [{view.currency}]", lambda r: with_span(r["gain"], r["gain_low"], r["gain_high"]), number=True),
        Column("why", "Why, and what would bring it in", lambda r: html.Div(tied(plain(r["why"])), className="prose")),
    ]
    # No week is best for what would not pay in any.
    without = [c for c in columns if c.name != "start"]
    parts: list = [paged_grid(view.visit, columns, near, "Jobs that would pay and are not in the plan", "near")] if near else [
        html.P("No job that would pay was left out.")]
    if rest:
        parts.append(html.Details([html.Summary(f"{count(len(rest), 'job')} that would not pay, or cannot be planned"),
                                   paged_grid(view.visit, without, rest, "Jobs that would not pay, or cannot be planned",
                                              "rest")], open="restpage" in view.visit.query))
    return parts


def callbacks(app: Dash, place: Place) -> None:
    curve_callbacks(app, place, PAGE.path, PAGE.roles)

    @app.callback(Output("plan", "children"), Input("plan-look", "n_intervals"), State("plan-query", "data"),
                  prevent_initial_call=True)
    def look(looks: int | None, query: dict[str, str] | None) -> Any:
        person = current_person()
        if not person.may(PAGE.roles):
            flask.abort(403)
        try:
            visit = Visit(place, person, PAGE.path, {}, {str(k): str(v) for k, v in (query or {}).items()})
            return _body(visit, limits_from(visit.query, visit.store.about()), _WAIT)
        except (BadLimit, NoAssessment):
            return no_update


def paper(place: Place, name: str) -> flask.Response:
    """One of the plan's papers, made under the address's limits."""
    if name not in PAPERS:
        flask.abort(404)
    make, kind = PAPERS[name]
    try:
        made = desk(place).plan(limits_from(flask.request.args, place.store.about()), SECONDS + _WAIT)
        if isinstance(made, Working):
            return _refused("The plan is still being made. Ask again in a moment.", 503)
        content = make(kept(place, made.table))
    except (BadLimit, NoAssessment, OutOfTime, SiteGone, YieldwatchError) as err:
        return _refused(str(err), 409)
    return flask.Response(content, content_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _refused(words: str, status: int) -> flask.Response:
    return flask.Response(words, status, content_type="text/plain; charset=utf-8")


PAGE = Page("/plan", "The plan", build, menu="Plan", callbacks=callbacks,
            routes=(Route("/plan/<name>", paper, frozenset(ROLES)),))

