"""
One farm's inverters: efficiency over load against the datasheet, and when it fell short.
"""

from __future__ import annotations

import math
from typing import Any

from dash import html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, DASHES, PERIOD_LOOKS, SYMBOLS, chart, interval, layout
from dashboards.parts.farm import Farm, farm_page, handbook, nothing, signed, told
from dashboards.parts.period import Period
from dashboards.parts.pick import pick
from dashboards.parts.tables import Column
from dashboards.parts.words import Figure, stated
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.pictures.months import Found, over_months
from yieldwatch.report.words import count, day, month_name, number, per_cent, plain

#: Load at which an inverter's efficiency is told in words. [%]
_USUAL_LOAD = 55.0
#: Inverters that are drawn one by one; of more, where nine in ten of them lie.
_MOST_LINES = 12
#: How often the half width of its 90 % interval a change must be to be told: of ten loads one passes once by chance.
_TWICE = 2.0


def build(visit: Visit) -> Content:
    return farm_page(visit, "inverters", "inverters", "What comes out of what goes in, by load and by month.", _page)


def _page(farm: Farm) -> list:
    names = farm.store.items(farm.id, "efficiency")
    clamps = farm.store.picture(farm.id, "clamp_efficiency")
    parts: list = [*told(farm, "inverter_efficiency")]
    if names:
        name = farm.visit.query.get("inverter", "")
        name = name if name in names else names[0]
        drawn = farm.store.picture(farm.id, "efficiency", name)
        parts += [
            html.H2("By load"),
            pick(farm.visit, "inverter", "Inverter", {n: plain(n) for n in names}, name),
            *(_by_load(farm, name, drawn, clamps) if drawn is not None else []),
            html.H2("By month"),
            _by_month(farm, names, name),
        ]
    elif clamps is not None:
        parts += [html.H2("By load"), _clamped(clamps)]
    else:
        parts.append(
            nothing(
                "Neither a log of DC power nor a clamp reading of DC and AC is there, so nothing tells an inverter from "
                "its modules. DC power in the log would; so would a power analyser on both sides."
            )
        )
    return [*parts, handbook("inverter_efficiency", "inverter-efficiency-method", "inverter-curve", "clamp-checks")]


def _loads(drawn: Drawn, period: Period) -> dict[int, Found]:
    found = over_months("efficiency_pct", drawn.columns, drawn.about, period.months)
    return dict(sorted(found.items(), key=lambda item: drawn.about["load_pct"][item[0]]))


def _used(drawn: Drawn, period: Period) -> str:
    at = [k for k, m in enumerate(drawn.about["months"]) if m in period.months]
    used, could = (sum(drawn.about[key][k] for k in at) for key in ("used", "could"))
    return f"{per_cent(min(1.0, used / could), 0)} of the intervals in light used" if could else "no interval in light"


