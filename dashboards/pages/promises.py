"""
Promised against proven: what done jobs were measured to win back, and what later promises are worth.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts.charts import COLOURS, chart, interval, layout
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import page_head, sorry
from dashboards.parts.work import book_address, explained
from dashboards.visit import Content, Page, Visit
from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.book.promises import Promises
from yieldwatch.errors import BookError
from yieldwatch.report.job_lists import promise_rows, title
from yieldwatch.report.words import cause_word, count, day, listed, money, number, plain

TITLE = "Promised against proven"
#: Jobs in the picture; the table has all.
_MOST_DRAWN = 20


def build(visit: Visit) -> Content:
    try:
        jobs = visit.place.jobs.all()
    except BookError as err:
        return sorry(TITLE, str(err))
    currency = plain(visit.store.about()["currency"])
    done = sorted((j for j in jobs if j.done_on), key=lambda j: (j.done_on, j.ref), reverse=True)
    promises = Promises(jobs)
    decided = [j for j in jobs if j.decision in ("do", "others_pay")]
    return html.Div([
        page_head(TITLE, "What was promised is what the work list said on the day of the decision; what was proven was measured "
                  "against what the untreated plant would have made in the same weather."),
        html.P(_lead(decided, done, promises, currency), className="lead"),
        *(_table(done) if done else []), *(_picture(done) if promises.kept else []),
        html.H2("What later promises are worth"), *_factors(promises),
        explained("job-book", "job-gain"),
    ])


def _lead(decided: list[Job], done: list[Job], promises: Promises, currency: str) -> str:
    agreed = sum(j.agreed_per_year or 0.0 for j in decided)
    spent = sum(j.cost or 0.0 for j in done)
    said = (f"{count(len(decided), 'job was', 'jobs were')} approved, which promised {money(agreed, currency)} a year; "
            f"{len(done)} of them are done, for {money(spent, currency)} as recorded. ")
    if not promises.kept:
        return said + "None has been measured yet, so nothing is proven."
    promised, proven = (sum(getattr(k, n) for k in promises.kept) for n in ("promised_kwh", "proven_kwh"))
    open_ = len(done) - len(promises.kept)
    return said + (f"{len(promises.kept)} of those are measured: {number(proven)} kWh proven where {number(promised)} kWh were "
                   f"promised for the same days. {open_} cannot be told yet.")


def _table(done: list[Job]) -> list:
    columns = [
        Column("ref", "Job", lambda r: dcc.Link(f"{r['job'].ref}: {title(r['job'])}", href=book_address(r["job"].ref))),
        Column("done_on", "Done", lambda r: day(r["job"].done_on)),
        Column("contractor", "By", lambda r: plain(r["job"].done_by or r["job"].contractor or "")),
        Column("promised", "Promised [kWh]", lambda r: _kwh(states.promised_kwh(r["job"])), number=True),
        Column("proven", "Proven [kWh], 90 % interval", lambda r: _proven(r["job"]), number=True),
        Column("days", "Days measured", lambda r: _kwh(r["job"].verdict_days), number=True),
        Column("state", "Verdict", lambda r: plain(r["job"].verdict_words or "") or "cannot tell yet: not measured"),
    ]
    rows = [{"job": job} for job in done]
    return [grid(columns, rows, "Jobs that were done, latest first; promised and proven are for the same days")]


def _kwh(value: float | None) -> str:
    return "" if value is None else number(value)


def _proven(job: Job) -> str:
    if job.verdict_kwh is None:
        return ""
    return f"{number(job.verdict_kwh)} ({number(job.verdict_low_kwh)} to {number(job.verdict_high_kwh)})"


def _picture(done: list[Job]) -> list:
    drawn = [j for j in done if j.verdict_kwh is not None and states.promised_kwh(j) is not None][:_MOST_DRAWN]
    names = [f"job {j.ref}, {plain(j.site_id)}" for j in drawn]
    traces = [
        {"type": "scatter", "mode": "markers", "name": "promised", "y": names, "x": [states.promised_kwh(j) for j in drawn],
         "marker": {"symbol": "line-ns-open", "size": 18, "color": COLOURS["grey"], "line": {"width": 3}}},
        {"type": "scatter", "mode": "markers", "name": "proven, 90 % interval", "y": names, "x": [j.verdict_kwh for j in drawn],
         "error_x": interval([j.verdict_kwh for j in drawn], [j.verdict_low_kwh for j in drawn],
                             [j.verdict_high_kwh for j in drawn]),
         "marker": {"symbol": "diamond", "size": 10, "color": COLOURS["blue"]}},
    ]
    figure = layout(x="kWh over the days measured", height=110 + 34 * len(drawn), yaxis={"autorange": "reversed"},
                    showlegend=True)
    return [chart("promises", traces, figure, "Promised (bar) and proven (diamond with its 90 % interval) for the same days.",
                  "Promised and proven energy by job. The table above holds every figure.")]


def _factors(promises: Promises) -> list:
    if not promises.kept:
        return [html.P("Until a job is measured, promises are taken as they are, with a third of doubt either way.")]
    columns = [
        Column("name", "Of", lambda r: cause_word(r["name"]) if r["of"] == "cause" else plain(r["name"] or "all jobs")),
        Column("factor", "Proven over promised", lambda r: number(r["factor"], 2), number=True),
        Column("low", "90 % interval", lambda r: f"{number(r['low'], 2)} to {number(r['high'], 2)}", number=True),
        Column("n", "Jobs measured", lambda r: str(r["n"]), number=True),
    ]
    left = [html.P(f"Left out, for want of a promise for the days measured: job {listed([str(r) for r in promises.left_out])}.")
            ] if promises.left_out else []
    return [grid(columns, promise_rows(promises), "By cause and by contractor; few jobs move a figure little"), *left]


PAGE = Page("/promises", TITLE, build, menu="Promises")
