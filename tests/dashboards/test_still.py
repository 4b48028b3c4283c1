"""Parts of a page as one piece of HTML: the same as the components, with nothing of a user's run as script."""

from __future__ import annotations

import pytest
from dash import dcc, html

from dashboards.parts.still import still
from dashboards.parts.tables import Column, grid
from tests.dashboards.conftest import settle, visit

HOSTILE = "<img src=x onerror=\"window.caught=1\"><script>window.caught=1</script> & 'quoted'"


def text(part) -> str:
    return still(part).to_plotly_json()["props"]["data-html"]


def test_a_table_is_its_html():
    table = html.Table([html.Caption("Loss [%]"), html.Tr([html.Th("Farm", scope="col"), html.Td(3.5, className="number")])],
                       tabIndex="0", **{"aria-label": "a < b"})
    assert text(table) == (
        '<table tabindex="0" aria-label="a &lt; b"><caption>Loss [%]</caption><tr><th scope="col">Farm</th>'
        '<td class="number">3.5</td></tr></table>')


def test_text_and_attributes_of_a_user_stay_text():
    for part in (html.Div(HOSTILE), html.Div("x", title=HOSTILE), dcc.Link(HOSTILE, href="/x"), dcc.Link("x", href=f"/{HOSTILE}"),
                 html.Details([html.Summary(HOSTILE)])):
        said = text(part)
        assert "<img" not in said
        assert "<script" not in said
        assert 'onerror="' not in said


@pytest.mark.parametrize("part", [
    html.Div("x", id="a"), html.Div("x", style={"color": "red"}), html.Button("x", n_clicks=0), dcc.Graph(), html.Script("x"),
    html.Iframe(src="/x"), dcc.Link("x", href="//elsewhere.example/x"), dcc.Link("x", href="javascript:alert(1)"),
    html.A("x", href="data:text/html,x"), html.Div("x", **{"data-x\"onload": "1"}), html.Div([html.P(html.Img(src="/x"))]),
], ids=str)
def test_what_lives_or_leads_elsewhere_stays_a_component(part):
    assert still(part) is part


def test_a_table_with_a_box_that_a_callback_reads_keeps_it():
    rows = grid([Column("a", "A", lambda r: dcc.Input(id="box"))], [{}], "One")
    assert isinstance(rows.children, html.Table)


def test_links_in_a_table_are_followed_without_loading_anew_and_back_again(page, served):
    visit(page, served, "/farms")
    page.evaluate("window.same = true")
    page.click("td a:has-text('Drumlin Hollow')")
    page.wait_for_selector("h1:has-text('Drumlin Hollow: losses')")
    settle(page)
    assert page.evaluate("window.same"), "the page was loaded anew"
    page.go_back()
    page.wait_for_selector("h1:has-text('Farms')")
    page.click("thead a:has-text('DC nameplate')")
    page.wait_for_selector("th[aria-sort=descending]")
    assert page.evaluate("window.same")
