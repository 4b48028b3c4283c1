"""
All farms, as a way into each.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import page_head
from dashboards.visit import Content, Page, Visit, address
from yieldwatch.report.words import day, number, plain


def build(visit: Visit) -> Content:
    columns = [
        Column("name", "Farm", lambda r: dcc.Link(plain(r["name"]), href=address(f"/farm/{r['site_id']}"))),
        Column("pdc0_kw", "DC nameplate [kW]", lambda r: number(r["pdc0_kw"]), number=True),
        Column("commissioned", "In service since", lambda r: day(r["commissioned"])),
    ]
    return html.Div([page_head("Farms"), stored_table(visit, "sites", columns, "All farms of the portfolio", "name")])


PAGE = Page("/farms", "Farms", build, menu="Farms")
