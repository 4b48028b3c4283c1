"""
One farm's shade: what is missing, by where the sun stood, with the outline of what casts it.
"""

from __future__ import annotations

import datetime as dt
import re

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, DASHES, chart, layout
from dashboards.parts.farm import FADING, Farm, farm_page, handbook, nothing, shown, told
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import day, number, per_cent, plain

#: Share of the direct light at which the colour is full. [%]
_FULL = 60.0
#: Hours behind a bin from which its figure is written into it, and least missing that is.
_SURE_HOURS, _TOLD = 4, 10.0
#: Rows of the table below the picture, the largest first: more would make the page slow.
_MOST_ROWS = 30


def build(visit: Visit) -> Content:
    return farm_page(
        visit, "shade", "shade", "What is missing of the direct light, by where the sun stood.", _page, by_period=False
    )


def _page(farm: Farm) -> list:
    names = farm.store.items(farm.id, "sun_position")
    if not names:
        return [
            *told(farm, "shading"),
            nothing(
                "There is no picture: it takes an interval log of the inverters and weather over the same time. "
                "Without one, only what "
                "rounds saw in shade is known."
            ),
        ]
    pictures = {n: p for n in names if (p := farm.store.picture(farm.id, "sun_position", n)) is not None}
    shaded = [n for n in names if pictures[n].about["shaded"]]
    name = farm.visit.query.get("inverter", "")
    name = name if name in pictures else (shaded or names)[0]
    left = (farm.site["inverters"] or 0) - len(names)
    parts: list = [
        *told(farm, "shading"),
        html.Nav([html.P(["Inverter: ", *_links(farm, pictures, name)])], **aria(label="Inverters")),
        *_picture(farm, name, pictures[name]),
    ]
    if left > 0:
        parts.append(html.P(f"{left} inverters that lack less, or have no usable hours, are not drawn.", className="quiet"))
    return [*parts, *_outlines(farm), handbook("shading", "shading-method", "obstacles", "irradiance", "cut_vegetation")]


def _links(farm: Farm, pictures: dict[str, Drawn], here: str) -> list:
    out: list = []
    for name, drawn in pictures.items():
        word = plain(name) + (" (shaded)" if drawn.about["shaded"] else "")
        out += [" · "] if out else []
        out.append(html.B(word) if name == here else dcc.Link(word, href=farm.at("shade", inverter=name)))
    return out


def _picture(farm: Farm, name: str, drawn: Drawn) -> list:
    c, about = drawn.columns, drawn.about
    rows = [dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)]
    old = farm.visit.query.get("year") == "before" and about["hours_before"] > 0
    bins = {
        "type": "heatmap",
        "x": c["azimuth_deg"],
        "y": c["elevation_deg"],
        "z": c["before_pct" if old else "missing_pct"],
        "zmin": 0,
        "zmax": _FULL,
        "colorscale": FADING,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {"title": {"text": "missing [%]", "side": "right"}, "thickness": 12, "outlinewidth": 0},
        "customdata": [[r["quarter_low_pct"], r["quarter_high_pct"], r["hours"]] for r in rows],
        "hovertemplate": "azimuth %{x}°, height %{y}°: %{z} % missing<br>middle half %{customdata[0]} to %{customdata[1]} %, "
        "%{customdata[2]} h<extra></extra>",
    }
    strong = [r for r in rows if r["missing_pct"] >= _TOLD and r["hours"] >= _SURE_HOURS]
    figures: dict = {
        "type": "scatter",
        "mode": "text",
        "x": [r["azimuth_deg"] for r in strong],
        "y": [r["elevation_deg"] for r in strong],
        "text": ["" if old else number(r["missing_pct"]) for r in strong],
        "textfont": {"size": 11},
        "hoverinfo": "skip",
        "showlegend": False,
    }
    traces = [bins, *_paths(farm), *_outline(farm, name), figures]
    shape = layout(
        "sun azimuth, clockwise from north [°]", "height of the sun [°]", 460, yaxis={"rangemode": "tozero"}, xaxis={"dtick": 30}
    )
    worst = max(strong, key=lambda r: r["missing_pct"] * r["hours"], default=None)
    said = (
        "nowhere is a tenth of the direct light missing for certain"
        if worst is None
        else f"most is missing at azimuth {_bin(worst['azimuth_deg'], about['azimuth_step'])} and height "
        f"{_bin(worst['elevation_deg'], about['elevation_step'])}: "
        f"{number(worst['missing_pct'])} % (middle half {number(worst['quarter_low_pct'])} to "
        f"{number(worst['quarter_high_pct'])} %, {number(worst['hours'])} hours)"
    )
    columns = [
        Column("azimuth_deg", "Azimuth [°]", lambda r: number(r["azimuth_deg"], 1), number=True),
        Column("elevation_deg", "Height [°]", lambda r: number(r["elevation_deg"]), number=True),
        Column("missing_pct", "Missing [%]", lambda r: number(r["missing_pct"], 1), number=True),
        Column(
            "quarter",
            "Middle half [%]",
            lambda r: f"{number(r['quarter_low_pct'], 1)} to {number(r['quarter_high_pct'], 1)}",
            number=True,
        ),
        Column(
            "before_pct", "Year before [%]", lambda r: "" if r["before_pct"] is None else number(r["before_pct"], 1), number=True
        ),
        Column("hours", "Hours", lambda r: number(r["hours"]), number=True),
    ]
    caption = (
        f"{plain(name)}: share of the direct light that is missing [%] once all other causes are taken off; median of each "
        f"15° by 4° of the sky, {day(about['from'])} to {day(about['to'])}, {number(about['hours'])} hours in which direct light "
        f"was over 40 %; {per_cent(about['coverage'], 0)} of such hours could be used. Numbers stand where a tenth or more is "
        f"missing in {_SURE_HOURS} hours or more. Over 100 %, light of the sky is missing as well; below nil there was more than "
        f"the model has. Lines: the sun's way on three days. The table has the {_MOST_ROWS} largest."
    )
    if old:
        caption = (
            f"{plain(name)}: the same over the twelve months before {day(about['from'])}, "
            f"{number(about['hours_before'])} hours, in the "
            "bins that the last twelve months have; blank where nothing was seen then."
        )
    turn = farm.at("shade", inverter=name, year=None if old else "before")
    other = [
        html.P(
            dcc.Link("Show the last twelve months" if old else "Show the twelve months before", href=turn), className="no-print"
        )
    ]
    return [
        html.P(f"For {plain(name)}, {said}."),
        *(other if about["hours_before"] else []),
        chart(
            "sun-before" if old else "sun",
            traces,
            shape,
            caption,
            f"Map of missing direct light over the sky for {plain(name)}: {said}.",
            columns,
            sorted(rows, key=lambda r: -abs(r["missing_pct"]))[:_MOST_ROWS],
        ),
    ]


