"""
New readings: what a file would bring, and then a yes or no.
"""

from __future__ import annotations

import base64
import binascii
from typing import Any

import flask
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria, page_head
from dashboards.people import current_person
from dashboards.upload import LARGEST, Preview, Uploads
from dashboards.visit import ANALYST, OWNER, PLANNER, Content, Page, Place, Visit
from yieldwatch.columns import TABLES
from yieldwatch.errors import YieldwatchError
from yieldwatch.report.source_words import TABLE_WORDS
from yieldwatch.report.words import number, plain

MAY_ADD = frozenset({OWNER, ANALYST, PLANNER})
#: Names up to which all that a field can hold stand below it.
_MOST_NAMED = 16


def build(visit: Visit) -> Content:
    sites = Uploads(visit.place.portfolio).sites()
    return html.Div([
        page_head("New readings", "A file is looked at first: what would be read, and what would be set aside and why. Nothing "
                  "is kept before you accept it, and no file is written over."),
        _choice("upload-site", "Farm, by the name of its folder", sites),
        _choice("upload-kind", "Kind of reading", list(TABLE_WORDS.values())),
        dcc.Upload(html.Button("Choose a file, or drop it here", type="button"), id="upload-file", max_size=LARGEST,
                   className="drop"),
        html.P(f".csv, .csv.gz or .parquet, up to {LARGEST / 1e6:.0f} MB.", className="quiet"),
        html.Div(id="upload-told", **aria(live="polite")),
    ])


def _choice(name: str, label: str, offered: list[str]) -> html.Div:
    """A field that offers what can stand in it."""
    return html.Div([
        html.Label(label, htmlFor=name), html.Br(),
        dcc.Input(id=name, type="text", list=f"{name}-offered", value=offered[0] if len(offered) == 1 else ""),
        html.Datalist([html.Option(value=each) for each in offered], id=f"{name}-offered"),
        *([html.P(f"One of: {', '.join(offered)}.", className="quiet")] if 1 < len(offered) <= _MOST_NAMED else [])],
        className="field")


def _told(preview: Preview) -> list:
    if preview.refused:
        return [html.H2("The file cannot be read"), *(html.P(plain(line), className="sorry") for line in
                                                      preview.refused.splitlines()), html.P("Nothing was kept.")]
    columns = [Column("reason", "Why", lambda r: plain(r[0])), Column("n", "How many", lambda r: number(r[1]), number=True),
               Column("line", "First line", lambda r: number(r[2]), number=True)]
    table = TABLES[preview.kind]
    parts: list[Any] = [
        html.H2("What the file would bring"),
        html.P(f"{number(preview.rows)} rows of {TABLE_WORDS.get(preview.kind, table.name)} at {preview.site_id}: "
               f"{number(preview.used)} would be used, {number(preview.set_aside)} set aside."),
        html.P(f"It would stand at {preview.file}."),
    ]
    if preview.moved:
        parts.append(html.P(f"{preview.moved} would move, unchanged, into a folder of its name, so that both are read."))
    if preview.reasons:
        parts.append(grid(columns, preview.reasons, "What would be set aside: rows, or single values of rows that are used"))
    if preview.notices:
        parts += [html.P("The reader would then say:"), html.Ul([html.Li(plain(n)) for n in preview.notices], className="plain")]
    return [*parts, html.Div([
        html.Button("Accept", id={"type": "upload", "key": preview.key, "what": "accept"}, n_clicks=0),
        html.Button("Drop it", id={"type": "upload", "key": preview.key, "what": "drop"}, n_clicks=0)], className="buttons")]


def callbacks(app: Dash, place: Place) -> None:
    uploads = Uploads(place.portfolio)

    @app.callback(
        Output("upload-told", "children"), Output("upload-file", "contents"), Input("upload-file", "contents"),
        Input({"type": "upload", "key": ALL, "what": ALL}, "n_clicks"), State("upload-file", "filename"),
        State("upload-site", "value"), State("upload-kind", "value"), prevent_initial_call=True)
    def act(content: str | None, presses: list[int | None], name: str | None, site: str | None, kind: str | None) -> Any:
        # Forgotten once it is looked at: the same file sent again, now for another farm, is news.
        return _answer(content, presses, name, site, kind), None

    def _answer(content: str | None, presses: list[int | None], name: str | None, site: str | None, kind: str | None) -> Any:
        person = current_person()
        if not person.may(MAY_ADD):
            flask.abort(403)
        pressed = ctx.triggered_id
        try:
            if isinstance(pressed, dict):
                if not any(presses):
                    return no_update
                if pressed["what"] == "accept":
                    where = uploads.accept(person.name, str(pressed["key"]))
                    return [html.P(["Kept at ", where, ". ", dcc.Link("Assess anew", href="/assess"), " to use it."],
                                   className="done")]
                uploads.drop(person.name, str(pressed["key"]))
                return [html.P("Dropped; nothing was kept.")]
            if not content:
                return no_update
            data = base64.b64decode(content.partition(",")[2], validate=True)
            table = next((t for t, words in TABLE_WORDS.items() if words == (kind or "").strip()), "")
            return _told(uploads.look(person.name, (site or "").strip(), table, name or "", data))
        except binascii.Error:
            return [html.P("The file did not arrive whole. Send it again.", className="sorry", role="alert")]
        except YieldwatchError as err:
            return [html.P(plain(err), className="sorry", role="alert")]


PAGE = Page("/upload", "New readings", build, menu="New readings", roles=MAY_ADD, callbacks=callbacks)
