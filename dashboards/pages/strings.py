"""
One farm's strings as they lie on the ground, against their peers.
"""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.farm import Farm, farm_page, fixed, handbook, nothing, told
from dashboards.parts.tables import Column, stored_table
from dashboards.visit import Content, Page, Visit
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.report.words import FINDING_WORDS, count, day, listed, number, per_cent, plain

#: Colour and symbol of a finding; the rest are faults.
_STYLES = {
    "ok": ("blue", "circle"),
    "soiled": ("sky", "diamond"),
    "shaded": ("green", "triangle-up"),
    "not_tested": ("grey", "circle-open"),
}
#: Faults share a colour; each has its own symbol.
_FAULT_SYMBOLS = dict(zip(FAULT_FINDINGS, ("square", "cross", "triangle-down", "pentagon", "hexagon", "star"), strict=True))
#: Power against peers below which a mark has its number.
_PLAIN = 0.98
#: Strings nearer than this lie on each other in the picture. [m]
_SAME_PLACE = 2.0
#: Strings above which the numbers are left to the pointer and the table.
_MOST_NAMES = 60


def build(visit: Visit) -> Content:
    return farm_page(
        visit,
        "strings",
        "strings",
        "Each string against the others of its round, as they lie on the ground.",
        _page,
        by_period=False,
    )


def _page(farm: Farm) -> list:
    rows = farm.store.rows("string_findings", {"site_id": farm.id})
    if not rows:
        return [nothing("This farm has no strings on record.")]
    tested = [r for r in rows if r["finding"] != "not_tested"]
    faults = [r for r in tested if r["finding"] not in _STYLES]
    said: list = [f"{len(tested)} of {count(len(rows), 'string')} were ever traced; "]
    if faults:
        worst = sorted(faults, key=lambda r: r["p_mp_ratio"] if r["p_mp_ratio"] is not None else 1.0)[:4]
        said += [f"{count(len(faults), 'has a fault', 'have a fault')}: "]
        for place, r in enumerate(worst):
            said += [
                ", " if place else "",
                dcc.Link(
                    f"{plain(r['string_id'])} ({FINDING_WORDS[r['finding']]}, probability {number(r['confidence'], 2)})",
                    href=farm.at(f"strings/{r['string_id']}"),
                ),
            ]
        said += [". " if len(worst) == len(faults) else " and others. "]
    else:
        said += ["none of them shows a fault. "]
    return [
        html.P(said, className="lead"),
        *told(farm, "string_fault"),
        *_layout(farm, rows),
        html.H2("All strings"),
        _table(farm),
        handbook("string_fault", "string-rounds", "peers", "string-classification", "finding", "stc"),
    ]


def _layout(farm: Farm, rows: list[dict]) -> list:
    drawn = farm.store.picture(farm.id, "string_layout")
    if drawn is None:
        return []
    c = drawn.columns
    place = {s: (x, y) for s, x, y in zip(c["string_id"], c["x_m"], c["y_m"], strict=True) if x is not None and y is not None}
    here = [r for r in rows if r["string_id"] in place]
    if not here:
        return [nothing("No string has a place (x_m, y_m in strings.csv), so they cannot be laid out.")]
    traces = [
        _marks(farm, [r for r in here if r["finding"] == f], f, place, len(here))
        for f in dict.fromkeys(r["finding"] for r in here)
    ]
    xs, ys = ([place[r["string_id"]][k] for r in here] for k in (0, 1))
    deep, wide = max(ys) - min(ys), max(xs) - min(xs)
    height = int(min(640, max(300, 150 + 820 * deep / max(wide, 1.0))))
    shape = layout(
        "east [m]",
        "north [m]",
        height,
        yaxis={"scaleanchor": "x", "scaleratio": 1, "zeroline": False},
        xaxis={"zeroline": False},
        hovermode="closest",
    )
    days = sorted({r["last_round"] for r in here if r["last_round"]})
    left = len(rows) - len(here)
    close = _close(list(zip(xs, ys, strict=True)))
    faults = [plain(r["string_id"]) for r in here if r["finding"] not in _STYLES]
    return [
        html.H2("On the ground"),
        chart(
            "layout",
            traces,
            shape,
            "Each mark is a string; its size grows with what it lacks against the strings of the same round, type and plane, and "
            "where it is under 98 % of theirs the number says what it is [%]. Symbol and colour: what it shows. "
            + (f"Last traced between {day(days[0])} and {day(days[-1])}. " if days else "")
            + (f"{count(left, 'string')} without a place not drawn. " if left else "")
            + (
                f"{count(close, 'string')} within {number(_SAME_PLACE)} m of another by x_m and y_m: those marks overlap. "
                if close
                else ""
            )
            + "Their names, and the way to each, are in the table.",
            f"Strings on the ground; {'faulty: ' + listed(faults[:8]) if faults else 'none is faulty'}.",
        ),
    ]