def _bin(middle: float, step: float) -> str:
    return f"{number(middle - step / 2)} to {number(middle + step / 2)}°"


def _paths(farm: Farm) -> list[dict]:
    drawn = farm.store.picture(farm.id, "sun_path")
    if drawn is None:
        return []
    out = []
    for place, name in enumerate(dict.fromkeys(drawn.columns["day"])):
        at = [k for k, d in enumerate(drawn.columns["day"]) if d == name]
        out.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "hoverinfo": "skip",
                "x": [drawn.columns["azimuth_deg"][k] for k in at],
                "y": [drawn.columns["elevation_deg"][k] for k in at],
                "line": {"color": COLOURS["grey"], "width": 1.5, "dash": DASHES[place % len(DASHES)]},
            }
        )
    return out


def _obstacles(farm: Farm) -> list[dict]:
    rows = farm.store.rows("obstacles", {"site_id": farm.id}) if farm.store.has("obstacles") else []
    return sorted((r for r in rows if r["height_deg"] is not None), key=lambda r: (r["inverter_id"], r["azimuth_from_deg"]))


def _outline(farm: Farm, inverter: str) -> list[dict]:
    """The skyline that the fit found for this inverter, and its interval; without an upper bound it is a least height."""
    rows = [r for r in _obstacles(farm) if r["inverter_id"] == inverter]
    if not rows:
        return []
    x = [v for r in rows for v in (r["azimuth_from_deg"], r["azimuth_to_deg"], None)]

    def line(key: str, name: str, width: float, **more: object) -> dict:
        y = [v for r in rows for v in (r[key], r[key], None)]
        return {
            "type": "scatter",
            "mode": "lines",
            "x": x,
            "y": y,
            "connectgaps": False,
            "name": name,
            "hoverinfo": "y",
            "line": {"color": COLOURS["orange"], "width": width, **more},
        }

    bounds = [line("height_low_deg", "its 90 % interval", 1.5, dash="dot"), line("height_high_deg", "", 1.5, dash="dot")]
    bounds[1]["showlegend"] = False
    return [line("height_deg", "outline of the obstacle", 4), *bounds]


def _outlines(farm: Farm) -> list:
    if not farm.store.has("obstacles"):
        return []
    rows = _obstacles(farm)
    if not rows:
        return [html.H2("What casts it"), html.P("No obstacle stands out of the scatter, so no outline is drawn.")]
    columns = [
        Column("inverter_id", "Inverter", lambda r: plain(r["inverter_id"])),
        Column(
            "azimuth", "Bearing [°]", lambda r: f"{number(r['azimuth_from_deg'])} to {number(r['azimuth_to_deg'])}", number=True
        ),
        Column("height", "Top (90 % interval) [°]", _height, number=True),
        Column("rise", "Rises for each 10 m away [m]", shown("rise_per_10_m", 1), number=True),
        Column("beam", "Direct light lost below it [%]", shown("beam_lost_pct", 0), number=True),
        Column("energy", "Lost energy [kWh]", shown("energy_kwh", 0), number=True),
        Column("months", "Mostly in", lambda r: _months(r["months"])),
    ]
    return [
        html.H2("What casts it"),
        grid(
            columns,
            rows,
            f"Outline of what stands there, as the most shaded string sees it, {day(rows[0]['from'])} to {day(rows[0]['to'])}",
        ),
        html.P(dcc.Link("The rows", href=rows_behind("obstacles", site_id=farm.id))),
    ]


def _height(row: dict) -> str:
    low, high = row["height_low_deg"], row["height_high_deg"]
    if high is None:
        return f"{number(row['height_deg'])} or more (from {number(low)})"
    return f"{number(row['height_deg'])} ({number(low)} to {number(high)})"


def _months(text: str | None) -> str:
    """Month names of "10 11 12"."""
    numbers = [int(n) for n in re.findall(r"\d+", str(text or "")) if 1 <= int(n) <= 12]
    return ", ".join(dt.date(2000, n, 1).strftime("%b") for n in numbers)


PAGE = Page("/farm/<site_id>/shade", "Shade", build)
