"""
One farm's shade: what is missing, by where the sun stood, with the outline of what casts it.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts.charts import COLOURS, DASHES, chart, layout
from dashboards.parts.farm import FADING, Farm, farm_page, handbook, nothing, told
from dashboards.parts.tables import Column
from dashboards.parts.words import aria
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import day, number, per_cent, plain

#: Share of the direct light at which the colour is full. [%]
_FULL = 60.0
#: Hours behind a bin from which its figure is written into it, and least missing that is.
_SURE_HOURS, _TOLD = 4, 10.0


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
    return [*parts, *_outlines(farm), handbook("shading", "shading-method", "irradiance", "cut_vegetation")]


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
        f"{number(worst['quarter_high_pct'])} %, {worst['hours']} hours)"
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
        f"15° by 4° of the sky, {day(about['from'])} to {day(about['to'])}, {about['hours']:,} hours in which direct light "
        f"was over 40 %; {per_cent(about['coverage'], 0)} of such hours could be used. Numbers stand where a tenth or more is "
        f"missing in {_SURE_HOURS} hours or more. Over 100 %, light of the sky is missing as well; below nil there was more than "
        "the model has. Lines: the sun's way on three days."
    )
    if old:
        caption = (
            f"{plain(name)}: the same over the twelve months before {day(about['from'])}, "
            f"{about['hours_before']:,} hours, in the "
            "bins that the last twelve months have; blank where nothing was seen then."
        )
    turn = farm.at("shade", inverter=name, year=None if old else "before")
    other = [html.P(dcc.Link("Show the last twelve months" if old else "Show the twelve months before", href=turn))]
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
            rows,
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
    return farm.store.rows("obstacles", {"site_id": farm.id}) if farm.store.has("obstacles") else []


def _outline(farm: Farm, inverter: str) -> list[dict]:
    """The skyline that the fit found for this inverter, and its interval."""
    rows = sorted((r for r in _obstacles(farm) if r["inverter_id"] == inverter), key=lambda r: r["azimuth_from_deg"])
    if not rows:
        return []
    x = [v for r in rows for v in (r["azimuth_from_deg"], r["azimuth_to_deg"], None)]

    def heights(key: str) -> list:
        return [v for r in rows for v in (r[key], r[key], None)]

    line = {"type": "scatter", "mode": "lines", "x": x, "connectgaps": False}
    return [
        {**line, "y": heights("height_deg"), "name": "outline of the obstacle", "line": {"color": COLOURS["orange"], "width": 4}},
        {
            **line,
            "y": heights("height_low_deg"),
            "name": "its 90 % interval",
            "legendgroup": "i",
            "line": {"color": COLOURS["orange"], "width": 1.5, "dash": "dot"},
        },
        {
            **line,
            "y": heights("height_high_deg"),
            "showlegend": False,
            "legendgroup": "i",
            "line": {"color": COLOURS["orange"], "width": 1.5, "dash": "dot"},
        },
    ]


def _outlines(farm: Farm) -> list:
    if not farm.store.has("obstacles"):
        return []
    rows = _obstacles(farm)
    if not rows:
        return [html.P("No obstacle was found whose outline could be told.")]
    return [
        html.H2("What casts it"),
        html.Ul(
            [
                html.Li(
                    f"{plain(r['inverter_id'])}: from azimuth {number(r['azimuth_from_deg'])}° to "
                    f"{number(r['azimuth_to_deg'])}°, "
                    f"{number(r['height_deg'])}° high as seen from the modules ({number(r['height_low_deg'])} to "
                    f"{number(r['height_high_deg'])}°)."
                )
                for r in rows
            ],
            className="plain",
        ),
    ]


PAGE = Page("/farm/<site_id>/shade", "Shade", build)
