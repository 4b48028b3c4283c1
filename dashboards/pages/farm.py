"""
One farm: losses by month and by cause, over any period and against any other.
"""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import PERIOD_LOOKS, PeriodLook, chart, interval, layout
from dashboards.parts.farm import EVIDENCE_PAGES, Farm, change_of, farm_page, handbook, month_bars, signed, wrapped
from dashboards.parts.tables import Column, grid
from dashboards.parts.words import Figure, joined, lead, stated
from dashboards.visit import Content, Page, Visit
from yieldwatch.constants import LEFT_ON
from yieldwatch.report.totals import IN_HAND_PARTS, Amount
from yieldwatch.report.words import (
    BASIS_WORDS,
    NOT_ASSESSED,
    NOT_KNOWN,
    WHAT_A_MARK_IS,
    EnergyUnit,
    cause_word,
    money,
    month_name,
    number,
    per_cent,
    plain,
)

#: Causes in the picture by month; the table has them all.
_MOST_PANELS = 5
#: Height of the largest panel of a cause by month, of the smallest, and of the line above each with its name. [pixels]
_PANEL, _LEAST, _HEAD = 130.0, 34.0, 34.0
#: Half the line of a whisker's cap, and air. [pixels]
_CAP = 3.0


def build(visit: Visit) -> Content:
    return farm_page(visit, "", "losses", "What was lost, to what, and how surely it is known.", _page)


def _page(farm: Farm) -> list:
    unit = EnergyUnit.fitting(farm.losses.expected(farm.period))
    rows = _cause_rows(farm)
    return [
        lead(_lead(farm, unit, rows)),
        html.H2("By cause"),
        _by_cause(farm, rows),
        _table(farm, unit, rows),
        html.H2("By month"),
        *_by_month(farm),
        html.H2("What cannot be told apart"),
        *_apart(farm),
        handbook("split", "intervals", "basis", "loss-energy", "revenue-lost"),
    ]


def _cause_rows(farm: Farm) -> list[dict]:
    out = []
    for cause in farm.losses.causes:
        energy = farm.losses.energy([cause], (farm.period, 1.0))
        basis = {r["basis"] for m in farm.period.months if (r := farm.losses.row(cause, m)) is not None}
        out.append(
            {
                "cause": cause,
                "energy": energy,
                "money": farm.losses.money([cause], (farm.period, 1.0)),
                "share": farm.losses.share([cause], farm.period),
                "change": change_of(farm, [cause]),
                "basis": next((b for b in ("measured", "prior") if b in basis), "not_assessed"),
            }
        )
    return sorted(out, key=lambda r: (r["cause"] == "unexplained", not r["energy"].known, -abs(r["energy"].value)))


def _lead(farm: Farm, unit: EnergyUnit, rows: list[dict]) -> list:
    period, losses = farm.period, farm.losses
    behind = rows_behind("yields", site_id=farm.id, **period.bounds())
    expected, measured = losses.expected(period), losses.measured(period)
    said: list = []
    if measured == measured:
        said += [
            f"In {period.words} the farm delivered ",
            stated(Figure(unit.text(measured), behind, period.words, coverage=farm.coverage)),
            " of ",
            stated(Figure(unit.text(expected), behind, period.words)),
            " that it would have given with nothing wrong: ",
            f"{per_cent(1.0 - measured / expected)} less. " if expected > measured else "no less. ",
        ]
    else:
        said += [
            f"Nothing measured the energy of {period.words}; ",
            stated(Figure(unit.text(expected), behind, period.words)),
            " was to be expected. ",
        ]
    large = [r for r in rows if r["energy"].known and r["energy"].value > 0.002 * expected and r["cause"] != "unexplained"][:3]
    if large:
        said += [
            "Most of it went to ",
            *joined(
                [html.Span([f"{cause_word(r['cause'])}, ", farm.figure(r["energy"], unit, r["cause"], period)]) for r in large]
            ),
            ". ",
        ]
    currency = plain(farm.store.about()["currency"])
    hand = losses.money(IN_HAND_PARTS, (period, 1.0))
    if hand.known:
        figure = Figure(
            money(hand.value, currency),
            rows_behind("losses", site_id=farm.id, **period.bounds()),
            period.words,
            f"{number(hand.low)} to {number(hand.high)}",
            farm.coverage,
        )
        said += ["In our hands was ", stated(figure), ". "]
    if farm.picked.against is not None:
        said += _against(farm)
    return said


