"""
The ranked work list, and one job of it: why, what it returns, and the price of waiting.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache, partial
from typing import Any, NamedTuple

import flask
from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.papers import SiteGone, work_list_xlsx
from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import Figure, page_head, sorry, stated
from dashboards.parts.work import (
    book_address,
    explained,
    farm_choice,
    farm_names,
    in_day_words,
    job_link,
    money_cell,
    once,
    span,
    standing,
    tied,
    what,
    with_span,
)
from dashboards.people import current_person
from dashboards.store import NoAssessment, Store
from dashboards.visit import OWNER, ROLES, Content, Page, Place, Route, Visit
from yieldwatch.action.cautions import cautions_of
from yieldwatch.action.methods import method
from yieldwatch.constants import work_of
from yieldwatch.errors import YieldwatchError
from yieldwatch.report.jobs import advice, has_best_week, is_after_its_window
from yieldwatch.report.words import chance_word, count, day, is_look, job_cause, money, number, plain

#: Files of the assessment that are handed out as they are.
_FILES = {"work_list.csv": "text/csv; charset=utf-8",
          "work_list.xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
#: Jobs for safety told in full; the list has them all.
_MOST_SAFETY = 10
_SHOWN = {"all": "all jobs", "do": "to do", "not": "turned down"}


def build(visit: Visit) -> Content:
    sums = _sums(visit.store, visit.store.version())
    about = visit.store.about()
    if not sums.jobs:
        return sorry("Work", "The last assessment found no job that would mend anything.")
    names, currency = farm_names(visit), plain(about["currency"])
    stand, unknown = standing(visit)
    safety = visit.store.rows("work_list", {"safety": 1}, ["rank"], limit=_MOST_SAFETY)
    rest = sums.safety - len(safety)
    return html.Div([
        page_head("Work", f"As of {day(about['as_of'])}. Costs are the portfolio's own prices: your quotes replace them. Returns "
                  f"are of a usual year, or at present value over {about['horizon_months']} months."),
        *unknown,
        html.P(_lead(sums, currency), className="lead"),
        *([html.H2("For safety, whatever it returns"), html.Ul([_safety(r, names, currency) for r in safety], className="jobs")]
          if safety else []),
        *([html.P(f"{count(rest, 'more job')} for safety {'stands' if rest == 1 else 'stand'} first in the list below.")]
          if rest > 0 else []),
        html.H2("All jobs in their order"), _filter(visit, names), _table(visit, names, currency, stand),
        html.P(["Take the list away as ", html.A("table (CSV)", href="/work/file/work_list.csv", download="work_list.csv"),
                " or ", html.A("workbook (XLSX)", href="/work/file/work_list.xlsx", download="work_list.xlsx"), "."],
               className="no-print"),
        explained("job-choice", "job-gain", "job-cost", "payback", "npv", "verdict"),
    ])


def _money(value: float, currency: str) -> str:
    return tied(money(value, currency))


class _Sums(NamedTuple):
    """The whole list: how many jobs, of them to do, for safety and without a cost; money of those to do."""

    jobs: int
    do: int
    safety: int
    open: int
    cost: float
    gain_per_year: float


@lru_cache(maxsize=2)
def _sums(store: Store, version: tuple[int, int]) -> _Sums:
    """Kept until another store stands there."""
    rows = store.rows("work_list", columns=("chosen", "safety", "cost", "gain_per_year"))
    do = [r for r in rows if r["chosen"] or r["safety"]]
    return _Sums(len(rows), len(do), sum(bool(r["safety"]) for r in rows), sum(r["cost"] is None for r in do),
                 sum(r["cost"] or 0.0 for r in do), sum(r["gain_per_year"] or 0.0 for r in do))


def _lead(sums: _Sums, currency: str) -> list:
    found = f"{count(sums.jobs, 'job was', 'jobs were')} found, "
    if not sums.do:
        return [f"{found}none of them to do now: each one's page says why. What other budgets would carry is ",
                dcc.Link("in the plan", href="/plan"), "."]
    said: list = [
        f"{found}{sums.do} of them to do: ",
        stated(Figure(_money(sums.cost, currency), rows_behind("work_list", chosen=1), "costs and shares of visits")),
        ", against ", stated(Figure(_money(sums.gain_per_year, currency), rows_behind("work_list", chosen=1), "the first year")),
        " that they return in the first year"]
    if sums.open:
        said.append(f" (without {count(sums.open, 'job')} that has no cost yet)")
    return [*said, ". What to do in which week is ", dcc.Link("in the plan", href="/plan"), "."]


def _safety(row: dict, names: dict[str, str], currency: str) -> html.Li:
    late = "" if not is_after_its_window(row) else (
        f" The plan goes by whole weeks and has it in that of {day(row['planned_start'])}: agree a sooner day with the crew.")
    said = in_day_words(f"{row['why']} By {day(row['due_to'])}, {money(row['cost'], currency)}.{late}")
    return html.Li([html.H3([job_link(row), f" at {names.get(row['site_id'], row['site_id'])}"]),
                    html.P(said)], className="job")


def _filter(visit: Visit, names: dict[str, str]) -> html.Form:
    site, shown = visit.query.get("site", ""), visit.query.get("show", "all")

    def options(pairs: list[tuple[str, str]], now: str) -> list:
        return [html.Option(text, value=value, selected="selected" if value == now else None) for value, text in pairs]

    return html.Form([
        farm_choice(names, site),
        html.Label(["Show", html.Select(options(list(_SHOWN.items()), shown), name="show")]),
        html.Button("Show", type="submit")], action="/work", method="GET", className="limits no-print")


def _table(visit: Visit, names: dict[str, str], currency: str, stand: Mapping[int, str]) -> html.Div:
    where: dict[str, object] = {}
    if visit.query.get("site") in names:
        where["site_id"] = visit.query["site"]
    if visit.query.get("show") in ("do", "not"):
        where["chosen"] = int(visit.query["show"] == "do")
    columns = [
        Column("rank", "Rank and job", lambda r: _named(r, names)),
        Column("chosen", "Advice", partial(_advice, stand)),
        Column("cost", f"Cost [{currency}]", lambda r: money_cell(r["cost"]), number=True),
        Column("gain_per_year", f"Wins back a year [{currency}]",
               lambda r: once(r["job_kind"], with_span(r["gain_per_year"] or None, r["gain_low_per_year"],
                                                       r["gain_high_per_year"])), number=True),
        Column("payback_months", "Pays back [months]", lambda r: _months(r), number=True),
        Column("chance_of_payback", "Chance",
               lambda r: "" if r["safety"] or is_look(r) else chance_word(r["chance_of_payback"]), number=True),
        Column("delay_cost_per_week", f"Each week later [{currency}]",
               lambda r: _weekly(r) if has_best_week(r) else "", number=True),
        Column("best_start", "Best from", lambda r: tied(day(r["best_start"])) if has_best_week(r) else ""),
    ]
    known = visit.store.columns("work_list")
    return stored_table(visit, "work_list", [c for c in columns if c.name in known],
                        "Jobs in their order, with where each stands in the job book; in brackets the 90 % interval. Chance: of "
                        "paying back within the months that count. A look pays back nothing by itself: its page says by how "
                        "much it betters a decision. No week is best where doing nothing is better",
                        "rank", where=where)


def _named(row: dict, names: dict[str, str]) -> list:
    return [f"{row['rank']}. ", html.Strong("For safety: ") if row["safety"] else "", job_link(row), html.Br(),
            html.Span(names.get(row["site_id"], plain(row["site_id"])), className="quiet")]


def _advice(stand: Mapping[int, str], row: dict) -> list:
    """What the figures said, and where it stands by the job book now."""
    book = dcc.Link(_stands(stand, row), href=book_address(row["job_ref"])) if row.get("job_ref") else None
    said = {"yes": "do it", "yes, after a reading": "do it,", "safety": "do it"}.get(advice(row), advice(row))
    then = [html.Br(), html.Span("after a reading", className="advice")] if said.endswith(",") else []
    return [html.Span(said, className="advice"), *then, html.Br(), book]


def _stands(stand: Mapping[int, str], row: dict) -> str:
    return plain(stand.get(int(row["job_ref"]), row["job_state"]))


def _months(row: dict) -> str:
    """Blank where cost or return is not known; an end that never comes is said. From two years on no tenth of a month counts."""
    if row["cost"] is None or not row["gain_per_year"]:
        return ""
    if is_look(row):
        return "a look"
    middle, low, high = ("never" if v is None else number(v, 1 if v < 24 else 0) for v in (
        row["payback_months"], row["payback_low_months"], row["payback_high_months"]))
    return middle if low == high == middle else f"{middle} ({low} to {high})"


def _weekly(row: dict) -> str:
    return with_span(row["delay_cost_per_week"], row["delay_cost_low_per_week"], row["delay_cost_high_per_week"])


def build_one(visit: Visit) -> Content:
    job_id = visit.args["job_id"]
    row = visit.store.row("work_list", {"job_id": job_id})
    if row is None:
        return sorry("No such job", f"The work list has no job {plain(job_id)[:80]}; a later assessment may have replaced it.")
    about, names = visit.store.about(), farm_names(visit)
    currency = plain(about["currency"])
    stand, unknown = standing(visit)
    return html.Div([
        page_head(f"{what(row)} at {names.get(row['site_id'], row['site_id'])}",
                  f"Rank {row['rank']} of the work list as of {day(about['as_of'])}"
                  f"{f'; for {loss}' if (loss := job_cause(row['cause'])) else ''}. ",
                  *([dcc.Link(f"In the job book: {_stands(stand, row)}", href=book_address(row["job_ref"]))]
                    if row.get("job_ref") else [])),
        *unknown,
        html.P(_job_lead(row, currency, about), className="lead"),
        html.P([html.Strong("The figures say: "), tied(plain(row["verdict"]))]),
        html.P([html.Strong("Why: "), in_day_words(row["why"])]),
        html.P([html.Strong("Afterwards: "), tied(plain(row["comes_back"]))]),
        html.H2("The price of waiting"), *_waiting(visit, row, currency),
        html.H2("What to watch for"),
        html.Ul([html.Li(c) for c in cautions_of([work_of(row["job_kind"], row["cause"])])], className="plain"),
        *_method(row["job_kind"], row["cause"]),
        explained(row["job_kind"] if row["job_kind"] in _ENTRIES else "job-gain", "waiting", "job-cost", "worth"),
    ])


#: Kinds of job with an entry of their own in the handbook.
_ENTRIES = ("clean", "cut_vegetation", "fix_settings", "inspect", "repair_inverter", "repair_string", "replace_modules", "claim")


def _job_lead(row: dict, currency: str, about: Any) -> list:
    behind = rows_behind("work_list", job_id=row["job_id"])
    said: list = ["It costs ", stated(Figure(_money(row["cost"], currency), behind, "units and share of "
                                                                     "the visit"))]
    if row["gain_per_year"] and row["job_kind"] == "claim":
        figure = Figure(_money(row["gain_per_year"], currency), behind, "paid once",
                        span(row["gain_low_per_year"], row["gain_high_per_year"]))
        said += [" and brings in ", stated(figure), " once"]
    elif row["gain_per_year"]:
        look = is_look(row)
        figure = Figure(_money(row["gain_per_year"], currency), behind, "a usual year",
                        span(row["gain_low_per_year"], row["gain_high_per_year"]))
        energy = Figure(f"{number(row['gain_kwh_per_year'])} kWh", behind, "a usual year",
                        span(row["gain_low_kwh_per_year"], row["gain_high_kwh_per_year"]))
        said += [". What it may lead to would win back " if look else " and wins back ", stated(energy),
                 ", and leave " if look else " or ", stated(figure), ", once it is paid," if look else "", " in a usual year"]
    there = chance_word(row["confidence"])
    what = "It is granted" if row["job_kind"] == "claim" else "The loss is there"
    said.append(f". {what} with a chance of {there}." if there else ".")
    if row["planned_start"]:
        said += [" The plan has it in the week from ", dcc.Link(day(row["planned_start"]), href="/plan"), "."]
    return said


def _waiting(visit: Visit, row: dict, currency: str) -> list:
    parts: list = [html.P(in_day_words(row["options"] or "What waiting costs was not worked out."))]
    weeks = visit.store.rows("waiting", {"job_id": row["job_id"]}, ["week"])
    if row["safety"] or not any(w["gain"] is not None for w in weeks):
        return parts
    starts = [w["start"] for w in weeks]
    band = {"type": "scatter", "mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "x": starts}
    line = {"type": "scatter", "mode": "lines", "x": starts, "hovertemplate": f"from %{{x|%-d %b %Y}}: {currency} %{{y:,.0f}}"
            "<extra></extra>"}
    open_, closed = ([w["gain"] if bool(w["allowed"]) is allowed else None for w in weeks] for allowed in (True, False))
    traces: list[dict] = [
        {**band, "y": [w["low"] for w in weeks], "showlegend": False},
        {**band, "y": [w["high"] for w in weeks], "fill": "tonexty", "fillcolor": "rgba(47,128,194,0.18)",
         "name": "90 % interval"},
        {**line, "y": open_, "name": "can be done", "line": {"color": COLOURS["blue"], "width": 2.5}},
        *([{**line, "y": closed, "name": "cannot be done", "line": {"color": COLOURS["grey"], "width": 2, "dash": "dot"}}]
          if any(v is not None for v in closed) else []),
    ]
    cost = row["cost"]
    if cost is not None:
        traces.append({"type": "scatter", "mode": "lines", "x": [starts[0], starts[-1]], "y": [cost, cost], "name": "its cost",
                       "line": {"color": COLOURS["purple"], "dash": "dash", "width": 1.5}, "hoverinfo": "skip"})
    columns = [
        Column("start", "Week from", lambda r: day(r["start"])),
        Column("gain", f"Returns [{currency}]", lambda r: with_span(r["gain"], r["low"], r["high"]), number=True),
        Column("why_not", "What forbids it", lambda r: plain(r["why_not"] or "")),
    ]
    months = visit.store.about()["horizon_months"]
    figure = layout(y=currency, height=320, xaxis={"type": "date"}, yaxis={"rangemode": "tozero"}, showlegend=True)
    return [*parts, chart(
        "waiting", traces, figure, ["What the job returns within the same ", months, f" months by the week in which it is done "
                                    f"[{currency}, present value], with its 90 % interval; before its cost."],
        f"What the job returns by the week in which it is done, {currency}. The table below holds every week.", columns, weeks)]


def _method(kind: str, cause: str) -> list:
    how = method(kind, cause)
    blocks = [("Bring", how.bring), ("Before", how.before), ("Steps", how.steps), ("After", how.after)]
    return [html.Details([html.Summary("How it is done, in outline"), *(
        part for title, lines in blocks if lines for part in (html.H3(title), html.Ol([html.Li(x) for x in lines],
                                                                                      className="plain"))),
        html.P("The outline stands behind local codes, the plant's rules and the makers' instructions, and replaces none.")])]


def listed(place: Place, name: str) -> flask.Response:
    """A file that the assessment wrote; its workbook holds income and return too, of which others than owners get none."""
    path = place.folder / name
    if name not in _FILES or not path.is_file():
        flask.abort(404)
    if name.endswith(".xlsx") and not current_person().may(frozenset({OWNER})):
        try:
            content = work_list_xlsx(place)
        except (NoAssessment, SiteGone, YieldwatchError) as err:
            return flask.Response(str(err), 409, content_type="text/plain; charset=utf-8")
        return flask.Response(content, content_type=_FILES[name], headers={
            "Content-Disposition": f'attachment; filename="{name}"'})
    return flask.send_file(path.resolve(), mimetype=_FILES[name], as_attachment=True, download_name=name)


PAGE = Page("/work", "Work", build, menu="Work", routes=(Route("/work/file/<name>", listed, frozenset(ROLES)),))
ONE = Page("/work/<job_id>", "A job", build_one)
