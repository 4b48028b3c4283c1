"""
Ten people at once on a portfolio of a thousand farms: how long views and clicks take, and what memory the server needs.

    python -m tests.benchmarks.serving RESULTS [--farms 1000] [--people 10] [--seconds 60] [--pause 1.0]

RESULTS is a folder that `yieldwatch assess` wrote. Its store is copied with its farms repeated under new names, with a job book
as large, and served by the real command. Each person opens a page as a browser does, with all that the page loads, and then
clicks through pages drawn at random, with a pause after each. What must hold: 95 % of first views within 1.5 s and of clicks
within 0.3 s, less than 1.5 GB of memory, with server and people on the same two cores.
"""

from __future__ import annotations

import argparse
import datetime as dt
import http.client
import json
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from contextlib import closing
from pathlib import Path

import numpy as np

from yieldwatch.book.keep import open_book

FIRST_VIEW_S, CLICK_S, MEMORY_MB = 1.5, 0.3, 1500.0
PATHS = (
    "/", "/?span=twelve_months", "/?span=month&page=3", "/decisions", "/farms", "/farms?sort=pdc0_kw&down=1", "/promises",
    "/trust", "/trust/{farm}", "/losses?span=twelve_months&in_hand=1", "/losses?span=month&page=9", "/rows/losses?site_id={farm}",
    "/rows/bridge?site_id={farm}", "/handbook", "/handbook/soiling", "/work", "/work?site={farm}", "/jobs", "/farm/{farm}",
    "/farm/{farm}/shade", "/farm/{farm}/dirt", "/farm/{farm}/strings", "/farm/{farm}/inverters", "/farm/{farm}/spells",
)


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


class Person(threading.Thread):
    """One who opens a page and clicks on."""

    def __init__(self, seed: int, port: int, farms: list[str], until: float, pause: float) -> None:
        super().__init__(daemon=True)
        self._dice, self._port, self._farms, self._until, self._pause = random.Random(seed), port, farms, until, pause
        self.views: list[tuple[str, float]] = []
        self.clicks: list[tuple[str, float]] = []
        self.failed: list[str] = []

    def run(self) -> None:
        while time.monotonic() < self._until:
            path = self._path()
            self._timed(self.views, path, lambda line, path=path: self._open(line, path))
            for _ in range(8):
                time.sleep(self._pause * self._dice.uniform(0.5, 1.5))
                path = self._path()
                self._timed(self.clicks, path, lambda line, path=path: self._show(line, path))
                if time.monotonic() > self._until:
                    break

    def _path(self) -> str:
        return self._dice.choice(PATHS).format(farm=self._dice.choice(self._farms))

    def _timed(self, into: list[tuple[str, float]], path: str, act) -> None:  # type: ignore[no-untyped-def]
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)) as line:
            began = time.perf_counter()
            try:
                act(line)
            except (OSError, AssertionError, http.client.HTTPException) as err:
                self.failed.append(f"{path}: {err!r}")
            into.append((re.sub(r"farm-\d+", "FARM", path), time.perf_counter() - began))

    def _open(self, line: http.client.HTTPConnection, path: str) -> None:
        page = self._get(line, path).decode()
        for asset in re.findall(r'(?:src|href)="(/[^"]+)"', page):
            self._get(line, asset)
        self._get(line, "/_dash-layout")
        self._get(line, "/_dash-dependencies")
        self._show(line, path)

    def _get(self, line: http.client.HTTPConnection, path: str) -> bytes:
        line.request("GET", path, headers={"Accept-Encoding": "gzip"})
        answer = line.getresponse()
        body = answer.read()
        assert answer.status == 200, answer.status
        return body

    def _show(self, line: http.client.HTTPConnection, path: str) -> None:
        own = f"http://127.0.0.1:{self._port}"
        asked = {"output": "..main.children...menu.children..", "changedPropIds": ["address.href"],
                 "outputs": [{"id": "main", "property": "children"}, {"id": "menu", "property": "children"}],
                 "inputs": [{"id": "address", "property": "href", "value": own + path}]}
        line.request("POST", "/_dash-update-component", json.dumps(asked), {
            "Content-Type": "application/json", "Origin": own, "Sec-Fetch-Site": "same-origin"})
        answer = line.getresponse()
        body = answer.read()
        assert answer.status == 200, answer.status
        assert b"could not be made" not in body, "the page failed"


def memory_mb(process: int) -> float:
    """The most that the server has held. [MB]"""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text(encoding="utf-8"))
    return int(found[1]) / 1024.0 if found else float("nan")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").strip().splitlines()[0])
    parser.add_argument("results", type=Path)
    parser.add_argument("--farms", type=int, default=1000)
    parser.add_argument("--people", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--pause", type=float, default=1.0)
    parser.add_argument("--port", type=int, default=8051)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        portfolio = Path(scratch) / "large"
        farms = enlarge(options.results, portfolio, options.farms)
        size = (portfolio / "out" / "assessment.sqlite").stat().st_size / 1e6
        command = [sys.executable, "-m", "yieldwatch", "serve", str(portfolio), "--out", str(portfolio / "out"), "--port",
                   str(options.port)]
        with subprocess.Popen(command, stderr=subprocess.DEVNULL) as server:
            try:
                _wait(options.port)
                until = time.monotonic() + options.seconds
                people = [Person(n, options.port, farms, until, options.pause) for n in range(options.people)]
                for person in people:
                    person.start()
                for person in people:
                    person.join()
                held = memory_mb(server.pid)
            finally:
                server.terminate()
    print(f"{options.farms} farms, store of {size:.0f} MB, {options.people} people, {options.seconds:.0f} s")
    good = [_told("first view", [v for p in people for v in p.views], FIRST_VIEW_S),
            _told("click", [c for p in people for c in p.clicks], CLICK_S), held < MEMORY_MB]
    print(f"memory: {held:.0f} MB, {'holds' if held < MEMORY_MB else 'too much'} ({MEMORY_MB:.0f} MB)")
    failed = [f for p in people for f in p.failed]
    print(f"failed: {len(failed)}", *failed[:5])
    return 0 if all(good) and not failed else 1


def _wait(port: int) -> None:
    for _ in range(300):
        try:
            with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=5)) as line:
                line.request("GET", "/health")
                line.getresponse().read()
                return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the server does not answer")


def _told(name: str, taken: list[tuple[str, float]], limit_s: float) -> bool:
    by = defaultdict(list)
    for path, seconds in taken:
        by[path].append(seconds)
    late = float(np.percentile([s for _, s in taken], 95))
    print(f"{name}: {len(taken)}, median {np.median([s for _, s in taken]):.3f} s, 95 % within {late:.3f} s, "
          f"{'holds' if late <= limit_s else 'too slow'} ({limit_s} s)")
    for path, seconds in sorted(by.items(), key=lambda item: -float(np.median(item[1]))):
        print(f"  {path}: {len(seconds)}, median {np.median(seconds):.3f} s, slowest {max(seconds):.3f} s")
    return late <= limit_s


if __name__ == "__main__":
    sys.exit(main())
