"""
Sentences and stated figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from yieldwatch.report.words import NOT_KNOWN


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
    return dcc.Link(shown, href=figure.href, title="; ".join(m for m in more if m), className="figure")


def aria(**names: str) -> dict[str, Any]:
    """What a screen reader needs, `aria(label="Pages")`, to be spread into a component."""
    return {f"aria-{name}": value for name, value in names.items()}


def page_head(title: str, *under: Any) -> html.Div:
    """A page's heading and the line below it."""
    return html.Div([html.H1(title), html.P(list(under), className="under") if under else None])


def sorry(title: str, sentence: str) -> html.Div:
    """A page that has nothing to show says why in a sentence."""
    return html.Div([html.H1(title), html.P(sentence, className="sorry")])
