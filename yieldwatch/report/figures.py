"""
The report's figures: tables in, plotly figures out. Nothing here reads a file or knows the page.

A cause keeps its colour and its hatching in every figure, so colour is never the only carrier.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from yieldwatch.constants import CAUSES
from yieldwatch.report import words
from yieldwatch.report.totals import SiteTotal
from yieldwatch.report.words import EnergyUnit

#: Colour and hatching of each cause. Colours: P. Tol, "Colour Schemes", SRON technical note
#: SRON/EPS/TN/09-002, scheme "muted", made to be told apart with any colour vision; its ninth plus
#: a brown and a grey complete the causes. From memory.
CAUSE_STYLE: dict[str, tuple[str, str]] = {
    "soiling": ("#DDCC77", ""),
    "shading": ("#117733", "/"),
    "snow": ("#88CCEE", "."),
    "string_fault": ("#CC6677", "x"),
    "inverter_efficiency": ("#44AA99", "-"),
    "inverter_outage": ("#882255", "\\"),
    "grid_outage": ("#332288", "|"),
    "curtailment": ("#AA4499", "+"),
    "reactive_power": ("#999933", "/"),
    "degradation": ("#8C5A3C", "-"),
    "unexplained": ("#B8BCC2", "x"),
}
#: Mid tones that hold on paper and on a dark screen alike.
NEUTRAL = "#8A9099"
STRONG = "#5B7FB5"
#: Months up to which each has its label.
MOST_MONTH_LABELS = 13
OUTLINE = {"color": "#6B7280", "width": 0.8}


def _base(height: int) -> dict[str, Any]:
    return {
        "height": height,
        "margin": {"l": 64, "r": 12, "t": 12, "b": 40},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "system-ui, sans-serif", "size": 12},
        "legend": {
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": -0.14,
            "yanchor": "top",
            "traceorder": "normal",
        },
        "hovermode": "x unified",
        "bargap": 0.25,
        "template": "none",
    }


def _month_labels(months: Sequence[str]) -> dict[str, str]:
    """
    `Jan<br>2025` by month, the year only where it begins; of long spans the first month of each
    quarter, so that the labels fit a narrow page.
    """
    labels = {}
    for place, month in enumerate(months):
        name, year = words.month_name(month).split()
        if len(months) <= MOST_MONTH_LABELS or name in ("Jan", "Apr", "Jul", "Oct"):
            labels[month] = f"{name}<br>{year}" if place == 0 or name == "Jan" else name
    return labels


def _month_axis(fig: go.Figure, months: Sequence[str]) -> None:
    labels = _month_labels(months)
    fig.update_xaxes(
        type="category",
        categoryorder="array",
        categoryarray=list(months),
        tickvals=list(labels),
        ticktext=list(labels.values()),
        tickangle=0,
    )


def monthly_figure(yields: pd.DataFrame, losses: pd.DataFrame) -> go.Figure:
    """
    Expected and measured energy by month, and below it what was lost, stacked by cause.

    Parameters
    ----------
    yields, losses : DataFrame
        One site's rows of the contract's tables.
    """
    unit = EnergyUnit.fitting(float(yields["expected_kwh"].sum()))
    months = list(yields["month"])
    fig = make_subplots(rows=2, cols=1, shared_xaxes=True, row_heights=[0.5, 0.5], vertical_spacing=0.07)
    measured = yields["measured_kwh"] * unit.per_kwh
    fig.add_bar(
        x=months, y=measured, name="measured", marker={"color": NEUTRAL, "line": OUTLINE}, row=1, col=1
    )
    fig.add_scatter(
        x=months,
        y=yields["expected_kwh"] * unit.per_kwh,
        name="expected",
        mode="markers",
        marker={
            "symbol": "line-ew",
            "size": max(6.0, min(26.0, 330.0 / len(months))),
            "line": {"width": 3, "color": STRONG},
        },
        row=1,
        col=1,
    )
    _stack_causes(fig, months, losses, unit)
    fig.update_layout(**_base(520), barmode="relative")
    fig.update_yaxes(title_text=f"energy [{unit.name} a month]", rangemode="tozero", row=1, col=1)
    fig.update_yaxes(title_text=f"lost [{unit.name} a month]", zeroline=True, row=2, col=1)
    _month_axis(fig, months)
    return fig


def _stack_causes(fig: go.Figure, months: list[str], losses: pd.DataFrame, unit: EnergyUnit) -> None:
    whole = losses["energy_kwh"].abs().sum()
    for cause in CAUSES:
        rows = losses[losses["cause"] == cause].set_index("month")["energy_kwh"].reindex(months)
        # A cause that nowhere reaches a thousandth of the losses would fill the legend, not the picture.
        if not rows.abs().sum() > 1e-3 * whole:
            continue
        colour, hatch = CAUSE_STYLE[cause]
        marker = {"color": colour, "line": OUTLINE, "pattern": _hatching(hatch)}
        fig.add_bar(
            x=months, y=rows * unit.per_kwh, name=words.cause_word(cause), marker=marker, row=2, col=1
        )


def _hatching(shape: str) -> dict[str, Any]:
    """White lines over the colour: seen on the light and the dark ones."""
    return {
        "shape": shape,
        "size": 6,
        "solidity": 0.2,
        "fillmode": "overlay",
        "fgcolor": "#FFFFFF",
        "fgopacity": 0.8,
    }


def cause_figure(total: SiteTotal) -> go.Figure:
    """Energy by cause over the period with 90 % intervals; causes not assessed are left to the words."""
    unit = EnergyUnit.fitting(total.expected_kwh)
    known = [c for c in reversed(total.causes) if c.energy.known]
    values = np.array([c.energy.value for c in known]) * unit.per_kwh
    highs = np.array([c.energy.high for c in known]) * unit.per_kwh
    lows = np.array([c.energy.low for c in known]) * unit.per_kwh
    fig = go.Figure(
        go.Scatter(
            x=values,
            y=[words.cause_word(c.cause) for c in known],
            mode="markers",
            marker={"size": 11, "color": [CAUSE_STYLE[c.cause][0] for c in known], "line": OUTLINE},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": highs - values,
                "arrayminus": values - lows,
                "color": NEUTRAL,
                "thickness": 2,
                "width": 6,
            },
            hovertemplate="%{y}: %{x:,.1f} " + unit.name + "<extra></extra>",
        )
    )
    fig.update_layout(**_base(90 + 30 * len(known)), showlegend=False)
    fig.update_layout(hovermode="closest", margin={"l": 8})
    fig.update_yaxes(automargin=True)
    fig.update_xaxes(title_text=f"lost in the period [{unit.name}]", zeroline=True)
    return fig


def ratio_figure(yields: pd.DataFrame) -> go.Figure:
    """Performance ratio as it was and at 25 °C, with availability and coverage below, by month."""
    months = list(yields["month"])
    fig = make_subplots(rows=2, cols=1, shared_xaxes=True, row_heights=[0.6, 0.4], vertical_spacing=0.09)
    lines = (
        ("performance_ratio", "performance ratio", "solid", "circle", STRONG, 1),
        (
            "performance_ratio_temp_corrected",
            "performance ratio at 25 °C",
            "dash",
            "diamond-open",
            "#CC6677",
            1,
        ),
        ("availability", "availability", "solid", "square", "#882255", 2),
        ("coverage", "coverage", "dot", "x-thin-open", NEUTRAL, 2),
    )
    for column, name, dash, symbol, colour, row in lines:
        fig.add_scatter(
            x=months,
            y=yields[column] * 100.0,
            name=name,
            mode="lines+markers",
            line={"dash": dash, "color": colour, "width": 2},
            marker={"symbol": symbol, "size": 8},
            row=row,
            col=1,
        )
    fig.update_layout(**_base(400))
    fig.update_yaxes(title_text="ratio [%]", row=1, col=1)
    lowest = float(np.nanmin(yields[["availability", "coverage"]].to_numpy(float) * 100.0, initial=95.0))
    fig.update_yaxes(title_text="share [%]", range=[max(0.0, lowest - 5.0), 101.0], row=2, col=1)
    _month_axis(fig, months)
    return fig


def in_hand_figure(totals: Sequence[SiteTotal], currency: str) -> go.Figure:
    """
    Money in the owner's hands by farm: its 90 % interval as a band, and in it what the evidence shows.

    A bar from nil to the estimate would hide that the interval reaches mostly beyond it.
    """
    known = [t for t in reversed(totals) if t.in_hand.money.known]
    money = [t.in_hand.money for t in known]
    # Plotly reads a label as markup; a name is data.
    names = [html.escape(words.plain(t.name)) for t in known]
    band = go.Bar(
        x=[m.high - m.low for m in money],
        y=names,
        base=[m.low for m in money],
        customdata=[m.high for m in money],
        orientation="h",
        name="90 % interval",
        marker={"color": NEUTRAL, "opacity": 0.45},
        hovertemplate="%{y}: " + currency + " %{base:,.0f} to %{customdata:,.0f}<extra></extra>",
    )
    mark = go.Scatter(
        x=[m.value for m in money],
        y=names,
        mode="markers",
        name="shown by the evidence",
        marker={"symbol": "diamond", "size": 11, "color": STRONG, "line": OUTLINE},
        hovertemplate="%{y}: " + currency + " %{x:,.0f}<extra></extra>",
    )
    fig = go.Figure([band, mark])
    fig.update_layout(**_base(120 + 36 * len(known)))
    fig.update_layout(hovermode="closest", bargap=0.55, legend={"y": 1.02, "yanchor": "bottom"}, margin={"t": 40})
    fig.update_xaxes(title_text=f"lost [{currency}]", zeroline=True, rangemode="tozero", separatethousands=True)
    fig.update_yaxes(automargin=True)
    return fig