def _against(farm: Farm) -> list:
    other = farm.picked.against
    assert other is not None
    change = change_of(farm, farm.losses.causes)
    if not change.known:
        return [f"Against {other.words} nothing can be said. "]
    unsure = change.low <= 0.0 <= change.high
    more = "more" if change.value > 0 else "less"
    return [
        f"Against {other.words}, each as a share of what was to be expected, {number(abs(100 * change.value), 1)} points {more} "
        "were lost" + (". " if not unsure else ", which is within what cannot be told from nothing. ")
    ]


def _by_cause(farm: Farm, rows: list[dict]) -> html.Figure:
    drawn = [r for r in reversed(rows) if r["energy"].known]
    shown = _dots(drawn, [r["share"] for r in drawn], farm.period.words, PERIOD_LOOKS[0])
    traces: list[dict] = [shown]
    other = farm.picked.against
    if other is not None:
        # The axis counts from below, and the period that the page shows stands above the other.
        traces.insert(
            0,
            _dots(
                drawn,
                [farm.losses.share([r["cause"]], other) for r in drawn],
                other.words,
                PERIOD_LOOKS[1],
            ),
        )
    columns = [
        Column("cause", "Cause", lambda r: cause_word(r["cause"])),
        Column("share", "Share [%]", lambda r: number(100 * r["share"].value, 2), number=True),
        Column("low", "Low [%]", lambda r: number(100 * r["share"].low, 2), number=True),
        Column("high", "High [%]", lambda r: number(100 * r["share"].high, 2), number=True),
    ]
    # Two periods share a line, one a little above the other.
    shape = layout(
        "share of expected [%]",
        "",
        80 + 34 * len(drawn) + (18 if other else 0),
        showlegend=other is not None,
        scattermode="group",
        scattergap=0.5,
        legend={"traceorder": "reversed"},
    )
    top = drawn[-1]
    return chart(
        "causes",
        traces,
        shape,
        f"Lost to each cause as a share of the expected energy, {farm.period.words}"
        + (f", and in {other.words}" if other else "")
        + f". Whiskers: 90 % interval. {WHAT_A_MARK_IS} {farm.coverage}.",
        f"Losses by cause, {farm.period.words}: the largest is {cause_word(top['cause'])} with "
        f"{per_cent(top['share'].value)} of the expected energy, {per_cent(top['share'].low)} to "
        f"{per_cent(top['share'].high)}.",
        columns,
        list(reversed(drawn)),
    )


def _dots(drawn: list[dict], shares: list[Amount], name: str, look: PeriodLook) -> dict[str, Any]:
    values = [100 * s.value if s.known else None for s in shares]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": values,
        "y": [wrapped(cause_word(r["cause"])) for r in drawn],
        "orientation": "h",
        "marker": {"color": look.colour, "size": 10, "symbol": look.symbol},
        "error_x": interval(
            values, [100 * s.low if s.known else None for s in shares], [100 * s.high if s.known else None for s in shares]
        ),
        "hovertemplate": "%{y}: %{x:.2f} %<extra>" + name + "</extra>",
    }


