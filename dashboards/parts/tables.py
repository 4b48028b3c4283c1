"""
Tables whose order and page are in the address, so that they sort on the server, by keyboard, and can be linked to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from dashboards.parts.still import still
from dashboards.parts.words import aria
from dashboards.visit import Visit
from yieldwatch.report.words import tied

ROWS = 25
#: Columns beside each other that a narrow screen holds; of more, each row becomes a block of its own there.
_FEW = 3


@dataclass(frozen=True)
class Column:
    """
    A column.

    Attributes
    ----------
    name : str
        In the store, by which it is sorted.
    head : str
        With the unit.
    shown : callable
        A row to text or component.
    number : bool
        Aligned right.
    """

    name: str
    head: str
    shown: Callable[[Any], Any]
    number: bool = False


def stored_table(visit: Visit, table: str, columns: Sequence[Column], caption: str, order: str, descending: bool = False,
                 where: Mapping[str, object] | None = None, key: str = "", size: int = ROWS) -> html.Div:
    """
    A table of the store, one page of it.

    Parameters
    ----------
    order : str
        Column of the first order.
    where : mapping of str to object, optional
        As in `Store.rows`.
    key : str
        Put before the names in the address where a page has several tables.
    """
    names = [c.name for c in columns]
    by = visit.query.get(f"{key}sort", order)
    by = by if by in names else order
    down = visit.query[f"{key}down"] == "1" if f"{key}down" in visit.query else descending
    number = _number(visit, key)
    page = visit.store.page(table, [by], down, number, size, where)
    return html.Div([grid(columns, page.rows, caption, _heads(visit, columns, key, by, down)),
                     _pager(visit, key, number, page.total, size)], className="table")


def paged_grid(visit: Visit, columns: Sequence[Column], rows: Sequence[Any], caption: str, key: str,
               size: int = 2 * ROWS) -> html.Div:
    """A plain table of given rows; of many, one page, whose number is in the address under `key`."""
    if len(rows) <= size:
        return grid(columns, rows, caption)
    number = max(1, min(_number(visit, key), -(-len(rows) // size)))
    return html.Div([grid(columns, rows[(number - 1) * size : number * size], caption),
                     _pager(visit, key, number, len(rows), size)], className="table")


def _number(visit: Visit, key: str) -> int:
    """The page that the address asks for."""
    asked = visit.query.get(f"{key}page", "1")
    return int(asked) if asked.isdecimal() and len(asked) < 7 else 1


def grid(columns: Sequence[Column], rows: Sequence[Any], caption: str, heads: Sequence | None = None) -> html.Div:
    """A plain table of given rows; a wide one scrolls within itself, and on a narrow screen its rows become blocks."""
    head = heads or [html.Th(tied(c.head), scope="col", className=_side(c)) for c in columns]
    body = [html.Tr([html.Td(_whole(c.shown(row)), className=_side(c), **_data(c)) for c in columns]) for row in rows]
    table = html.Table([html.Caption(tied(caption)), html.Thead(html.Tr(list(head))), html.Tbody(body)])
    return html.Div(still(table), className="scroll stacked" if len(columns) > _FEW else "scroll", tabIndex="0", role="region",
                    **aria(label=caption))


def _whole(shown: Any) -> Any:
    """Several parts as one, so that they stay together beside their column's name."""
    return html.Div(shown) if isinstance(shown, list) else tied(shown)


def _heads(visit: Visit, columns: Sequence[Column], key: str, by: str, down: bool) -> list:
    heads = []
    for column in columns:
        mine = column.name == by
        turned = not down if mine else column.number
        changes = {f"{key}sort": column.name, f"{key}down": int(turned), f"{key}page": None}
        sign = (" ↓" if down else " ↑") if mine else ""
        state = aria(sort="descending" if down else "ascending") if mine else {}
        link = dcc.Link(tied(column.head) + sign, href=visit.here(**changes), title="Sort by this")
        heads.append(html.Th(link, scope="col", className=_side(column), **state))
    return heads


def _pager(visit: Visit, key: str, number: int, total: int, size: int) -> html.P | None:
    last = max(1, -(-total // size))
    number = max(1, min(number, last))
    if last == 1:
        return html.P(f"{total:,} rows" if total != 1 else "1 row", className="pager")
    first, end = (number - 1) * size + 1, min(number * size, total)
    parts: list = [f"Rows {first:,} to {end:,} of {total:,}. "]
    if number > 1:
        parts += [dcc.Link("Earlier rows", href=visit.here(**{f"{key}page": number - 1})), " "]
    if number < last:
        parts.append(dcc.Link("Further rows", href=visit.here(**{f"{key}page": number + 1})))
    return html.P(parts, className="pager")


def _data(column: Column) -> dict[str, Any]:
    return {"data-head": tied(column.head)}


def _side(column: Column) -> str:
    return "number" if column.number else ""
