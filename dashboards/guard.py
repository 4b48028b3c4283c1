"""
What every request passes: who it is from, that it comes from our own pages, and the headers of the answer.
"""

from __future__ import annotations

import html
import logging
import re
import threading
import time
from collections import deque
from collections.abc import Callable
from functools import wraps
from typing import Any
from urllib.parse import urlencode, urlsplit

import flask
from dash import Dash

from dashboards.accounts import Accounts
from dashboards.people import current_person
from dashboards.visit import Person, Place, Route

LOG = logging.getLogger("yieldwatch.serve")
SIGN_IN, SIGN_OUT, HEALTH = "/sign-in", "/sign-out", "/health"
COOKIE = "yieldwatch_session"
#: What may be asked for without an account: neither holds anything of the portfolio.
OPEN_PATHS = (SIGN_IN, HEALTH)
OPEN_FOLDERS = ("/assets/",)
#: Failed sign-ins from one address, or to one name, after which none is tried for a while. Common practice, no source.
MOST_FAILURES, WINDOW_S = 8, 900.0
#: Largest request: an uploaded file of readings, as text. [bytes]
LARGEST_REQUEST = 64 * 1024 * 1024
_OWN_HOST = re.compile(r"(127\.0\.0\.1|localhost|\[::1\])(:\d+)?")
_HEADERS = {
    "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class Failures:
    """Counts failed sign-ins by address and by name."""

    def __init__(self, most: int = MOST_FAILURES, window_s: float = WINDOW_S,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._window, self._clock = most, window_s, clock
        self._times: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def too_many(self, *keys: str) -> bool:
        with self._lock:
            return any(len(self._recent(key)) >= self._most for key in keys)

    def note(self, *keys: str) -> None:
        with self._lock:
            for key in keys:
                self._recent(key).append(self._clock())
            for key in [k for k in self._times if not self._recent(k)]:
                del self._times[key]

    def _recent(self, key: str) -> deque[float]:
        times = self._times.setdefault(key, deque(maxlen=self._most))
        while times and times[0] < self._clock() - self._window:
            times.popleft()
        return times


class Guard:
    """
    Stands before all of the application's routes.

    Parameters
    ----------
    https : bool
        Whether browsers reach the server by https, through a proxy before it.
    """

    def __init__(self, app: Dash, place: Place, accounts: Accounts, https: bool = False) -> None:
        self._place, self._accounts, self._https = place, accounts, https
        self._failures, self._policy = Failures(), _policy(app)
        server = app.server
        server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST
        server.before_request(self._check)
        server.after_request(self._finish)
        server.add_url_rule(SIGN_IN, "ask", self._ask, methods=["GET"])
        server.add_url_rule(SIGN_IN, "sign in", self._sign_in, methods=["POST"])
        server.add_url_rule(SIGN_OUT, "sign out", self._sign_out, methods=["POST"])

    def _check(self) -> Any:
        flask.g.began = time.perf_counter()
        request = flask.request
        needed = self._accounts.any()
        if not needed and not _OWN_HOST.fullmatch(request.host):
            # Another site's name that was made to lead to this machine.
            return "This server answers on this machine only.", 421
        if request.method not in ("GET", "HEAD", "OPTIONS") and not _from_our_pages(request):
            return "The request did not come from this application's pages.", 403
        return self._sign_in_first(request) if needed else None

    def _sign_in_first(self, request: flask.Request) -> Any:
        key = request.cookies.get(COOKIE)
        account = self._accounts.who(key) if key else None
        if account:
            flask.g.person = Person(account.name, account.roles)
            return None
        if request.path in OPEN_PATHS or request.path.startswith(OPEN_FOLDERS):
            return None
        if request.method == "GET" and request.headers.get("Sec-Fetch-Mode", "navigate") == "navigate":
            return flask.redirect(f"{SIGN_IN}?{urlencode({'to': _within(request.full_path.removesuffix('?'))})}")
        return "Sign in first.", 401

    def _finish(self, response: flask.Response) -> flask.Response:
        for name, value in _HEADERS.items():
            response.headers[name] = value
        response.headers["Content-Security-Policy"] = self._policy
        if self._https:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if not flask.request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        took = time.perf_counter() - flask.g.get("began", time.perf_counter())
        # The path alone: what stands behind a question mark, in cookies and in bodies stays out of the log.
        LOG.info("%s %s %s %.0f ms", flask.request.method, flask.request.path[:200].encode("unicode_escape").decode(),
                 response.status_code, 1000 * took)
        return response

    def _ask(self) -> str:
        return _sign_in_page(flask.request.args.get("to", "/"))

    def _sign_in(self) -> Any:
        name, password = (flask.request.form.get(field, "") for field in ("name", "password"))
        to = _within(flask.request.form.get("to", "/"))
        keys = (f"from {flask.request.remote_addr}", f"to {name.casefold()[:200]}")
        if self._failures.too_many(*keys):
            page = _sign_in_page(to, "Too many attempts failed. Wait a quarter of an hour.")
            return page, 429, {"Retry-After": f"{WINDOW_S:.0f}"}
        key = self._accounts.sign_in(name, password)
        if key is None:
            self._failures.note(*keys)
            LOG.warning("a sign-in from %s failed", flask.request.remote_addr)
            return _sign_in_page(to, "Name and password do not belong together."), 401
        response = flask.redirect(to, 303)
        response.set_cookie(COOKIE, key, httponly=True, samesite="Strict", secure=self._https, path="/")
        return response

    def _sign_out(self) -> Any:
        key = flask.request.cookies.get(COOKIE)
        if key and self._accounts.any():
            self._accounts.sign_out(key)
        response = flask.redirect(SIGN_IN, 303)
        response.delete_cookie(COOKIE, path="/")
        return response


def add_route(app: Dash, place: Place, route: Route) -> None:
    """Add a plain address, such as a download, whose roles are checked before it is answered."""
    @wraps(route.answer)
    def checked(**args: str) -> Any:
        if not current_person().may(route.roles):
            return f"This is for {' and '.join(sorted(route.roles))}.", 403
        return route.answer(place, **args)

    app.server.add_url_rule(route.path, f"route {route.path} {' '.join(route.methods)}", checked, methods=list(route.methods))


def _from_our_pages(request: flask.Request) -> bool:
    """A browser says where a request comes from; what does not say so is refused."""
    site = request.headers.get("Sec-Fetch-Site")
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        return False
    return site == "same-origin" if site is not None else origin is not None


def _policy(app: Dash) -> str:
    scripts = " ".join(app.csp_hashes())
    return ("default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; connect-src 'self'; "
            # Pictures set their sizes and colours in style attributes.
            f"font-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; script-src 'self' {scripts}").strip()


def _within(path: str) -> str:
    """A path of this application; anything that could lead elsewhere leads home."""
    safe = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if safe and not urlsplit(path).netloc else "/"


def _sign_in_page(to: str, said: str = "") -> str:
    told = f'<p class="sorry" role="alert">{html.escape(said)}</p>' if said else ""
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark"><title>Sign in · yieldwatch</title>
<link rel="stylesheet" href="/assets/style.css"></head>
<body><main><h1>Sign in</h1>{told}
<form method="post" action="{SIGN_IN}" class="sign-in"><input type="hidden" name="to" value="{html.escape(_within(to))}">
<p><label for="name">Name</label><br><input id="name" name="name" autocomplete="username" required autofocus></p>
<p><label for="password">Password</label><br>
<input id="password" name="password" type="password" autocomplete="current-password" required></p>
<p><button type="submit">Sign in</button></p></form></main></body></html>"""