def _close(places: list[tuple[float, float]]) -> int:
    """How many lie nearer to another than a mark is wide."""
    by_cell: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for x, y in places:
        by_cell.setdefault((int(x // _SAME_PLACE), int(y // _SAME_PLACE)), []).append((x, y))
    near = 0
    for (i, j), members in by_cell.items():
        around = [p for a in (-1, 0, 1) for b in (-1, 0, 1) for p in by_cell.get((i + a, j + b), [])]
        near += sum(sum((x - u) ** 2 + (y - v) ** 2 < _SAME_PLACE**2 for u, v in around) > 1 for x, y in members)
    return near


def _marks(farm: Farm, rows: list[dict], finding: str, place: dict, total: int) -> dict[str, Any]:
    colour, symbol = _STYLES.get(finding) or ("orange", _FAULT_SYMBOLS[finding])
    ratio = [r["p_mp_ratio"] for r in rows]
    # A twentieth lost doubles the mark; a lost string does not cover its neighbours.
    size = [11 if v is None else 11 + min(14.0, max(0.0, 220.0 * (1.0 - v))) for v in ratio]
    return {
        "type": "scatter",
        "mode": "markers+text" if total <= _MOST_NAMES else "markers",
        "name": FINDING_WORDS[finding],
        "x": [place[r["string_id"]][0] for r in rows],
        "y": [place[r["string_id"]][1] for r in rows],
        "marker": {"color": COLOURS[colour], "symbol": symbol, "size": size, "line": {"width": 1, "color": COLOURS["grey"]}},
        "text": ["" if v is None or v >= _PLAIN else number(100 * v) for v in ratio],
        "textposition": "bottom center",
        "textfont": {"size": 10},
        "customdata": [
            [plain(r["string_id"]), "not known" if v is None else per_cent(v), number(r["confidence"], 2)]
            for r, v in zip(rows, ratio, strict=True)
        ],
        "hovertemplate": "%{customdata[0]}: %{customdata[1]} of its peers' power, probability of a fault "
        "%{customdata[2]}<extra></extra>",
    }


def _table(farm: Farm) -> html.Div:
    columns = [
        Column("string_id", "String", lambda r: dcc.Link(plain(r["string_id"]), href=farm.at(f"strings/{r['string_id']}"))),
        Column("finding", "Shows", lambda r: FINDING_WORDS[r["finding"]]),
        Column("confidence", "Probability of a fault", lambda r: number(r["confidence"], 2), number=True),
        Column("p_mp_ratio", "Power against peers [%]", lambda r: _share(r["p_mp_ratio"]), number=True),
        Column("i_sc_ratio", "Short-circuit current [%]", lambda r: _share(r["i_sc_ratio"]), number=True),
        Column("v_oc_ratio", "Open-circuit voltage [%]", lambda r: _share(r["v_oc_ratio"]), number=True),
        Column("fill_factor_ratio", "Fill factor [%]", lambda r: _share(r["fill_factor_ratio"]), number=True),
        Column("last_round", "Last traced", lambda r: fixed(day(r["last_round"]))),
    ]
    return html.Div(
        [
            stored_table(
                farm.visit,
                "string_findings",
                columns,
                "Strings, against the others of the same round, type and plane",
                "p_mp_ratio",
                where={"site_id": farm.id},
            ),
            html.P(dcc.Link("All columns", href=rows_behind("string_findings", site_id=farm.id))),
        ]
    )


def _share(value: float | None) -> str:
    return "" if value is None else number(100.0 * value, 1)


PAGE = Page("/farm/<site_id>/strings", "Strings", build)
