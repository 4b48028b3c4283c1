"""
What the planner's pages share: jobs in words, and links between them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any
from urllib.parse import quote

from dash import dcc, html

from dashboards.store import Store
from dashboards.visit import Visit
from yieldwatch.book.facts import Job
from yieldwatch.errors import BookError
from yieldwatch.handbook import entries
from yieldwatch.report import job_lists, words

#: Identifiers of a scope that are shown before the rest is counted.
_MOST_PARTS = 4
#: Farms up to which a form lists them.
MOST_OFFERED = 200


def tied(text: str) -> str:
    """A text whose figures stay on a line with their units."""
    return str(words.tied(text))


def farm_names(visit: Visit) -> dict[str, str]:
    """Every farm's name by its identifier; not to be changed."""
    return _names(visit.store, visit.store.version())


@lru_cache(maxsize=2)
def _names(store: Store, version: tuple[int, int]) -> dict[str, str]:
    """Kept until another store stands there."""
    return {r["site_id"]: words.plain(r["name"]) for r in store.rows("sites", columns=("site_id", "name"))}


def farm_choice(names: dict[str, str], now: str) -> html.Label:
    """A field of a form for one farm or all; a list of very many would be as slow to send as to read."""
    if len(names) > MOST_OFFERED:
        return html.Label(["Farm (its identifier) ", dcc.Input(type="text", name="site", value=now)])
    options = [html.Option("all farms", value=""), *(
        html.Option(text, value=key, selected="selected" if key == now else None) for key, text in names.items())]
    return html.Label(["Farm", html.Select(options, name="site")])


def what(row: dict) -> str:
    """`Repair strings A-07`."""
    parts = str(row["scope"] or "").split()
    where = "" if parts == ["site"] else " " + " ".join(map(words.plain, parts[:_MOST_PARTS]))
    more = f" and {len(parts) - _MOST_PARTS} more" if len(parts) > _MOST_PARTS else ""
    text, of = words.job_word(row["job_kind"], row.get("cause")), words.looked_for(row["job_kind"], row.get("cause"))
    return f"{text[:1].upper()}{text[1:]}{where}{more}{of}"


def job_link(row: dict, turn: bool = False) -> html.Span:
    """A job with its way to why it is on the list."""
    which = f" ({row['turn']})" if turn and row.get("turn") and row["turn"] != "1 of 1" else ""
    return html.Span([dcc.Link(what(row), href=work_address(row["job_id"])), which])


def work_address(job_id: str) -> str:
    return f"/work/{quote(job_id, safe='')}"


def book_address(ref: int) -> str:
    return f"/jobs/{ref}"


def named(job: Job, names: dict[str, str]) -> str:
    """`Repair strings at Drumlin Hollow: INV2.3.1 (string faults)`."""
    return job_lists.title(job, names)


def standing(visit: Visit) -> tuple[dict[int, str], list]:
    """Where each listed job stands now, by its number; where the book cannot be read, none, and the paragraph that says so."""
    if "job_ref" not in visit.store.columns("work_list"):
        return {}, []
    try:
        return visit.place.jobs.stand(), []
    except BookError as err:
        return {}, [html.P("Where jobs stand now is not known, so those done or turned down since the assessment are still "
                           f"among these: {words.plain(err)}", className="sorry", role="alert")]


def span(low: Any, high: Any, decimals: int = 0) -> str:
    return "" if low is None or high is None else f"{words.number(low, decimals)} to {words.number(high, decimals)}"


def money_cell(value: float | None) -> str:
    return "" if value is None or value != value else words.number(value)


def with_span(value: float | None, low: float | None, high: float | None) -> str:
    """`2,234 (1,866 to 2,620)`, blank where it is not known."""
    if value is None or value != value:
        return ""
    return words.number(value) + (f" ({span(low, high)})" if low is not None and low == low else "")


def days_limit(days: float | None) -> str:
    """`4.5 crew days` as they may be spent."""
    return "no limit on crew days" if days is None else f"{days:g} crew day{'' if days == 1 else 's'}"


def once(kind: str, gain: str) -> str:
    """A gain in a column of sums a year, with a word where it does not come again."""
    return f"{gain} once" if gain and kind == "claim" else gain


def explained(*ids: str) -> html.P:
    """Links to what the words mean."""
    known = entries()
    links: list = []
    for entry in ids:
        links += [", " if links else "", dcc.Link(known[entry].title.lower(), href=f"/handbook/{entry}")]
    return html.P(["Explained in the handbook: ", *links, "."], className="quiet")


def in_day_words(text: str) -> str:
    """A sentence with its dates as people write them."""
    return tied(words.in_day_words(text))
