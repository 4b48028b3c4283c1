"""
What all pages of one farm share: its name, its pages, the period, and the links from a figure to rows and handbook.
"""

from __future__ import annotations

import datetime as dt
import html as html_text
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS
from dashboards.parts.period import Chosen, Losses, Period, chosen, picker
from dashboards.parts.words import Figure, aria, page_head, sorry, stated
from dashboards.store import Store
from dashboards.visit import Content, Visit, address
from yieldwatch.handbook import entries
from yieldwatch.report.totals import Amount
from yieldwatch.report.words import (
    NO_BREAK,
    NOT_KNOWN,
    EnergyUnit,
    bare_span,
    in_day_words,
    money,
    month_name,
    number,
    per_cent,
    plain,
    tied,
)

#: The farm's pages: what follows its address, and the word for it.
PAGES = (
    ("", "Losses"),
    ("shade", "Shade"),
    ("dirt", "Dirt"),
    ("strings", "Strings"),
    ("inverters", "Inverters"),
    ("spells", "Off and held down"),
    ("apart", "What cannot be told apart"),
    ("readings", "Readings and gaps"),
)
#: The page that shows a cause's evidence as a picture.
EVIDENCE_PAGES = {
    "shading": "shade",
    "soiling": "dirt",
    "string_fault": "strings",
    "inverter_efficiency": "inverters",
    "inverter_outage": "spells",
    "grid_outage": "spells",
    "curtailment": "spells",
    "unexplained": "readings",
}


#: From nothing to much, standing out the more on white and on near-black alike.
FADING = [[0.0, "rgba(47,128,194,0.04)"], [0.5, "rgba(47,128,194,0.55)"], [1.0, "rgba(47,128,194,1)"]]


@dataclass(frozen=True)
class Farm:
    """One farm, as a visit found it."""

    visit: Visit
    site: dict[str, Any]
    losses: Losses
    picked: Chosen

    @property
    def id(self) -> str:
        return str(self.site["site_id"])

    @property
    def store(self) -> Store:
        return self.visit.store

    @property
    def period(self) -> Period:
        return self.picked.period

    @property
    def coverage(self) -> str:
        return self.covered(self.period)

    def covered(self, period: Period) -> str:
        """How much of a period was measured, in words; empty where nothing is known of it."""
        share = self.losses.coverage(period)
        return "" if share != share else f"{per_cent(share, 0)} of the expected energy was in measured hours"

    def at(self, page: str = "", **query: object) -> str:
        """A page of this farm, with the same period."""
        return address(f"/farm/{self.id}" + (f"/{page}" if page else ""), **{**self.picked.query(), **query})

    def figure(self, amount: Amount, unit: EnergyUnit, cause: str, period: Period) -> dcc.Link:
        """Lost energy in a sentence, leading to its rows."""
        href = rows_behind("losses", site_id=self.id, cause=cause, **period.bounds())
        span = unit.span(amount)
        return stated(Figure(unit.text(amount.value), href, period.words, "" if span == NOT_KNOWN else span, self.coverage))

    def money_figure(self, amount: Amount, cause: str, period: Period, currency: str) -> dcc.Link:
        href = rows_behind("losses", site_id=self.id, cause=cause, **period.bounds())
        span = bare_span(amount)
        said = money(amount.value, currency, amount.low, amount.high)
        return stated(Figure(said, href, period.words, "" if span == NOT_KNOWN else span, self.coverage))


def change_of(farm: Farm, causes: Sequence[str]) -> Amount:
    """Share of expected energy in the period less that in the other, with its interval; NaN without another."""
    other = farm.picked.against
    if other is None:
        return Amount(float("nan"))
    wholes = farm.losses.expected(farm.period), farm.losses.expected(other)
    if not all(w > 0 for w in wholes):
        return Amount(float("nan"))
    return farm.losses.energy(causes, (farm.period, 1.0 / wholes[0]), (other, -1.0 / wholes[1]))


def change_words(change: Amount) -> str:
    """A change of a share in points, with its interval."""
    if not change.known:
        return NOT_KNOWN
    value, low, high = (signed(100 * v, 1) for v in (change.value, change.low, change.high))
    return f"{value} points ({low} to {high})"


