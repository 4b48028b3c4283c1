"""
One request for a page: who asks, for what, and what there is to answer it from.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

from dash.development.base_component import Component
from werkzeug.exceptions import HTTPException
from werkzeug.routing import Map, RequestRedirect, Rule

from dashboards.jobs import Jobs
from dashboards.run import Runner
from dashboards.store import NoAssessment, Store

OWNER, ANALYST, PLANNER = ROLES = ("owner", "analyst", "planner")
Content = Component | list


@dataclass(frozen=True)
class Person:
    """Who asks. On a machine of one's own, with no accounts, that is one person with all roles."""

    name: str
    roles: frozenset[str] = frozenset(ROLES)

    def may(self, roles: frozenset[str]) -> bool:
        return bool(self.roles & roles)


@dataclass(frozen=True)
class Place:
    """What the server was started on: the portfolio's folder, the folder of results, the job book, and what assesses."""

    portfolio: Path
    folder: Path
    store: Store
    jobs: Jobs
    runner: Runner

    @property
    def name(self) -> str:
        """The portfolio's own, or its folder's until it was assessed."""
        try:
            return self.store.about()["portfolio"] or ""
        except NoAssessment:
            return self.portfolio.name


def place_of(portfolio: Path, folder: Path, book: str | None = None) -> Place:
    """A portfolio as a server shows it; `book` as of `open_book`."""
    return Place(portfolio, folder, Store(folder), Jobs(portfolio, book), Runner(portfolio, folder, book))


@dataclass(frozen=True)
class Visit:
    """A page's address taken apart; `args` from its path, `query` from behind the question mark, both text of the visitor's."""

    place: Place
    person: Person
    path: str
    args: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)

    @property
    def store(self) -> Store:
        return self.place.store

    def here(self, **changes: object) -> str:
        """This page's address with parts of the query changed, or left out where None."""
        query = {k: v for k, v in {**self.query, **changes}.items() if v is not None}
        return address(self.path, **query)


def address(path: str, **query: object) -> str:
    """An address within the application."""
    kept = {k: str(v) for k, v in query.items() if v is not None}
    return f"{path}?{urlencode(kept)}" if kept else path


@dataclass(frozen=True)
class Route:
    """
    A plain address beside the pages, such as a download.

    Attributes
    ----------
    path : str
        As Flask writes it, such as "/download/<name>".
    answer : callable
        Called with the `Place` and, by name, what is in the path's brackets; returns what Flask takes.
    roles : frozenset of str
        Who may ask, checked before it is called.
    """

    path: str
    answer: Callable
    roles: frozenset[str]
    methods: tuple[str, ...] = ("GET",)


@dataclass(frozen=True)
class Page:
    """
    A page.

    Attributes
    ----------
    path : str
        Such as "/farm/<site_id>/dirt"; parts in brackets become `Visit.args`.
    title : str
    build : callable
        Visit to components. A plain lookup and layout: nothing is analysed here.
    menu : str
        Its word in the menu; empty for pages that others link to.
    roles : frozenset of str
        Who may see it, checked on the server.
    callbacks : callable, optional
        Called once with the application and the `Place`. What a callback writes checks the role of `current_person()` itself.
    routes : tuple of Route
        Downloads and the like that belong to the page.
    """

    path: str
    title: str
    build: Callable[[Visit], Content]
    menu: str = ""
    roles: frozenset[str] = frozenset(ROLES)
    callbacks: Callable | None = None
    routes: tuple[Route, ...] = ()


class Router:
    """Addresses to pages."""

    def __init__(self, pages: tuple[Page, ...]) -> None:
        self.pages = pages
        self._map = Map([Rule(page.path, endpoint=page) for page in pages], strict_slashes=False, merge_slashes=False)

    def find(self, path: str) -> tuple[Page, dict[str, str]] | None:
        """The page at a path and the values in it; None if there is none."""
        try:
            page, args = self._map.bind("").match(path)
        except (HTTPException, RequestRedirect):
            return None
        return page, dict(args)
