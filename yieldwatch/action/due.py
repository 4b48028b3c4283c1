"""
Between which dates a job is due.
"""

from __future__ import annotations

import datetime as dt

from yieldwatch.action.candidate import Candidate
from yieldwatch.portfolio.model import Site

#: Days in which a job without a season is to be done once it can start. Common practice, no source.
DUE_WINDOW_DAYS = 90.0
#: Months, first and last, in which birds nest north of the equator; south of it half a year later.
#: Common practice in north-west Europe: March to August; the dates in law differ by country.
NESTING_FROM_MONTH, NESTING_TO_MONTH = 3.0, 8.0


def due_dates(site: Site, job: Candidate, as_of: dt.date, lead_days: float) -> tuple[dt.date, dt.date]:
    """
    Earliest and latest useful date of a job.

    Parameters
    ----------
    site : Site
        Its `due_window_days`, `nesting_from_month` and `nesting_to_month` assumptions, if any, replace
        the defaults.
    job : Candidate
    as_of : date
    lead_days : float
        Notice that the crew needs; NaN counts as none. [d]

    Returns
    -------
    due_from, due_to : date
        Once the crew can come, in the job's season where it has one (cutting without a season of its
        own keeps out of the nesting season). What has a deadline is due until then. A safety job is due at once, within
        the lead time.
    """
    lead = dt.timedelta(days=0 if lead_days != lead_days else round(lead_days))
    if job.safety:
        return as_of, as_of + lead
    if job.deadline is not None:
        return as_of, max(job.deadline, as_of)
    ready = as_of + lead
    season = season_of(site, job)
    if season is None:
        return ready, ready + dt.timedelta(days=round(site.assumed("due_window_days", DUE_WINDOW_DAYS)))
    for year in range(ready.year - 1, ready.year + 3):
        start, end = _on(year, season[0]), _on(year, season[1])
        if end < start:
            end = _on(year + 1, season[1])
        if end >= ready:
            return max(start, ready), end
    raise AssertionError("a season comes round every year")


def season_of(site: Site, job: Candidate) -> tuple[str, str] | None:
    """Borders of the job's season as "MM-DD", or None for any time of the year."""
    if job.best_from is not None and job.best_to is not None:
        return job.best_from, job.best_to
    if job.job_kind != "cut_vegetation":
        return None
    months = nesting_months(site)
    before = (dt.date(2001, months[0], 1) - dt.timedelta(days=1)).strftime("%m-%d")
    return f"{months[-1] % 12 + 1:02d}-01", before


def nesting_months(site: Site) -> tuple[int, ...]:
    """Months, in order, in which hedges and trees are not cut."""
    shift = 6 if site.latitude < 0 else 0
    first = int(site.assumed("nesting_from_month", (NESTING_FROM_MONTH + shift - 1) % 12 + 1))
    last = int(site.assumed("nesting_to_month", (NESTING_TO_MONTH + shift - 1) % 12 + 1))
    return tuple((first - 1 + k) % 12 + 1 for k in range((last - first) % 12 + 1))


def _on(year: int, month_day: str) -> dt.date:
    month, day = (int(part) for part in month_day.split("-"))
    if (month, day) == (2, 29):  # in a common year the last day of February
        return dt.date(year, 3, 1) - dt.timedelta(days=1)
    return dt.date(year, month, day)