def _table(farm: Farm, unit: EnergyUnit, rows: list[dict]) -> html.Div:
    currency = plain(farm.store.about()["currency"])
    period = farm.period
    columns = [
        Column("cause", "Cause", lambda r: _cause(farm, unit, r["cause"])),
        Column(
            "energy",
            "Lost energy (90 % interval)",
            lambda r: NOT_ASSESSED if not r["energy"].known else farm.figure(r["energy"], unit, r["cause"], period),
            number=True,
        ),
        Column(
            "money",
            "Lost money (90 % interval)",
            lambda r: NOT_KNOWN if not r["money"].known else farm.money_figure(r["money"], r["cause"], period, currency),
            number=True,
        ),
        Column("share", "Share of expected", lambda r: per_cent(r["share"].value) if r["share"].known else "", number=True),
    ]
    if farm.picked.against is not None:
        columns.append(
            Column("change", f"Change against {farm.picked.against.words} [points]", lambda r: _points(r["change"]), number=True)
        )
    columns += [
        Column("basis", "Rests on", lambda r: BASIS_WORDS[r["basis"]]),
        Column(
            "page",
            "Picture",
            lambda r: (
                dcc.Link("look", href=farm.at(EVIDENCE_PAGES[r["cause"]]), title=f"The evidence for {cause_word(r['cause'])}")
                if r["cause"] in EVIDENCE_PAGES
                else ""
            ),
        ),
    ]
    return grid(
        columns,
        rows,
        f"Losses by cause, {period.words}. With “not explained” they add up to expected less delivered "
        "in measured months; below nil is a gain.",
    )


def _cause(farm: Farm, unit: EnergyUnit, cause: str) -> list:
    """A cause's name; under output held down, how much of it was a limit left on."""
    name: list = [dcc.Link(cause_word(cause), href=farm.at(f"why/{cause}"))]
    left = farm.losses.energy([LEFT_ON], (farm.period, 1.0)) if cause == "curtailment" else Amount(float("nan"))
    if left.known:
        name.append(html.Div(f"{unit.text(left.value)} of it in our hands: {cause_word(LEFT_ON)}", className="quiet"))
    return name


def _points(change: Amount) -> str:
    if not change.known:
        return NOT_KNOWN
    value, low, high = (signed(100 * v, 1) for v in (change.value, change.low, change.high))
    return f"{value} ({low} to {high})"


