"""
One farm's outages and holdings, over days and hours.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import chart, layout
from dashboards.parts.farm import Farm, change_of, change_words, farm_page, fixed, handbook, nothing, told, within
from dashboards.parts.period import Period
from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import aria, joined
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import EnergyUnit, cause_word, count, day, listed, number, per_cent, plain

#: Months up to which each day has its column, else each week.
_DAILY_MONTHS, _WEEK = 3, 7
#: The least that is there must be seen.
_SEEN = [[0.0, "rgba(47,128,194,0.3)"], [1.0, "rgba(47,128,194,1)"]]
CAUSES = ("inverter_outage", "grid_outage", "curtailment")


def build(visit: Visit) -> Content:
    return farm_page(visit, "spells", "off and held down", "When something was off or held down, and what that took.", _page)


def _page(farm: Farm) -> list:
    unit = EnergyUnit.fitting(*(abs(farm.losses.energy([c], (farm.period, 1.0)).value) for c in CAUSES))
    parts: list = [
        html.P(
            [
                "In ",
                farm.period.words,
                ": ",
                *joined([html.Span([f"{cause_word(c)} ", _took(farm, c, unit)]) for c in CAUSES]),
                ".",
                *_against(farm),
            ],
            className="lead",
        )
    ]
    cause = farm.visit.query.get("cause", "")
    if cause not in CAUSES:
        cause = max(CAUSES, key=lambda c: _size(farm, c))
    links: list = []
    for c in CAUSES:
        links += [" · "] if links else []
        links.append(html.B(cause_word(c)) if c == cause else dcc.Link(cause_word(c), href=farm.at("spells", cause=c)))
    parts += [html.H2("Over days and hours"), html.Nav(html.P(links), **aria(label="Causes")), *told(farm, cause)]
    drawn = farm.store.picture(farm.id, "spells", cause)
    if drawn is None:
        parts.append(nothing(f"{cause_word(cause).capitalize()}: nothing can be drawn, as no interval of this farm tells it."))
    else:
        cells = [_cells(drawn, p) for p in (farm.period, farm.picked.against) if p is not None]
        parts.append(_map(farm, cause, cells[0], cells, "now"))
        if len(cells) > 1:
            parts += [html.H3(f"Against it: {cells[1].period.words}"), _map(farm, cause, cells[1], cells, "against")]
    return [
        *parts,
        html.H2("Every spell"),
        _table(farm, cause),
        handbook("spells", "downtime", "inverter_outage", "grid_outage", "curtailment", "clipping"),
    ]


def _size(farm: Farm, cause: str) -> float:
    value = farm.losses.energy([cause], (farm.period, 1.0)).value
    return value if value == value else -1.0


def _took(farm: Farm, cause: str, unit: EnergyUnit) -> dcc.Link | str:
    amount = farm.losses.energy([cause], (farm.period, 1.0))
    return farm.figure(amount, unit, cause, farm.period) if amount.known else "not assessed"


def _against(farm: Farm) -> list[str]:
    other = farm.picked.against
    if other is None:
        return []
    changes = listed([f"{cause_word(c)} {change_words(change_of(farm, [c]))}" for c in CAUSES])
    return [f" Against {other.words}, each as a share of what was to be expected: {changes}."]


@dataclass(frozen=True)
class Cells:
    """Energy not made in a period by hour of the day (the first number of a key) and by day or week from its start. [kWh]"""

    period: Period
    days: list[str]
    hours: list[int]
    energy: list[float]

    @property
    def step(self) -> int:
        return 1 if len(self.period.months) <= _DAILY_MONTHS else _WEEK

    @property
    def first(self) -> dt.date:
        return dt.date.fromisoformat(f"{self.period.first}-01")

    def sums(self) -> dict[tuple[int, int], float]:
        out: dict[tuple[int, int], float] = {}
        for d, h, e in zip(self.days, self.hours, self.energy, strict=True):
            key = h, (dt.date.fromisoformat(d) - self.first).days // self.step
            out[key] = out.get(key, 0.0) + e
        return out


def _cells(drawn: Drawn, period: Period) -> Cells:
    c = drawn.columns
    at = within(c["day"], period)
    return Cells(period, *([c[key][k] for k in at] for key in ("day", "hour", "energy_kwh")))


def _map(farm: Farm, cause: str, cells: Cells, others: list[Cells], name: str) -> html.Figure | html.P:
    """The period's picture, on the scale and over the hours that it shares with the others."""
    period, sums, step, first = cells.period, cells.sums(), cells.step, cells.first
    if not sums:
        return html.P(f"None in {period.words}.")
    days, hours, energy = cells.days, cells.hours, cells.energy
    last = dt.date.fromisoformat(_end(period.last))
    starts = [first + dt.timedelta(days=step * k) for k in range(-(-(last - first).days // step))]
    alike = [o for o in others if o.step == step]
    top, bottom = (end(h for o in others for h in o.hours) for end in (min, max))
    span = "day" if step == 1 else "week"
    traces = [
        {
            "type": "heatmap",
            "x": [(s + dt.timedelta(days=step / 2)).isoformat() if step > 1 else s.isoformat() for s in starts],
            "y": list(range(top, bottom + 1)),
            "z": [[sums.get((h, k)) for k in range(len(starts))] for h in range(top, bottom + 1)],
            "zmin": 0,
            "zmax": max(v for o in alike for v in o.sums().values()),
            "colorscale": _SEEN,
            "xgap": 1,
            "ygap": 1,
            "colorbar": {"title": {"text": f"kWh in the {span}'s hour", "side": "right"}, "thickness": 12, "outlinewidth": 0},
            "hovertemplate": f"{span} of " + "%{x|%d %b %Y}, %{y}:00: %{z:.1f} kWh<extra></extra>",
        }
    ]
    shape = layout(
        "",
        "hour of the day, site time",
        130 + 22 * (bottom - top + 1),
        yaxis={"range": [bottom + 0.5, top - 0.5], "dtick": 3, "zeroline": False},
        xaxis={"type": "date", "range": [first.isoformat(), last.isoformat()], "tickformat": "%b\n%Y"},
    )
    by_hour: dict[int, float] = {}
    for h, e in zip(hours, energy, strict=True):
        by_hour[h] = by_hour.get(h, 0.0) + e
    by_day: dict[str, float] = {}
    for d, e in zip(days, energy, strict=True):
        by_day[d] = by_day.get(d, 0.0) + e
    worst_day, worst_hour = max(by_day, key=lambda d: by_day[d]), max(by_hour, key=lambda h: by_hour[h])
    rows = [{"day": d, "energy": e} for d, e in sorted(by_day.items(), key=lambda de: -de[1])[:30]]
    columns = [
        Column("day", "Day", lambda r: day(r["day"])),
        Column("energy", "Not made [kWh]", lambda r: number(r["energy"], 1), number=True),
    ]
    return chart(
        f"spells-{name}",
        traces,
        shape,
        f"{cause_word(cause).capitalize()}: energy not made [kWh] by {span} and hour of the day, {period.words}; blank: none. "
        f"{count(len(by_day), 'day')}, most on {day(worst_day)} ({number(by_day[worst_day])} kWh) and between "
        f"{worst_hour}:00 and {worst_hour + 1}:00 ({per_cent(by_hour[worst_hour] / sum(energy), 0)} of it). "
        f"{farm.covered(period)}. The table has the 30 largest days.",
        f"{cause_word(cause)} by day and hour, {period.words}: {count(len(by_day), 'day')}, most on {day(worst_day)}.",
        columns,
        rows,
    )


def _end(month: str) -> str:
    year, number_ = int(month[:4]), int(month[5:7])
    return f"{year + number_ // 12}-{number_ % 12 + 1:02d}-01"


def _table(farm: Farm, cause: str) -> html.Div:
    first, last = farm.period.days()
    where = {"site_id": farm.id, "cause": cause, "start__from": first, "start__to": last}
    columns = [
        Column("start", "From", lambda r: fixed(_stamp(r["start"]))),
        Column("end", "To", lambda r: fixed(_stamp(r["end"]))),
        Column("inverter_id", "Which", lambda r: plain(r["inverter_id"]) or "the whole farm"),
        Column("energy_kwh", "Not made [kWh]", lambda r: number(r["energy_kwh"], 1), number=True),
    ]
    return html.Div(
        [
            stored_table(
                farm.visit,
                "downtime",
                columns,
                f"Spells: {cause_word(cause)}, begun in {farm.period.words}; site time",
                "energy_kwh",
                descending=True,
                where=where,
            ),
            html.P(dcc.Link("All columns", href=rows_behind("downtime", **where))),
        ]
    )


def _stamp(text: str | None) -> str:
    return "" if text is None else f"{day(text[:10])}, {text[11:16]}"


PAGE = Page("/farm/<site_id>/spells", "Off and held down", build)
