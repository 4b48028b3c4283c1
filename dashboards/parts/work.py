"""
What the planner's pages share: jobs in words, and links between them.
"""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote

from dash import dcc, html

from dashboards.visit import Visit
from yieldwatch.handbook import entries
from yieldwatch.report import words

#: Identifiers of a scope that are shown before the rest is counted.
_MOST_PARTS = 4


def tied(text: str) -> str:
    """A text whose figures stay on a line with their units."""
    return str(words.tied(text))


def farm_names(visit: Visit) -> dict[str, str]:
    return {r["site_id"]: words.plain(r["name"]) for r in visit.store.rows("sites")}


def what(row: dict) -> str:
    """`Repair strings A-07`."""
    parts = str(row["scope"] or "").split()
    where = "" if parts == ["site"] else " " + " ".join(map(words.plain, parts[:_MOST_PARTS]))
    more = f" and {len(parts) - _MOST_PARTS} more" if len(parts) > _MOST_PARTS else ""
    text = words.job_word(row["job_kind"])
    return f"{text[:1].upper()}{text[1:]}{where}{more}"


def job_link(row: dict, turn: bool = False) -> html.Span:
    """A job with its way to why it is on the list."""
    which = f" ({row['turn']})" if turn and row.get("turn") and row["turn"] != "1 of 1" else ""
    return html.Span([dcc.Link(what(row), href=work_address(row["job_id"])), which])


def work_address(job_id: str) -> str:
    return f"/work/{quote(job_id, safe='')}"


def book_address(ref: int) -> str:
    return f"/jobs/{ref}"


def span(low: Any, high: Any, decimals: int = 0) -> str:
    return "" if low is None or high is None else f"{words.number(low, decimals)} to {words.number(high, decimals)}"


def money_cell(value: float | None) -> str:
    return "" if value is None or value != value else words.number(value)


def with_span(value: float | None, low: float | None, high: float | None) -> str:
    """`2,234 (1,866 to 2,620)`, blank where it is not known."""
    if value is None or value != value:
        return ""
    return words.number(value) + (f" ({span(low, high)})" if low is not None and low == low else "")


def explained(*ids: str) -> html.P:
    """Links to what the words mean."""
    known = entries()
    links: list = []
    for entry in ids:
        links += [", " if links else "", dcc.Link(known[entry].title.lower(), href=f"/handbook/{entry}")]
    return html.P(["Explained in the handbook: ", *links, "."], className="quiet")


def in_day_words(text: str) -> str:
    """A sentence with its dates as people write them."""
    return tied(re.sub(r"\d{4}-\d\d-\d\d", lambda found: words.day(found[0]), words.plain(text)))
