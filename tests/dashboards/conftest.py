"""
A served assessment and a real browser.

`served` is the sample's assessment behind the real server on a free port; `page` is a page of headless Chromium that fails the
test if anything was written to its console as an error. Tests that need the browser are skipped, with the reason, where there
is none.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import waitress

from dashboards.app import create_app
from dashboards.visit import Place, place_of

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


def chromium() -> str | None:
    return os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def place(request, tmp_path_factory) -> Place:
    """The sample portfolio, copied, and its assessment; a folder named in YIELDWATCH_TEST_PLACE is used as it is instead."""
    ready = os.environ.get("YIELDWATCH_TEST_PLACE")
    if ready:
        return place_of(Path(ready), Path(ready) / "out")
    portfolio = tmp_path_factory.mktemp("served") / "sample"
    shutil.copytree(request.getfixturevalue("assessed") / "portfolio", portfolio)
    return place_of(portfolio, portfolio / "out")


@dataclass(frozen=True)
class Served:
    place: Place
    url: str


@pytest.fixture(scope="session")
def served(place) -> Iterator[Served]:
    with running(place) as server:
        yield server


@contextmanager
def running(place: Place) -> Iterator[Served]:
    """The real server on a free port."""
    server = waitress.create_server(create_app(place).server, host="127.0.0.1", port=0, threads=8)
    closing = threading.Event()

    def serve() -> None:
        try:
            server.run()
        except OSError:  # it may be waiting at the socket that is closed under it
            if not closing.is_set():
                raise

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield Served(place, f"http://127.0.0.1:{server.effective_port}")
    closing.set()
    server.close()
    server.task_dispatcher.shutdown()
    thread.join(timeout=5.0)


@pytest.fixture(scope="module")
def own(place, tmp_path_factory):
    """A copy of the portfolio, its assessment and its job book, that these tests may write to."""
    folder = tmp_path_factory.mktemp("own") / "portfolio"
    shutil.copytree(place.portfolio, folder)
    with running(place_of(folder, folder / "out")) as served:
        yield served


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = chromium()
    if program is None:
        pytest.skip("no Chromium on this machine")
    with sync_api.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport=WIDE)
    opened = context.new_page()
    opened.set_default_timeout(20_000)
    said: list[str] = []
    opened.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    opened.on("pageerror", lambda error: said.append(str(error)))
    yield opened
    context.close()
    assert not said, f"the console has errors: {said}"


def visit(page, served: Served, path: str) -> None:
    """Open a page and wait until its words and pictures are there."""
    page.goto(served.url + path)
    settle(page)


#: Whether each picture of the page is there. A quiet network does not say so: a slow machine draws for a while after
#: its last answer. Pictures in a closed fold may wait until it is opened.
DRAWN = """() => [...document.querySelectorAll('.dash-graph')].every(
    graph => graph.closest('details:not([open])') || graph.querySelector('.js-plotly-plot .main-svg'))"""


def settle(page) -> None:
    page.wait_for_selector("main h1")
    page.wait_for_load_state("networkidle")
    page.wait_for_function(DRAWN)


def assert_fits(page) -> None:
    """Nothing sticks out sideways but what scrolls within itself."""
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0, f"the page is {wide} pixels too wide"


def assert_accessible(page) -> None:
    """No breach that the checker is sure of, of WCAG 2.2 A and AA and of good practice."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    assert not found, "\n".join(f"{v['id']}: {v['help']} at {[n['target'] for n in v['nodes'][:4]]}" for v in found)


def assert_comes_up(page, served: Served, path: str) -> None:
    """A page with something to show that fits a narrow screen and a wide one, and breaches nothing of accessibility."""
    page.set_viewport_size(NARROW)
    visit(page, served, path)
    assert page.locator("main .sorry").count() == 0
    assert_fits(page)
    page.set_viewport_size(WIDE)
    settle(page)
    assert_fits(page)
    assert_accessible(page)
