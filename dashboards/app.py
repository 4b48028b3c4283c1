"""
The application: one shell, in which the address decides what is shown.
"""

from __future__ import annotations

import logging
from importlib import resources
from urllib.parse import parse_qsl, urlsplit

import flask
from dash import ClientsideFunction, Dash, Input, Output, dcc, html

from dashboards.accounts import FILE_NAME, Accounts
from dashboards.guard import HEALTH, SIGN_OUT, Guard, add_route
from dashboards.parts.words import aria, sorry
from dashboards.people import current_person
from dashboards.registry import PAGES
from dashboards.store import NoAssessment
from dashboards.visit import Content, Person, Place, Router, Visit

LOG = logging.getLogger("yieldwatch.serve")
MAIN = "main"


def create_app(place: Place, accounts: Accounts | None = None, https: bool = False) -> Dash:
    """
    Build the application for one portfolio.

    Parameters
    ----------
    accounts : Accounts, optional
        By default those beside the portfolio; while there is none, nobody signs in and only this machine is answered.
    https : bool
        Whether browsers reach it by https, through a proxy.
    """
    app = Dash("dashboards", assets_folder=str(resources.files("dashboards") / "assets"), serve_locally=True,
               suppress_callback_exceptions=True, update_title="", title="yieldwatch", add_log_handler=False)
    app.index_string = _INDEX
    router = Router(PAGES)
    app.layout = lambda: _shell(place)

    @app.callback(Output(MAIN, "children"), Output("menu", "children"), Input("address", "href"))
    def show(href: str | None) -> tuple[Content, list]:
        parts = urlsplit(href or "/")
        person = current_person()
        return content(router, place, person, parts.path or "/", dict(parse_qsl(parts.query))), menu(person, parts.path)

    app.clientside_callback(ClientsideFunction("yieldwatch", "arrived"), Output("arrived", "children"), Input(MAIN, "children"))
    for page in PAGES:
        if page.callbacks:
            page.callbacks(app, place)
        for route in page.routes:
            add_route(app, place, route)
    Guard(app, place, accounts or Accounts(place.portfolio / FILE_NAME), https)

    @app.server.get(HEALTH)
    def health() -> flask.Response:
        return flask.jsonify(status="ok")

    return app


def content(router: Router, place: Place, person: Person, path: str, query: dict[str, str]) -> Content:
    """What a page shows; a page that cannot be shown says why."""
    found = router.find(path)
    if found is None:
        return sorry("No such page", f"There is nothing at {path}.")
    page, args = found
    if not person.may(page.roles):
        return sorry(page.title, f"This page is for {' and '.join(sorted(page.roles))}; your account has another role.")
    try:
        return page.build(Visit(place, person, path, args, query))
    except NoAssessment as err:
        return sorry(page.title, str(err))
    except Exception:
        LOG.exception("page %s failed", page.path)
        return sorry(page.title, "This page could not be made. The server's log says why.")


def menu(person: Person, path: str) -> list:
    return [html.Li(dcc.Link(p.menu, href=p.path, className="here" if _is_within(path, p.path) else ""))
            for p in PAGES if p.menu and person.may(p.roles)]


def _is_within(path: str, page: str) -> bool:
    """Whether a path is a page of the menu, or one below it: a farm's belong to the farms."""
    return path == page or (page != "/" and path.startswith(f"{page}/")) or (page == "/farms" and path.startswith("/farm/"))


def _shell(place: Place) -> html.Div:
    return html.Div([
        dcc.Location(id="address", refresh="callback-nav"),
        html.A("Skip to the page", href=f"#{MAIN}", className="skip"),
        html.Header([html.Span(place.name, id="portfolio", className="portfolio"),
                     html.Nav(html.Ul(id="menu"), **aria(label="Pages")), *_signed_in()]),
        html.Main(html.P("Loading the page …"), id=MAIN, tabIndex="-1"),
        html.Div(id="arrived", hidden=True),
    ])


def _signed_in() -> list:
    person = flask.g.get("person")
    if person is None:
        return []
    button = html.Button("Sign out", type="submit")
    return [html.Form([person.name, " ", button], method="post", action=SIGN_OUT, className="signed-in")]


_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
{%css%}
</head>
<body>
<noscript>This needs JavaScript, which is served from this machine only.</noscript>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>"""
