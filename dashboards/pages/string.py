"""
One string: its last curve and its history, against the others.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, DASHES, SYMBOLS, chart, interval, layout
from dashboards.parts.farm import Farm, farm_page, fixed, handbook, nothing, said_of, shown
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import lead, sorry
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.report.finding_words import FINDING_WORDS, finding_word
from yieldwatch.report.words import chance_word, count, day, number, per_cent, plain

_HISTORY = (
    ("p_mp_peer", "power"),
    ("i_sc_peer", "short-circuit current"),
    ("v_oc_peer", "open-circuit voltage"),
    ("fill_factor_peer", "fill factor"),
)
_OF_A_CURVE = "%{x:.0f} V: %{y:.2f} A"
_LINES = ("blue", "sky", "green", "purple")


def build(visit: Visit) -> Content:
    string = visit.args["string_id"]
    row = visit.store.row("string_findings", {"site_id": visit.args["site_id"], "string_id": string})
    if row is None:
        return sorry("String", f"There is no string {plain(string)} at this farm.")
    return farm_page(
        visit,
        "strings",
        f"string {plain(string)}",
        "Its last curve and its history, against its peers.",
        lambda farm: _page(farm, row),
        by_period=False,
    )


def _page(farm: Farm, row: dict) -> list:
    string = row["string_id"]
    said: list = []
    if row["finding"] == "not_tested":
        said.append("It was never traced. ")
    else:
        said.append(
            f"It shows: {finding_word(row).replace(': ', ', ')}. The chance of a fault, or of dirt that reads like one, is "
            f"{chance_word(row['confidence'])}. "
        )
        if row["p_mp_ratio"] is not None:
            said.append(f"On {day(row['last_round'])} it gave {per_cent(row['p_mp_ratio'])} of its peers' power. ")
        if row["share_lost"] is not None and row["finding"] in FAULT_FINDINGS:
            off = 1.645 * (row["share_lost_sd"] or 0.0)
            low, high = (min(1.0, max(0.0, row["share_lost"] + s * off)) for s in (-1, 1))
            said.append(
                f"The fault takes {per_cent(row['share_lost'])} of its own power"
                + (f" (90 % interval {per_cent(low)} to {per_cent(high)}). " if per_cent(high) != per_cent(low) else ". ")
            )
    behind = rows_behind("string_findings", site_id=farm.id, string_id=string)
    chances = [(k, row.get(f"p_{k}")) for k in FINDING_WORDS if k != "not_tested"]
    likely = sorted(((k, p) for k, p in chances if p is not None and p >= 0.005), key=lambda kp: -kp[1])
    parts: list = [lead([*said, dcc.Link("The row", href=behind), "."])]
    if row.get("why"):
        parts.append(html.P(said_of(row["why"])))
    if likely:
        parts += [
            grid(
                [
                    Column("k", "What it may be", lambda r: FINDING_WORDS[r["k"]]),
                    Column("p", "Probability", lambda r: chance_word(r["p"]), number=True),
                ],
                [{"k": k, "p": p} for k, p in likely],
                "What its readings can be, by probability; under half a per cent left out",
            )
        ]
    return [
        *parts,
        html.H2("Its curve"),
        *_curve(farm, string),
        html.H2("Its history"),
        *_history(farm, string),
        handbook(row["finding"], "string-reading", "string-rounds", "peers", "stc"),
    ]


def _curve(farm: Farm, string: str) -> list:
    drawn = farm.store.picture(farm.id, "string_curve", string)
    if drawn is None:
        return _key_points(farm, string)
    c, about = drawn.columns, drawn.about
    peer = farm.store.picture(farm.id, "string_curve", about["peer"]) if about["peer"] else None
    traces = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "as its plate says, in the same light and warmth",
            "x": c["plate_v"],
            "y": c["plate_i"],
            "line": {"color": COLOURS["grey"], "dash": DASHES[1], "width": 2},
        },
        *_peer(peer, about),
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": "traced",
            "x": c["v"],
            "y": c["i"],
            "line": {"color": COLOURS["blue"], "width": 2},
            "marker": {"size": 5},
            "hovertemplate": _OF_A_CURVE,
        },
    ]
    rows = [dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)]
    columns = [
        Column("v", "Voltage [V]", lambda r: number(r["v"], 1), number=True),
        Column("i", "Traced [A]", lambda r: number(r["i"], 3), number=True),
        Column(
            "plate_v", "By the plate, voltage [V]", lambda r: "" if r["plate_v"] is None else number(r["plate_v"], 1), number=True
        ),
        Column("plate_i", "current [A]", lambda r: "" if r["plate_i"] is None else number(r["plate_i"], 3), number=True),
    ]
    return [
        chart(
            "curve",
            traces,
            layout("voltage [V]", "current [A]", 360, yaxis={"rangemode": "tozero"}),
            f"Current over voltage as traced on {day(about['day'])} at {number(about['light_w_m2'])} W/m² and "
            f"{number(about['temp_cell_c'])} °C cell temperature, {len(rows)} of {about['points']} points (trace "
            f"{plain(about['trace_id'])}), beside what the datasheet gives in the same light and warmth"
            + (
                f", and {plain(about['peer'])}, a sound string of its type on the same round, brought to its light"
                if peer
                else ""
            )
            + ". The light sensor of the round may move the whole curve up or down by some per cent; its shape is its own.",
            f"Current over voltage of string {plain(string)}, traced and by its plate.",
            columns,
            rows,
        )
    ]


def _peer(peer: Drawn | None, about: dict) -> list[dict]:
    """A sound string's curve; its current goes with the light, which is nearly the same."""
    if peer is None:
        return []
    light = about["light_w_m2"] / peer.about["light_w_m2"]
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": f"{plain(peer.item)}, a sound peer",
            "x": peer.columns["v"],
            "y": [None if i is None else round(light * i, 3) for i in peer.columns["i"]],
            "line": {"color": COLOURS["green"], "dash": DASHES[2], "width": 2},
            "hovertemplate": _OF_A_CURVE,
        }
    ]


