"""
Work that a farm's own events record, and what it won back: the proof of jobs that the job book does not hold.
"""

from __future__ import annotations

import datetime as dt

from dash import dcc, html

from dashboards.pages.rows import rows_behind
from dashboards.parts.tables import Column, grid
from dashboards.parts.work import farm_names
from dashboards.store import Row
from dashboards.visit import Visit
from yieldwatch.report.words import count, day, in_day_words, job_word, number, plain

#: Rows shown; all stand behind their link.
MOST = 25


def recorded(visit: Visit, first: str = "", last: str = "9999") -> list:
    """A sentence and a table of such work done from `first` to `last` [YYYY-MM-DD], newest first; nothing where there is none."""
    if not visit.store.has("proof"):
        return []
    where = {"job_ref": None, "done_on__from": first, "done_on__to": last}
    page = visit.store.page("proof", ["done_on"], True, 1, MOST, where)
    rows, total = page.rows, page.total
    if not rows:
        return []
    told = [r for r in rows if r["gain_kwh"] is not None and r["verdict"] != "not_told"]
    names = farm_names(visit)
    columns = [
        Column("site_id", "Farm", lambda r: dcc.Link(names.get(r["site_id"], plain(r["site_id"])), href=f"/farm/{r['site_id']}")),
        Column("job_kind", "Work", _work),
        Column("done_on", "Done", lambda r: day(dt.date.fromisoformat(str(r["done_on"])[:10]))),
        Column("gain_kwh", "Won back over the days measured [kWh], 90 % interval", _gain, number=True),
        Column("words", "What can be said", lambda r: in_day_words(r["words"])),
    ]
    shown = "them" if total == len(rows) else f"the newest {len(rows)}"
    of = "it" if total == 1 else f"{len(told) if told else 'none'} of {shown}"
    known = "cannot" if total == 1 and not told else "can"
    said = f"The farms' own events record {count(total, 'job')}; what {of} won back {known} be told. "
    return [html.P([said, dcc.Link("The rows", href=rows_behind("proof")), " · ",
                    dcc.Link("How a gain is proven", href="/handbook/proof-method")]),
            grid(columns, rows, "Work recorded as events, newest first")]


def _work(row: Row) -> str:
    return f"{job_word(row['job_kind'], row['cause'])}: {'the whole farm' if row['scope'] == 'site' else plain(row['scope'])}"


def _gain(row: Row) -> str:
    if row["gain_kwh"] is None:
        return "not told"
    return f"{number(row['gain_kwh'])} ({number(row['gain_low_kwh'])} to {number(row['gain_high_kwh'])})"
