"""
Ten people at once on a portfolio of a thousand farms: how long views and clicks take, and what memory the server needs.

    python -m tests.benchmarks.serving RESULTS [--farms 1000] [--people 10] [--seconds 60] [--pause 1.0]

RESULTS is a folder that `yieldwatch assess` wrote. Its store is copied with its farms repeated under new names, with a job book
and a basis of the plan as large, and served by the real command. Each person opens a page with all that it loads, and then clicks
through pages drawn at random, with a pause after each. Where there is Chromium one more opens pages in it, with an empty cache
each time, and clicks on links: what is timed is when the page's heading and words are on the screen. What must hold: 95 % of
first views within 1.5 s and of clicks within 0.3 s, less than 1.5 GB of memory, with server, people and browser on the same two
cores.
"""

from __future__ import annotations

import argparse
import http.client
import json
import random
import re
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

from dashboards.registry import PAGES
from dashboards.visit import Router
from tests.benchmarks.large import enlarge
from tests.dashboards.conftest import ARGUMENTS, WIDE, chromium

FIRST_VIEW_S, CLICK_S, MEMORY_MB = 1.5, 0.3, 1500.0
YEARS = "from=2024-07&to=2025-06&against_from=2023-07&against_to=2024-06"
#: At least one address of every page, which `_every_page` checks.
PATHS = (
    "/", "/?span=twelve_months", "/?span=month&page=3", "/decisions", "/farms", "/farms?sort=pdc0_kw&down=1", "/promises",
    "/trust", "/trust/{farm}", "/losses?span=twelve_months&in_hand=1", "/losses?span=month&page=9",
    "/losses/periods?" + YEARS, "/rows/losses?site_id={farm}",
    "/rows/bridge?site_id={farm}", "/handbook", "/handbook/soiling", "/work", "/work?site={farm}", "/work/{job}", "/plan",
    "/plan?view=weeks", "/plan?view=map", "/jobs", "/jobs/{ref}", "/upload", "/assess", "/farm/{farm}", "/farm/{farm}?" + YEARS,
    "/farm/{farm}/why/soiling", "/farm/{farm}/shade", "/farm/{farm}/shade?" + YEARS, "/farm/{farm}/dirt", "/farm/{farm}/strings",
    "/farm/{farm}/strings/{string}", "/farm/{farm}/inverters", "/farm/{farm}/inverters?" + YEARS, "/farm/{farm}/spells",
    "/farm/{farm}/apart", "/farm/{farm}/readings",
)


class Addresses:
    """Addresses drawn at random, of every page."""

    def __init__(self, store: Path, farms: list[str], seed: int) -> None:
        self._dice, self._farms = random.Random(seed), farms
        with closing(sqlite3.connect(store)) as file:
            self._strings = dict(file.execute("select site_id, min(string_id) from string_findings group by site_id"))
            self._jobs = file.execute("select job_id, job_ref from work_list").fetchall()

    def draw(self, path: str = "") -> str:
        farm, (job, ref) = self._dice.choice(self._farms), self._dice.choice(self._jobs)
        return (path or self._dice.choice(PATHS)).format(farm=farm, string=self._strings[farm], job=job, ref=ref)

    def pause(self, seconds: float) -> None:
        time.sleep(seconds * self._dice.uniform(0.5, 1.5))


def every_page(addresses: Addresses) -> None:
    """Refuse to run if a page has no address here."""
    router = Router(PAGES)
    found = {page.path for p in PATHS if (hit := router.find(addresses.draw(p).partition("?")[0])) for page in hit[:1]}
    assert found == {page.path for page in PAGES}, {page.path for page in PAGES} - found


class Person(threading.Thread):
    """One who opens a page and clicks on."""

    def __init__(self, addresses: Addresses, port: int, until: float, pause: float) -> None:
        super().__init__(daemon=True)
        self._addresses, self._port, self._until, self._pause = addresses, port, until, pause
        self.views: list[tuple[str, float]] = []
        self.clicks: list[tuple[str, float]] = []
        self.failed: list[str] = []

    def run(self) -> None:
        while time.monotonic() < self._until:
            path = self._addresses.draw()
            self._timed(self.views, path, lambda line, path=path: self._open(line, path))
            for _ in range(8):
                self._addresses.pause(self._pause)
                path = self._addresses.draw()
                self._timed(self.clicks, path, lambda line, path=path: self.show(line, path))
                if time.monotonic() > self._until:
                    break

    def _timed(self, into: list[tuple[str, float]], path: str, act) -> None:  # type: ignore[no-untyped-def]
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)) as line:
            began = time.perf_counter()
            try:
                act(line)
            except (OSError, AssertionError, http.client.HTTPException) as err:
                self.failed.append(f"{path}: {err!r}")
            into.append((_kind(path), time.perf_counter() - began))

    def _open(self, line: http.client.HTTPConnection, path: str) -> None:
        page = self._get(line, path).decode()
        for asset in re.findall(r'(?:src|href)="(/[^"]+)"', page):
            self._get(line, asset)
        self._get(line, "/_dash-layout")
        self._get(line, "/_dash-dependencies")
        self.show(line, path)

    def _get(self, line: http.client.HTTPConnection, path: str) -> bytes:
        line.request("GET", path, headers={"Accept-Encoding": "gzip"})
        answer = line.getresponse()
        body = answer.read()
        assert answer.status == 200, answer.status
        return body

    def show(self, line: http.client.HTTPConnection, path: str) -> bytes:
        """What the page holds."""
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
        return body


