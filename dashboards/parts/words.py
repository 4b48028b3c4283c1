"""
Sentences and stated figures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from yieldwatch.report.totals import Amount
from yieldwatch.report.words import NOT_KNOWN, EnergyUnit, bare_span, tied
from yieldwatch.report.words import money as money_text


@dataclass(frozen=True)
class Figure:
    """
    A figure that carries all that makes it one.

    Attributes
    ----------
    text : str
        With its unit, such as "GBP 2,280".
    span : str
        Its 90 % interval, "1,900 to 2,700"; empty where it was read and not estimated.
    period, coverage : str
        "Jun 2025"; "98 % of the month measured".
    href : str
        Where the rows are that it came from.
    """

    text: str
    href: str
    period: str
    span: str = ""
    coverage: str = ""


def stated(figure: Figure) -> dcc.Link:
    """A figure in a sentence, as a link to what stands behind it."""
    shown = figure.text + (f" ({figure.span})" if figure.span and figure.text != NOT_KNOWN else "")
    more = [figure.period, "90 % interval in brackets" if figure.span else "", figure.coverage, "opens the rows behind it"]
    return dcc.Link(tied(shown), href=figure.href, title="; ".join(m for m in more if m), className="figure")


def energy(row: Mapping[str, Any], name: str, href: str, period: str, coverage: str = "") -> Figure:
    """
    A row's energy as a figure.

    Parameters
    ----------
    name : str
        Of the column without its unit: "in_hand" for in_hand_kwh, and its bounds in_hand_low_kwh, in_hand_high_kwh if there are.
    """
    value, low, high = (_number(row.get(f"{name}{end}_kwh")) for end in ("", "_low", "_high"))
    unit = EnergyUnit.fitting(low, value, high)
    span = unit.span(Amount(value, low, high))
    return Figure(unit.text(value), href, period, "" if span == NOT_KNOWN else span, coverage)


def money(row: Mapping[str, Any], name: str, currency: str, href: str, period: str, coverage: str = "") -> Figure:
    """A row's money as a figure; bounds, if any, in columns of the same name with _low and _high."""
    value, low, high = (_number(row.get(f"{name}{end}")) for end in ("", "_low", "_high"))
    span = bare_span(Amount(value, low, high))
    return Figure(money_text(value, currency, low, high), href, period, "" if span == NOT_KNOWN else span, coverage)


def _number(value: object) -> float:
    return math.nan if value is None else float(value)  # type: ignore[arg-type]


def joined(parts: Sequence[Any]) -> list:
    """Components with commas and a last "and" between them."""
    out: list = []
    for place, part in enumerate(parts):
        out += ([" and " if place == len(parts) - 1 else ", "] if place else []) + [part]
    return out


def aria(**names: str) -> dict[str, Any]:
    """What a screen reader needs, `aria(label="Pages")`, to be spread into a component."""
    return {f"aria-{name}": value for name, value in names.items()}


def page_head(title: str, *under: Any) -> html.Div:
    """A page's heading and the line below it."""
    return html.Div([html.H1(title), html.P([tied(part) for part in under], className="under") if under else None])


def lead(said: str | Sequence[Any]) -> html.P:
    """A page's first sentences, with each figure on a line with its unit."""
    return html.P([tied(part) for part in ([said] if isinstance(said, str) else said)], className="lead")


def sorry(title: str, sentence: str) -> html.Div:
    """A page that has nothing to show says why in a sentence."""
    return html.Div([html.H1(title), html.P(sentence, className="sorry")])
