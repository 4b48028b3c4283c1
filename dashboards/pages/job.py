"""
One job of the book: its facts, changed in place; readings before and after; photos; every change of it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import flask
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.parts.photos import PHOTO_ROUTE, photo_callbacks, photos_part
from dashboards.parts.readings import evidence_part, parts_of, readings_callbacks
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria, page_head, sorry
from dashboards.parts.work import explained, farm_names, in_day_words, named, tied, work_address
from dashboards.people import current_person
from dashboards.visit import OWNER, PLANNER, Content, Page, Person, Place, Visit
from yieldwatch.action.cautions import cautions_of
from yieldwatch.book import states
from yieldwatch.book.facts import DECISIONS, RECORDED, WAITS, Change, Job
from yieldwatch.book.values import facts_from_text, to_text
from yieldwatch.constants import work_of
from yieldwatch.errors import BookError, ChangedMeanwhile
from yieldwatch.report.job_lists import DECISION_WORDS, WAIT_WORDS, change_words, state_words
from yieldwatch.report.words import money, number, plain


@dataclasses.dataclass(frozen=True)
class Group:
    """Facts that are written together, and who may; a group with a `choice` is written by pressing what is chosen for it."""

    title: str
    facts: tuple[str, ...]
    roles: frozenset[str]
    press: str = ""
    choice: str = ""


_PLANNERS = frozenset({PLANNER, OWNER})
GROUPS: Mapping[str, Group] = {
    "decision": Group("What was decided", ("decision", "reason", "put_off_until", "payer"), frozenset({OWNER}),
                      choice="decision"),
    "wait": Group("What holds it up", ("waiting_for", "waiting_note"), _PLANNERS, choice="waiting_for"),
    "booking": Group("The day it is booked for", ("booked_for", "contractor"), _PLANNERS, "Record the booking"),
    "work": Group("The work done", ("done_on", "done_by", "cost", "hours", "invoice", "permit", "serials"), _PLANNERS,
                  "Record the work"),
    "note": Group("Anything else", ("note",), _PLANNERS, "Record the note"),
}
LABELS = {
    "decision": "Decision", "reason": "Why, or the figure that would change it", "put_off_until": "Not now: propose it again on",
    "payer": "Someone else pays: who", "waiting_for": "It waits for", "waiting_note": "Which part, whose permission, until when",
    "booked_for": "Booked for", "contractor": "Who is to do it", "done_on": "Done on", "done_by": "Person or crew",
    "cost": "What it cost", "hours": "Hours worked", "invoice": "Number of the invoice", "permit": "Number of the permit to work",
    "serials": "Serial numbers of parts fitted and removed", "note": "Note",
}
#: Facts that are chosen: each value, and what is pressed for it; the first takes it back.
_CHOICES = {
    "decision": [("", "Nothing yet"), *((d, DECISION_WORDS[d].capitalize()) for d in DECISIONS)],
    "waiting_for": [("", "Nothing"), *((w, WAIT_WORDS[w].capitalize()) for w in WAITS)],
}


def build(visit: Visit) -> Content:
    ref = visit.args["ref"]
    try:
        book = visit.place.jobs.book()
        job = book.job(int(ref) if ref.isdecimal() and len(ref) < 10 else 0)
    except BookError as err:
        return sorry("A job", str(err))
    names, evidence = farm_names(visit), book.evidence(job.ref)
    currency = plain(visit.store.about()["currency"])
    parts = parts_of(visit.store, job)
    listed = visit.store.row("work_list", {"job_id": job.job_id})
    return html.Div([
        page_head(f"Job {job.ref}: {named(job, names)}", *([
            dcc.Link("Why it is proposed, and the price of waiting", href=work_address(job.job_id))] if listed else
            ["The last work list does not hold it."])),
        dcc.Store(id="job-ref", data=job.ref),
        html.Div(facts_part(job, visit.person, currency), id="job-facts"),
        html.Div(evidence_part(evidence, job, visit.person, parts), id="job-evidence"),
        html.Div(photos_part(evidence, job, visit.person, parts), id="job-photos"),
        html.H2("What to watch for"),
        html.Ul([html.Li(c) for c in cautions_of([work_of(job.job_kind, job.cause)])], className="plain"),
        html.Details([html.Summary("Every change of it, up to when this page was opened"),
                      history_table(book.history(job.ref), currency)]),
        explained("job-book", "photos", "job-gain"),
    ])


def facts_part(job: Job, person: Person, currency: str, said: Content | str = "") -> list:
    """The facts as they stand and the forms to change them; all that a save renews."""
    return [
        html.Div(said, id="job-said", role="status", **aria(live="polite")),
        dcc.Store(id="job-version", data=job.version),
        dcc.Store(id="job-shown", data={name: to_text(getattr(job, name)) or "" for name in LABELS}),
        html.P(_lead(job, currency), className="lead"),
        *([html.P([html.Strong("Why: "), in_day_words(job.why)])] if job.why else []),
        *(_form(key, group, job, person, currency) for key, group in GROUPS.items()),
    ]


def _lead(job: Job, currency: str) -> str:
    now = states.state(job)
    said = f"It stands at: {state_words(job)} ({states.MEANINGS[now]})."
    if job.safety and now in states.OPEN:
        said = "It is a matter of safety and does not wait. " + said
    if job.decided_on:
        said += f" Decided by {plain(job.decided_by)} on {job.decided_on:%-d %b %Y}."
    if job.agreed_kwh_per_year is not None:
        said += (f" Promised then: {number(job.agreed_kwh_per_year)} kWh a year ({number(job.agreed_low_kwh_per_year)} to "
                 f"{number(job.agreed_high_kwh_per_year)}, 90 % interval), worth {money(job.agreed_per_year, currency)} a year.")
    elif job.job_kind == "claim" and job.gain_per_year:
        said += f" It would bring in {money(job.gain_per_year, currency)} once."
    elif job.gain_kwh_per_year:
        said += (f" It would win back {number(job.gain_kwh_per_year)} kWh a year ({number(job.gain_low_kwh_per_year)} to "
                 f"{number(job.gain_high_kwh_per_year)}, 90 % interval), worth {money(job.gain_per_year, currency)} a year.")
    if job.cost is None and job.cost_estimate is not None:
        said += f" By the portfolio's own prices it costs {money(job.cost_estimate, currency)}; your quote replaces this."
    if job.verdict_words:
        said += f" Measured since: {plain(job.verdict_words)}"
    return tied(said)


def _form(key: str, group: Group, job: Job, person: Person, currency: str) -> html.Section:
    may = person.may(group.roles)
    fields = [_field(name, job, may, currency) for name in group.facts if name != group.choice]
    chosen = [html.P(["Now: ", html.Strong(_chosen_word(group.choice, job))])] if group.choice else []
    last = html.Div(_presses(key, group, job), className="buttons", role="group", **aria(label=group.title)) if may else html.P(
        f"Only {' and '.join(sorted(group.roles))} can change this.", className="quiet")
    return html.Section([html.H2(group.title), *chosen, html.Div(fields, className="fields"), last], className="facts")


def _presses(key: str, group: Group, job: Job) -> list:
    if not group.choice:
        return [html.Button(group.press, id={"type": "save", "group": key, "value": ""}, n_clicks=0)]
    now = getattr(job, group.choice) or ""
    return [html.Button(text, id={"type": "save", "group": key, "value": value}, n_clicks=0,
                        **aria(pressed="true" if value == now else "false")) for value, text in _CHOICES[group.choice]]


def _chosen_word(name: str, job: Job) -> str:
    return dict(_CHOICES[name])[getattr(job, name) or ""].lower()


def _field(name: str, job: Job, may: bool, currency: str) -> Component:
    value = to_text(getattr(job, name)) or ""
    mine = {"type": "fact", "name": name}
    if not may:
        return html.Div([html.Span(f"{LABELS[name]}: "), plain(value) or "nothing"])
    unit = RECORDED[name]
    measured = currency if unit.unit == "money" else unit.unit
    hint = " (YYYY-MM-DD)" if unit.kind == "date" else f" [{measured}]" if measured else ""
    box = dcc.Textarea(id=mine, value=value, maxLength=2000, rows=3) if name in ("note", "serials") else dcc.Input(
        id=mine, type="text", value=value, maxLength=10 if unit.kind == "date" else 500, autoComplete="off")
    return html.Label([LABELS[name] + hint, box])


def history_table(changes: Sequence[Change], currency: str) -> Any:
    columns = [
        Column("at", "When [UTC]", lambda r: f"{r['c'].at:%Y-%m-%d %H:%M}"),
        Column("version", "Version", lambda r: str(r["c"].version), number=True),
        Column("who", "Who", lambda r: plain(r["c"].who)),
        Column("field", "What", lambda r: LABELS.get(r["c"].field, plain(r["c"].field).replace("_", " "))),
        Column("old", "From", lambda r: change_words(r["c"].field, r["c"].old, currency)),
        Column("new", "To", lambda r: change_words(r["c"].field, r["c"].new, currency)),
        Column("why", "By which rule", lambda r: plain(r["c"].why or "")),
    ]
    return grid(columns, [{"c": c} for c in reversed(changes)], "Every change of the job, latest first")


def _conflict(err: ChangedMeanwhile, job: Job) -> list:
    """What the other person wrote, and the ways on; what was typed stays in the forms."""
    # Between a head and a tail for the command line stands who changed what.
    told = [plain(line) for line in err.problems[1:-1]]
    # What followed by rule from what the person set is left out.
    shown = [_in_words(line, name) for line in told for name in LABELS if f" set {name} from " in line]
    return [html.Div([
        html.P(html.Strong("Someone else changed this job while you had it open. Nothing of yours is written.")),
        html.Ul([html.Li(line) for line in shown or told], className="plain"),
        html.P("What you typed is still in the boxes below. Look at the job as it is now and start again from that, or, if what "
               "you typed should stand, keep it and record it once more."),
        html.Div([html.Button("Show the job as it is now", id={"type": "conflict", "to": "theirs", "version": job.version}),
                  html.Button("Keep what I typed", id={"type": "conflict", "to": "mine", "version": job.version})],
                 className="buttons"),
    ], className="sorry", role="alert")]


def _in_words(line: str, name: str) -> str:
    """What somebody set, with the words of the form for the fact and for what is chosen there."""
    who, _, what = line.partition(f" set {name} from ")
    for value, word in _CHOICES.get(name, []):
        what = what.replace(f'"{value}"', f"“{word}”") if value else what
    return f"{who} set “{LABELS[name]}” from {what}"


def _lines(text: str) -> list[str]:
    return [plain(line) for line in text.splitlines() if line.strip()]


def _written(place: Place, ref: int, version: int, key: str, shown: Mapping[str, str], typed: Mapping[str, str]) -> tuple:
    """Write a group's facts: the renewed page, or what is to be said instead."""
    person, group = current_person(), GROUPS.get(key)
    if group is None or not person.may(group.roles):
        flask.abort(403)
    # What was left as it was shown is no wish to change it: someone else's later change of it stays.
    texts = {n: typed[n] for n in group.facts if n in typed and typed[n].strip() != (shown.get(n) or "").strip()}
    if not texts:
        return no_update, html.P("Nothing was changed in these boxes, so nothing is written.", className="quiet"), no_update
    if "decision" in group.facts:
        # A reason belongs to a decision: written anew, it is decided anew.
        texts = {n: typed[n] for n in group.facts}
    book = place.jobs.book()
    try:
        job = book.change(ref, person.name, facts_from_text(texts), version)
    except ChangedMeanwhile as err:
        return no_update, _conflict(err, book.job(ref)), no_update
    except BookError as err:
        return no_update, html.Div([html.Strong("Nothing is written."), html.Ul(
            [html.Li(line) for line in _lines(str(err))], className="plain")], className="sorry", role="alert"), no_update
    done = html.P(f"Written, version {job.version}: {state_words(job)}.", className="done")
    return _renewed(place, job, person, done), no_update, no_update


