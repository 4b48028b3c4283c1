"""
One farm's inverters: efficiency over load against the datasheet, and when it fell short.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts.charts import COLOURS, DASHES, SYMBOLS, chart, interval, layout
from dashboards.parts.farm import Farm, farm_page, handbook, nothing, told
from dashboards.parts.tables import Column
from dashboards.parts.words import aria
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import day, month_name, number, per_cent, plain

_YEARS = ("last twelve months", "the twelve before", "two years before")


def build(visit: Visit) -> Content:
    return farm_page(visit, "inverters", "inverters", "What comes out of what goes in, by load and by month.", _page)


def _page(farm: Farm) -> list:
    names = farm.store.items(farm.id, "efficiency")
    clamps = farm.store.picture(farm.id, "clamp_efficiency")
    parts: list = [*told(farm, "inverter_efficiency")]
    if names:
        name = farm.visit.query.get("inverter", "")
        name = name if name in names else names[0]
        links: list = []
        for n in names:
            links += [" · "] if links else []
            links.append(html.B(plain(n)) if n == name else dcc.Link(plain(n), href=farm.at("inverters", inverter=n)))
        drawn = farm.store.picture(farm.id, "efficiency", name)
        months = {n: p for n in names if (p := farm.store.picture(farm.id, "efficiency_months", n)) is not None}
        parts += [html.H2("By load"), html.Nav(html.P(["Inverter: ", *links]), **aria(label="Inverters"))]
        parts += [_by_load(name, drawn, clamps)] if drawn is not None else []
        parts += [html.H2("By month"), _by_month(farm, months, name)]
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


def _by_load(name: str, drawn: Drawn, clamps: Drawn | None) -> html.Figure:
    c, about = drawn.columns, drawn.about
    rows = [dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)]
    loads = sorted({(r["load_pct"], r["datasheet_pct"]) for r in rows})
    traces: list[dict] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "datasheet",
            "x": [x for x, _ in loads],
            "y": [y for _, y in loads],
            "line": {"color": COLOURS["grey"], "dash": DASHES[1], "width": 2},
        }
    ]
    for back in sorted({r["years_back"] for r in rows}):
        of = [r for r in rows if r["years_back"] == back]
        values = [r["efficiency_pct"] for r in of]
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": _YEARS[back],
                "x": [r["load_pct"] for r in of],
                "y": values,
                "line": {"color": COLOURS[("blue", "orange", "green")[back]], "width": 2, "dash": DASHES[(0, 2, 3)[back]]},
                "marker": {"symbol": SYMBOLS[back], "size": 7},
                "error_y": interval(values, [r["low_pct"] for r in of], [r["high_pct"] for r in of]),
                "hovertemplate": "load %{x} %: %{y:.2f} %<extra>" + _YEARS[back] + "</extra>",
            }
        )
    traces += _clamp_marks(clamps, name)
    lows = [r["efficiency_pct"] for r in rows if r["load_pct"] >= 10.0] or [90.0]
    shape = layout(
        "DC power over rated AC power [%]",
        "AC over DC [%]",
        380,
        yaxis={"range": [max(0.0, min(lows) - 3.0), 100.2]},
    )
    columns = [
        Column("years_back", "Year", lambda r: _YEARS[r["years_back"]]),
        Column("load_pct", "Load [%]", lambda r: number(r["load_pct"], 1), number=True),
        Column("efficiency_pct", "Median [%]", lambda r: number(r["efficiency_pct"], 2), number=True),
        Column(
            "low_pct",
            "Nine in ten lie between [%]",
            lambda r: f"{number(r['low_pct'], 2)} to {number(r['high_pct'], 2)}",
            number=True,
        ),
        Column("datasheet_pct", "Datasheet [%]", lambda r: number(r["datasheet_pct"], 2), number=True),
        Column("intervals", "Intervals", lambda r: number(r["intervals"]), number=True),
    ]
    return chart(
        "load",
        traces,
        shape,
        f"{plain(name)} ({number(about['rated_kw'])} kW): AC over DC power of the log by load, median; nine in ten intervals lie "
        f"within the whiskers. {day(about['from'])} to {day(about['to'])}; {per_cent(about['coverage'], 0)} of the intervals "
        "in light could be used. An error of either channel of the log moves the whole curve.",
        f"Efficiency of {plain(name)} over its load, by year, against its datasheet.",
        columns,
        rows,
    )


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


def _by_month(farm: Farm, months: dict[str, Drawn], here: str) -> html.Figure:
    """Every inverter as a thin line and the chosen one with its interval, so that one is seen against its peers."""
    shown = sorted({*farm.period.months, *(farm.picked.against.months if farm.picked.against else ())})
    traces: list[dict] = []
    rows: list[dict] = []
    for name, drawn in months.items():
        c = drawn.columns
        at = [k for k, m in enumerate(c["month"]) if m in shown]
        values = [c["off_datasheet_pct"][k] for k in at]
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
            "showlegend": mine or len(months) <= 8,
        }
        if mine:
            trace["error_y"] = interval(values, [c["low_pct"][k] for k in at], [c["high_pct"][k] for k in at])
            rows = [{k: v[p] for k, v in c.items()} for p in at]
        (traces.append if mine else lambda t: traces.insert(0, t))(trace)
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        Column("off", "Off the datasheet [%]", lambda r: _signed(r["off_datasheet_pct"]), number=True),
        Column(
            "span",
            "90 % interval [%]",
            lambda r: "" if r["low_pct"] is None else f"{_signed(r['low_pct'])} to {_signed(r['high_pct'])}",
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
        + f". Bold: {plain(here)}, with the 90 % interval of the median by days; dotted: its peers. A step of one alone is the "
        "inverter's or its log's; a slow change of all is the sensors' or the fleet's.",
        f"Efficiency against the datasheet by month for {plain(here)} and its peers.",
        columns,
        rows,
    )


def _signed(value: float | None) -> str:
    return "" if value is None else ("+" if value > 0 else "") + number(value, 2)


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
