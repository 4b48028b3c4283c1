"""
Every page, in the menu's order. A page is a module in `pages/` with a `PAGE`, its row here, and its test.
"""

from __future__ import annotations

from dashboards.farm_pages import FARM
from dashboards.pages import (
    any_period,
    assess,
    book,
    decisions,
    farms,
    handbook,
    job,
    losses,
    owner,
    plan,
    promises,
    rows,
    trust,
    upload,
    work,
)
from dashboards.visit import Page

PAGES: tuple[Page, ...] = (
    owner.PAGE, decisions.PAGE, farms.PAGE, work.PAGE, work.ONE, plan.PAGE, book.PAGE, job.PAGE, promises.PAGE, trust.PAGE,
    trust.FARM_PAGE, upload.PAGE, assess.PAGE, handbook.PAGE, handbook.TOPIC_PAGE, losses.PAGE, any_period.PAGE, rows.PAGE,
    *FARM,
)
