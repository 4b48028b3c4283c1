"""
New files: what would be read of one and what not and why, before it is kept.
"""

from __future__ import annotations

from typing import Any

import flask
import pandas as pd
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboards.intake import GROWING, MOST_BYTES, Look, Offer, Refused, keep, look
from dashboards.parts.readings import content_of
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria, page_head
from dashboards.parts.work import explained, farm_names
from dashboards.people import current_person
from dashboards.visit import ANALYST, PLANNER, Content, Page, Place, Visit
from yieldwatch.columns import TABLES
from yieldwatch.errors import BookError
from yieldwatch.report.words import count, day, number, per_cent, plain

#: Rows set aside that are shown.
_MOST_SHOWN = 50


def build(visit: Visit) -> Content:
    names = farm_names(visit)
    site = visit.query.get("site", "")
    site = site if site in names else next(iter(names))
    table = visit.query.get("table", "")
    table = table if table in GROWING else GROWING[0]
    return html.Div([
        page_head("New files", "A file goes into the portfolio's folder, beside those of its kind. First you see what would be "
                  "read of it, and what would be set aside and why. Nothing is kept before you accept it, and nothing is ever "
                  "written over."),
        html.Form([
            html.Label(["Farm", html.Select([_option(k, v, site) for k, v in names.items()], name="site")]),
            html.Label(["What it holds", html.Select([_option(k, TABLES[k].meaning, table) for k in GROWING], name="table")]),
            html.Button("Choose", type="submit")], action="/files", method="GET", className="limits"),
        html.H2(f"{TABLES[table].meaning}, for {names[site]}"),
        html.P(["Columns: ", ", ".join(c.name for c in TABLES[table].columns), ". CSV in UTF-8 with a header row, gzipped CSV or "
                f"Parquet, at most {MOST_BYTES // 2**20} MiB."], className="quiet"),
        dcc.Store(id="files-for", data={"site": site, "table": table}),
        dcc.Upload(html.Button("Choose a file"), id="files-file", max_size=MOST_BYTES, accept=".csv,.gz,.parquet"),
        dcc.Loading(html.Div(id="files-look", **aria(live="polite")), type="dot"),
        explained("set-aside", "identifiers"),
    ])


def _option(value: str, text: str, now: str) -> html.Option:
    return html.Option(text, value=value, selected="selected" if value == now else None)


def _shown(seen: Look) -> list:
    heads = ("line", "column", "value", "reason")
    reasons = seen.reasons.groupby("reason", sort=False).size()
    rows = [{k: plain("" if pd.isna(r[k]) else r[k])[:200] for k in heads}
            for r in seen.reasons.head(_MOST_SHOWN).to_dict("records")]
    parts: list = [
        html.H3("What would be read"),
        html.P(f"It would lie at {seen.place}. Of {count(seen.rows, 'row')}, {number(seen.used)} would be used and "
               f"{number(seen.set_aside)} set aside."),
    ]
    others = seen.elsewhere.groupby(["file", "reason"], sort=False).size()
    if len(others):
        parts += [html.P("Because of it, values of other files would be set aside:"),
                  html.Ul([html.Li(f"{number(n)} of {plain(file)}: {plain(reason)}") for (file, reason), n in others.items()],
                          className="plain")]
    if len(rows):
        parts += [
            html.Ul([html.Li(f"{number(n)}: {plain(reason)}") for reason, n in reasons.items()], className="plain"),
            html.Details([html.Summary("Line by line"), grid(
                [Column(k, k, lambda r, k=k: r[k]) for k in heads], rows,  # type: ignore[misc]
                f"Rows and values set aside{f', the first {_MOST_SHOWN}' if len(seen.reasons) > _MOST_SHOWN else ''}")])]
    parts += [html.H3("What the farm's data would be"), _sources(seen)]
    told = [t for t in seen.after.can_tell if t not in seen.before.can_tell]
    if told:
        parts.append(html.P(["It would add: ", " ".join(told)]))
    fresh = [n for n in seen.after.data.notices if n not in seen.before.data.notices]
    parts += [html.P(plain(n), className="quiet") for n in fresh]
    return [*parts, dcc.Store(id="files-token", data=seen.token), html.Div([
        html.Button("Keep this file", id={"type": "files", "do": "keep"}),
        html.Button("Do not keep it", id={"type": "files", "do": "drop"})], className="buttons")]


def _sources(seen: Look) -> html.Div:
    zone = seen.after.site.tz
    rows = [{"kind": b.kind, "before": b, "after": a} for b, a in zip(seen.before.sources, seen.after.sources, strict=True)
            if a.rows]

    def days(source: Any) -> str:
        return "none" if source.start is None else " to ".join(day(t.tz_convert(zone)) for t in (source.start, source.end))

    columns = [
        Column("kind", "Kind", lambda r: r["kind"] if r["before"].rows == r["after"].rows else html.Strong(r["kind"])),
        Column("rows", "Rows now", lambda r: number(r["before"].rows), number=True),
        Column("then", "Rows then", lambda r: number(r["after"].rows), number=True),
        Column("now", "From, to now", lambda r: days(r["before"])),
        Column("with", "From, to then", lambda r: days(r["after"])),
        Column("coverage", "Covered then", lambda r: "" if pd.isna(r["after"].coverage) else per_cent(r["after"].coverage),
               number=True),
    ]
    return grid(columns, rows, "The farm's readings now, and then with this file; what changes is in bold")


def _said(err: Refused | BookError) -> html.Div:
    return html.Div([html.Strong("Not taken in. "), *(html.Div(plain(p)) for p in err.problems)], className="sorry", role="alert")


def _offer(about: dict[str, str], name: str | None, upload: str | None) -> Offer:
    return Offer(str(about.get("site")), str(about.get("table")), str(name or ""), content_of(upload, MOST_BYTES))


def callbacks(app: Dash, place: Place) -> None:
    def allowed() -> None:
        if not current_person().may(PAGE.roles):
            flask.abort(403)

    @app.callback(Output("files-look", "children"), Input("files-file", "contents"), State("files-file", "filename"),
                  State("files-for", "data"), prevent_initial_call=True)
    def see(upload: str | None, name: str | None, about: dict[str, str]) -> Any:
        if not upload:
            return no_update
        allowed()
        try:
            return _shown(look(place.portfolio, _offer(about, name, upload)))
        except (Refused, BookError) as err:
            return _said(err)

    @app.callback(Output("files-look", "children", allow_duplicate=True), Output("files-file", "contents"),
                  Input({"type": "files", "do": ALL}, "n_clicks"), State("files-file", "contents"),
                  State("files-file", "filename"), State("files-for", "data"), State("files-token", "data"),
                  prevent_initial_call=True)
    def settle(presses: list, upload: str | None, name: str | None, about: dict[str, str], token: str) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any(presses):
            return no_update, no_update
        allowed()
        if pressed["do"] == "drop":
            return html.P("Nothing of it is kept."), None
        try:
            kept = keep(place.portfolio, _offer(about, name, upload), str(token))
        except (Refused, BookError) as err:
            return _said(err), no_update
        return html.P(f"Kept as {kept}. The next assessment reads it.", className="done"), None


PAGE = Page("/files", "New files", build, menu="New files", roles=frozenset({ANALYST, PLANNER}), callbacks=callbacks)