def _by_load(farm: Farm, name: str, drawn: Drawn, clamps: Drawn | None) -> list:
    about, other = drawn.about, farm.picked.against
    periods = [farm.period] if other is None else [farm.period, other]
    curves = [(p, _loads(drawn, p)) for p in periods]
    if not curves[0][1]:
        return [nothing(f"The log of {plain(name)} has no usable pair of DC and AC power in {farm.period.words}.")]
    traces: list[dict] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "datasheet",
            "x": sorted(about["load_pct"]),
            "y": [y for _, y in sorted(zip(about["load_pct"], about["datasheet_pct"], strict=True))],
            "line": {"color": COLOURS["grey"], "dash": DASHES[1], "width": 2},
        }
    ]
    rows: list[dict[str, Any]] = []
    for place, (period, found) in enumerate(curves):
        values = [round(f.value, 2) for f in found.values()]
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": period.words,
                "x": [about["load_pct"][p] for p in found],
                "y": values,
                "line": {"color": PERIOD_LOOKS[place].colour, "width": 2, "dash": PERIOD_LOOKS[place].dash},
                "marker": {"symbol": PERIOD_LOOKS[place].symbol, "size": 7},
                "error_y": interval(
                    values, *([_known(v) for v in ends] for ends in zip(*((f.low, f.high) for f in found.values()), strict=True))
                ),
                "customdata": [f.days for f in found.values()],
                "hovertemplate": "%{y:.2f} % at about %{x:.0f} % load, %{customdata} days<extra>" + period.words + "</extra>",
            }
        )
        rows += [{"period": period.words, "place": p, "found": f} for p, f in found.items()]
    marks = _clamp_marks(clamps, name)
    traces += marks
    ends = [(y - (down or 0.0), y + (up or 0.0)) for mark in marks
            for y, down, up in zip(mark["y"], mark["error_y"]["arrayminus"], mark["error_y"]["array"], strict=True)]
    lows = [r["found"].value for r in rows if about["load_pct"][r["place"]] >= 10.0] or [90.0]
    shape = layout(
        "DC power over rated AC power [%]",
        "AC over DC [%]",
        380,
        yaxis={"range": [max(0.0, min([min(lows) - 3.0, *(low for low, _ in ends)])),
                         max([100.0, *(high for _, high in ends)]) + 0.2]},
    )
    columns = [
        Column("period", "Period", lambda r: r["period"]),
        Column("load", "Load [%]", lambda r: number(about["load_pct"][r["place"]], 1), number=True),
        Column("value", "AC over DC [%]", lambda r: number(r["found"].value, 2), number=True),
        Column("span", "90 % interval [%]", lambda r: _span(r["found"]), number=True),
        Column("datasheet", "Datasheet [%]", lambda r: number(about["datasheet_pct"][r["place"]], 2), number=True),
        Column("days", "Days", lambda r: number(r["found"].days), number=True),
    ]
    said = _said(farm, name, drawn, curves)
    return [
        html.P(said),
        chart(
            "load",
            traces,
            shape,
            f"{plain(name)} ({number(about['rated_kw'])} kW): AC over DC power of the log by load [%], {farm.period.words}"
            + (f" and {other.words}" if other else "")
            + f": median of each month's days, and its 90 % interval by the scatter of days; {_used(drawn, farm.period)}"
            + (f" ({_used(drawn, other)} in the other)" if other else "")
            + ". An error of either channel of the log moves the whole curve.",
            f"Efficiency of {plain(name)} over its load against its datasheet, {' and '.join(p.words for p in periods)}.",
            columns,
            rows,
        ),
    ]


def _said(farm: Farm, name: str, drawn: Drawn, curves: list[tuple[Period, dict[int, Found]]]) -> list:
    """The efficiency at a usual load, and what changed."""
    about, now = drawn.about, curves[0][1]
    at = min(now, key=lambda p: abs(about["load_pct"][p] - _USUAL_LOAD))
    figure = Figure(
        f"{number(now[at].value, 2)} %",
        rows_behind("losses", site_id=farm.id, cause="inverter_efficiency", **farm.period.bounds()),
        farm.period.words,
        _span(now[at]),
        _used(drawn, farm.period),
    )
    said: list = [
        f"At about {number(about['load_pct'][at])} % load {plain(name)} gave ",
        stated(figure),
        f" of its DC power in {farm.period.words}; its datasheet says {number(about['datasheet_pct'][at], 2)} %.",
    ]
    if len(curves) > 1:
        other, then = curves[1]
        off = [
            (now[p].value - then[p].value, math.hypot(now[p].high - now[p].value, then[p].high - then[p].value))
            for p in now
            if p in then
        ]
        clear = [change for change, half in off if abs(change) >= _TWICE * half]
        said.append(
            f" Against {other.words} it changed for certain at {len(clear) or 'none'} of {count(len(off), 'load')}"
            + (f", by {signed(min(clear), 2)} to {signed(max(clear), 2)} points." if clear else ".")
            if off
            else f" No load was reached both then and in {other.words}."
        )
    return said


