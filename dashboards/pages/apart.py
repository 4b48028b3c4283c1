"""
One farm: what the evidence cannot tell apart, and what would settle it.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.pages.why import rival_word
from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.farm import Farm, farm_page, handbook, said_of, span_words, wrapped
from dashboards.parts.period import Period
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import lead
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import BASIS_WORDS, EnergyUnit, cause_word, number, per_cent, plain


def build(visit: Visit) -> Content:
    return farm_page(
        visit,
        "apart",
        "what cannot be told apart",
        "What trades off with what, and the measurement that would decide.",
        _page,
        by_period=False,
    )


def _page(farm: Farm) -> list:
    evidence = farm.store.evidence(farm.id)
    spans = sorted({(w["from_month"], w["to_month"]) for w in evidence.values()})
    # In the unit of the farm's other pages, which is that of the whole.
    inside = [r for m, r in farm.losses.yields.items() if spans and spans[-1][0] <= m <= spans[-1][1]]
    unit = EnergyUnit.fitting(sum(r["expected_kwh"] or 0.0 for r in inside))
    pairs = sorted(
        ({"cause": c, **r} for c, why in evidence.items() for r in why["rivals"]), key=lambda r: -abs(r["moves_kwh"] or 0.0)
    )
    period = span_words(*spans[-1]) if spans else ""
    unknown = [(c, w) for c, w in evidence.items() if w["why_not"]]
    return [
        lead(_lead(pairs, period, unit)),
        *_pairs(farm, pairs, unit, period),
        html.H2("What would settle it, cause by cause"),
        _settle(farm, evidence, unit),
        html.H2("Readings that could be made next"),
        *_readings(farm),
        html.H2("What the data at hand cannot tell"),
        *_unknown(farm, unknown),
        handbook("trade-offs", "joint-inference", "light-sensor", "basis"),
    ]


def _lead(pairs: list[dict], period: str, unit: EnergyUnit) -> str:
    if not pairs:
        return (
            f"Over {period} no cause's energy moves with another by more than chance would show. What looks alike in kind is "
            "listed below all the same."
        )
    top = pairs[0]
    return (
        f"Over {period} the largest trade-off is between {cause_word(top['cause'])} and "
        f"{rival_word(top['name'])}: as the second goes "
        f"from its middle to an end of its 90 % interval, the first moves by {unit.text(abs(top['moves_kwh']))}."
    )


def _pairs(farm: Farm, pairs: list[dict], unit: EnergyUnit, period: str) -> list:
    if not pairs:
        return []
    names = [f"{cause_word(r['cause'])}, as {rival_word(r['name'])} moves" for r in pairs]
    traces = [
        {
            "type": "bar",
            "orientation": "h",
            "x": [abs(r["moves_kwh"]) * unit.per_kwh for r in reversed(pairs)],
            "y": [wrapped(n, 22) for n in names[::-1]],
            "marker": {"color": COLOURS["blue"]},
            "hovertemplate": "%{y}: %{x:.2f} " + unit.name + "<extra></extra>",
        }
    ]
    columns = [
        Column("a", "Cause", lambda r: dcc.Link(cause_word(r["cause"]), href=farm.at(f"why/{r['cause']}"))),
        Column("b", "Trades off with", lambda r: rival_word(r["name"])),
        Column("moves", f"Moves by [{unit.name}]", lambda r: unit.bare(abs(r["moves_kwh"])), number=True),
        Column("c", "Correlation", lambda r: number(r["correlation"], 2), number=True),
    ]
    return [
        chart(
            "pairs",
            traces,
            layout(
                f"moves by [{unit.name}]",
                "",
                90 + 58 * len(pairs),
                xaxis={"rangemode": "tozero"},
            ),
            f"How far each cause's energy moves [{unit.name}, {period}] as its rival goes from its middle to an end of its 90 % "
            "interval. Where the correlation in the table is negative, what one has less the other has more, and their sum "
            f"is known better than either. {farm.covered(Period(farm.picked.record[-12:]))}.",
            f"Trade-offs [{unit.name}]: "
            + "; ".join(f"{n}: {unit.bare(abs(r['moves_kwh']))}" for n, r in zip(names, pairs, strict=True))
            + ".",
            columns,
            pairs,
        )
    ]


def _settle(farm: Farm, evidence: dict[str, dict], unit: EnergyUnit) -> html.Div:
    rows = sorted(
        ({"cause": c, **w} for c, w in evidence.items() if w["settle"]),
        key=lambda r: -((r["high_kwh"] or 0.0) - (r["low_kwh"] or 0.0)),
    )
    columns = [
        Column("cause", "Cause", lambda r: dcc.Link(cause_word(r["cause"]), href=farm.at(f"why/{r['cause']}"))),
        Column(
            "width",
            f"90 % interval [{unit.name}]",
            lambda r: (
                "not assessed" if r["energy_kwh"] is None else said_of(f"{unit.bare(r['low_kwh'])} to {unit.bare(r['high_kwh'])}")
            ),
            number=True,
        ),
        Column("looks_like", "Looks like it", lambda r: said_of(r["looks_like"])),
        Column("settle", "Would settle it", lambda r: said_of(r["settle"])),
    ]
    return grid(columns, rows, "The widest interval first: there a measurement is worth most")


def _readings(farm: Farm) -> list:
    """What each reading would be worth in decisions that it may turn."""
    rows = farm.store.rows("next_measurements", {"site_id": farm.id}, ["rank"]) if farm.store.has("next_measurements") else []
    if not rows:
        return [html.P("No reading that could be made would bear on a job of this farm.")]
    currency = plain(farm.store.about()["currency"])
    columns = [
        Column("how", "Reading", lambda r: html.Div([said_of(r["how"]), f" ({_scope(r['scope'])})", _caution(r)])),
        Column("chance_of_change", "Chance that it turns a decision", lambda r: per_cent(r["chance_of_change"], 0), number=True),
        Column("worth", f"Worth [{currency}]", lambda r: _worth(r), number=True),
        Column("cost", f"Cost [{currency}]", lambda r: "not known" if r["cost"] is None else number(r["cost"]), number=True),
        Column("verdict", "So", lambda r: said_of(r["verdict"])),
    ]
    table = grid(
        columns,
        rows,
        "Worth: how much better the decisions get in the mean, at present value; in brackets the 90 % range that its draws leave",
    )
    certain = rows[0]["worth_if_certain"]
    most = [] if certain is None else [html.P(
        f"To know for certain what each job of this farm returns would be worth {currency} {number(certain)} in the mean: no "
        "reading can be worth more, nor can all of them together.")]
    return [
        table,
        *most,
        html.P(
            [
                dcc.Link("The rows", href=rows_behind("next_measurements", site_id=farm.id)),
                " · ",
                dcc.Link("Hours with light enough", href=rows_behind("bright_hours", site_id=farm.id)),
            ]
        ),
    ]


def _scope(scope: str) -> str:
    return "the whole farm" if scope == "site" else plain(scope)


def _worth(row: dict) -> str:
    if row["worth"] is None:
        return "not known"
    return f"{number(row['worth'])} ({number(row['worth_low'])} to {number(row['worth_high'])})"


def _caution(row: dict) -> html.Details | str:
    return html.Details([html.Summary("Caution"), html.P(said_of(row["caution"]))]) if row["caution"] else ""


def _unknown(farm: Farm, unknown: list[tuple[str, dict]]) -> list:
    if not unknown:
        return [html.P("Every cause rests on the farm's own data.")]
    return [
        html.Ul(
            [html.Li([html.B(cause_word(c)), f" ({BASIS_WORDS[w['basis']]}): {said_of(w['why_not'])}"]) for c, w in unknown],
            className="plain",
        ),
        html.P(dcc.Link("What each gap costs in certainty", href=farm.at("readings"))),
    ]


PAGE = Page("/farm/<site_id>/apart", "What cannot be told apart", build)
