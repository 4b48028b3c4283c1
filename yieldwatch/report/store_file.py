"""
`assessment.sqlite`: every written table, and the prepared pictures, by site, for programs that show them.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path

import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.check import check_site, reason_kinds
from yieldwatch.pictures import Picture
from yieldwatch.report import words
from yieldwatch.report.evidence_file import evidence_document
from yieldwatch.report.source_words import source_cells
from yieldwatch.report.spans import span_tables

STORE_FILE = "assessment.sqlite"
#: Raised when a reader of an older file could go wrong.
FORMAT = 4
#: How tables are looked up beside by farm.
_INDEXES: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "span_farms": (("span", "in_hand_money"),), "span_causes": (("span", "in_hand", "money"), ("span", "money")),
    "returns": (("measure", "value"),), "work_list": (("rank",), ("job_id",), ("job_ref",)), "set_aside": (("file",),),
    "waiting": (("job_id", "week"),), "run_ends": (("from_month", "to_month"),),
    "statement_checks": (("verdict",),), "proof": (("job_ref", "done_on"),),
}


def write_store(assessment: Assessment, frames: Mapping[str, pd.DataFrame], path: Path) -> None:
    """
    Write the store.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        The written tables, from `tables.tables`.
    path : Path
        A new file.
    """
    with closing(sqlite3.connect(path)) as store:
        store.execute("pragma journal_mode = off")
        for name, frame in (*frames.items(), *_more_tables(assessment).items(),
                            *span_tables(assessment).items()):
            _write_table(store, name, frame)
        _write_pictures(store, [(s.site.id, p) for s in assessment.sites for p in s.pictures])
        store.execute("create table evidence (site_id text, cause text, record text, primary key (site_id, cause)) without rowid")
        store.executemany("insert into evidence values (?, ?, ?)", [
            (site["site_id"], cause["cause"], json.dumps(cause, allow_nan=False))
            for site in evidence_document(assessment)["sites"] for cause in site["causes"]])
        if assessment.plan_basis:
            store.execute("create table plan_basis (content blob)")
            store.execute("insert into plan_basis values (?)", [assessment.plan_basis.to_bytes()])
        store.execute("create table about (key text primary key, value text) without rowid")
        store.executemany("insert into about values (?, ?)", _about(assessment).items())
        store.commit()


def _about(assessment: Assessment) -> dict[str, str | None]:
    portfolio = assessment.portfolio
    facts = {
        "format": FORMAT, "portfolio": portfolio.name, "currency": portfolio.currency, "as_of": assessment.as_of.isoformat(),
        "from": assessment.period[0].isoformat(), "to": assessment.period[1].isoformat(), "works_budget": portfolio.works_budget,
        "crew_days": portfolio.crew_days, "horizon_months": portfolio.horizon_months, "discount_rate": portfolio.discount_rate,
        "made": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }
    return {key: None if value is None else str(value) for key, value in facts.items()}


def _more_tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    sites = pd.DataFrame([{
        "site_id": s.site.id, "name": s.site.name, "latitude": s.site.latitude, "longitude": s.site.longitude,
        "timezone": s.site.timezone, "commissioned": s.site.commissioned.isoformat(), "pdc0_kw": s.site.pdc0_kw,
        "pac0_kw": s.site.pac0_kw, "inverters": len(s.site.inverters), "strings": len(s.site.strings),
        "has_log": int(s.data.power is not None), "has_meter": int(s.data.meter is not None),
    } for s in assessment.sites])
    files = pd.concat([s.data.files.assign(site_id=s.site.id) for s in assessment.sites], ignore_index=True)
    ids = {s.site.id for s in assessment.sites}
    notices = [(site if (site := said.partition(":")[0]) in ids else "", said) for said in assessment.notices]
    notices += [(s.site.id, said) for s in assessment.sites
                for said in (*s.data.notices, *map(words.reason_words, s.gap.not_told))]
    checks = [check_site(s.site, s.data) for s in assessment.sites]
    tells = [(c.site.id, int(can), said) for c in checks for can, each in ((1, c.can_tell), (0, c.cannot_tell)) for said in each]
    sources = [(c.site.id, *source_cells(s, c.site.timezone)) for c in checks for s in c.sources]
    return {
        "sites": sites, "files": files, "notices": pd.DataFrame(notices, columns=["site_id", "words"]),
        "tells": pd.DataFrame(tells, columns=["site_id", "can", "words"]),
        "sources": pd.DataFrame(sources, columns=["site_id", "kind", "rows", "first", "last", "covered", "holds"]),
        "set_aside_reasons": _reasons(assessment),
    }


def _reasons(assessment: Assessment) -> pd.DataFrame:
    """Rows and values set aside, counted by file and reason."""
    frames = [s.data.set_aside.assign(site_id=s.site.id) for s in assessment.sites if len(s.data.set_aside)]
    if not frames:
        return pd.DataFrame(columns=["site_id", "file", "reason", "part", "rows", "first_line"])
    rows = pd.concat(frames, ignore_index=True).reindex(columns=["site_id", "file", "line", "reason", "part"])
    rows["reason"] = reason_kinds(rows)
    by = rows.groupby(["site_id", "file", "reason", "part"], as_index=False, observed=True, dropna=False)
    return by.agg(rows=("line", "size"), first_line=("line", "min"))


def _write_table(store: sqlite3.Connection, name: str, frame: pd.DataFrame) -> None:
    columns = list(frame.columns)
    listed = ", ".join(f'"{c}"' for c in columns)
    store.execute(f'create table "{name}" ({listed})')
    rows = frame.astype(object).itertuples(index=False, name=None)
    values = ([_plain(v) for v in row] for row in rows)
    store.executemany(f'insert into "{name}" values ({", ".join("?" * len(columns))})', values)
    keys = [[c for c in ("site_id", "month", "cause", "week") if c in columns]] if "site_id" in columns else []
    # Without a job book the work list has no numbers of jobs.
    keys += [list(key) for key in _INDEXES.get(name, ()) if set(key) <= set(columns)]
    for place, key in enumerate(keys):
        listed = ", ".join(f'"{c}"' for c in key)
        store.execute(f'create index "{name}_{place}" on "{name}" ({listed})')


def _write_pictures(store: sqlite3.Connection, pictures: Iterable[tuple[str, Picture]]) -> None:
    store.execute("create table pictures (site_id text, kind text, item text, columns text, about text, "
                  "primary key (site_id, kind, item)) without rowid")
    store.executemany("insert into pictures values (?, ?, ?, ?, ?)", [
        (site, p.kind, p.item, _dense({k: [_plain(v) for v in values] for k, values in p.columns.items()}),
         _dense({k: _plain(v) for k, v in p.about.items()})) for site, p in pictures])


def _dense(value: object) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _plain(value: object) -> object:
    """A value as SQLite and JSON hold it: missing is null, a time is ISO text, a sequence a list."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    return value
