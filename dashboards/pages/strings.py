"""
One farm's strings as they lie on the ground, against their peers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, chart, layout, numbered
from dashboards.parts.farm import Farm, farm_page, fixed, handbook, nothing, told
from dashboards.parts.pick import choice, form
from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import lead
from dashboards.visit import Content, Page, Visit
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.report.finding_words import CHANCE_HEAD, DIRT_SAID, FINDING_WORDS, finding_word
from yieldwatch.report.words import chance_word, count, day, listed, number, per_cent, plain

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
#: What legend and axis take of the ground's picture, and the least that it may be high and wide. [pixels]
_AROUND, _LEAST_HEIGHT, _LEAST_WIDTH = 150, 260, 380
#: So many within three such lengths lie on each other for sure.
_CROWD = 60
#: Strings above which the numbers are left to the pointer and the table, and lines of strings below each other in a picture.
_MOST_NAMES, _MOST_LINES = 60, 40
#: Faults up to which each has its name in a picture of very many strings, and usual width of a picture. [pixels]
_MOST_FAULT_NAMES, _PICTURE = 20, 1000
_COLUMNS = ("string_id", "finding", "confidence", "on_glass", "p_mp_ratio", "last_round")
_FAULTY = "faulty"


class Place(NamedTuple):
    """Where a string is: its inverter and row, and metres east and north where they are known."""

    inverter: str
    row: str
    x: float | None
    y: float | None


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
    rows = farm.store.rows("string_findings", {"site_id": farm.id}, columns=_COLUMNS)
    if not rows:
        return [nothing("This farm has no strings on record.")]
    places = _places(farm)
    picked = _picked(farm, rows, places)
    narrowed = len(picked) < len(rows)
    return [
        lead(_lead(farm, rows)),
        *told(farm, "string_fault"),
        _chooser(farm, rows, places),
        *(
            [
                html.P(
                    [
                        f"{count(len(picked), 'string')} of {number(len(rows))} chosen. ",
                        dcc.Link("Show all of them", href=farm.visit.here(inverter=None, shows=None, name=None, page=None)),
                    ]
                )
            ]
            if narrowed
            else []
        ),
        *(_pictures(picked, places) if picked else [nothing("No string of this farm is so; choose another inverter or name.")]),
        *([html.H2("One by one"), _table(farm, picked if narrowed else None)] if picked else []),
        handbook("string_fault", "string-rounds", "peers", "string-classification", "finding", "stc"),
    ]


def _lead(farm: Farm, rows: list[dict]) -> list:
    tested = [r for r in rows if r["finding"] != "not_tested"]
    faults = [r for r in tested if r["finding"] not in _STYLES]
    if not tested:
        return ["No string was ever traced, so none can be blamed or cleared."]
    every = len(tested) == len(rows)
    share = f"All {number(len(rows))} strings" if every else f"{number(len(tested))} of {count(len(rows), 'string')}"
    said: list = [f"{share} {'was' if len(tested) == 1 and not every else 'were'} traced in some round; "]
    if not faults:
        return [*said, "none of them shows a fault."]
    worst = sorted(faults, key=lambda r: r["p_mp_ratio"] if r["p_mp_ratio"] is not None else 1.0)[:4]
    like = " or dirt like one" if any((r["on_glass"] or 0.0) >= DIRT_SAID for r in faults) else ""
    said += [f"{count(len(faults), 'shows a fault', 'show a fault')}{like}: "]
    for place, r in enumerate(worst):
        said += [
            ", " if place else "",
            dcc.Link(
                f"{plain(r['string_id'])} ({_seen(r)})",
                href=farm.at(f"strings/{r['string_id']}"),
            ),
        ]
    return [*said, "." if len(worst) == len(faults) else " and others."]


def _seen(row: dict) -> str:
    """What a string shows, and how likely that is."""
    bare = FINDING_WORDS[row["finding"]]
    return f"{bare}, probability {chance_word(row['confidence'])}{finding_word(row).removeprefix(bare)}"


def _places(farm: Farm) -> dict[str, Place]:
    drawn = farm.store.picture(farm.id, "string_layout")
    if drawn is None:
        return {}
    c = drawn.columns
    return {
        s: Place(*where) for s, *where in zip(*(c[k] for k in ("string_id", "inverter_id", "row", "x_m", "y_m")), strict=True)
    }


def _picked(farm: Farm, rows: list[dict], places: dict[str, Place]) -> list[dict]:
    """The strings that the address asks for."""
    inverter, shows = farm.visit.query.get("inverter", ""), farm.visit.query.get("shows", "")
    name = farm.visit.query.get("name", "").strip().casefold()
    nowhere = Place("", "", None, None)
    return [
        r
        for r in rows
        if (not inverter or places.get(r["string_id"], nowhere).inverter == inverter)
        and (not shows or r["finding"] == shows or (shows == _FAULTY and r["finding"] in FAULT_FINDINGS))
        and name in str(r["string_id"]).casefold()
    ]


def _chooser(farm: Farm, rows: list[dict], places: dict[str, Place]) -> Component:
    query = farm.visit.query
    inverters = dict.fromkeys(p.inverter for p in places.values())
    there = dict.fromkeys(r["finding"] for r in rows)
    shows = {
        "": "anything",
        **({_FAULTY: "any fault"} if any(f in FAULT_FINDINGS for f in there) else {}),
        **{f: FINDING_WORDS[f] for f in FINDING_WORDS if f in there},
    }
    name = dcc.Input(type="search", name="name", value=query.get("name", ""), maxLength=60, autoComplete="off")
    fields = {
        "inverter": choice(
            "inverter", "Strings of", {"": "all inverters", **{i: plain(i) for i in inverters}}, query.get("inverter", "")
        ),
        "shows": choice("shows", "that show", shows, query.get("shows", "")),
        "name": html.Label(["with this in the name ", name]),
    }
    return form(farm.visit, fields, drop=("page",))


def _pictures(rows: list[dict], places: dict[str, Place]) -> list:
    """On the ground where places are known, else by inverter and row."""
    ground: list[dict] = []
    lines: list[dict] = []
    for r in rows:
        place = places.get(r["string_id"])
        (ground if place is not None and place.x is not None and place.y is not None else lines).append(r)
    out: list = []
    if ground:
        out += [html.H2("On the ground"), _ground(ground, {r["string_id"]: places[r["string_id"]] for r in ground})]
    if lines:
        out += [html.H2("By inverter" + (", those without a place" if ground else "")), _lines(lines, places)]
    return out


def _ground(rows: list[dict], places: dict[str, Place]) -> html.Figure:
    at = {s: (p.x or 0.0, p.y or 0.0) for s, p in places.items()}
    xs, ys = zip(*at.values(), strict=True)
    deep, wide = max(ys) - min(ys), max(xs) - min(xs)
    height = int(min(700, max(300, _AROUND + 820 * deep / max(wide, 1.0))))
    shape = layout(
        "east [m]",
        "north [m]",
        height,
        yaxis={"scaleanchor": "x", "scaleratio": 1, "zeroline": False},
        xaxis={"zeroline": False},
        hovermode="closest",
    )
    # True to scale, the height that fits follows from the width, and in a wide one a deep farm would be a strip.
    box = {"height": f"clamp({_LEAST_HEIGHT}px, {_AROUND + 10}px + {100 * deep / max(wide, 1.0):.0f}vw, {height}px)"}
    if deep > wide:
        box["maxWidth"] = f"{max(_LEAST_WIDTH, int(_AROUND + 1.3 * (height - _AROUND) * wide / deep))}px"
    close = _close(list(at.values()))
    overlap = (
        f"{count(close, 'string')} within {number(_SAME_PLACE)} m of another by x_m and y_m: those marks overlap. "
        if close
        else ""
    )
    return _figure("layout", rows, at, shape, [], overlap, box)


def _lines(rows: list[dict], places: dict[str, Place]) -> html.Figure:
    """A line for each row of an inverter, in the order of strings.csv; where there are many, side by side in blocks."""
    members: dict[tuple[str, str], list[str]] = {}
    nowhere = Place("", "", None, None)
    for r in rows:
        place = places.get(r["string_id"], nowhere)
        members.setdefault((place.inverter, place.row), []).append(r["string_id"])
    words = {key: plain(key[0]) + (f", row {plain(key[1])}" if key[1] else "") for key in members}
    blocks = -(-len(members) // _MOST_LINES)
    per_block = -(-len(members) // blocks)
    longest, named = max(map(len, members.values())), 16 + 7 * max(map(len, words.values()))
    # Between blocks there is room for the names of the next.
    share = min(0.6, named * blocks / _PICTURE)
    wide = longest * (1.0 + share / (1.0 - share)) if blocks > 1 else longest
    at: dict[str, tuple[float, float]] = {}
    names: list[dict] = []
    for n, (key, strings) in enumerate(members.items()):
        block, line = divmod(n, per_block)
        at |= {s: (round(block * wide, 1) + k, line) for k, s in enumerate(strings)}
        names.append({"x": round(block * wide - 0.7, 1), "y": line, "text": words[key]})
    label = {
        "type": "scatter",
        "mode": "text",
        "x": [n["x"] for n in names],
        "y": [n["y"] for n in names],
        "text": [n["text"] for n in names],
        "textposition": "middle left",
        "textfont": {"size": 11},
        "hoverinfo": "skip",
        "showlegend": False,
        "cliponaxis": False,
    }
    bare = {"visible": False, "zeroline": False}
    shape = layout(
        "",
        "",
        90 + 24 * per_block,
        yaxis={**bare, "range": [per_block - 0.3, -0.7]},
        xaxis={**bare, "range": [-0.7, (blocks - 1) * wide + longest - 0.3]},
        hovermode="closest",
        margin={"l": min(150, named), "r": 8, "t": 12, "b": 8},
    )
    return _figure(
        "lines" if blocks == 1 else "lines-blocks",
        rows,
        at,
        shape,
        [label],
        "These strings have no place (x_m, y_m in strings.csv): a line is an inverter or a row of it, in the order of the file. ",
    )


def _figure(
    name: str, rows: list[dict], at: dict[str, tuple[float, float]], shape: dict, more: list[dict], said: str,
    box: dict | None = None,
) -> html.Figure:
    traces = [_marks([r for r in rows if r["finding"] == f], f, at, len(rows)) for f in dict.fromkeys(r["finding"] for r in rows)]
    days = sorted({r["last_round"] for r in rows if r["last_round"]})
    faults = [plain(r["string_id"]) for r in rows if r["finding"] not in _STYLES]
    few = len(rows) <= _MOST_NAMES
    sized = "" if few else ", what is sound has the smallest mark, and faults of a kind have their names where they are few"
    return chart(
        name,
        [*more, *traces],
        shape,
        ["Each mark is a string; its size grows with what it lacks against the strings of the same round, type and plane"
         f"{sized}. ",
         *([numbered("Where it is under 98 % of theirs the number says what it is [%]. ")] if few else []),
         f"Symbol and colour: what it shows. {count(len(rows), 'string')}"
         + (f", last traced {_days(days)}. " if days else ", none of them traced. ")
         + said
         + "Their names, and the way to each, are in the table."],
        f"{count(len(rows), 'string')} as they lie; "
        + (
            f"{count(len(faults), 'is faulty', 'are faulty')}: {listed(faults[:8])}{' and others' if len(faults) > 8 else ''}."
            if faults
            else "none is faulty."
        ),
        box=box,
    )


def _days(days: Sequence[str]) -> str:
    """`on 26 May 2025`, or between the first and the last of sorted dates."""
    return f"on {day(days[0])}" if days[0] == days[-1] else f"between {day(days[0])} and {day(days[-1])}"


def _close(places: Sequence[tuple[float, float]]) -> int:
    """How many lie nearer to another than a mark is wide."""
    by_cell: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for x, y in places:
        by_cell.setdefault((int(x // _SAME_PLACE), int(y // _SAME_PLACE)), []).append((x, y))
    near = 0
    for (i, j), members in by_cell.items():
        around = [p for a in (-1, 0, 1) for b in (-1, 0, 1) for p in by_cell.get((i + a, j + b), [])]
        if len(around) > _CROWD:
            near += len(members)
            continue
        near += sum(sum((x - u) ** 2 + (y - v) ** 2 < _SAME_PLACE**2 for u, v in around) > 1 for x, y in members)
    return near


def _marks(rows: list[dict], finding: str, at: dict[str, tuple[float, float]], total: int) -> dict[str, Any]:
    """The strings of one finding; where there are very many, each carries no more than its name and ratio."""
    colour, symbol = _STYLES.get(finding) or ("orange", _FAULT_SYMBOLS[finding])
    few = total <= _MOST_NAMES
    least = 11.0 if few else max(5.0, 11.0 - total / 300)
    ratio = [r["p_mp_ratio"] for r in rows]
    # A twentieth lost doubles the mark; a lost string does not cover its neighbours.
    size = [least if v is None else round(least + min(14.0, max(0.0, 220.0 * (1.0 - v)))) for v in ratio]
    shares = ["not known" if v is None else per_cent(v) for v in ratio]
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": "markers+text" if few else "markers",
        "name": FINDING_WORDS[finding],
        "x": [at[r["string_id"]][0] for r in rows],
        "y": [at[r["string_id"]][1] for r in rows],
        "marker": {
            "color": COLOURS[colour],
            "symbol": symbol,
            "size": least if finding == "ok" and not few else size,
            "line": {"width": 1 if few else 0.5, "color": COLOURS["grey"]},
        },
    }
    if few:
        known = [[plain(r["string_id"]), s, chance_word(r["confidence"])] for r, s in zip(rows, shares, strict=True)]
        return trace | {
            "text": ["" if v is None or v >= _PLAIN else number(100 * v) for v in ratio],
            "textposition": "bottom center",
            "textfont": {"size": 10},
            "customdata": known,
            "hovertemplate": "%{customdata[0]}: %{customdata[1]} of its peers' power<br>"
            f"{CHANCE_HEAD.lower()}: %{{customdata[2]}}<extra></extra>",
        }
    said = [f"{plain(r['string_id'])}: {s}" for r, s in zip(rows, shares, strict=True)]
    named = {"mode": "markers+text", "text": [plain(r["string_id"]) for r in rows], "textposition": "top center"}
    return trace | {
        **(named if finding in FAULT_FINDINGS and len(rows) <= _MOST_FAULT_NAMES else {}),
        "hovertext": said,
        "hovertemplate": "%{hovertext} of its peers' power<extra></extra>",
    }


def _table(farm: Farm, picked: list[dict] | None) -> html.Div:
    """All strings, or those picked."""
    where: dict[str, object] = {"site_id": farm.id}
    columns = [
        Column("string_id", "String", lambda r: dcc.Link(plain(r["string_id"]), href=farm.at(f"strings/{r['string_id']}"))),
        Column("finding", "Shows", finding_word),
        Column("confidence", CHANCE_HEAD, lambda r: chance_word(r["confidence"]), number=True),
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
                where=where if picked is None else {**where, "string_id": [r["string_id"] for r in picked]},
            ),
            html.P(dcc.Link("All columns", href=rows_behind("string_findings", site_id=farm.id))),
        ]
    )


def _share(value: float | None) -> str:
    return "" if value is None else number(100.0 * value, 1)


PAGE = Page("/farm/<site_id>/strings", "Strings", build)
