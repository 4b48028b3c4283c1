"""
What casts a farm's shade: its outline on a picture of the sky, and how much of it to cut.
"""

from __future__ import annotations

import math
import re
from typing import Any

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS
from dashboards.parts.farm import Farm, shown
from dashboards.parts.pick import form
from dashboards.parts.tables import Column, grid
from dashboards.visit import Visit
from yieldwatch.report.words import EnergyUnit, day, months_in_words, number, plain

#: Distance of an obstacle that nobody has told, and the farthest. [m]
_AWAY, _FARTHEST = 10.0, 500.0


def obstacles(farm: Farm) -> list[dict]:
    """The rows of `obstacles.csv` with a height, by inverter and bearing."""
    rows = farm.store.rows("obstacles", {"site_id": farm.id}) if farm.store.has("obstacles") else []
    return sorted((r for r in rows if r["height_deg"] is not None), key=lambda r: (r["inverter_id"], r["azimuth_from_deg"]))


def outline(farm: Farm, inverter: str) -> list[dict]:
    """The skyline that the fit found for this inverter, and its interval; without an upper bound it is a least height."""
    rows = [r for r in obstacles(farm) if r["inverter_id"] == inverter]
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
            "line": {"color": COLOURS["green"], "width": width, **more},
        }

    bounds = [line("height_low_deg", "its 90 % interval", 1.5, dash="dot"), line("height_high_deg", "", 1.5, dash="dot")]
    bounds[1]["showlegend"] = False
    return [line("height_deg", "outline of the obstacle", 4), *bounds]


def outlines_table(farm: Farm) -> list:
    """What casts the shade, in degrees and, for a distance that the visitor gives, in metres to cut."""
    if not farm.store.has("obstacles"):
        return []
    rows = obstacles(farm)
    if not rows:
        return [html.H2("What casts it"), html.P("No obstacle stands out of the scatter, so no outline is drawn.")]
    away = _away(farm.visit)
    unit = EnergyUnit.fitting(sum(r["energy_kwh"] or 0.0 for r in rows))

    def metres(height: str, below: str = "") -> Any:
        def said(row: dict) -> str:
            tops = [_rise(row[f"{height}{end}_deg"], away) for end in ("", "_low", "_high")]
            base = _rise(row[below], away) if below else 0.0
            value, low, high = (None if top is None or base is None else max(0.0, top - base) for top in tops)
            if value is None:
                return ""
            return (
                f"{number(value, 1)} or more (from {number(low, 1)})"
                if high is None
                else (f"{number(value, 1)} ({number(low, 1)} to {number(high, 1)})")
            )

        return said

    columns = [
        Column("inverter_id", "Inverter", lambda r: plain(r["inverter_id"])),
        Column(
            "azimuth", "Bearing [°]", lambda r: f"{number(r['azimuth_from_deg'])} to {number(r['azimuth_to_deg'])}", number=True
        ),
        Column("height", "Top (90 % interval) [°]", _height, number=True),
        Column("whole", "Above the string [m]", metres("height"), number=True),
        Column("half", "To cut for half of it back [m]", metres("height", "half_height_deg"), number=True),
        Column("beam", "Direct light lost below it [%]", shown("beam_lost_pct", 0), number=True),
        Column("energy", f"Lost [{unit.name}]", shown("energy_kwh", unit.decimals, unit.per_kwh), number=True),
        Column("months", "Bites in", lambda r: months_in_words(r["months"])),
    ]
    field = html.Label(
        [
            "It stands so many metres away ",
            dcc.Input(type="number", name="away", value=number(away), min=1, max=_FARTHEST, step=1),
        ]
    )
    return [
        html.H2("What casts it"),
        html.P(
            "Angles are known from the light alone; metres follow from how far away it stands, which a look on the ground tells. "
            "To have all of the light back its whole height above the string must go; half of it comes back sooner; a "
            "blank stands where most of it went with the sun above the top."
        ),
        form(farm.visit, {"away": field}, "Reckon"),
        grid(
            columns,
            rows,
            "Outline of what stands there, as the most shaded string sees it, "
            f"{day(rows[0]['from'])} to {day(rows[0]['to'])}; metres if it is {number(away)} m away, with 90 % intervals",
        ),
        html.P(dcc.Link("The rows", href=rows_behind("obstacles", site_id=farm.id))),
    ]


def _away(visit: Visit) -> float:
    """Distance of the address. [m]"""
    asked = visit.query.get("away", "")
    return min(max(float(asked), 1.0), _FARTHEST) if re.fullmatch(r"\d{1,4}(\.\d{1,2})?", asked, re.ASCII) else _AWAY


def _rise(height_deg: float | None, away_m: float) -> float | None:
    """What rises to this angle, seen from so far away; None where the angle is not known. [m]"""
    return None if height_deg is None else away_m * math.tan(math.radians(height_deg))


def _height(row: dict) -> str:
    low, high = row["height_low_deg"], row["height_high_deg"]
    if high is None:
        return f"{number(row['height_deg'])} or more (from {number(low)})"
    return f"{number(row['height_deg'])} ({number(low)} to {number(high)})"
