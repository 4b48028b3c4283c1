"""The report that is a file, in a browser."""

from __future__ import annotations

from tests.dashboards.conftest import NARROW
from tests.report.invented import assessment
from yieldwatch.report.page import render_page

HEIGHTS = "[...document.querySelectorAll('.plot')].filter(p => p.clientWidth).map(p => p.clientHeight)"


def test_pictures_on_a_narrow_screen_keep_their_height_however_often_a_fold_is_opened(page, tmp_path):
    (tmp_path / "report.html").write_text(render_page(assessment()), encoding="utf-8")
    page.set_viewport_size(NARROW)
    page.goto((tmp_path / "report.html").as_uri())
    page.wait_for_selector(".plot svg")
    before = page.evaluate(HEIGHTS)
    assert before
    for _ in range(3):
        page.evaluate("document.querySelectorAll('details.fold').forEach(f => { f.open = !f.open; })")
        page.wait_for_timeout(200)
    page.evaluate("document.querySelectorAll('details.fold').forEach(f => { f.open = false; })")
    page.wait_for_timeout(200)
    assert page.evaluate(HEIGHTS) == before
