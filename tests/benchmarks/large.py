"""
A portfolio made large for benchmarks: an assessment's store with its farms repeated, with a job book and a plan's basis to match.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from yieldwatch.action.plan_rows import PlanBasis
from yieldwatch.action.problem import Offer, Problem
from yieldwatch.book.keep import open_book


def enlarge(source: Path, portfolio: Path, farms: int) -> list[str]:
    """Copy a store with its farms repeated, and raise a job for each row of its work list; returns the farms' names."""
    folder = portfolio / "out"
    folder.mkdir(parents=True)
    (portfolio / "portfolio.toml").write_text('name = "A thousand farms"\n', encoding="utf-8")
    shutil.copy(source / "assessment.sqlite", folder)
    with closing(sqlite3.connect(folder / "assessment.sqlite")) as store:
        old = [r[0] for r in store.execute("select site_id from sites order by site_id")]
        names = [f"farm-{n:04d}" for n in range(farms)]
        tables = [r[0] for r in store.execute("select name from sqlite_master where type = 'table'")]
        for table in tables:
            columns = [r[1] for r in store.execute(f'pragma table_info("{table}")')]
            if "site_id" not in columns:
                continue
            at = columns.index("site_id")
            by = {site: store.execute(f'select * from "{table}" where site_id = ?', [site]).fetchall() for site in old}
            store.execute(f'delete from "{table}" where site_id != ?', [""])
            for n, name in enumerate(names):
                rows = [_renamed(row, columns, at, old[n % len(old)], name, n) for row in by[old[n % len(old)]]]
                store.executemany(f'insert into "{table}" values ({", ".join("?" * len(columns))})', rows)
        store.execute("update about set value = value * ? where key in ('works_budget', 'crew_days')", [farms / len(old)])
        content = widened(PlanBasis.from_bytes(store.execute("select content from plan_basis").fetchone()[0]), old, names)
        store.execute("update plan_basis set content = ?", [content.to_bytes()])
        for column in ("farms", "farms_measured", "farms_priced", "farms_planned"):
            store.execute(f'update spans set "{column}" = ?', [farms])
        refs = _raise_jobs(portfolio, store)
        store.executemany("update work_list set job_ref = ?, rank = ? where job_id = ?", [(r, r, j) for j, r in refs.items()])
        store.commit()
        store.execute("vacuum")
    return names


def _renamed(row: tuple, columns: list[str], at: int, old: str, new: str, n: int) -> tuple:
    cells = list(row)
    cells[at] = new
    for name in ("job_id", "file", "name"):
        if name in columns and isinstance(cells[columns.index(name)], str):
            place = columns.index(name)
            cells[place] = cells[place].replace(old, new) if name != "name" else f"{cells[place]} {n}"
    return tuple(cells)


def _raise_jobs(portfolio: Path, store: sqlite3.Connection) -> dict[str, int]:
    store.row_factory = sqlite3.Row
    rows = [dict(r) for r in store.execute("select * from work_list")]
    store.row_factory = None
    refs = {}
    with open_book(portfolio).writing() as pages:
        for row in rows:
            facts = {name: row[name] for name in ("site_id", "job_kind", "cause", "scope", "job_id", "gain_kwh_per_year",
                                                  "gain_per_year", "why")}
            job = pages.raise_job({
                **facts, "raised_on": dt.date(2025, 7, 1), "found": True, "advised": bool(row["chosen"]),
                "safety": bool(row["safety"]), "cost_estimate": row["cost"]})
            refs[row["job_id"]] = job.ref
    return refs


def widened(basis: PlanBasis, old: Sequence[str], names: Sequence[str]) -> PlanBasis:
    """A plan's basis for farms that repeat the old ones, each with the jobs of its own."""
    frames, rows, offers, returns, exclusive = [], [], [], [], []
    problem, visits = basis.problem, int(basis.problem.visit.max()) + 1
    for n, name in enumerate(names):
        site = old[n % len(old)]
        own = np.flatnonzero(basis.jobs["site_id"] == site)
        at = {int(j): len(rows) + k for k, j in enumerate(own)}
        rows += [(int(j), n * visits) for j in own]
        frame = basis.jobs.iloc[own].assign(site_id=name)
        frames.append(frame.assign(job_id=frame["job_id"].str.replace(site, name, regex=False)))
        offers += [Offer(at[o.job], o.weeks, o.value) for o in problem.offers if o.job in at]
        returns += [r for o, r in zip(problem.offers, basis.returns, strict=True) if o.job in at]
        exclusive += [(at[a], at[b]) for a, b in problem.exclusive if a in at]
    job, shift = (np.array(x) for x in zip(*rows, strict=True))
    larger = Problem(
        offers, problem.visit[job] + shift,
        *(getattr(problem, k)[job] for k in ("cost_units", "cost_per_visit", "hours_units", "hours_per_visit", "must")),
        problem.discount, exclusive)
    return replace(basis, jobs=pd.concat(frames, ignore_index=True), problem=larger, returns=returns)
