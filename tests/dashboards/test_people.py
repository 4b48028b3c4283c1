"""What each person does in a browser: the owner reads and decides, anybody assesses anew."""

from __future__ import annotations

import re
import time

import pytest

from dashboards.parts.charts import COLOURS
from dashboards.run import Runner
from tests.dashboards.conftest import settle, visit
from yieldwatch.book import states


def test_the_owners_page_opens_with_a_paragraph_whose_figures_lead_to_their_rows(page, served):
    visit(page, served, "/")
    first = page.locator("main p.lead")
    said = first.inner_text()
    for words in ("delivered", "The plan was", "In our hands was", "To decide:"):
        assert words in said
    links = first.locator("a.figure")
    assert links.count() >= 6
    # No figure stands outside a link, but for the month that it is of.
    outside = first.evaluate("p => [...p.childNodes].filter(n => n.nodeName !== 'A').map(n => n.nodeName === 'SPAN' ? "
                             "n.firstChild.textContent : n.textContent).join(' ')")
    assert not re.search(r"\d", re.sub(r"in [A-Z][a-z]{2}\s\d{4}", "", outside)), outside
    for address in dict.fromkeys(links.nth(i).get_attribute("href") for i in range(links.count())):
        visit(page, served, address)
        assert page.locator("tbody tr, li.job").count() > 0, address


def test_the_owner_goes_through_month_year_and_trailing_year_by_keyboard(page, served):
    visit(page, served, "/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    page.get_by_role("link", name="Trailing year").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**span=twelve_months")
    page.wait_for_selector("b:text('Trailing year')")
    assert page.evaluate("document.activeElement.id") == "main"


def test_the_owner_decides_and_the_job_book_has_it(page, served):
    visit(page, served, "/decisions")
    before = page.locator("li.job").count()
    job = page.locator("li.job").last
    title = job.locator("h2").inner_text()
    job.get_by_label("Reason, or the figure that would change it").fill("quote is <b>too high</b>")
    job.get_by_role("button", name="Not now").click()
    page.wait_for_selector("text=Written: put off")
    found = [j for j in served.place.jobs.all() if j.reason == "quote is <b>too high</b>"]
    assert [states.state(j) for j in found] == [states.PUT_OFF]
    visit(page, served, "/decisions")
    assert page.locator("li.job").count() == before - 1
    assert title not in page.inner_text("main")
    taken_back = served.place.jobs.book().change(found[0].ref, found[0].decided_by, {"decision": None}, found[0].version)
    assert states.state(taken_back) == states.PROPOSED


def test_a_decision_on_a_job_that_changed_meanwhile_is_not_written(page, served):
    visit(page, served, "/decisions")
    job = page.locator("li.job").first
    seen = next(j for j in served.place.jobs.all() if f"job {j.ref}" == _ref(job))
    changed = served.place.jobs.book().change(seen.ref, "Another", {"note": "seen on site"}, seen.version)
    job.get_by_role("button", name="Do it").click()
    page.wait_for_selector("text=Not written")
    assert served.place.jobs.book().job(seen.ref).decision is None
    served.place.jobs.book().change(seen.ref, "Another", {"note": None}, changed.version)


def _ref(job) -> str:
    return job.get_by_role("button", name="Do it").get_attribute("aria-label").partition(": ")[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pictures_stand_out_from_paper_in_light_and_dark(page, served, scheme):
    page.emulate_media(color_scheme=scheme)
    visit(page, served, "/")
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    ground = _luminance(tuple(int(p) for p in paper.removeprefix("rgb(").removesuffix(")").split(",")))
    for name, colour in COLOURS.items():
        other = _luminance(tuple(int(colour[i:i + 2], 16) for i in (1, 3, 5)))
        # WCAG 2.2, 1.4.11: graphics stand out by 3 to 1.
        assert (max(ground, other) + 0.05) / (min(ground, other) + 0.05) >= 3.0, name


def _luminance(rgb: tuple[int, ...]) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [c / 255.0 for c in rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_on_paper_the_menu_is_left_out(page, served):
    page.emulate_media(media="print")
    visit(page, served, "/")
    assert not page.locator("header nav").is_visible()
    assert page.locator("main p.lead").is_visible()


def test_a_page_without_data_says_why_in_a_sentence(page, served):
    visit(page, served, "/trust/nobody")
    assert "There is no farm nobody in the last assessment." in page.inner_text("main")


def test_text_from_an_address_is_never_run(page, served):
    visit(page, served, "/handbook/%3Cimg%20src%3Dx%20onerror%3Ddocument.title%3D1%3E")
    settle(page)
    assert page.locator("main img").count() == 0


def test_only_one_assessment_runs_and_a_failed_one_says_why(tmp_path):
    runner = Runner(tmp_path, tmp_path / "out")
    assert runner.progress() is None
    assert runner.start("Ada")
    assert not runner.start("Piet")
    until = time.monotonic() + 300.0
    while (now := runner.progress()).code is None and time.monotonic() < until:
        time.sleep(0.1)
    assert now.code == 1
    assert now.who == "Ada"
    assert any("portfolio.toml" in line for line in now.lines)
