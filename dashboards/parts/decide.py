"""
Decisions: a job as a person decides on it, and the writing of what was decided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import flask
from dash import ALL, MATCH, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboards.parts.words import aria
from dashboards.people import current_person
from dashboards.visit import OWNER, Place, Visit
from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.errors import YieldwatchError
from yieldwatch.report import words
from yieldwatch.report.job_lists import DECISION_WORDS, state_words, title
from yieldwatch.report.totals import Amount

#: What can be decided here with one press; who else pays is a matter for the claim itself.
OFFERED = ("do", "not_now", "no")


@dataclass(frozen=True)
class Waiting:
    """Jobs that wait for a decision, safety first and then by rank, and what they come to in money."""

    jobs: tuple[Job, ...]
    cost: float
    gain_per_year: float
    safety: int


def waiting(visit: Visit) -> Waiting:
    """
    What waits for a decision.

    Raises
    ------
    BookError
        If there is no job book.
    """
    return _waiting(visit.place, visit.store.version(), visit.place.jobs.book().last_change())


@lru_cache(maxsize=4)
def _waiting(place: Place, store_version: tuple[int, int], last_change: int) -> Waiting:
    """Kept until the store or the book changes."""
    wanted = ("job_ref", "rank", "cost", "gain_per_year")
    if not set(wanted) <= set(place.store.columns("work_list")):
        return Waiting((), 0.0, 0.0, 0)
    rows = {r["job_ref"]: r for r in place.store.rows("work_list", columns=wanted) if r["job_ref"] is not None}
    asked = [j for j in place.jobs.all() if j.ref in rows and (j.safety or j.advised) and states.state(j) == states.PROPOSED]
    asked.sort(key=lambda j: (not j.safety, rows[j.ref]["rank"]))
    cost, gain = (sum(rows[j.ref][name] or 0.0 for j in asked) for name in ("cost", "gain_per_year"))
    return Waiting(tuple(asked), cost, gain, sum(j.safety for j in asked))


def cards(visit: Visit, jobs: Sequence[Job], head_of: Callable = html.H3) -> list:
    """Some of them, each with what speaks for it."""
    rows = {r["job_ref"]: r for r in visit.store.rows("work_list", {"job_ref": [j.ref for j in jobs]})}
    farms = visit.store.rows("sites", {"site_id": sorted({j.site_id for j in jobs})}, columns=("site_id", "name"))
    names = {r["site_id"]: r["name"] for r in farms}
    currency = words.plain(visit.store.about()["currency"])
    may = visit.person.may(frozenset({OWNER}))
    return [card(job, rows[job.ref], currency, may, names, head_of) for job in jobs if job.ref in rows]


def card(job: Job, row: dict, currency: str, may_decide: bool, names: dict[str, str],
         head_of: Callable = html.H3) -> html.Li:
    """One job with what speaks for it, and the buttons."""
    head = title(job, names)
    # A look wins back nothing by itself: the verdict says what it is worth.
    gain = "" if not row["gain_per_year"] or words.is_look(row) else (
        f" {'What it brings in' if job.job_kind == 'claim' else 'The first year'}, 90 % interval: {currency} "
        f"{words.bare_span(Amount(row['gain_per_year'], *words.bounds(row, 'gain_per_year')))}.")
    # A verdict that is to do it states cost and return.
    cost = "" if str(row["verdict"]).startswith("Do: ") else f"{words.money(row['cost'], currency)}. "
    parts: list[Any] = [
        head_of([*(["Safety: "] if job.safety else []), dcc.Link(head, href=f"/jobs/{job.ref}")]),
        html.P(words.tied(f"{cost}{words.plain(row['verdict'])}{gain}")),
        html.Details([html.Summary("Why, and what to watch for"),
                      *(html.P(words.tied(words.in_day_words(row[name])))
                        for name in ("why", "options", "caution") if row.get(name))]),
    ]
    if may_decide:
        parts.append(html.Div(_buttons(job), id={"type": "decided", "ref": job.ref}, **aria(live="polite")))
    return html.Li(parts, className="job")


def _buttons(job: Job) -> list:
    reason = {"type": "reason", "ref": job.ref}
    return [
        html.Label(["Reason, or the figure that would change it ", dcc.Input(id=reason, type="text", maxLength=500)]),
        html.Div([html.Button(DECISION_WORDS[what].capitalize(), n_clicks=0,
                              id={"type": "decide", "ref": job.ref, "version": job.version, "what": what},
                              **aria(label=f"{DECISION_WORDS[what]}: job {job.ref}")) for what in OFFERED], className="buttons"),
    ]


def callbacks(app: Dash, place: Place) -> None:
    @app.callback(
        Output({"type": "decided", "ref": MATCH}, "children"),
        Input({"type": "decide", "ref": MATCH, "version": ALL, "what": ALL}, "n_clicks"),
        State({"type": "reason", "ref": MATCH}, "value"), prevent_initial_call=True)
    def decide(presses: list[int | None], reason: str | None) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any(presses):
            return no_update
        person = current_person()
        if not person.may(frozenset({OWNER})):
            flask.abort(403)
        if pressed["what"] not in OFFERED:
            flask.abort(400)
        try:
            job = place.jobs.book().change(int(pressed["ref"]), person.name, {
                "decision": pressed["what"], "reason": (reason or "").strip() or None}, int(pressed["version"]))
        except YieldwatchError as err:
            return html.P(f"Not written. {err}", className="sorry", role="alert")
        return html.P(f"Written: {state_words(job)}, by {words.plain(job.decided_by or '')} on {words.day(job.decided_on)}.",
                      className="done")
