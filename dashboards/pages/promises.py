"""
Promised against proven: what each done job was to win back, and what was measured.
"""

from __future__ import annotations

import math

import pandas as pd
from dash import dcc, html

from dashboards.parts.charts import COLOURS, chart, interval, layout
from dashboards.parts.farm import wrapped
from dashboards.parts.period import Chosen, Period, chosen, picker
from dashboards.parts.proven import recorded
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import page_head, sorry
from dashboards.parts.work import farm_names, named
from dashboards.visit import Content, Page, Visit
from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.errors import BookError
from yieldwatch.report.words import cause_word, count, day, number, plain

#: Jobs in the picture; the table has all.
MOST = 30
NAME = "Promised and proven"


def build(visit: Visit) -> Content:
    try:
        done = [j for j in visit.place.jobs.all() if j.done_on]
    except BookError as err:
        return sorry(NAME, str(err))
    picked = _picked(visit, done)
    events = recorded(visit, *picked.period.days()) if picked and "from" in visit.query else recorded(visit)
    if not done and not events:
        return sorry(NAME, "No job has been recorded as done yet, so nothing can be held against its promise.")
    apart = [html.H2("Work that the events record"), *events] if events else []
    if not picked:
        nothing = "No job of the job book is done yet, so nothing can be held against its promise."
        return html.Div([page_head(NAME), html.P(nothing), *apart])
    done.sort(key=lambda j: (str(j.done_on), j.ref), reverse=True)
    farms, own, against = farm_names(visit), _within(done, picked.period), picked.against
    told = _told(own)
    other = [html.P([f"Against it, {against.words}: ", _sums(_within(done, against))])] if against else []
    return html.Div([
        page_head(NAME, f"Work done in {picked.period.words}. Energy over the days measured."), picker(visit, picked),
        html.P(_sums(own)), *other, *_picture(told[:MOST], farms), *_factors(visit), _table(own, farms), *apart])


def _picked(visit: Visit, done: list[Job]) -> Chosen | None:
    """The period of the address, by the month in which work was done; by default all of it. None where none was."""
    if not done:
        return None
    days = sorted(str(j.done_on) for j in done)
    months = tuple(pd.period_range(days[0], days[-1], freq="M").strftime("%Y-%m"))
    return chosen(visit, months) if "from" in visit.query else Chosen(months, Period(months), None)


def _within(done: list[Job], period: Period) -> list[Job]:
    return [j for j in done if str(j.done_on)[:7] in period.months]


def _told(done: list[Job]) -> list[tuple[Job, float]]:
    """Jobs with a measured effect and a promise for the same days. [kWh]"""
    return [(j, p) for j in done if j.verdict_kwh is not None and (p := states.promised_kwh(j)) is not None]


def _sums(done: list[Job]) -> str:
    told, judged = _told(done), sum(j.verdict_kwh is not None for j in done)
    said = f"{count(len(done), 'job is', 'jobs are')} done, {judged} with a measured effect."
    if told:
        promised = sum(p for _, p in told)
        # A bound that one of them lacks leaves the sum's unknown.
        proven, low, high = (sum(math.nan if (v := getattr(j, name)) is None else v for j, _ in told)
                             for name in ("verdict_kwh", "verdict_low_kwh", "verdict_high_kwh"))
        said += (f" Of the {count(len(told), 'job')} with a promise for the days measured, {number(promised)} kWh were promised "
                 f"and {number(proven)} kWh proven ({number(low)} to {number(high)}, 90 % intervals added).")
    return said


def _picture(told: list[tuple[Job, float]], farms: dict[str, str]) -> list:
    if not told:
        return []
    names = [wrapped(f"{j.ref}: {named(j, farms)}", 26) for j, _ in told]
    proven = [j.verdict_kwh for j, _ in told]
    marks = interval(proven, [j.verdict_low_kwh for j, _ in told], [j.verdict_high_kwh for j, _ in told])
    traces = [
        {"type": "scatter", "mode": "markers", "name": "promised", "y": names, "x": [p for _, p in told],
         "marker": {"symbol": "line-ns-open", "size": 16, "color": COLOURS["grey"], "line": {"width": 3}}},
        {"type": "scatter", "mode": "markers", "name": "proven", "y": names, "x": proven, "error_x": marks,
         "marker": {"symbol": "diamond", "size": 9, "color": COLOURS["blue"]}},
    ]
    return [chart("promises", traces, layout(x="kWh", height=90 + 56 * len(names),
                                             yaxis={"autorange": "reversed"}),
                  caption="Energy promised (stroke) and proven (diamond, with its 90 % interval) for the same days [kWh], newest "
                          "first.", alternative="Energy promised and proven by job. The table below holds every figure.",
                  topic="job-book")]


def _factors(visit: Visit) -> list:
    rows = visit.store.rows("promises") if visit.store.has("promises") else []
    if not rows:
        return []
    columns = [
        Column("of", "Of", lambda r: "all jobs" if r["of"] == "all" else
               cause_word(r["name"]) if r["of"] == "cause" else plain(r["name"])),
        Column("factor", "Proven over promised, for later jobs", lambda r: number(r["factor"], 2), number=True),
        Column("factor_low", "90 % interval", lambda r: f"{number(r['factor_low'], 2)} to {number(r['factor_high'], 2)}",
               number=True),
        Column("jobs", "Jobs", lambda r: number(r["jobs"]), number=True),
    ]
    return [html.H2("What a later promise is worth"),
            html.P(["By cause and by who does it; few jobs move a figure little. ",
                    dcc.Link("How it is worked out", href="/handbook/job-book")]),
            grid(columns, rows, "Proven over promised, at the last assessment")]


def _table(done: list[Job], farms: dict[str, str]) -> html.Div:
    columns = [
        Column("ref", "Job", lambda j: dcc.Link(f"{j.ref}: {named(j, farms)}", href=f"/jobs/{j.ref}")),
        Column("done_on", "Done", lambda j: day(j.done_on)),
        Column("promised", "Promised [kWh]", lambda j: _known(states.promised_kwh(j)), number=True),
        Column("proven", "Proven [kWh], 90 % interval", _proven, number=True),
        Column("state", "Verdict", lambda j: plain(j.verdict_words or states.state(j))),
    ]
    return html.Div([html.H2("Job by job"), grid(columns, done, "Jobs done, newest first")])


def _known(value: float | None) -> str:
    return "" if value is None else number(value)


def _proven(job: Job) -> str:
    if job.verdict_kwh is None:
        return "not measured yet"
    return f"{number(job.verdict_kwh)} ({number(job.verdict_low_kwh)} to {number(job.verdict_high_kwh)})"


PAGE = Page("/promises", NAME, build, menu=NAME)