def _kind(path: str) -> str:
    """An address without what tells one farm, job or string from another."""
    path = re.sub(r"^/work/[^?]+", "/work/JOB", re.sub(r"^/jobs/\d+", "/jobs/REF", re.sub(r"farm-\d+", "FARM", path)))
    return re.sub(r"/strings/[^?]+", "/strings/STRING", path).replace(YEARS, "YEARS")


#: Run in the page: when its words were first on the screen, and how long after a click they had changed. [ms]
_CLOCK = """
let known = null, clicked = null;
addEventListener("click", () => { clicked = performance.now(); delete document.documentElement.dataset.changed; }, true);
new MutationObserver(() => {
  const head = document.querySelector("main h1");
  if (!head || head === known) return;
  known = head;
  requestAnimationFrame(() => setTimeout(() => {
    const now = performance.now(), said = document.documentElement.dataset;
    said.first ??= now;
    if (clicked !== null) { said.changed = now - clicked; clicked = null; }
  }));
}).observe(document, {childList: true, subtree: true});
"""


def browse(addresses: Addresses, port: int, until: float) -> tuple[list[tuple[str, float]], list[tuple[str, float]], list[str]]:
    """First views and clicks in a real browser, each view with an empty cache; addresses, seconds, and what failed."""
    from playwright.sync_api import Error, sync_playwright

    views: list[tuple[str, float]] = []
    clicks: list[tuple[str, float]] = []
    failed: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        while time.monotonic() < until:
            context = browser.new_context(viewport=WIDE)
            page, path = context.new_page(), addresses.draw()
            page.add_init_script(_CLOCK)
            try:
                page.goto(f"http://127.0.0.1:{port}{path}", wait_until="commit")
                views.append((_kind(path), _read(page, "first")))
                for word in ("Farms", "Work", "Trust"):
                    addresses.pause(1.0)
                    page.click(f"header nav a:has-text('{word}')")
                    clicks.append((word, _read(page, "changed")))
            except Error as err:
                failed.append(f"{path}: {err.message.splitlines()[0]}")
            context.close()
        browser.close()
    return views, clicks, failed


def _read(page, name: str) -> float:  # type: ignore[no-untyped-def]
    """What the clock in the page says, once it does. [s]"""
    return float(page.wait_for_selector(f"html[data-{name}]", state="attached").get_attribute(f"data-{name}")) / 1e3


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
                drawn = [Addresses(portfolio / "out" / "assessment.sqlite", farms, n) for n in range(options.people + 1)]
                every_page(drawn[-1])
                planned = _plan(options.port)
                people = [Person(addresses, options.port, until, options.pause) for addresses in drawn[:-1]]
                for person in people:
                    person.start()
                seen = browse(drawn[-1], options.port, until) if chromium() else None
                for person in people:
                    person.join()
                held = memory_mb(server.pid)
            finally:
                server.terminate()
    print(f"{options.farms} farms, store of {size:.0f} MB, {options.people} people, {options.seconds:.0f} s")
    good = [_told("first view", [v for p in people for v in p.views], FIRST_VIEW_S),
            _told("click", [c for p in people for c in p.clicks], CLICK_S), held < MEMORY_MB]
    failed = [f for p in people for f in p.failed]
    if seen is None:
        print("in the browser: not run, there is no Chromium on this machine")
    else:
        good += [_told("first view in the browser", seen[0], FIRST_VIEW_S), _told("click in the browser", seen[1], CLICK_S)]
        failed += seen[2]
    print(f"the plan of all farms was made in {planned:.0f} s, before the people came; then the page has it")
    print(f"memory: {held:.0f} MB, {'holds' if held < MEMORY_MB else 'too much'} ({MEMORY_MB:.0f} MB)")
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


def _plan(port: int) -> float:
    """Ask for the plan until it is made, as whoever asks first after an assessment does. [s]"""
    began = time.monotonic()
    asker = Person(None, port, 0.0, 0.0)  # type: ignore[arg-type]
    while True:
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as line:
            if b"plan-look" not in asker.show(line, "/plan"):
                return time.monotonic() - began
        time.sleep(0.5)


def _told(name: str, taken: list[tuple[str, float]], limit_s: float) -> bool:
    if not taken:
        print(f"{name}: none")
        return False
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
