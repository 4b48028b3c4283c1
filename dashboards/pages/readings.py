"""
One farm's readings: how complete they are, what was set aside, clocks and sensors, and what each gap costs in certainty.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.pages.why import rival_word
from dashboards.parts.charts import COLOURS, DASHES, SYMBOLS, chart, interval, layout, numbered
from dashboards.parts.farm import FADING, Farm, farm_page, handbook, nothing, noticed, shown, span_words, told
from dashboards.parts.tables import Column, grid, stored_table
from dashboards.parts.words import lead
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.field.read import notices_beside_rows
from yieldwatch.report.source_words import TABLE_WORDS
from yieldwatch.report.words import (
    RIVAL_WORDS,
    EnergyUnit,
    cause_word,
    count,
    day,
    listed,
    month_name,
    number,
    per_cent,
    plain,
)

#: What each gap is, and what closes it; the other gaps are rivals.
_GAPS = {
    "not_measured": ("months that nothing measured", "Read the revenue meter for them, or the inverters' own memory."),
    "filled": (
        "gaps of the log, filled by the model",
        "Fetch the missing hours from the loggers' memory; read the meter more often.",
    ),
    "light_modelled": (
        "hours whose light or temperature was modelled",
        "Fetch them from the sensor's memory; add a second source.",
    ),
    "unseen": ("what may be there unseen", "See what would settle the cause."),
    "form": ("how the cause acts is only about right", "A direct measurement of this cause; see what would settle it."),
}
_CLOSES = {
    "light_sensor": "Clean and calibrate the light sensor, or set a calibrated second one beside it for some weeks.",
    "model": "A longer record: each season and sun position must come more than once.",
    "inverter_level": "A round of all strings, or a power analyser at each inverter.",
    "round_sensor": "Trace with a calibrated reference cell of the same technology in the plane of the modules.",
}
#: Rows of the gaps' table: what costs least is left to the rows of the picture.
_MOST_GAPS = 10
#: Share from which a month counts as whole, and rows of the table of what is missing.
_WHOLE, _MOST_HOLES = 0.995, 30
#: Least share missing at which the colour may be full. [%]
_FAINT = 10.0


def build(visit: Visit) -> Content:
    return farm_page(
        visit, "readings", "readings and gaps", "How complete the readings are, how far to trust them, what gaps cost.", _page
    )


def _page(farm: Farm) -> list:
    return [
        lead(_lead(farm)),
        html.H2("What each gap costs in certainty"),
        *_gaps(farm),
        html.H2("Coverage by month"),
        *_coverage(farm),
        html.H2("The light sensor"),
        *told(farm, "unexplained"),
        *_light(farm),
        html.H2("The clocks"),
        *_clock(farm),
        html.H2("Files and rows set aside"),
        *_files(farm),
        html.H2("What the reader and the fit remarked"),
        *_notices(farm),
        handbook("readings-checked", "measured", "weather-gaps", "light-sensor", "set-aside", "unexplained"),
    ]


def _lead(farm: Farm) -> str:
    files = farm.store.rows("files", {"site_id": farm.id})
    aside, rows = sum(f["set_aside"] for f in files), sum(f["rows"] for f in files)
    known = farm.coverage or "nothing measured the energy"
    left = f"{count(aside, 'row')}, or values in them, set aside" if aside else "none was set aside"
    return (
        f"In {farm.period.words} {known}. {count(rows, 'row')} were read from {count(len(files), 'file')}; {left}"
        f"{f' ({per_cent(aside / rows, 1)})' if rows and aside / rows >= 0.001 else ''}."
    )


def _gaps(farm: Farm) -> list:
    drawn = farm.store.picture(farm.id, "gaps")
    if drawn is None:
        return [nothing("This assessment did not work it out.")]
    c, about = drawn.columns, drawn.about
    rows = sorted((dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)), key=lambda r: -r["energy_kwh"])
    unit = EnergyUnit.fitting(about["expected_kwh"])
    largest = rows[:_MOST_GAPS]
    columns = [
        Column(
            "gap", "Gap", lambda r: _GAPS[r["gap"]][0] if r["gap"] in _GAPS else RIVAL_WORDS.get(r["gap"], rival_word(r["gap"]))
        ),
        Column(
            "cause",
            "Makes unsure",
            lambda r: (
                dcc.Link(cause_word(r["cause"]), href=farm.at(f"why/{r['cause']}")) if r["cause"] else "the account as a whole"
            ),
        ),
        Column("energy_kwh", f"By up to [{unit.name}]", lambda r: unit.bare(r["energy_kwh"]), number=True),
        Column("share", "Of the expected energy", lambda r: per_cent(r["energy_kwh"] / about["expected_kwh"], 2), number=True),
        Column("closes", "What would close it", lambda r: _GAPS[r["gap"]][1] if r["gap"] in _GAPS else _CLOSES.get(r["gap"], "")),
    ]
    span = span_words(about["from_month"], about["to_month"])
    return [
        grid(
            columns,
            largest,
            f"Over {span}. For a cause: how far one end of its 90 % interval lies off for this reason; such parts do "
            "not add up plainly. For the whole account: the energy that rests on filling.",
        ),
        html.P(
            f"{len(rows) - len(largest)} smaller ones, the largest {unit.text(rows[len(largest)]['energy_kwh'])}, are left out.",
            className="quiet",
        )
        if len(rows) > len(largest)
        else "",
    ]


def _coverage(farm: Farm) -> list:
    items = farm.store.items(farm.id, "coverage")
    series = {n: p for n in items if (p := farm.store.picture(farm.id, "coverage", n)) is not None}
    months = list(farm.picked.record)
    lines = {plain(n): dict(zip(p.columns["month"], p.columns["share"], strict=True)) for n, p in series.items()}
    lines["energy measured"] = {m: farm.losses.yields[m]["coverage"] for m in months}
    names = list(lines)[::-1]
    z = [[None if (v := lines[n].get(m)) is None else 100 * (1 - v) for m in months] for n in names]
    traces = [
        {
            "type": "heatmap",
            "x": [f"{m}-01" for m in months],
            "y": names,
            "z": z,
            "zmin": 0,
            "zmax": max(_FAINT, max((v for row in z for v in row if v is not None), default=0.0)),
            "colorscale": FADING,
            "xgap": 2,
            "ygap": 2,
            "colorbar": {"title": {"text": "missing [%]", "side": "right"}, "thickness": 12, "outlinewidth": 0},
            "text": [["" if v is None or v < 0.5 else number(v) for v in row] for row in z],
            "texttemplate": "%{text}" if len(months) <= 36 else "",
            "textfont": {"size": 10},
            "hovertemplate": "%{y}, %{x|%b %Y}: %{z:.1f} %<extra></extra>",
        }
    ]
    gaps = [
        {"month": m, "source": n, "share": v} for n in lines for m in farm.period.months if (v := lines[n].get(m)) is not None
    ]
    gaps = sorted((r for r in gaps if r["share"] < _WHOLE), key=lambda r: r["share"])
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        Column("source", "Source", lambda r: r["source"]),
        Column("share", "There [%]", shown("share", 1, 100.0), number=True),
    ]
    shape = layout(
        "", "", 90 + 34 * len(names), xaxis={"type": "date", "tickformat": "%b\n%Y", "showgrid": False}, yaxis={"showgrid": False}
    )
    short = [m for m in farm.period.months if (v := farm.losses.yields[m]["coverage"]) is None or v < 0.95]
    said = (
        f"Under 95 % of the energy was measured in {listed([month_name(m) for m in short[:6]])}"
        + (f" and {len(short) - 6} other months." if len(short) > 6 else ".")
        if short
        else f"In every month of {farm.period.words} 95 % of the energy or more was measured."
    )
    return [
        html.P(said),
        chart(
            "coverage",
            traces,
            shape,
            ["Share of each month's intervals that lack a reading, by table and inverter, and of its expected energy that was "
             "not measured [%]", numbered("; numbers from 0.5 % on"), ". No cell: the source does not reach into that month. "
             f"The table has the {_MOST_HOLES} largest gaps of {farm.period.words}."],
            f"Coverage by month and source: {count(len(gaps), 'month')} of a source with under 99.5 % in {farm.period.words}.",
            columns,
            gaps[:_MOST_HOLES],
        ),
    ]


def _points(drawn: Drawn, x: list[str], key: str, name: str, style: int) -> dict:
    values = drawn.columns[key]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": x,
        "y": values,
        "marker": {"color": list(COLOURS.values())[style], "symbol": SYMBOLS[style], "size": 9},
        "error_y": interval(values, drawn.columns[f"{key}_low"], drawn.columns[f"{key}_high"]),
        "hovertemplate": "%{x|%d %b %Y}: %{y:+.1f} %<extra>" + name + "</extra>",
    }


def _light(farm: Farm) -> list:
    second, visits = farm.store.picture(farm.id, "second_light"), farm.store.picture(farm.id, "visit_light")
    corrected = next((r["light_correction_pct"] for r in farm.losses.yields.values()), None)
    said = (
        [
            html.P(
                f"The expected energy holds {number(abs(corrected), 1)} % {'more' if corrected > 0 else 'less'} "
                "than the light as read, "
                "because light read on visits, strings against their plate and the energy itself say so."
            )
        ]
        if corrected
        else []
    )
    traces, rows, sources = [], [], []
    if second is not None:
        sources.append("the second weather source by month (median of whole days)")
        traces.append(_points(second, [f"{m}-15" for m in second.columns["month"]], "off_pct", "second source, month", 0))
        rows += [
            {"when": month_name(m), "kind": "second source", "value": v, "low": lo, "high": hi, "n": n}
            for m, v, lo, hi, n in zip(
                *(second.columns[k] for k in ("month", "off_pct", "off_pct_low", "off_pct_high", "days")), strict=True
            )
        ]
    if visits is not None:
        sources.append("handheld sensors on visits (median of the visit)")
        traces.append(_points(visits, visits.columns["day"], "off_pct", "light read on a visit", 1))
        rows += [
            {"when": day(m), "kind": k, "value": v, "low": lo, "high": hi, "n": n}
            for m, k, v, lo, hi, n in zip(
                *(visits.columns[k] for k in ("day", "kind", "off_pct", "off_pct_low", "off_pct_high", "readings")), strict=True
            )
        ]
    if not traces:
        return [
            *said,
            nothing(
                "Nothing stands beside the light sensor: no second source over the same time, and no visit that read the "
                "light in steady sun. A drift of the sensor would go unseen, or look like dirt or age."
            ),
        ]
    columns = [
        Column("when", "When", lambda r: r["when"]),
        Column("kind", "What", lambda r: r["kind"]),
        Column("value", "Off [%]", lambda r: number(r["value"], 1), number=True),
        Column(
            "span",
            "90 % interval [%]",
            lambda r: "" if r["low"] is None else f"{number(r['low'], 1)} to {number(r['high'], 1)}",
            number=True,
        ),
        Column("n", "Days or readings", lambda r: number(r["n"]), number=True),
    ]
    shape = layout("", "above the light sensor [%]", 320, xaxis={"type": "date", "tickformat": "%b\n%Y"})
    return [
        *said,
        chart(
            "light",
            traces,
            shape,
            f"What other sources read above the farm's light sensor [%]: {' and '.join(sources)}. "
            "Whiskers: 90 % interval of the median, "
            "without the constant error of the other sensor, which may itself be some per cent. A slow rise means "
            "that the farm's sensor reads less and less: dirt on it, or drift.",
            f"Other light sources above the farm's sensor over time [%]: {_extremes([r['value'] for r in rows])}.",
            columns,
            rows,
        ),
    ]


def _clock(farm: Farm) -> list:
    drawn = farm.store.picture(farm.id, "clock")
    if drawn is None:
        return [
            nothing(
                "There is no interval log, or too few undisturbed days in it, so the clocks of light and power "
                "cannot be compared."
            )
        ]
    c = drawn.columns
    known = [v for v in c["behind_min"] if v is not None]
    middle = sorted(known)[len(known) // 2] if known else 0.0
    off = number(abs(middle), 1)
    runs = f"{off} minutes {'behind' if middle >= 0 else 'ahead of'}" if off.strip("0.") else "together with"
    x = [f"{m}-15" for m in c["month"]]
    traces = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "x": x,
            "y": c["behind_min"],
            "marker": {"size": 8},
            "line": {"color": COLOURS["blue"], "dash": DASHES[0]},
            "error_y": interval(c["behind_min"], c["behind_min_low"], c["behind_min_high"]),
            "hovertemplate": "%{x|%b %Y}: %{y:+.1f} min<extra></extra>",
        }
    ]
    rows = [dict(zip(c, values, strict=True)) for values in zip(*c.values(), strict=True)]
    rows = [r for r in rows if r["month"] in farm.period.months]
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        Column(
            "behind_min", "Behind [min]", lambda r: "" if r["behind_min"] is None else number(r["behind_min"], 1), number=True
        ),
        Column(
            "span",
            "90 % interval [min]",
            lambda r: "" if r["behind_min"] is None else f"{number(r['behind_min_low'], 1)} to {number(r['behind_min_high'], 1)}",
            number=True,
        ),
        Column("days", "Days", lambda r: number(r["days"]), number=True),
    ]
    shape = layout("", "log behind the light [min]", 280, showlegend=False, xaxis={"type": "date", "tickformat": "%b\n%Y"})
    return [
        html.P(
            f"In the median month the inverters' log runs {runs} the light. A clock that is an hour or "
            "half an interval off, or jumps in March and October, is a setting to correct; a few minutes may be "
            "shade or sensor tilt."
        ),
        chart(
            "clock",
            traces,
            shape,
            "By how many minutes the day's curve in the log lies behind that of the light, median of each month's undisturbed "
            f"days with the 90 % interval of the median, {span_words(c['month'][0], c['month'][-1])}; the table has the months "
            f"of {farm.period.words}.",
            f"Minutes by which the log lies behind the light, month by month: {_extremes(known)}.",
            columns,
            rows,
        ),
    ]


def _extremes(values: list[float]) -> str:
    """What a reader who cannot see a series of points needs of it."""
    known = sorted(v for v in values if v is not None)
    if not known:
        return "none known"
    return f"median {number(known[len(known) // 2], 1)}, from {number(known[0], 1)} to {number(known[-1], 1)}"


def _files(farm: Farm) -> list:
    columns = [
        Column("table", "Table", lambda r: TABLE_WORDS.get(r["table"], plain(r["table"]))),
        Column("file", "File", lambda r: plain(r["file"])),
        Column("rows", "Rows", lambda r: number(r["rows"]), number=True),
        Column("used", "Used", lambda r: number(r["used"]), number=True),
        Column(
            "set_aside",
            "Set aside",
            lambda r: dcc.Link(number(r["set_aside"]), href=rows_behind("set_aside", file=r["file"])) if r["set_aside"] else "0",
            number=True,
        ),
        Column("after_as_of", "After the as-of date", lambda r: number(r["after_as_of"]), number=True),
    ]
    caption = "Every file that was read: rows = used + set aside + after the as-of date"
    return [stored_table(farm.visit, "files", columns, caption, "set_aside", descending=True, where={"site_id": farm.id})]


def _notices(farm: Farm) -> list:
    notices = list(notices_beside_rows(r["words"] for r in farm.store.rows("notices", {"site_id": farm.id})))
    notices += [r["words"] for r in farm.store.rows("notices", {"site_id": ""}) if str(r["words"]).startswith(f"{farm.id}: ")]
    return (
        [html.Ul([html.Li(noticed(w, farm.id)) for w in notices], className="plain")]
        if notices
        else [html.P("Nothing.")]
    )


PAGE = Page("/farm/<site_id>/readings", "Readings and gaps", build)
