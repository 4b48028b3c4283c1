"""
How far the figures can be trusted: what was read, what was set aside and why, and what each gap costs.
"""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.pages.rows import rows_behind
from dashboards.parts.charts import chart, layout, numbered
from dashboards.parts.farm import FADING, fixed, noticed, span_words
from dashboards.parts.tables import Column, grid, stored_table
from dashboards.parts.words import page_head, sorry
from dashboards.visit import Content, Page, Visit, address
from yieldwatch.field.read import notices_beside_rows
from yieldwatch.report.words import NOT_KNOWN, month_name, number, per_cent, plain

#: Least share missing at which the colour may be full. [%]
_FAINT = 10.0


def build(visit: Visit) -> Content:
    """All farms, and what holds for all of them."""
    period = visit.store.row("spans", {"span": "twelve_months"}) if visit.store.has("spans") else None
    months = {"month__from": period["from_month"], "month__to": period["to_month"]} if period else {}

    def behind(table: str, row: dict, **more: str) -> str:
        return rows_behind(table, site_id=row["site_id"], **more, **months)

    columns = [
        Column("name", "Farm", lambda r: dcc.Link(plain(r["name"]), href=address(f"/trust/{r['site_id']}"))),
        Column("coverage", "Expected energy covered by readings",
               lambda r: NOT_KNOWN if r["coverage"] is None else dcc.Link(per_cent(r["coverage"]), href=behind("yields", r)),
               number=True),
        Column("unexplained_kwh", "Not explained, of expected",
               lambda r: dcc.Link(_share(r), href=behind("losses", r, cause="unexplained")),
               number=True),
        Column("months", "Months measured", lambda r: number(r["months"]), number=True),
        Column("note", "Note", lambda r: plain(r["note"] or "")),
    ]
    general = visit.store.rows("notices", {"site_id": ""})
    return html.Div([
        page_head("How far to trust the figures", "Every figure rests on readings: what was read, and what each gap costs."),
        stored_table(visit, "span_farms", columns,
                     f"Farms, {span_words(*months.values())}; in brackets the 90 % interval", "coverage",
                     where={"span": "twelve_months"}) if period else html.P("No farm has a measured month yet."),
        *([html.H2("What holds for all farms"), html.Ul([html.Li(plain(n["words"])) for n in general], className="plain")]
          if general else []),
    ])


def _share(row: dict) -> str:
    if row["unexplained_kwh"] is None or not row["expected_kwh"]:
        return NOT_KNOWN
    parts = [100.0 * row[f"unexplained{end}_kwh"] / row["expected_kwh"] for end in ("", "_low", "_high")]
    return f"{number(parts[0], 1)} % ({number(parts[1], 1)} to {number(parts[2], 1)})"


def build_farm(visit: Visit) -> Content:
    """One farm."""
    site = visit.args["site_id"]
    farm = visit.store.row("sites", {"site_id": site})
    if farm is None:
        return sorry("How far to trust the figures", f"There is no farm {plain(site)} in the last assessment.")
    name = plain(farm["name"])
    sources = visit.store.rows("sources", {"site_id": site})
    tells = visit.store.rows("tells", {"site_id": site})
    # Rows set aside have a table of their own below.
    notices = [noticed(n, site) for n in notices_beside_rows(r["words"] for r in visit.store.rows("notices", {"site_id": site}))]
    cannot = [plain(t["words"]) for t in tells if not t["can"]]
    return html.Div([
        page_head(f"How far to trust {name}", dcc.Link("All farms", href="/trust"), " · ",
                  dcc.Link("The farm's losses", href=address(f"/farm/{site}"))),
        html.H2("What cannot be told, and what it would take"),
        _list(cannot),
        html.H2("What was noticed: clocks, sensors, doubts"),
        _list(notices),
        html.H2("What was read"),
        grid([Column("kind", "Kind", lambda r: r["kind"]), Column("rows", "Rows", lambda r: r["rows"], number=True),
              Column("first", "From", lambda r: fixed(r["first"])), Column("last", "To", lambda r: fixed(r["last"])),
              Column("covered", "Covered", lambda r: r["covered"], number=True),
              Column("holds", "Holds", lambda r: plain(r["holds"]))],
             sources, f"Readings of {name}"),
        *_coverage(visit, site),
        html.H2("Rows set aside"), *_set_aside(visit, site, name),
        html.H2("What can be told"),
        _list([plain(t["words"]) for t in tells if t["can"]]),
    ])


