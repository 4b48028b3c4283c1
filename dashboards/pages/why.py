"""
Why one cause has its size at one farm: the evidence as the assessment put it down.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import chart, interval, layout
from dashboards.parts.farm import EVIDENCE_PAGES, Farm, farm_page, handbook, month_bars, nothing, said_of, shown, span_words
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import lead, sorry
from dashboards.visit import Content, Page, Visit
from yieldwatch.constants import CAUSES
from yieldwatch.report.words import (
    BASIS_WORDS,
    RIVAL_WORDS,
    EnergyUnit,
    cause_word,
    day,
    month_name,
    number,
    plain,
)

#: Below this a figure has decimals.
_LARGE = 100.0


def build(visit: Visit) -> Content:
    cause = visit.args["cause"]
    if cause not in CAUSES:
        return sorry("Evidence", f"There is no cause named {plain(cause)}.")
    return farm_page(visit, "", cause_word(cause), "Why it has the size it has.", lambda farm: _page(farm, cause))


def _page(farm: Farm, cause: str) -> list:
    why = farm.store.evidence(farm.id).get(cause)
    if why is None:
        return [nothing("This assessment has nothing on this cause.")]
    unit = EnergyUnit.fitting(farm.losses.expected(farm.period))
    energy = farm.losses.energy([cause], (farm.period, 1.0))
    took = (
        [
            f"In {farm.period.words} it took ",
            farm.figure(energy, unit, cause, farm.period),
            ". It rests on ",
            BASIS_WORDS[why["basis"]],
            ". ",
        ]
        if energy.known
        else ["It was not assessed. "]
    )
    spanned = span_words(why["from_month"], why["to_month"])
    look = [html.P(dcc.Link("The picture of it", href=farm.at(EVIDENCE_PAGES[cause])))] if cause in EVIDENCE_PAGES else []
    return [
        lead([*took, said_of(why["why_not"])]),
        *look,
        *_months(farm, cause),
        html.H2("What the readings show"),
        html.P([said_of(why["pattern"]) or "Nothing.", html.Span(f" ({spanned})", className="quiet")]),
        *_figures(why),
        *_readings(why),
        html.H2("What it may be confused with"),
        *_rivals(why, unit),
        html.H2("What would settle it"),
        html.P(said_of(why["settle"]) or "Nothing more is needed."),
        html.H2("What would change the answer"),
        html.Ul([html.Li(said_of(t["says"])) for t in why["turns"]], className="plain")
        if why["turns"]
        else html.P("Nothing is known that would."),
        handbook(cause, "trade-offs", "intervals"),
    ]


def _months(farm: Farm, cause: str) -> list:
    rows = [farm.losses.row(cause, m) or {"month": m, "energy_kwh": None} for m in farm.picked.record]
    known = [r for r in rows if r["energy_kwh"] is not None]
    if not known:
        return []
    unit = EnergyUnit.fitting(*(r["energy_high_kwh"] for r in known))
    most = max(known, key=lambda r: r["energy_kwh"])

    def scaled(key: str) -> list:
        return [None if r["energy_kwh"] is None else r[key] * unit.per_kwh for r in rows]

    values = scaled("energy_kwh")
    trace = {
        "type": "bar",
        "x": [f"{r['month']}-01" for r in rows],
        "y": values,
        "marker": month_bars([r["month"] in farm.period.months for r in rows]),
        "error_y": interval(values, scaled("energy_low_kwh"), scaled("energy_high_kwh")),
        "hovertemplate": "%{x|%b %Y}: %{y:.2f} " + unit.name + "<extra></extra>",
    }
    shape = layout("", f"lost [{unit.name}]", 260, showlegend=False, xaxis={"type": "date", "tickformat": "%b\n%Y"})
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        *(
            Column(
                k,
                f"{head} [{unit.name}]",
                shown(k, unit.decimals, unit.per_kwh),
                number=True,
            )
            for k, head in (("energy_kwh", "Lost"), ("energy_low_kwh", "Low"), ("energy_high_kwh", "High"))
        ),
    ]
    return [
        chart(
            "months",
            [trace],
            shape,
            [
                f"Lost each month [{unit.name}]; blue: {farm.period.words}, hatched: the rest of the record. "
                "Whiskers: 90 % interval. A bar is what the evidence shows; its interval holds what may have gone unseen too. ",
                dcc.Link("The rows", href=rows_behind("losses", site_id=farm.id, cause=cause)),
                ".",
            ],
            f"Energy lost to {cause_word(cause)} by month; most in {month_name(most['month'])}, {unit.text(most['energy_kwh'])}.",
            columns,
            [r for r in rows if r["month"] in farm.period.months],
        )
    ]


def _figures(why: dict) -> list:
    columns = [
        Column("name", "What", lambda r: plain(r["name"]) + (f", {plain(r['where'])}" if r["where"] else "")),
        Column("value", "Value", lambda r: f"{_number(r['value'])} {plain(r['unit'])}", number=True),
        Column(
            "low",
            "90 % interval",
            lambda r: "" if r["low"] is None else f"{_number(r['low'])} to {_number(r['high'])}",
            number=True,
        ),
        Column("note", "Note", lambda r: plain(r["note"])),
    ]
    return (
        [html.Details([html.Summary("As numbers"), grid(columns, why["figures"], "The pattern as numbers")])]
        if why["figures"]
        else []
    )


def _number(value: float | None) -> str:
    return number(value, 0 if value is not None and abs(value) >= _LARGE else 2)


def _readings(why: dict) -> list:
    if not why["readings"]:
        return [html.P("No readings stand behind it.")]
    columns = [
        Column("what", "Rests on", lambda r: plain(r["what"])),
        Column("count", "How many", lambda r: f"{r['count']:,} {plain(r['unit'])}", number=True),
        Column("first", "From", lambda r: day(r["first"])),
        Column("last", "To", lambda r: day(r["last"])),
    ]
    return [grid(columns, why["readings"], "Readings that it rests on")]


def _rivals(why: dict, unit: EnergyUnit) -> list:
    said = [html.P(said_of(why["looks_like"]))] if why["looks_like"] else []
    if not why["rivals"]:
        return said or [html.P("Nothing is known that looks like it.")]
    return [
        *said,
        html.P("By the fit, its energy trades off with:"),
        html.Ul(
            [
                html.Li(
                    f"{rival_word(r['name'])}: its going to an end of its interval moves this by "
                    f"{unit.text(abs(r['moves_kwh']))} "
                    f"(correlation {number(r['correlation'], 2)})."
                )
                for r in why["rivals"]
            ],
            className="plain",
        ),
    ]


def rival_word(name: str) -> str:
    return RIVAL_WORDS.get(name) or cause_word(name)


PAGE = Page("/farm/<site_id>/why/<cause>", "Evidence", build)