def _by_month(farm: Farm) -> list:
    """One panel a cause, all to one scale, so that sizes compare and no colour needs a key."""
    months = list(farm.picked.record)
    size = {c: sum(abs(r["energy_kwh"] or 0.0) for m in months if (r := farm.losses.row(c, m))) for c in farm.losses.causes}
    drawn = [c for c in sorted(size, key=lambda c: -size[c]) if size[c] > 0][:_MOST_PANELS]
    if not drawn:
        return [html.P("Nothing was lost in any month.")]
    cells = {c: [farm.losses.row(c, m) or {} for m in months] for c in drawn}
    unit = EnergyUnit.fitting(*(r.get("energy_high_kwh") or 0.0 for c in drawn for r in cells[c]))
    ends = {c: _ends(cells[c], unit) for c in drawn}
    # One scale for all, and no more room for each than its whiskers take.
    pixels = _PANEL / max(high - low for low, high in ends.values())
    ends = {c: (low, max(high, low + _LEAST / pixels)) for c, (low, high) in ends.items()}
    # The last whisker's cap is drawn whole.
    ends = {c: (low - _CAP / pixels * (low < 0.0), high + _CAP / pixels) for c, (low, high) in ends.items()}
    height = sum(_HEAD + (high - low) * pixels for low, high in ends.values())
    traces, axes, notes = [], {}, []
    bottom = height
    for place, cause in enumerate(drawn):
        top = (bottom - _HEAD) / height
        bottom -= _HEAD + (ends[cause][1] - ends[cause][0]) * pixels
        key = "" if place == 0 else str(place + 1)
        values, lows, highs = (
            [None if r.get(k) is None else r[k] * unit.per_kwh for r in cells[cause]]
            for k in ("energy_kwh", "energy_low_kwh", "energy_high_kwh")
        )
        chosen = [m in farm.period.months for m in months]
        traces.append(
            {
                "type": "bar",
                "x": [f"{m}-01" for m in months],
                "y": values,
                "yaxis": f"y{key}",
                "name": cause_word(cause),
                "marker": month_bars(chosen),
                "error_y": {**interval(values, lows, highs), "thickness": 1.6, "width": 4},
                "hovertemplate": "%{x|%b %Y}: %{y:.2f} " + unit.name + "<extra></extra>",
            }
        )
        base = layout()["yaxis"]
        axes[f"yaxis{key}"] = {
            **base,
            "domain": [max(0.0, bottom / height), top],
            "range": ends[cause],
            "title": {"text": ""},
            "nticks": 2 + round((top - bottom / height) * height / 30),
            "tickformat": ",",
        }
        notes.append(
            {
                "text": f"{cause_word(cause)} [{unit.name}]",
                "xref": "paper",
                "yref": "paper",
                "x": 0,
                "y": top,
                "xanchor": "left",
                "yanchor": "bottom",
                "showarrow": False,
                "font": {"size": 13},
            }
        )
    shape = layout("", "", round(height) + 60, showlegend=False, annotations=notes, **axes)
    shape["xaxis"] = {
        **shape["xaxis"],
        "anchor": f"y{len(drawn)}" if len(drawn) > 1 else "y",
        "type": "date",
        "tickformat": "%b\n%Y",
    }
    left = len(farm.losses.causes) - len(drawn)
    table = [{"month": m, **{c: cells[c][k] for c in drawn}} for k, m in enumerate(months) if m in farm.period.months]
    columns = [
        Column("month", "Month", lambda r: month_name(r["month"])),
        *(Column(c, f"{cause_word(c)} [{unit.name}]", _cell(c, unit), number=True) for c in drawn),
    ]
    return [
        chart(
            "months",
            traces,
            shape,
            f"Lost each month [{unit.name}], the {len(drawn)} largest causes to one scale; {left} others are in the rows. Blue: "
            f"{farm.period.words}; hatched: the rest of the record. Whiskers: 90 % interval of the month; without one it is not "
            "known or has no width. A bar is what the evidence shows; its interval holds what may have gone unseen too. "
            f"{farm.coverage}.",
            f"Lost energy by month for {', '.join(cause_word(c) for c in drawn)}; the table below holds every figure.",
            columns,
            table,
        ),
        html.P(dcc.Link("Rows of all causes and months", href=rows_behind("losses", site_id=farm.id, **farm.period.bounds()))),
    ]


def _ends(rows: list[dict], unit: EnergyUnit) -> tuple[float, float]:
    """Between what a cause's bars and whiskers lie."""
    known = [
        v * unit.per_kwh for r in rows for k in ("energy_low_kwh", "energy_kwh", "energy_high_kwh") if (v := r.get(k)) is not None
    ]
    return min(0.0, *known), max(0.0, *known)


def _cell(cause: str, unit: EnergyUnit) -> Any:
    def shown(row: dict) -> str:
        cell = row[cause]
        if cell.get("energy_kwh") is None:
            return NOT_ASSESSED
        return f"{unit.bare(cell['energy_kwh'])} ({unit.bare(cell['energy_low_kwh'])} to {unit.bare(cell['energy_high_kwh'])})"

    return shown


def _apart(farm: Farm) -> list:
    pairs = [(c, r["name"]) for c, why in farm.store.evidence(farm.id).items() for r in why["rivals"]]
    if not pairs:
        said = "By the fit, no cause's energy trades off with another beyond what chance would show. "
    else:
        said = f"{len({frozenset(p) for p in pairs})} pairs trade off: what one has less, the other may have more. "
    return [html.P([said, dcc.Link("What they are, and what would settle them", href=farm.at("apart")), "."])]


PAGE = Page("/farm/<site_id>", "Farm", build)