def _inverter(farm: Farm, string: str) -> str | None:
    drawn = farm.store.picture(farm.id, "string_layout")
    at = dict(zip(drawn.columns["string_id"], drawn.columns["inverter_id"], strict=True)) if drawn is not None else {}
    return at.get(string)


def _key_points(farm: Farm, string: str) -> list:
    drawn = farm.store.picture(farm.id, "string_points", _inverter(farm, string) or "")
    at = drawn.columns["string_id"].index(string) if drawn is not None and string in drawn.columns["string_id"] else None
    if drawn is None or at is None or drawn.columns["i_sc"][at] is None:
        return [nothing("No fit trace of it is on record.")]
    c = {k: v[at] for k, v in drawn.columns.items()}

    def points(prefix: str, name: str, colour: str, symbol: str, dash: str) -> dict:
        return {
            "type": "scatter",
            "mode": "lines+markers",
            "name": name,
            "x": [0.0, c[f"{prefix}v_mp"], c[f"{prefix}v_oc"]],
            "y": [c[f"{prefix}i_sc"], c[f"{prefix}i_mp"], 0.0],
            "line": {"color": COLOURS[colour], "dash": dash, "width": 2, "shape": "linear"},
            "marker": {"size": 9, "symbol": symbol},
            "hovertemplate": _OF_A_CURVE,
        }

    traces = [
        points("plate_", "its plate", "grey", SYMBOLS[1], DASHES[1]),
        points("", "last traced", "blue", SYMBOLS[0], DASHES[0]),
    ]
    names = (
        ("i_sc", "Short-circuit current [A]"),
        ("i_mp", "Current at most power [A]"),
        ("v_mp", "Voltage at most power [V]"),
        ("v_oc", "Open-circuit voltage [V]"),
    )
    rows = [{"name": word, "own": c[k], "plate": c[f"plate_{k}"]} for k, word in names]
    columns = [
        Column("name", "Point", lambda r: r["name"]),
        Column("own", "Last traced", lambda r: number(r["own"], 2), number=True),
        Column("plate", "Plate", lambda r: number(r["plate"], 2), number=True),
    ]
    return [
        chart(
            "curve",
            traces,
            layout("voltage [V]", "current [A]", 340, yaxis={"rangemode": "tozero"}),
            "The three points that were kept of its last fit trace, brought to 1000 W/m² and 25 °C, beside its plate; straight "
            "lines only join them. The whole curve is kept where the tracer's file has it (iv_curves).",
            f"Key points of string {plain(string)} and of its plate.",
            columns,
            rows,
        )
    ]


def _history(farm: Farm, string: str) -> list:
    drawn = farm.store.picture(farm.id, "string_rounds", _inverter(farm, string) or "")
    c = drawn.columns if drawn is not None else {}
    rows = [{k: v[p] for k, v in c.items()} for p, s in enumerate(c.get("string_id", [])) if s == string]
    if not rows:
        return [nothing("No round traced it.")]
    rows.sort(key=lambda r: r["day"])
    fit = [r for r in rows if r["grade"] != "unfit"]
    traces = []
    for place, (key, word) in enumerate(_HISTORY):
        values = [None if r[key] is None else 100 * r[key] for r in fit]
        trace = {
            "type": "scatter",
            "mode": "lines+markers",
            "name": word,
            "x": [r["day"] for r in fit],
            "y": values,
            "line": {"color": COLOURS[_LINES[place]], "dash": DASHES[place], "width": 1},
            "marker": {"symbol": SYMBOLS[place], "size": 9},
            "hovertemplate": "%{x|%d %b %Y}: %{y:.1f} %<extra>" + word + "</extra>",
        }
        if key == "p_mp_peer":
            half = [164.5 * (r["p_mp_peer_u"] or 0.0) for r in fit]
            trace["error_y"] = interval(
                values, *([None if v is None else v + s * h for v, h in zip(values, half, strict=True)] for s in (-1, 1))
            )
        traces.append(trace)
    columns = [
        Column("day", "Day", lambda r: fixed(day(r["day"]))),
        Column("grade", "Trace", lambda r: r["grade"] + (f": {plain(r['reason'])}" if r["reason"] else "")),
        Column("light_w_m2", "Light [W/m²]", lambda r: number(r["light_w_m2"]), number=True),
        Column("p_mp_stc_w", "Power at standard conditions [W]", lambda r: number(r["p_mp_stc_w"]), number=True),
        *(Column(k, f"{w.capitalize()} against peers [%]", shown(k, 1, 100.0), number=True) for k, w in _HISTORY),
    ]
    left = len(rows) - len(fit)
    return [
        chart(
            "history",
            traces,
            layout("", "against its peers [%]", 340, xaxis={"type": "date", "tickformat": "%b\n%Y"}),
            f"Against the strings of the same round, type and plane [%], {count(len(rows), 'trace')} from "
            f"{day(rows[0]['day'])} to "
            f"{day(rows[-1]['day'])}"
            + (f", {count(left, 'unfit trace')} not drawn" if left else "")
            + ". Whiskers: 90 % interval of the power. The light sensor's error is shared by a round and drops out.",
            f"String {plain(string)} against its peers, round by round.",
        ),
        grid(columns, rows, "Every trace of it"),
    ]


PAGE = Page("/farm/<site_id>/strings/<string_id>", "String", build)
