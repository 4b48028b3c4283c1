"""
Where a plan's visits go: the farms on a plane, and how far apart they are.
"""

from __future__ import annotations

import math

from dash import dcc, html

from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.tables import Column, paged_grid
from dashboards.parts.work import money_cell
from dashboards.visit import Visit
from yieldwatch.report.words import number, plain

#: Kilometres of a degree of latitude: a quarter of the Earth's meridian is 10,002 km.
_KM_PER_DEGREE = 10_002.0 / 90.0
#: Width of the plane on the narrowest screen, a letter's width and height, and a disc's radius, about. [pixels]
_NARROW, _LETTER, _LINE, _DISC = 230.0, 7.0, 16.0, 18.0


def on_a_map(here: Visit, planned: list[dict], currency: str) -> list:
    """
    Where the visits go, as a chart and a table.

    Parameters
    ----------
    planned : list of dict
        The plan's rows of visits, without desk work.
    """
    sites = [r for r in here.store.rows("sites") if r["latitude"] is not None]
    if not sites:
        return [html.P("No farm has coordinates.")]
    middle = sum(s["latitude"] for s in sites) / len(sites), sum(s["longitude"] for s in sites) / len(sites)
    by_site: dict[str, list[dict]] = {}
    for visit in planned:
        by_site.setdefault(visit["site_id"], []).append(visit)
    for site in sites:
        site["north"], site["east"] = _km(middle, (site["latitude"], site["longitude"]))
        of = by_site.get(site["site_id"], [])
        site |= {"visits": len(of), "crew_days": sum(v["crew_days"] for v in of), "cost": sum(v["cost"] for v in of)}
    visited = [s for s in sites if s["visits"]]

    def nearest(site: dict) -> str:
        others = [(math.dist(_km((site["latitude"], site["longitude"]), (o["latitude"], o["longitude"])), (0, 0)), o)
                  for o in visited if o is not site]
        away, other = min(others, key=lambda pair: pair[0]) if others else (0.0, None)
        return f"{plain(other['name'])}, {number(away)} km" if other else "none"

    largest = max(s["crew_days"] for s in visited)
    named = len(sites) <= 25
    east = [s["east"] for s in sites]
    # A name reaches beyond its mark to either side.
    beside = 0.3 * (max(east) - min(east)) or 1.0
    sides = _sides(sites, (max(east) - min(east) + 2 * beside) / _NARROW) if named else {}
    traces = [{
        "type": "scatter", "mode": "markers+text" if named else "markers", "name": name, "x": [s["east"] for s in of],
        "y": [s["north"] for s in of], "text": [plain(s["name"]) for s in of],
        "textposition": [sides.get(s["site_id"], "top center") for s in of], "cliponaxis": False,
        "hovertemplate": "%{text}<extra></extra>",
        "marker": {"symbol": symbol, "color": COLOURS[colour], "size": [12 + 24 * s["crew_days"] / largest for s in of]}}
        for name, of, symbol, colour in (("visited", visited, "circle", "blue"),
                                         ("not visited", [s for s in sites if not s["visits"]], "x-thin-open", "grey")) if of]
    columns = [
        Column("name", "Farm", lambda r: dcc.Link(plain(r["name"]), href=f"/farm/{r['site_id']}")),
        Column("visits", "Visits", lambda r: number(r["visits"]), number=True),
        Column("crew_days", "Crew days", lambda r: number(r["crew_days"], 1), number=True),
        Column("cost", f"Cost of visits [{currency}]", lambda r: money_cell(r["cost"]), number=True),
        Column("near", "Nearest other visited farm", nearest),
        Column("latitude", "Position", _position),
    ]
    ordered = sorted(visited, key=lambda s: -s["crew_days"])
    figure = layout(x="km east of the middle", y="km north of the middle", height=460, showlegend=len(traces) > 1,
                    yaxis={"scaleanchor": "x", "scaleratio": 1}, margin={"t": 30, "r": 40},
                    xaxis={"range": [min(east) - beside, max(east) + beside]})
    return [
        chart("map", traces, figure, "Where the plan goes: the larger the disc, the more crew days. Straight distances, on a "
              "plane through the middle of all farms; roads are longer.",
              "Where the plan goes. The table below says how far apart the farms are."),
        paged_grid(here, columns, ordered, "Farms visited, most crew days first; straight distances", "map"),
    ]


def _sides(sites: list[dict], km_per_pixel: float) -> dict[str, str]:
    """On which side of its disc each farm's name stands: above, or below where another's name stands there already."""
    taken: list[tuple[float, float, float]] = []
    out = {}
    for site in sorted(sites, key=lambda s: (-s["north"], s["east"])):
        x, y, half = site["east"] / km_per_pixel, site["north"] / km_per_pixel, len(plain(site["name"])) * _LETTER / 2
        free = [(side, up) for side, up in (("top center", _DISC), ("bottom center", -_DISC))
                if not any(abs(x - u) < half + h and abs(y + up - v) < _LINE for u, v, h in taken)]
        side, up = free[0] if free else ("top center", _DISC)
        taken.append((x, y + up, half))
        out[site["site_id"]] = side
    return out


def _position(row: dict) -> str:
    north, east = ("N" if row["latitude"] >= 0 else "S"), ("E" if row["longitude"] >= 0 else "W")
    return f"{abs(row['latitude']):.3f}° {north}, {abs(row['longitude']):.3f}° {east}"


def _km(origin: tuple[float, float], place: tuple[float, float]) -> tuple[float, float]:
    """North and east of an origin, on a plane. [km]"""
    shrink = math.cos(math.radians((origin[0] + place[0]) / 2))
    return (place[0] - origin[0]) * _KM_PER_DEGREE, (place[1] - origin[1]) * _KM_PER_DEGREE * shrink
