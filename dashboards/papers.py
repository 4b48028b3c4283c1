"""
What is taken away from a plan: CSV, workbook, crew sheets and calendar, as bytes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

from dashboards.visit import Place
from yieldwatch.action.plan_rows import PlanMade
from yieldwatch.book.evidence import PHOTO
from yieldwatch.book.facts import Evidence
from yieldwatch.errors import BookError
from yieldwatch.portfolio.model import Portfolio, Site
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.report.crew_sheets import crew_sheets_pdf
from yieldwatch.report.tables import plan_csv
from yieldwatch.report.visit_calendar import visits_ics
from yieldwatch.report.workbook import plan_xlsx


@dataclass(frozen=True)
class _Found:
    string_findings: pd.DataFrame
    obstacles: pd.DataFrame


@dataclass(frozen=True)
class _Site:
    site: Site
    gap: _Found


@dataclass(frozen=True)
class Kept:
    """A plan with what the store and the portfolio's folder say of its sites, as `report.visits.Planned` asks."""

    portfolio: Portfolio
    as_of: dt.date
    sites: tuple[_Site, ...]
    work_list: pd.DataFrame
    plan: pd.DataFrame
    photos: Mapping[int, tuple[Evidence, ...]]


#: By file name: what makes it, and its kind for the browser.
PAPERS: Mapping[str, tuple[Callable[[Kept], bytes], str]] = {
    "plan.csv": (lambda kept: plan_csv(kept.plan), "text/csv; charset=utf-8"),
    "plan.xlsx": (plan_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "crew_sheets.pdf": (lambda kept: crew_sheets_pdf(kept, kept.photos), "application/pdf"),
    "visits.ics": (visits_ics, "text/calendar; charset=utf-8"),
}


class SiteGone(Exception):
    """The plan visits a site that the portfolio's folder no longer has."""


def kept(place: Place, made: PlanMade) -> Kept:
    """
    A plan with all that its papers need.

    Raises
    ------
    PortfolioError
        If the portfolio's folder cannot be read.
    SiteGone
    """
    portfolio = read_portfolio(place.portfolio)
    sites = {s.id: s for s in portfolio.sites}
    missing = sorted(set(made.table["site_id"]) - set(sites))
    if missing:
        raise SiteGone(f"The plan visits {', '.join(missing)}, which the portfolio's folder no longer has. Run the assessment "
                       "again.")
    found, shade, listed = (pd.DataFrame(place.store.rows(name), columns=place.store.columns(name))
                            for name in ("string_findings", "obstacles", "work_list"))
    as_of = dt.date.fromisoformat(place.store.about()["as_of"] or "")
    return Kept(portfolio, as_of, tuple(
        _Site(s, _Found(found[found["site_id"] == s.id], shade[shade["site_id"] == s.id])) for s in portfolio.sites), listed,
        made.table, _photos(place, listed))


def _photos(place: Place, listed: pd.DataFrame) -> dict[int, tuple[Evidence, ...]]:
    """Photos of the listed jobs by their number in the job book; none where there is no book."""
    refs = {int(ref) for ref in pd.to_numeric(listed.get("job_ref", pd.Series(dtype=float)), errors="coerce").dropna()}
    try:
        held = {ref: place.jobs.book().evidence(ref) for ref in sorted(refs)}
    except BookError:
        return {}
    return {ref: tuple(e for e in of if e.kind == PHOTO and not e.withdrawn) for ref, of in held.items()}
