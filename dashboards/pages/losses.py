"""
Losses by farm and cause over a span: what stands behind a sum.
"""

from __future__ import annotations

from collections.abc import Callable

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.farm import span_words
from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import Figure, page_head, sorry, stated
from dashboards.visit import Content, Page, Visit, address
from yieldwatch.constants import CAUSES
from yieldwatch.report.words import BASIS_WORDS, EnergyUnit, cause_word, loss_word, number, plain

_MONEY, _ENERGY = ("money", "money_low", "money_high"), ("energy_kwh", "energy_low_kwh", "energy_high_kwh")
SPANS = ("month", "year_to_date", "twelve_months")


def build(visit: Visit) -> Content:
    span = visit.query.get("span", "twelve_months")
    sums = visit.store.row("spans", {"span": span}) if visit.store.has("spans") and span in SPANS else None
    if sums is None:
        return sorry("Losses", "No farm has a measured month yet.")
    currency = plain(visit.store.about()["currency"])
    period = span_words(sums["from_month"], sums["to_month"])
    months = {"month__from": sums["from_month"], "month__to": sums["to_month"]}
    where: dict[str, object] = {"span": span}
    if visit.query.get("in_hand") == "1":
        where["in_hand"] = 1
    else:
        where["part"] = ""
    if visit.query.get("cause") in CAUSES:
        where["cause"] = visit.query["cause"]

    whole = visit.store.rows("span_causes", where, ["energy_kwh"], descending=True, limit=1, columns=("energy_kwh",))
    # One unit for all of its rows, so that they compare.
    unit = EnergyUnit.fitting(*(r["energy_kwh"] or 0.0 for r in whole))

    def behind(row: dict) -> str:
        return rows_behind("losses", site_id=row["site_id"], cause=row["cause"], **months)

    columns = [
        Column("name", "Farm", lambda r: dcc.Link(plain(r["name"]), href=address(f"/farm/{r['site_id']}"))),
        Column("cause", "Cause", lambda r: dcc.Link(loss_word(r), href=address(f"/handbook/{r['cause']}"))),
        Column("money", f"Money [{currency}]", lambda r: stated(_figure(r, _MONEY, number, behind(r), period)), number=True),
        Column("energy_kwh", f"Energy [{unit.name}]", lambda r: stated(_figure(r, _ENERGY, unit.bare, behind(r), period)),
               number=True),
        Column("basis", "Rests on", lambda r: BASIS_WORDS.get(r["basis"], plain(r["basis"]))),
    ]
    what = "in our hands" if "in_hand" in where else cause_word(where["cause"]) if "cause" in where else "by cause"
    return html.Div([
        page_head(f"Losses {what}", f"{period}; in brackets the 90 % interval. A loss below nil is a gain. ",
                  dcc.Link("Any period against any other", href="/losses/periods")),
        stored_table(visit, "span_causes", columns, f"Losses {what}, {period}", "money", descending=True, where=where),
    ])


def _figure(row: dict, names: tuple[str, str, str], shown: Callable[[object], str], href: str, period: str) -> Figure:
    value, low, high = (row[name] for name in names)
    return Figure(shown(value), href, period, "" if low is None or high is None else f"{shown(low)} to {shown(high)}")


PAGE = Page("/losses", "Losses", build)
