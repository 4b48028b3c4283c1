"""
Every page, in the menu's order. A page is a module in `pages/` with a `PAGE`, its row here, and its test.
"""

from __future__ import annotations

from dashboards.pages import book, decisions, farms, files, job, losses, owner, plan, promises, rows, work
from dashboards.visit import Page

PAGES: tuple[Page, ...] = (owner.PAGE, decisions.PAGE, farms.PAGE, losses.PAGE,
                             work.PAGE, work.ONE, plan.PAGE, book.PAGE, job.PAGE, promises.PAGE, files.PAGE, rows.PAGE)
