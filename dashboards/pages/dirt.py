"""
One farm's dirt over time, with rain and cleanings.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import COLOURS, chart, layout
from dashboards.parts.farm import Farm, change_of, change_words, date_axis, farm_page, handbook, nothing, shown, told, within
from dashboards.parts.period import Period
from dashboards.parts.tables import Column
from dashboards.parts.words import lead
from dashboards.store import Drawn
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import EnergyUnit, count, day, listed, number, per_cent, plain

#: Days from row to row of the table below the picture: all of them would make the page slow.
_EVERY = 10


def build(visit: Visit) -> Content:
    return farm_page(visit, "dirt", "dirt", "What dirt takes from day to day, and what takes the dirt off.", _page)


def _page(farm: Farm) -> list:
    drawn = farm.store.picture(farm.id, "dirt")
    if drawn is None:
        return [*told(farm, "soiling"), nothing("This assessment has no picture of dirt.")]
    parts = [
        lead([*_took(farm), _lead(drawn, farm.period)]),
        *told(farm, "soiling"),
        _picture(drawn, farm.period, "now"),
    ]
    if farm.picked.against is not None:
        parts += [html.H2(f"Against it: {farm.picked.against.words}"), _picture(drawn, farm.picked.against, "against")]
    behind = rows_behind("losses", site_id=farm.id, cause="soiling", **farm.period.bounds())
    parts.append(html.P(dcc.Link("The rows of each month's loss", href=behind)))
    return [*parts, handbook("soiling", "soiling-method", "dirt-ahead", "clean")]


def _took(farm: Farm) -> list:
    """The energy of the period, and against the other."""
    energy, other = farm.losses.energy(["soiling"], (farm.period, 1.0)), farm.picked.against
    if not energy.known:
        return ["It was not assessed. "]
    unit = EnergyUnit.fitting(energy.low, energy.value, energy.high)
    share = farm.losses.share(["soiling"], farm.period)
    said: list = [
        f"In {farm.period.words} dirt took ",
        farm.figure(energy, unit, "soiling", farm.period),
        f", {per_cent(share.value)} of what was to be expected. ",
    ]
    if other is not None:
        said.append(f"As a share that is a change of {change_words(change_of(farm, ['soiling']))} against {other.words}. ")
    return said


def _days(drawn: Drawn) -> list[str]:
    return date_axis(drawn.about["from"], drawn.about["step_days"], len(drawn.columns["dirt_pct"]))


def _lead(drawn: Drawn, period: Period) -> str:
    days = _days(drawn)
    at = within(days, period)
    known = [k for k in at if drawn.columns["dirt_pct"][k] is not None]
    if not known:
        return f"Nothing is known of its days in {period.words}."
    c = drawn.columns
    worst, last = max(known, key=lambda k: c["dirt_pct"][k]), known[-1]

    def span(k: int) -> str:
        return (
            f"{number(c['dirt_pct'][k], 1)} % of output (90 % interval {number(c['low_pct'][k], 1)} to "
            f"{number(c['high_pct'][k], 1)})"
        )

    washed = len(_cleanings(drawn, period))
    then = "" if worst == last else f"; on {day(days[last])} it took {span(last)}"
    return (
        f"It took most on {day(days[worst])}, {span(worst)}{then}. "
        f"{count(washed, 'cleaning is', 'cleanings are') if washed else 'No cleaning is'} recorded in these months."
    )


def _cleanings(drawn: Drawn, period: Period) -> list[tuple[str, str]]:
    first, last = period.days()
    return [(d, s) for d, s in zip(drawn.about["cleanings"], drawn.about["cleaned"], strict=True) if first <= d <= last]


def _picture(drawn: Drawn, period: Period, name: str) -> html.Figure | html.P:
    days, c, about = _days(drawn), drawn.columns, drawn.about
    at = within(days, period)
    if not at:
        return nothing(f"No day of {period.words} is in the picture's record.")
    x = [days[k] for k in at]

    def cut(key: str) -> list:
        return [c[key][k] for k in at]

    line = {"type": "scatter", "mode": "lines", "x": x, "hoverinfo": "skip"}
    traces: list[dict] = [
        {**line, "y": cut("low_pct"), "line": {"width": 0}, "showlegend": False},
        {
            **line,
            "y": cut("high_pct"),
            "line": {"width": 0},
            "fill": "tonexty",
            "fillcolor": "rgba(47,128,194,0.22)",
            "name": "its 90 % interval",
        },
        {
            "type": "scatter",
            "mode": "markers",
            "x": x,
            "y": cut("measured_pct"),
            "name": "measured, other causes taken off",
            "marker": {"color": COLOURS["grey"], "size": 4, "symbol": "circle-open"},
            "hovertemplate": "%{x|%d %b %Y}: %{y:.1f} %<extra></extra>",
            "visible": any(v is not None for v in cut("measured_pct")),
        },
        {
            **line,
            "y": cut("dirt_pct"),
            "name": "dirt by the fit",
            "line": {"color": COLOURS["blue"], "width": 2.5},
            "hoverinfo": "all",
            "hovertemplate": "%{x|%d %b %Y}: %{y:.2f} %<extra></extra>",
        },
    ]
    rain = cut("rain_mm")
    if any(v is not None for v in rain):
        traces.append(
            {
                "type": "bar",
                "x": x,
                "y": rain,
                "yaxis": "y2",
                "name": "rain",
                "marker": {"color": COLOURS["sky"]},
                "hovertemplate": "%{x|%d %b %Y}: %{y:.1f} mm<extra></extra>",
            }
        )
    cleanings = _cleanings(drawn, period)
    known = [v for v in cut("high_pct") + cut("measured_pct") if v is not None]
    middle = sorted(v for v in cut("measured_pct") if v is not None)
    # A few wild days must not flatten the curve: the axis holds the fit and all but 1 % of the days on either side.
    low = min([0.0, *middle[len(middle) // 100 : len(middle) // 100 + 1]])
    high = max([*(v for v in cut("high_pct") if v is not None), *middle[-(len(middle) // 100 + 1) :][:1], 1.0]) if known else 1.0
    marks = [
        {
            "type": "line",
            "x0": d,
            "x1": d,
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "line": {"color": COLOURS["purple"], "width": 2, "dash": "dash"},
        }
        for d, _ in cleanings
    ]
    notes = [
        {
            "x": d,
            "y": 1,
            "yref": "paper",
            "text": "cleaned",
            "showarrow": False,
            "xanchor": "left" if d < x[len(x) * 2 // 3] else "right",
            "yanchor": "top",
        }
        for d, _ in cleanings
    ]
    base = layout()["yaxis"]
    shape = layout(
        "",
        "taken by dirt [%]",
        430,
        yaxis={"domain": [0.3, 1.0], "range": [low - 0.3, high + max(0.5, 0.1 * (high - low))]},
        shapes=marks,
        annotations=notes,
        yaxis2={**base, "domain": [0.0, 0.22], "title": {"text": "rain [mm]"}, "rangemode": "tozero", "nticks": 4},
        xaxis={"type": "date", "tickformat": "%b\n%Y", "anchor": "y2", "range": [x[0], x[-1]]},
        bargap=0.0,
    )
    step = "day" if about["step_days"] == 1 else f"{about['step_days']} days"
    cleaned = listed([f"{day(d)} ({'the whole farm' if s == 'site' else plain(s)})" for d, s in cleanings]) or "none recorded"
    rows = [{k: c[k][p] for k in c} | {"day": days[p]} for p in (at[::_EVERY] if about["step_days"] == 1 else at)]
    columns = [
        Column("day", "From", lambda r: day(r["day"])),
        *(
            Column(k, h, shown(k, 2), number=True)
            for k, h in (
                ("dirt_pct", "Dirt [%]"),
                ("low_pct", "Low [%]"),
                ("high_pct", "High [%]"),
                ("measured_pct", "Measured [%]"),
                ("rain_mm", "Rain [mm]"),
            )
        ),
    ]
    seen = sum(v is not None for v in cut("measured_pct")) / len(at)
    against = "; without an interval log no day shows it by itself"
    if seen:
        used = f"{per_cent(seen, 0)} of the days could be used"
        against = f", over what each day shows once all other causes are taken off ({used})"
    return chart(
        f"dirt-{name}",
        traces,
        shape,
        f"Share of output that dirt takes, each {step} of {period.words}, with its 90 % interval{against}; "
        f"below, rain. A day's rain of {number(about['rain_that_cleans_mm'], 1)} mm takes 63 % of what rain can. "
        f"Cleanings: {cleaned}. The table has every tenth day.",
        f"Dirt, {period.words}. {_lead(drawn, period)}",
        columns,
        rows,
    )


PAGE = Page("/farm/<site_id>/dirt", "Dirt", build)