def _list(sentences: list[str]) -> Component:
    return html.Ul([html.Li(s) for s in sentences], className="plain") if sentences else html.P("Nothing.")


def _coverage(visit: Visit, site: str) -> list:
    items = visit.store.items(site, "coverage")
    drawn = [p for item in items if (p := visit.store.picture(site, "coverage", item))]
    months = sorted({m for p in drawn for m in p.columns["month"]})
    if not months:
        return []
    shares = [dict(zip(p.columns["month"], p.columns["share"], strict=True)) for p in drawn]
    z = [[None if m not in by else 100.0 * (1.0 - by[m]) for m in months] for by in shares]
    columns = [Column("item", "Readings", lambda r: plain(r["item"])), *(_month_column(m) for m in months)]
    rows = [{"item": p.item, **{m: by.get(m) for m in months}} for p, by in zip(drawn, shares, strict=True)]
    least = {p.item: min(by.values()) for p, by in zip(drawn, shares, strict=True)}
    worst = min(least, key=lambda item: least[item])
    period = span_words(months[0], months[-1])
    trace = {"type": "heatmap", "x": [f"{m}-01" for m in months], "y": [plain(p.item) for p in drawn], "z": z, "zmin": 0,
             "zmax": max(_FAINT, max(v for row in z for v in row if v is not None)), "colorscale": FADING, "xgap": 2, "ygap": 2,
             "colorbar": {"title": {"text": "missing [%]", "side": "right"}, "thickness": 12, "outlinewidth": 0},
             "text": [["" if v is None or v < 0.5 else number(v) for v in row] for row in z],
             "texttemplate": "%{text}" if len(months) <= 36 else "", "textfont": {"size": 10},
             "hovertemplate": "%{y}, %{x|%b %Y}: %{z:.1f} % missing<extra></extra>"}
    shape = layout(height=90 + 30 * len(drawn), yaxis={"autorange": "reversed", "showgrid": False},
                   xaxis={"type": "date", "tickformat": "%b\n%Y", "showgrid": False})
    link = dcc.Link("What each gap costs in certainty", href=address(f"/farm/{site}/readings"))
    return [chart("coverage", [trace], shape,
                  caption=[f"Share of each month's intervals that lack a reading [%], {period}",
                           numbered("; numbers from 0.5 % on"),
                           ". No cell: the source does not reach into that month. ", link, "."],
                  alternative=f"Share of each month's intervals that lack a reading, by kind of reading, {period}: most in one "
                              f"month is {per_cent(1.0 - least[worst])}, of {plain(worst)}.",
                  columns=columns, rows=rows, topic="measured")]


def _month_column(month: str) -> Column:
    return Column(month, month_name(month), lambda r: "" if r[month] is None else per_cent(r[month], 0), number=True)


def _set_aside(visit: Visit, site: str, name: str) -> list:
    columns = [
        Column("file", "File", lambda r: dcc.Link(plain(r["file"]), href=rows_behind("set_aside", file=r["file"]))),
        Column("reason", "Why", lambda r: plain(r["reason"])),
        Column("part", "What", lambda r: "the row" if r["part"] == "row" else "one value"),
        Column("rows", "How many", lambda r: number(r["rows"]), number=True),
        Column("first_line", "First line", lambda r: number(r["first_line"]), number=True),
    ]
    files = visit.store.rows("files", {"site_id": site})
    rows, aside = (sum(f[k] or 0 for f in files) for k in ("rows", "set_aside"))
    said = html.P(f"{number(aside)} of {number(rows)} rows in {len(files)} files were set aside, each with its reason.")
    if not visit.store.row("set_aside_reasons", {"site_id": site}):
        return [said]
    return [said, stored_table(visit, "set_aside_reasons", columns, f"Set aside at {name}", "rows", descending=True,
                               where={"site_id": site})]


PAGE = Page("/trust", "How far to trust the figures", build, menu="Trust")
FARM_PAGE = Page("/trust/<site_id>", "How far to trust a farm's figures", build_farm)