def _known(value: float) -> float | None:
    return None if value != value else round(value, 2)


def _span(found: Found) -> str:
    return f"{number(found.low, 2)} to {number(found.high, 2)}" if found.low == found.low else "not known"


def _clamp_marks(clamps: Drawn | None, name: str) -> list[dict]:
    if clamps is None:
        return []
    c = clamps.columns
    at = [k for k, n in enumerate(c["inverter_id"]) if n == name]
    values = [c["efficiency_pct"][k] for k in at]
    return (
        [
            {
                "type": "scatter",
                "mode": "markers",
                "name": "clamp readings, 90 % interval",
                "x": [c["load_pct"][k] for k in at],
                "y": values,
                "marker": {"symbol": "x", "size": 9, "color": COLOURS["purple"]},
                "customdata": [c["day"][k] for k in at],
                "error_y": interval(values, [c["low_pct"][k] for k in at], [c["high_pct"][k] for k in at]),
                "hovertemplate": "%{customdata}, load %{x} %: %{y:.2f} %<extra></extra>",
            }
        ]
        if at
        else []
    )


def _by_month(farm: Farm, names: list[str], here: str) -> html.Figure | html.P:
    """The chosen inverter with its interval, against the others: each a thin line, or where nine in ten of them lie."""
    shown = sorted({*farm.period.months, *(farm.picked.against.months if farm.picked.against else ())})
    few = len(names) <= _MOST_LINES
    months = {n: p for n in (names if few else [here]) if (p := farm.store.picture(farm.id, "efficiency_months", n)) is not None}
    traces: list[dict] = [] if few else _band(farm.store.picture(farm.id, "efficiency_fleet"), shown)
    rows: list[dict] = []
    for name, drawn in months.items():
        c = drawn.columns
        # Between the two periods there is a gap, and no line.
        at = [k for k, m in enumerate(c["month"]) if shown[0] <= m <= shown[-1]]
        values = [c["off_datasheet_pct"][k] if c["month"][k] in shown else None for k in at]
        mine = name == here
        trace = {
            "type": "scatter",
            "mode": "lines+markers" if mine else "lines+text",
            "name": plain(name) if mine else f"{plain(name)} (peer)",
            "x": [f"{c['month'][k]}-01" for k in at],
            "y": values,
            "text": ["" if k != at[-1] else plain(name) for k in at],
            "textposition": "top left",
            "textfont": {"size": 11},
            "cliponaxis": False,
            "line": {
                "color": COLOURS["blue" if mine else "grey"],
                "width": 2.5 if mine else 1.2,
                "dash": "solid" if mine else "dot",
            },
            "hovertemplate": "%{x|%b %Y}: %{y:+.2f} %<extra>" + plain(name) + "</extra>",
            "showlegend": mine,
        }
        if mine:
            trace["error_y"] = interval(values, [c["low_pct"][k] for k in at], [c["high_pct"][k] for k in at])
            rows = [{k: v[p] for k, v in c.items()} for p in at if c["month"][p] in shown]
        (traces.append if mine else lambda t: traces.insert(0, t))(trace)
    if not rows:
        return nothing(f"The log of {plain(here)} has no usable pair of DC and AC power in {farm.period.words}.")
    peers = "dotted: its peers" if few else f"grey: where nine in ten of the {len(names)} inverters lie, dotted their median"
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        Column("off", "Off the datasheet [%]", lambda r: signed(r["off_datasheet_pct"], 2), number=True),
        Column(
            "span",
            "90 % interval [%]",
            lambda r: "" if r["low_pct"] is None else f"{signed(r['low_pct'], 2)} to {signed(r['high_pct'], 2)}",
            number=True,
        ),
        Column("intervals", "Intervals", lambda r: number(r["intervals"]), number=True),
    ]
    shape = layout(
        "", "AC against the datasheet [%]", 320, xaxis={"type": "date", "tickformat": "%b\n%Y"}, yaxis={"rangemode": "tozero"}
    )
    return chart(
        "months",
        traces,
        shape,
        f"How far AC power lies from what the datasheet makes of the DC power, median of the month above 10 % load, "
        f"{farm.period.words}"
        + (f" and {farm.picked.against.words}" if farm.picked.against else "")
        + f". Bold: {plain(here)}, with the 90 % interval of the median by days; {peers}. A step of one alone is the "
        "inverter's or its log's; a slow change of all is the sensors' or the fleet's.",
        f"Efficiency against the datasheet by month for {plain(here)} and its peers.",
        columns,
        rows,
    )


