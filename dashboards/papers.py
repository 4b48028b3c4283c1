"""
What is taken away from a plan: CSV, workbook, crew sheets and calendar, as bytes.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from dashboards.visit import Place
from yieldwatch.errors import BookError, InputError
from yieldwatch.portfolio.model import Portfolio, Site
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.report.crew_sheets import crew_sheets_pdf
from yieldwatch.report.job_photos import JobPhotos, photos_in_book
from yieldwatch.report.tables import plan_csv
from yieldwatch.report.visit_calendar import CALENDAR, HANDED_OUT, given_before, visits_ics
from yieldwatch.report.workbook import plan_xlsx, work_xlsx


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
    folder: Path
    photos: JobPhotos


#: One calendar is made after the other, so that each knows what the one before it holds.
_HANDING_OUT = threading.Lock()


def _calendar(kept: Kept) -> bytes:
    """The calendar, kept as it was handed out, so that the next one cancels what is then no longer planned."""
    place = kept.folder / HANDED_OUT
    try:
        with _HANDING_OUT:
            content = visits_ics(kept, given_before(kept.folder))
            unfinished = place.with_name(f"{place.name}.unfinished")
            unfinished.write_bytes(content)
            unfinished.replace(place)
    except (OSError, ValueError) as err:
        raise InputError(f"{kept.folder.name}: what calendars hold that were handed out before cannot be read or written "
                         f"({err}), so visits no longer planned would stay in them. Expected a folder of results that can be "
                         f"written. Check its rights, or remove {CALENDAR} and {place.name} and take old visits out by hand."
                         ) from None
    return content


#: By file name: what makes it, and its kind for the browser.
PAPERS: Mapping[str, tuple[Callable[[Kept], bytes], str]] = {
    "plan.csv": (lambda kept: plan_csv(kept.plan), "text/csv; charset=utf-8"),
    "plan.xlsx": (plan_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "crew_sheets.pdf": (lambda kept: crew_sheets_pdf(kept, kept.photos), "application/pdf"),
    CALENDAR: (_calendar, "text/calendar; charset=utf-8"),
}


class SiteGone(Exception):
    """The plan visits a site that the portfolio's folder no longer has."""


def work_list_xlsx(place: Place) -> bytes:
    """
    Work list and plan of the assessment as a workbook, without what is the owner's alone.

    Raises
    ------
    PortfolioError, SiteGone
        As of `kept`.
    """
    return work_xlsx(kept(place, pd.DataFrame(place.store.rows("plan"), columns=place.store.columns("plan"))))


def kept(place: Place, table: pd.DataFrame) -> Kept:
    """
    A plan, by its rows, with all that its papers need.

    Raises
    ------
    PortfolioError
        If the portfolio's folder cannot be read.
    SiteGone
    """
    portfolio = read_portfolio(place.portfolio)
    sites = {s.id: s for s in portfolio.sites}
    missing = sorted(set(table["site_id"]) - set(sites))
    if missing:
        raise SiteGone(f"The plan visits {', '.join(missing)}, which the portfolio's folder no longer has. Run the assessment "
                       "again.")
    found, shade, listed = (pd.DataFrame(place.store.rows(name), columns=place.store.columns(name))
                            for name in ("string_findings", "obstacles", "work_list"))
    listed = _as_it_stands(place, listed)
    as_of = dt.date.fromisoformat(place.store.about()["as_of"] or "")
    return Kept(portfolio, as_of, tuple(
        _Site(s, _Found(found[found["site_id"] == s.id], shade[shade["site_id"] == s.id])) for s in portfolio.sites), listed,
        table, place.folder, _photos(place, listed))


def _as_it_stands(place: Place, listed: pd.DataFrame) -> pd.DataFrame:
    """The list with where each job stands by the book now, which people may have changed since the assessment."""
    if "job_ref" not in listed:
        return listed
    now = listed["job_ref"].map(place.jobs.stand())
    return listed.assign(job_state=now.where(now.notna(), listed["job_state"]))


def _photos(place: Place, listed: pd.DataFrame) -> JobPhotos:
    """Photos of the listed jobs; none where there is no book."""
    try:
        return photos_in_book(place.jobs.book(), place.portfolio, listed)
    except BookError:
        return JobPhotos(place.portfolio)
