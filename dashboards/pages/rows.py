"""
The rows behind a figure: any written table, narrowed by its columns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache

from dash import dcc, html

from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import page_head, sorry
from dashboards.visit import OWNER, Content, Page, Visit, address
from yieldwatch import handbook
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS
from yieldwatch.report.words import number, plain

#: Income, payments and return are the owner's own matter.
FOR_OWNERS = frozenset({"bridge", "returns", "statement_checks"})
#: Words of the address that are not columns.
_OWN = {"sort", "down", "page"}


def rows_behind(table: str, **where: object) -> str:
    """Address of the rows of a table; `month__from` and `month__to` bound a column."""
    return address(f"/rows/{table}", **where)


def build(visit: Visit) -> Content:
    table = visit.args["table"]
    if table not in TABLES or not visit.store.has(table):
        return sorry("Rows", f"There is no table named {plain(table)}.")
    if table in FOR_OWNERS and not visit.person.may(frozenset({OWNER})):
        return sorry("Rows", "What was earned and paid, and the return, are for the owner; your account has another role.")
    known = visit.store.columns(table)
    asked = {k: v for k, v in visit.query.items() if k not in _OWN and k.partition("__")[0] in known}
    # An address holds text only: what reads as a whole number may be one in the table.
    where = {k: [v, int(v)] if k in known and v.isdecimal() and len(v) < 10 else v for k, v in asked.items()}
    meaning = {**TABLES[table], **(WORK_LIST_EXTRAS if table == "work_list" else {})}
    columns = [Column(name, name.replace("_", " "), _shower(name), number=name.endswith(_NUMBERS)) for name in known]
    said = "; ".join(f"{k.replace('__', ' ').replace('_', ' ')} {plain(v)}" for k, v in asked.items()) or "all of them"
    return html.Div([
        page_head(f"Rows of {table.replace('_', ' ')}", f"Narrowed to: {said}. The same rows are in {table}.csv."),
        stored_table(visit, table, columns, f"Rows of {table}", known[0], where=where),
        html.Details([html.Summary("What the columns mean"),
                      html.Dl([part for name in known for part in (html.Dt(name), html.Dd(_meaning(table, name, meaning)))])]),
    ])


def _meaning(table: str, column: str, meaning: Mapping[str, str]) -> list:
    """What a column means, with the handbook's entry that covers it."""
    covered = _covered().get(f"{table}.{column}")
    link = [" ", dcc.Link("In the handbook", href=f"/handbook/{covered}")] if covered else []
    return [meaning.get(column, ""), *link]


@cache
def _covered() -> dict[str, str]:
    return {name: entry.id for entry in handbook.entries().values() for name in entry.covers}


#: Length up to which a text stays on one line, such as a date. [characters]
_SHORT = 25
_NUMBERS = ("_kwh", "_pct", "_ratio", "_kwh_m2", "_w", "cost", "npv", "money", "amount")


def _shower(name: str) -> Callable[[dict], str | html.Div]:
    def shown(row: dict) -> str | html.Div:
        value = row[name]
        if value is None:
            return ""
        if isinstance(value, float):
            return number(value, 0 if abs(value) >= 100 else 3)
        text = plain(value)
        return html.Div(text, className="fixed" if len(text) <= _SHORT else "prose")

    return shown


PAGE = Page("/rows/<table>", "Rows", build)