def _band(fleet: Drawn | None, shown: list[str]) -> list[dict]:
    if fleet is None:
        return []
    c = fleet.columns
    at = [k for k, m in enumerate(c["month"]) if m in shown]
    line = {"type": "scatter", "mode": "lines", "x": [f"{c['month'][k]}-01" for k in at], "hoverinfo": "skip"}

    def part(key: str, name: str = "", **more: object) -> dict:
        return {**line, "y": [c[key][k] for k in at], "name": name, "showlegend": bool(name), **more}

    return [
        part("low_pct", line={"width": 0}),
        part("high_pct", "nine in ten inverters", line={"width": 0}, fill="tonexty", fillcolor="rgba(125,133,140,0.25)"),
        part("off_datasheet_pct", "their median", line={"color": COLOURS["grey"], "width": 1.2, "dash": "dot"}),
    ]


def _clamped(clamps: Drawn) -> html.Figure:
    c = clamps.columns
    rows = [dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)]
    traces: list[dict] = []
    for place, name in enumerate(dict.fromkeys(c["inverter_id"])):
        of = [r for r in rows if r["inverter_id"] == name]
        values = [r["efficiency_pct"] for r in of]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": plain(name),
                "x": [r["load_pct"] for r in of],
                "y": values,
                "marker": {
                    "symbol": SYMBOLS[place % len(SYMBOLS)],
                    "size": 9,
                    "color": list(COLOURS.values())[place % len(COLOURS)],
                },
                "error_y": interval(values, [r["low_pct"] for r in of], [r["high_pct"] for r in of]),
            }
        )
    sheet = sorted((r["load_pct"], r["datasheet_pct"]) for r in rows if r["datasheet_pct"] is not None)
    traces.append(
        {
            "type": "scatter",
            "mode": "lines",
            "name": "datasheet",
            "x": [x for x, _ in sheet],
            "y": [y for _, y in sheet],
            "line": {"color": COLOURS["grey"], "dash": DASHES[1]},
        }
    )
    columns = [
        Column("day", "Day", lambda r: day(r["day"])),
        Column("inverter_id", "Inverter", lambda r: plain(r["inverter_id"])),
        Column("load_pct", "Load [%]", lambda r: number(r["load_pct"], 1), number=True),
        Column(
            "efficiency_pct",
            "AC over DC (90 % interval) [%]",
            lambda r: f"{number(r['efficiency_pct'], 1)} ({number(r['low_pct'], 1)} to {number(r['high_pct'], 1)})",
            number=True,
        ),
        Column("datasheet_pct", "Datasheet [%]", lambda r: number(r["datasheet_pct"], 1), number=True),
    ]
    shape = layout("DC power over rated AC power [%]", "AC over DC [%]", 380)
    return chart(
        "load",
        traces,
        shape,
        f"AC over DC power by clamp readings, {len(rows)} of them, with their 90 % interval: a pair of clamps "
        "cannot prove a loss of "
        "1 %, it can prove 5 %. No log of DC power is there, so other loads and months are not seen.",
        "Efficiency by clamp readings over load, against the datasheet.",
        columns,
        rows,
    )


PAGE = Page("/farm/<site_id>/inverters", "Inverters", build)
