"""The page: whole in itself, safe against user text, and honest about what is missing."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from tests.report.invented import assessment
from tests.report.invented_jobs import NOT_WORTH, work_list
from yieldwatch.report.blocks import jobs_grid
from yieldwatch.report.page import render_page


class Reader(HTMLParser):
    """Collects tags, their attributes, and the text outside scripts and styles."""

    def __init__(self):
        super().__init__()
        self.tags, self.text, self.inside = [], [], None

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.inside = tag if tag in ("script", "style") else None

    def handle_endtag(self, tag):
        self.inside = None

    def handle_data(self, data):
        if self.inside is None:
            self.text.append(data)


@pytest.fixture(scope="module")
def page():
    return render_page(assessment())


@pytest.fixture(scope="module")
def read(page):
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def text(read):
    return re.sub(r"\s+", " ", " ".join(read.text))


def test_nothing_is_fetched_from_elsewhere(page, read):
    for tag, attributes in read.tags:
        assert tag not in ("link", "iframe", "object", "embed", "img", "base"), tag
        assert "src" not in attributes
        if "href" in attributes:
            assert attributes["href"].startswith("#")
    policy = [a["content"] for t, a in read.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0].startswith("default-src 'none'")
    styles = re.findall(r"<style>(.*?)</style>", page, re.S)
    assert styles
    assert not any("url(" in s or "@import" in s for s in styles)


def test_user_text_never_becomes_markup(page, read, text):
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert not [t for t, _ in read.tags if t in ("b", "i")]
    # It is shown, as text.
    assert "<script>alert('x')</script> & Söhne" in text
    assert "<img src=x onerror=alert(1)>" in text


def test_the_figure_library_stands_in_the_page_once(read):
    scripts = [a for t, a in read.tags if t == "script"]
    # The library, the figures as data, and the code that draws them.
    assert [a.get("type") for a in scripts] == [None, "application/json", None]


def test_ids_are_unique_and_every_link_leads_somewhere(read):
    ids = [a["id"] for _, a in read.tags if "id" in a]
    assert len(ids) == len(set(ids))
    links = [a["href"][1:] for t, a in read.tags if t == "a"]
    assert links
    assert set(links) <= set(ids)


def test_every_figure_has_a_text_alternative_and_a_caption_with_its_coverage(read, text):
    plots = [a for _, a in read.tags if a.get("class") == "plot"]
    # One over all farms, three for the measured farm, two for the one without a ratio.
    assert len(plots) == 6
    assert all(a["role"] == "img" and len(a["aria-label"]) > 20 for a in plots)
    assert sum(t == "figcaption" for t, _ in read.tags) == 6
    assert "Energy really measured: 93" in text


def test_it_opens_with_words_before_any_table(page):
    words, table = page.index("delivered"), page.index("<table")
    assert page.index('id="answer"') < words < table
    assert page.index('id="farms"') < page.index('id="first"') < page.index('id="farm-1"')


def test_not_assessed_and_not_known_are_said_in_words(text):
    assert "Not assessed, and so neither blamed nor cleared: reactive power." in text
    assert "what it delivered is not known" in text
    assert not re.search(r"\b(nan|nat|inf|None)\b", text)


def test_a_turned_down_job_says_what_would_change_it(text):
    plain = text.replace("\u00a0", " ")
    assert plain.index("Not worth doing now") < plain.index(NOT_WORTH)
    assert plain.index("Would pay, but not within") < plain.index("Cut back vegetation at Alder Hill")


def test_a_job_without_a_price_is_not_called_worthless():
    jobs = work_list()
    jobs.loc[4, ["npv", "gain_per_year"]] = np.nan
    page = render_page(replace(assessment(), work_list=jobs))
    assert "1 job could not be ranked for want of a cost or a price." in page
    assert "<h3>Could not be ranked</h3>" in page
    assert "Not worth doing now" not in page


def test_an_empty_work_list_is_an_answer():
    quiet = render_page(replace(assessment(farms=1), work_list=pd.DataFrame()))
    assert "No job was found on this evidence." in quiet


def test_what_was_assumed_names_the_farm_and_not_its_folder():
    page = render_page(replace(assessment(), notices=("alder: running costs are from the plan.", "Budget: none.")))
    assert "<li>Alder Hill: running costs are from the plan.</li>" in page
    assert "<li>Budget: none.</li>" in page


def test_the_ends_of_an_interval_are_never_broken_within_their_digits(page):
    cells = re.findall(r'<td class="span">(.*?)</td>', page)
    assert any(" to " in c.replace("\xa0", " ") for c in cells)
    assert "td.span { white-space: nowrap; }" in page


def test_net_values_have_their_period_and_a_claim_is_paid_once(text):
    assert text.replace("\u00a0", " ").count(f"net value is over {assessment().portfolio.horizon_months} months") >= 1
    claim = {"rank": 1, "cause": "degradation", "scope": "S01", "site_name": "Alder Hill", "gain_per_year": 154.0}
    for kind, often in (("claim", "GBP 154 once"), ("clean", "GBP 154")):
        (row,) = jobs_grid([claim | {"job_kind": kind}], "GBP", 36).rows
        assert row[4] == often


def test_what_was_set_aside_shows_the_first_line_and_what_stood_there(text):
    assert "line 4: i_sc_a = " in text.replace("\u00a0", " ")
