"""
The job book: lists of jobs by what was decided, booked and done.
"""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.parts.tables import ROWS, Column, grid
from dashboards.parts.words import aria, page_head, sorry
from dashboards.parts.work import book_address, explained, farm_choice, farm_names, money_cell, named, once, tied
from dashboards.visit import Content, Page, Visit
from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.errors import BookError
from yieldwatch.report.job_lists import in_view, state_words
from yieldwatch.report.words import count, day, plain

TITLE = "Jobs"
#: Views on the facts: what each is called, and the states it holds. Nothing else is kept of a job's progress.
VIEWS: dict[str, tuple[str, tuple[str, ...]]] = {
    "open": ("all that is open", (states.PROPOSED, states.APPROVED, states.WAITING, states.BOOKED, states.PUT_OFF)),
    "undecided": ("nothing decided yet", (states.PROPOSED,)),
    "unadvised": ("found, and not worth doing now", (states.PROPOSED,)),
    "decided": ("decided and not booked", (states.APPROVED,)),
    "held-up": ("held up", (states.WAITING,)),
    "booked": ("booked", (states.BOOKED,)),
    "untested": ("done and not proven", (states.DONE,)),
    "proven": ("measured", (states.PROVEN, states.WITHOUT_EFFECT)),
    "aside": ("put off, turned down or gone", (states.PUT_OFF, states.DECLINED, states.GONE)),
}


def build(visit: Visit) -> Content:
    try:
        jobs = visit.place.jobs.all()
    except BookError as err:
        return sorry(TITLE, str(err))
    names = farm_names(visit)
    site = visit.query.get("site", "")
    of_site = [j for j in jobs if site in ("", j.site_id)]
    name = visit.query.get("view", "open")
    name = name if name in VIEWS else "open"
    held = {key: _held(of_site, key) for key in VIEWS}
    asked = visit.query.get("page", "1")
    number = int(asked) if asked.isdecimal() and len(asked) < 6 else 1
    last = max(1, -(-len(held[name]) // ROWS))
    number = min(max(number, 1), last)
    return html.Div([
        page_head(TITLE, "What people decided, booked and did, each with its day and name. The figures are of the last "
                  "assessment; what was promised is kept as it stood on the day of the decision."),
        html.P(_lead(held), className="lead"),
        html.Nav(html.Ul([html.Li(_choice(visit, key, len(held[key]), key == name)) for key in VIEWS]), className="choices",
                 **aria(label="Which jobs")),
        _filter(names, site, name),
        _table(held[name][(number - 1) * ROWS:number * ROWS], names, plain(visit.store.about()["currency"]), VIEWS[name][0])
        if held[name] else html.P(f"No job: {VIEWS[name][0]}."),
        html.P([f"Page {number} of {last}. ", *(dcc.Link(word, href=visit.here(page=number + step), style={"marginRight": "1rem"})
                                               for word, step in (("Earlier jobs", -1), ("Further jobs", 1))
                                               if 1 <= number + step <= last)], className="pager") if last > 1 else None,
        explained("job-book"),
    ])


def _held(jobs: list[Job], view: str) -> list[Job]:
    wanted = VIEWS[view][1]
    found = [j for j in jobs if states.state(j) in wanted]
    if view in ("open", "undecided", "unadvised"):
        shown = {j.ref for j in in_view(found)}
        found = [j for j in found if (j.ref in shown) == (view != "unadvised")]
    return sorted(found, key=lambda j: (not j.safety, str(j.booked_for or "9999"), -(j.gain_per_year or 0.0), j.ref))


def _lead(held: dict[str, list[Job]]) -> str:
    safety = sum(j.safety for j in held["open"])
    stand = {"undecided": "with nothing decided", "decided": "decided and not booked", "held-up": "held up", "booked": "booked"}
    parts = [f"{len(held[key])} {said}" for key, said in stand.items() if held[key]]
    text = f"{count(len(held['open']), 'job is', 'jobs are') if held['open'] else 'No job is'} open"
    text += f": {', '.join(parts)}." if parts else "."
    if held["untested"]:
        text += f" {count(len(held['untested']), 'job was', 'jobs were')} done and not proven yet."
    return text + (f" {count(safety, 'open job is', 'open jobs are')} a matter of safety." if safety else "")


def _choice(visit: Visit, key: str, found: int, now: bool) -> Component:
    text = f"{VIEWS[key][0]} ({found})"
    return html.B(text, **aria(current="true")) if now else dcc.Link(text, href=visit.here(view=key, page=None))


def _filter(names: dict[str, str], site: str, view: str) -> html.Form:
    return html.Form([farm_choice(names, site),
                      dcc.Input(type="hidden", name="view", value=view), html.Button("Show", type="submit")],
                     action="/jobs", method="GET", className="limits no-print")


def _table(jobs: list[Job], names: dict[str, str], currency: str, what: str) -> html.Div:
    columns = [
        Column("ref", "Job", lambda r: [html.Strong("For safety: ") if r["job"].safety else "", _link(r["job"], names)]),
        Column("state", "Where it stands", lambda r: tied(state_words(r["job"]))),
        Column("gain", f"Wins back a year [{currency}]", lambda r: _gain(r["job"]), number=True),
        Column("cost", f"Cost [{currency}]", lambda r: _cost(r["job"]), number=True),
        Column("who", "Who", lambda r: plain(r["job"].done_by or r["job"].contractor or r["job"].payer or "")),
        Column("decided", "Decided", lambda r: _decided(r["job"])),
    ]
    return grid(columns, [{"job": j} for j in jobs], f"Jobs: {what}")


def _link(job: Job, names: dict[str, str]) -> dcc.Link:
    return dcc.Link(f"{job.ref}: {named(job, names)}", href=book_address(job.ref))


def _gain(job: Job) -> str:
    """Blank where the job is not done for its return."""
    return once(job.job_kind, money_cell(job.gain_per_year)) if job.gain_per_year else ""


def _cost(job: Job) -> str:
    return f"{money_cell(job.cost)} as done" if job.cost is not None else money_cell(job.cost_estimate)


def _decided(job: Job) -> str:
    return tied(f"{day(job.decided_on)}, {plain(job.decided_by or '')}") if job.decided_on else ""


PAGE = Page("/jobs", TITLE, build, menu="Jobs")
