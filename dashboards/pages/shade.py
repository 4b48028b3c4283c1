"""
One farm's shade: what is missing, by where the sun stood, how it grew, and the outline of what casts it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from dash import dcc, html

from dashboards.parts.charts import COLOURS, DASHES, SYMBOLS, chart, interval, layout, numbered
from dashboards.parts.farm import FADING, Farm, farm_page, handbook, nothing, signed, told
from dashboards.parts.period import Period
from dashboards.parts.pick import pick
from dashboards.parts.skyline import obstacles, outline, outlines_table
from dashboards.parts.tables import Column
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.pictures.months import Found, over_months
from yieldwatch.report.words import count, number, per_cent, plain

#: Share of the direct light, and change of it, at which the colour is full, and steps by which the scale grows to hold what is
#: there. [%]
_FULL, _FULL_CHANGE, _STEP = 60.0, 30.0, 10.0
#: Days behind a bin from which its figure is written into it, and least missing that is. [%]
_SURE_DAYS, _TOLD = 4, 10.0
#: Least change that is written [%], and how often its interval's half width it must be: of a hundred bins chance then marks
#: hardly one.
_TOLD_CHANGE, _TWICE = 5.0, 2.0
#: Rows of the table below the picture, the largest first: more would make the page slow.
_MOST_ROWS = 30
#: Less missing and more missing, with little between.
_TURNING = [[0.0, "rgba(47,128,194,1)"], [0.5, "rgba(125,133,140,0.04)"], [1.0, "rgba(181,97,143,1)"]]
_SEASONS = {"Dec to Feb": (12, 1, 2), "Mar to May": (3, 4, 5), "Jun to Aug": (6, 7, 8), "Sep to Nov": (9, 10, 11)}
#: How far from the top of the outline a bin still tells of its growth. [°]
_NEAR_TOP = 4.0


class Bin(NamedTuple):
    """A part of the sky over some months: its middle [°] and what is missing there [%]."""

    azimuth: float
    elevation: float
    found: Found


def build(visit: Visit) -> Content:
    return farm_page(visit, "shade", "shade", "What is missing of the direct light, by where the sun stood.", _page)


def _page(farm: Farm) -> list:
    known = farm.store.pictured(farm.id, "sun_position")
    if not known:
        return [
            *told(farm, "shading"),
            nothing(
                "There is no picture: it takes an interval log of the inverters and weather over the same time. "
                "Without one, only what rounds saw in shade is known."
            ),
        ]
    name = farm.visit.query.get("inverter", "")
    name = name if name in known else next((n for n, about in known.items() if about["shaded"]), next(iter(known)))
    drawn = farm.store.picture(farm.id, "sun_position", name)
    assert drawn is not None
    left = (farm.site["inverters"] or 0) - len(known)
    other = farm.picked.against
    # One scale for both periods.
    full = _full([b for period in (farm.period, other) if period is not None for b in _bins(drawn, period).values()], _FULL)
    words = {n: plain(n) + (" (shaded)" if about["shaded"] else "") for n, about in known.items()}
    parts: list = [
        *told(farm, "shading"),
        pick(farm.visit, "inverter", "Inverter", words, name),
        _sky(farm, name, drawn, farm.period, full),
    ]
    if other is not None:
        parts += [
            html.H2(f"Against it: {other.words}"),
            *_change(farm, name, drawn, other),
            _sky(farm, name, drawn, other, full, "against"),
        ]
    if left > 0:
        parts.append(
            html.P(f"{count(left, 'inverter')} that lack less, or have no usable hours, are not drawn.", className="quiet")
        )
    return [
        *parts,
        html.H2("By season and year"),
        *_growth(farm, name, drawn),
        *outlines_table(farm),
        handbook("shading", "shading-method", "obstacles", "irradiance", "cut_vegetation"),
    ]


def _bins(drawn: Drawn, period: Period) -> dict[int, Bin]:
    found = over_months("missing_pct", drawn.columns, drawn.about, period.months)
    return {p: Bin(drawn.about["azimuth_deg"][p], drawn.about["elevation_deg"][p], f) for p, f in found.items()}


def _full(bins: list[Bin], least: float) -> float:
    """Where a scale ends, so that it holds all but what few days show. [%]"""
    most = max((abs(b.found.value) for b in bins if b.found.days >= _SURE_DAYS), default=0.0)
    return max(least, _STEP * math.ceil(round(most, 1) / _STEP))


def _hours(drawn: Drawn, period: Period) -> tuple[float, float]:
    """Hours of direct light that could be used, and their share of all such hours; nil where there is none."""
    at = [k for k, m in enumerate(drawn.about["months"]) if m in period.months]
    used, whole = (sum(drawn.about[key][k] for k in at) for key in ("hours", "lit_hours"))
    return used, used / whole if whole else 0.0


def _heat(bins: list[Bin], **more: Any) -> dict:
    span = [[_span(b.found), b.found.days] for b in bins]
    return {
        "type": "heatmap",
        "x": [b.azimuth for b in bins],
        "y": [b.elevation for b in bins],
        "z": [round(b.found.value, 1) for b in bins],
        "xgap": 1,
        "ygap": 1,
        "customdata": span,
        **more,
    }


def _bar(title: str) -> dict:
    return {"title": {"text": title, "side": "right"}, "thickness": 12, "outlinewidth": 0}


def _written(bins: list[Bin], text: list[str]) -> dict:
    return {
        "type": "scatter",
        "mode": "text",
        "x": [b.azimuth for b in bins],
        "y": [b.elevation for b in bins],
        "text": text,
        "textfont": {"size": 11},
        "hoverinfo": "skip",
        "showlegend": False,
    }


def _axes() -> dict:
    return layout(
        "sun azimuth, clockwise from north [°]", "height of the sun [°]", 460, yaxis={"rangemode": "tozero"}, xaxis={"dtick": 30}
    )


def _span(found: Found) -> str:
    return f"{number(found.low)} to {number(found.high)}" if found.low == found.low else "not known"


def _where(b: Bin, about: Mapping[str, Any]) -> str:
    return f"azimuth {_ends(b.azimuth, about['azimuth_step'])} and height {_ends(b.elevation, about['elevation_step'])}"


def _ends(middle: float, step: float) -> str:
    return f"{number(middle - step / 2)} to {number(middle + step / 2)}°"


def _columns(value: str) -> list[Column]:
    return [
        Column("azimuth", "Azimuth [°]", lambda r: number(r["bin"].azimuth, 1), number=True),
        Column("elevation", "Height [°]", lambda r: number(r["bin"].elevation), number=True),
        Column("value", value, lambda r: number(r["bin"].found.value, 1), number=True),
        Column("span", "90 % interval [%]", lambda r: _span(r["bin"].found), number=True),
        Column("days", "Days", lambda r: number(r["bin"].found.days), number=True),
    ]


def _largest(bins: list[Bin]) -> list[dict]:
    return [{"bin": b} for b in sorted(bins, key=lambda b: -abs(b.found.value))[:_MOST_ROWS]]


def _sky(farm: Farm, name: str, drawn: Drawn, period: Period, full: float, key: str = "now") -> html.Div | html.P:
    bins = list(_bins(drawn, period).values())
    if not bins:
        return nothing(f"No hour of {period.words} with direct light is in the record of {plain(name)}.")
    heat = _heat(
        bins,
        zmin=0,
        zmax=full,
        colorscale=FADING,
        colorbar=_bar("missing [%]"),
        hovertemplate="azimuth %{x}°, height %{y}°: %{z} % missing<br>90 % interval %{customdata[0]} %, %{customdata[1]} days"
        "<extra></extra>",
    )
    strong = [b for b in bins if b.found.value >= _TOLD and b.found.low > 0.0 and b.found.days >= _SURE_DAYS]
    worst = max(strong, key=lambda b: b.found.value * b.found.days, default=None)
    said = (
        "nowhere is a tenth of the direct light missing for certain"
        if worst is None
        else f"most is missing at {_where(worst, drawn.about)}: {number(worst.found.value)} % (90 % interval "
        f"{_span(worst.found)}, {number(worst.found.days)} days)"
    )
    hours, share = _hours(drawn, period)
    figure = chart(
        f"sun-{key}",
        [heat, *_paths(farm), *outline(farm, name), _written(strong, [number(b.found.value) for b in strong])],
        _axes(),
        [f"{plain(name)}, {period.words}: share of the direct light that is missing [%] once all other causes are taken off, for "
         f"each 15° by 4° of the sky: median of the days, {number(hours)} hours in which direct light was over 40 %; "
         f"{per_cent(share, 0)} of such hours could be used. ",
         numbered(f"Numbers stand where a tenth or more is missing, for certain and on {_SURE_DAYS} days or more. "),
         "Over 100 %, light of the sky is missing as well; below nil there was more than the model has. Lines: the sun's way on "
         f"three days. The table has the {_MOST_ROWS} largest."],
        f"Map of missing direct light over the sky for {plain(name)}, {period.words}: {said}.",
        _columns("Missing [%]"),
        _largest(bins),
    )
    return html.Div([html.P(f"For {plain(name)} in {period.words}, {said}."), figure])


def _change(farm: Farm, name: str, drawn: Drawn, other: Period) -> list:
    """What is missing now less what was then, where the sun was seen in both."""
    now, then = _bins(drawn, farm.period), _bins(drawn, other)
    both = []
    for place in now.keys() & then.keys():
        a, b = now[place].found, then[place].found
        off, half = a.value - b.value, math.hypot(a.high - a.value, b.high - b.value)
        both.append(now[place]._replace(found=Found(off, off - half, off + half, min(a.days, b.days))))
    both.sort(key=lambda b: (b.azimuth, b.elevation))
    if not both:
        return [
            nothing(f"The sun stood nowhere in {other.words} where it stood in {farm.period.words}, so they cannot be compared.")
        ]
    clear = [b for b in both if b.found.days >= _SURE_DAYS and _stands_out(b.found)]
    more, less = ([b for b in clear if s * b.found.value > 0] for s in (1, -1))
    said = (f"Of {len(both)} parts of the sky that both saw, {len(more) or 'none'} for certain lack more than then and "
            f"{len(less) or 'none'} lack less")
    if clear:
        most = max(clear, key=lambda b: abs(b.found.value) * b.found.days)
        said += (
            f"; most changed at {_where(most, drawn.about)}, by {signed(most.found.value)} points (90 % interval "
            f"{signed(most.found.low)} to {signed(most.found.high)})"
        )
    full = _full(both, _FULL_CHANGE)
    heat = _heat(
        both,
        zmin=-full,
        zmax=full,
        colorscale=_TURNING,
        colorbar=_bar("change [points]"),
        hovertemplate="azimuth %{x}°, height %{y}°: %{z:+} points<br>90 % interval %{customdata[0]}, %{customdata[1]} days"
        "<extra></extra>",
    )
    return [
        html.P(f"{said}."),
        chart(
            "sun-change",
            [heat, *_paths(farm), *outline(farm, name), _written(clear, [signed(b.found.value) for b in clear])],
            _axes(),
            [f"{plain(name)}: what is missing in {farm.period.words} less what was missing in {other.words} [points of the "
             "direct light]; purple is more, blue is less. ",
             numbered("Numbers stand where a change of 5 points or more is twice its 90 % interval's half width, on "
                      f"{_SURE_DAYS} days or more of either. "),
             f"The table has the {_MOST_ROWS} largest."],
            f"Map of the change in missing direct light for {plain(name)}, {farm.period.words} against {other.words}: {said}.",
            _columns("Change [points]"),
            _largest(both),
        ),
        html.H3(f"What was missing then: {other.words}"),
    ]


def _stands_out(change: Found) -> bool:
    """Whether a change is large and for certain; one whose interval is not known is not."""
    return abs(change.value) >= _TOLD_CHANGE and abs(change.value) >= _TWICE * (change.high - change.value)


def _growth(farm: Farm, name: str, drawn: Drawn) -> list:
    """Each season's missing share, year by year, where the obstacle stands, else over all of the sky."""
    rows = [r for r in obstacles(farm) if r["inverter_id"] == name]
    about = drawn.about
    near = {
        p
        for p, (azimuth, elevation) in enumerate(zip(about["azimuth_deg"], about["elevation_deg"], strict=True))
        if not rows
        or any(
            r["azimuth_from_deg"] <= azimuth < r["azimuth_to_deg"]
            and elevation <= (r["height_high_deg"] or r["height_deg"]) + _NEAR_TOP
            for r in rows
        )
    }
    points: list[dict[str, Any]] = [
        {"season": season, "year": year, "found": found}
        for season, months in _SEASONS.items()
        for year in range(int(about["months"][0][:4]), int(about["months"][-1][:4]) + 2)
        if (found := _season(drawn, near, [f"{year - (m == 12)}-{m:02d}" for m in months])) is not None
    ]
    where = "in the bearings and heights of the outline and just above it" if rows else "over all of the sky"
    if len({p["year"] for p in points}) < 2:
        return [
            nothing(f"Growth shows once a season has come twice; the record of {plain(name)} has no two years of one {where}.")
        ]
    traces = []
    for place, season in enumerate(_SEASONS):
        of = [p for p in points if p["season"] == season]
        values = [round(p["found"].value, 1) for p in of]
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": season,
                "x": [p["year"] + 0.06 * (place - 1.5) for p in of],
                "y": values,
                "line": {"color": list(COLOURS.values())[place], "dash": DASHES[place], "width": 2},
                "marker": {"symbol": SYMBOLS[place], "size": 9},
                "error_y": interval(values, *([_bound(p["found"], end) for p in of] for end in ("low", "high"))),
                "customdata": [p["year"] for p in of],
                "hovertemplate": "%{customdata}: %{y} %<extra>" + season + "</extra>",
            }
        )
    columns = [
        Column("season", "Season", lambda r: r["season"]),
        Column("year", "Year", lambda r: str(r["year"]), number=True),
        Column("value", "Missing [%]", lambda r: number(r["found"].value, 1), number=True),
        Column("span", "90 % interval [%]", lambda r: _span(r["found"]), number=True),
        Column("days", "Days", lambda r: number(r["found"].days), number=True),
    ]
    grown = [
        f"{s}: {number(of[0]['found'].value)} % in {of[0]['year']}, {number(of[-1]['found'].value)} % in {of[-1]['year']}"
        for s in _SEASONS
        if len(of := [p for p in points if p["season"] == s]) > 1
    ]
    years = sorted({p["year"] for p in points})
    return [
        chart(
            "growth",
            traces,
            layout(
                "year",
                "missing [%]",
                320,
                xaxis={"tickvals": years, "ticktext": [str(y) for y in years], "range": [years[0] - 0.4, years[-1] + 0.4]},
            ),
            f"{plain(name)}: mean share of the direct light that is missing {where}, by season [%], all whole seasons of the "
            "record; December counts to the year that follows. Whiskers: 90 % interval by the scatter of days. What grows rises "
            "from year to year within its season.",
            f"Missing direct light of {plain(name)} by season and year. {'; '.join(grown)}.",
            columns,
            points,
        ),
        html.P(dcc.Link("Energy lost to shade, month by month", href=farm.at("why/shading"))),
    ]


def _bound(found: Found, end: str) -> float | None:
    value = getattr(found, end)
    return None if value != value else round(value, 1)


def _season(drawn: Drawn, near: set[int], months: list[str]) -> Found | None:
    """Mean over the places of a whole season; None if it is not whole. Errors of a day are taken as shared by all places."""
    hours = dict(zip(drawn.about["months"], drawn.about["hours"], strict=True))
    if not all(hours.get(m) for m in months):
        return None
    found = [f for p, f in over_months("missing_pct", drawn.columns, drawn.about, months).items() if p in near]
    known = [f for f in found if f.high == f.high]
    if not found:
        return None
    value = sum(f.days * f.value for f in found) / sum(f.days for f in found)
    half = sum(f.days * (f.high - f.value) for f in known) / sum(f.days for f in known) if known else math.nan
    return Found(value, value - half, value + half, max(f.days for f in found))


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


PAGE = Page("/farm/<site_id>/shade", "Shade", build)
