"""
Pictures: one look for all, with a caption, a text alternative and the figures as a table.

Figures are plain dicts, since checking every property takes longer than all else on a page. Texts, grid and axes take their
colour from the style sheet, so that one figure serves light, dark and paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from dash import dcc, html

from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria
from yieldwatch.report.words import tied

#: Colours that stay apart for colour-blind readers (after Okabe and Ito, "Color Universal Design", 2008), set to stand out from
#: white and from near-black alike. Dashes and symbols carry the same. Orange is what is in our hands, and nothing else.
COLOURS = {
    "blue": "#2f80c2", "green": "#12906a", "purple": "#b5618f", "sky": "#3a9bd0", "red": "#d1602a", "grey": "#7d858c",
    "orange": "#c77700",
}
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "x")
_INK = "#7d858c"


class PeriodLook(NamedTuple):
    """How a period is drawn on every page."""

    colour: str
    dash: str
    symbol: str


#: The period that a page shows, and the one that it is held against.
PERIOD_LOOKS = (
    PeriodLook(COLOURS["blue"], DASHES[0], SYMBOLS[0]),
    PeriodLook(COLOURS["green"], DASHES[2], f"{SYMBOLS[2]}-open"),
)
_FONT = {"family": "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif", "size": 13, "color": _INK}


def layout(x: str = "", y: str = "", height: int = 320, **more: Any) -> dict:
    """A figure's layout with axis titles, which carry the unit."""
    axis = {"gridcolor": "rgba(125,133,140,0.25)", "zerolinecolor": "rgba(125,133,140,0.6)", "linecolor": _INK,
            "automargin": True, "separatethousands": True, "exponentformat": "none"}
    base: dict[str, Any] = {
        "height": height, "font": _FONT, "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)",
        "margin": {"l": 8, "r": 8, "t": 12, "b": 8}, "xaxis": {**axis, "title": {"text": x}},
        "yaxis": {**axis, "title": {"text": y}}, "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        "hoverlabel": {"font": {"family": _FONT["family"]}}, "colorway": list(COLOURS.values()), "bargap": 0.25,
    }
    for name, value in more.items():
        base[name] = {**base[name], **value} if isinstance(value, dict) and isinstance(base.get(name), dict) else value
    return base


def interval(values: Sequence, lows: Sequence, highs: Sequence) -> dict:
    """Error bars from the ends of an interval, for a trace's `error_x` or `error_y`."""
    def gap(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else max(0.0, a - b)

    return {"type": "data", "symmetric": False, "thickness": 1.2, "width": 3, "color": _INK,
            "array": [gap(h, v) for v, h in zip(values, highs, strict=True)],
            "arrayminus": [gap(v, lo) for v, lo in zip(values, lows, strict=True)]}


def numbered(words: str) -> html.Span:
    """Words of a caption about the numbers in a picture, left out where the style sheet has no room for the numbers."""
    return html.Span(tied(words), className="roomy")


def chart(name: str, traces: list[dict], figure_layout: dict, caption: Any, alternative: str,
          columns: Sequence[Column] = (), rows: Sequence[dict] = (), topic: str = "", box: dict | None = None) -> html.Figure:
    """
    A picture.

    Parameters
    ----------
    name : str
        Unique on its page.
    caption : str or list of components
        What is shown, with unit, period, coverage and interval.
    alternative : str
        What somebody who cannot see it needs to know.
    columns, rows
        The figures behind it, folded away below.
    topic : str
        Of the handbook, that says how the figures come about.
    box : dict, optional
        Style of what holds the picture, where its height follows from its width, as of a plan that is true to scale.
    """
    style = {"height": f"{figure_layout['height']}px", **(box or {})}
    graph = dcc.Graph(id=f"chart-{name}", figure={"data": traces, "layout": figure_layout}, responsive=True, style=style,
                      config={"displayModeBar": False, "scrollZoom": False})
    parts: list = [html.Div(graph, role="img", className="picture", **aria(label=alternative)),
                   html.Figcaption([tied(part) for part in caption] if isinstance(caption, list) else tied(caption))]
    if topic:
        parts.append(html.P(dcc.Link("How this is worked out", href=f"/handbook/{topic}"), className="quiet"))
    if columns and rows:
        parts.append(html.Details([html.Summary("The figures as a table"), grid(columns, rows, alternative)]))
    return html.Figure(parts)