def _renewed(place: Place, job: Job, person: Person, said: Content) -> list:
    return facts_part(job, person, plain(place.store.about()["currency"]), said)


def _chosen(place: Place, ref: int, pressed: Mapping[str, Any]) -> tuple:
    """The way on that was chosen after a conflict."""
    person = current_person()
    if not person.may(PAGE.roles):
        flask.abort(403)
    if pressed["to"] == "mine":
        words = "What you typed stands in the boxes. Record it once more, and it replaces what is there now."
        return no_update, html.P(words, className="done"), int(pressed["version"])
    job = place.jobs.book().job(ref)
    return _renewed(place, job, person, html.P("This is the job as it is now.", className="done")), no_update, no_update


def callbacks(app: Dash, place: Place) -> None:
    readings_callbacks(app, place)
    photo_callbacks(app, place)

    @app.callback(
        Output("job-facts", "children"), Output("job-said", "children"), Output("job-version", "data"),
        Input({"type": "save", "group": ALL, "value": ALL}, "n_clicks"),
        Input({"type": "conflict", "to": ALL, "version": ALL}, "n_clicks"),
        State("job-ref", "data"), State("job-version", "data"), State("job-shown", "data"),
        State({"type": "fact", "name": ALL}, "value"), State({"type": "fact", "name": ALL}, "id"), prevent_initial_call=True)
    def save(presses: list, ways: list, ref: int, version: int, shown: dict[str, str], values: list, ids: list) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any((*presses, *ways)):
            return no_update, no_update, no_update
        if pressed["type"] == "conflict":
            return _chosen(place, int(ref), pressed)
        typed = {i["name"]: str(v or "") for i, v in zip(ids, values, strict=True)}
        key = str(pressed["group"])
        if key in GROUPS and GROUPS[key].choice:
            typed[GROUPS[key].choice] = str(pressed["value"])
        return _written(place, int(ref), int(version), key, shown, typed)


PAGE = Page("/jobs/<ref>", "A job", build, callbacks=callbacks, routes=(PHOTO_ROUTE,))
