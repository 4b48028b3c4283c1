"""
The rows behind a figure: any written table, narrowed by its columns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

from dash import dcc, html

from dashboards.parts.tables import Column, stored_table
from dashboards.parts.words import page_head, sorry
from dashboards.visit import OWNER, Content, Page, Visit, address
from yieldwatch import handbook
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS
from yieldwatch.report.words import bounds, decimals_of, number, plain

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
    currency = plain(visit.store.about()["currency"])
    columns = [Column(name, _head(name, currency), _shower(name),
                      number=_is_figure(visit, table, name)) for name in known]
    said = "; ".join(f"{k.replace('__', ' ').replace('_', ' ')} {plain(v)}" for k, v in asked.items()) or "all of them"
    return html.Div([
        page_head(f"Rows of {table.replace('_', ' ')}", f"Narrowed to: {said}. The same rows are in {table}.csv."),
        stored_table(visit, table, columns, f"Rows of {table}", known[0], where=where),
        html.Details([html.Summary("What the columns mean"),
                      html.Dl([part for name in known for part in (html.Dt(name), html.Dd(_meaning(table, name, meaning)))])]),
    ], className="rows")


#: Ends of columns' names that are units, and what stands in a heading for them.
_UNITS = {"kwh_m2": "kWh/m²", "w_m2": "W/m²", "kwh": "kWh", "pct": "%", "deg": "°", "min": "min", "months": "months",
          "days": "days", "hours": "h", "w": "W"}
#: Words that make a column one of money, and columns with such a word that are none.
_MONEY, _NO_MONEY = {"money", "revenue", "gain", "cost", "npv", "amount", "worth", "net"}, {"benefit_cost"}


def _head(name: str, currency: str) -> str:
    """A column's name as words, with its unit: `gain_low_kwh_per_year` as `gain low [kWh a year]`."""
    stem, per, span = name.partition("_per_")
    if per and span not in ("year", "week"):
        return name.replace("_", " ")
    end = next((e for e in _UNITS if stem.endswith(f"_{e}")), "")
    words = stem.removesuffix(f"_{end}").split("_")
    unit = _UNITS.get(end, "")
    if not unit and name not in _NO_MONEY and (_MONEY & set(words) or stem in ("due_to_energy", "due_to_price", "needs_budget")):
        unit = currency
    return " ".join(words) + (f" [{unit}{f' a {span}' if per else ''}]" if unit else "")


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
#: Length from which a text opens by a press, so that rows stay rows. [characters]
_LONG = 160
#: Decimals of figures by what their columns' names hold, so that one column is read at a glance; of the others three.
_DECIMALS = {"price": 4, "_kwh": 1, "_pct": 2, "_months": 1, **dict.fromkeys(sorted(_MONEY), 2), "_days": 1, "_hours": 1,
             "_deg": 1, "_w_m2": 0}


def _is_figure(visit: Visit, table: str, name: str) -> bool:
    first = next((r[name] for r in visit.store.rows(table, columns=(name,), limit=200) if r[name] is not None), None)
    return isinstance(first, float)


def _shower(name: str) -> Callable[[dict], Any]:
    kind = next((part for part in _DECIMALS if part in name), "")
    decimals, whole = _DECIMALS.get(kind, 3), name.replace("_low", "").replace("_high", "")

    def shown(row: dict) -> Any:
        value = row[name]
        if value is None:
            return ""
        if isinstance(value, float):
            # An estimate has no cents that nobody knows; what was paid or is to be paid has.
            estimated = kind in _MONEY and math.isfinite(bounds(row, whole)[0])
            return number(value, decimals_of(row, name) if estimated else decimals)
        text = plain(value)
        if len(text) > _LONG:
            return html.Details([html.Summary(f"{text[:_LONG].rpartition(' ')[0]} ..."), text], className="prose long")
        return html.Div(text, className="fixed" if len(text) <= _SHORT else "prose")

    return shown


PAGE = Page("/rows/<table>", "Rows", build)