def farm_page(visit: Visit, page: str, title: str, under: str, build: Callable[[Farm], list], by_period: bool = True) -> Content:
    """
    A page of a farm.

    Parameters
    ----------
    build : callable
        A `Farm` to the components below the heading.
    by_period : bool
        Whether the visitor may choose the period.
    """
    site_id = visit.args["site_id"]
    site = visit.store.row("sites", {"site_id": site_id})
    if site is None:
        return sorry("Farm", f"There is no farm {plain(site_id)} in this portfolio.")
    losses = Losses(visit.store, site_id)
    if not losses.yields:
        return sorry(plain(site["name"]), "No month of this farm is assessed yet.")
    farm = Farm(visit, site, losses, chosen(visit, list(losses.yields)))
    return html.Div(
        [
            _pages(farm, page),
            page_head(f"{plain(site['name'])}: {title}", under),
            picker(visit, farm.picked) if by_period else None,
            *build(farm),
        ]
    )


def _pages(farm: Farm, page: str) -> html.Nav:
    return html.Nav(
        html.Ul([html.Li(dcc.Link(word, href=farm.at(name), className="here" if name == page else "")) for name, word in PAGES]),
        className="within no-print",
        **aria(label="Pages of this farm"),
    )


def handbook(*ids: str) -> html.P:
    """Where the method and the words of a page are explained."""
    known = entries()
    links: list = ["Explained in the handbook: "]
    for place, entry in enumerate(ids):
        links += [", "] if place else []
        links.append(dcc.Link(_within_a_sentence(known[entry].title), href=address(f"/handbook/{entry}")))
    return html.P([*links, "."], className="quiet")


def _within_a_sentence(title: str) -> str:
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]


def told(farm: Farm, cause: str) -> list:
    """A cause's evidence in the assessment's own words: the last twelve months of the record."""
    why = farm.store.evidence(farm.id).get(cause)
    if why is None:
        return []
    said = " ".join(said_of(why[k]) for k in ("pattern", "why_not") if why[k])
    link = dcc.Link("All of the evidence", href=farm.at(f"why/{cause}"))
    return [html.P([said[:1].upper() + said[1:], " ", link])] if said else []


def span_words(first: str, last: str) -> str:
    """`Jul 2024 to Jun 2025` for the two months at its ends."""
    return month_name(first) if first == last else f"{month_name(first)} to {month_name(last)}"


def fixed(text: str) -> str:
    """Text that no narrow column breaks, such as a date."""
    return text.replace(" ", NO_BREAK)


def said_of(text: object) -> str:
    """The assessment's own words, with each figure tied to its unit, and dates as people write them."""
    return str(tied(in_day_words(text)))


def noticed(text: object, site_id: str) -> str:
    """A notice as a sentence of its farm's page; the path of a file stays as it is written."""
    said = said_of(text).removeprefix(f"{site_id}: ")
    return said if said.startswith("sites/") else said[:1].upper() + said[1:]


def month_bars(inside: Sequence[bool]) -> dict[str, Any]:
    """Look of bars by month: those of the period filled, the others grey and hatched."""
    return {
        "color": [COLOURS["blue"] if here else COLOURS["grey"] for here in inside],
        "opacity": 0.8,
        "pattern": {
            "shape": ["" if here else "/" for here in inside],
            "fillmode": "overlay",
            "size": 6,
            "solidity": 0.25,
            "fgcolor": "#ffffff",
        },
    }


def wrapped(text: str, width: int = 18) -> str:
    """A label of an axis on several lines, so that a narrow screen keeps room for the picture."""
    return "<br>".join(textwrap.wrap(html_text.escape(text), width))


def shown(key: str, decimals: int, factor: float = 1.0) -> Callable[[dict], str]:
    """For a table's column: a number, blank where it is missing."""
    return lambda row: "" if row[key] is None else number(factor * row[key], decimals)


def signed(value: float | None, decimals: int = 0) -> str:
    """A difference with its sign; blank where it is missing."""
    return "" if value is None else ("+" if round(value, decimals) > 0 else "") + number(value, decimals)


def date_axis(start: str, step_days: int, count: int) -> list[str]:
    """The days of a series that keeps its first only."""
    first = dt.date.fromisoformat(start)
    return [(first + dt.timedelta(days=step_days * k)).isoformat() for k in range(count)]


def within(days: Sequence[str], period: Period) -> list[int]:
    """Places of the days that lie in a period."""
    first, last = period.days()
    return [k for k, day in enumerate(days) if first <= day <= last]


def nothing(sentence: str) -> html.P:
    """Why a picture is not there."""
    return html.P(sentence, className="lacking")
