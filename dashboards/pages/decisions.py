"""
All jobs that wait for a decision.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts import decide
from dashboards.parts.words import page_head, sorry
from dashboards.visit import Content, Page, Visit
from yieldwatch.errors import BookError
from yieldwatch.report import words

PER_PAGE = 20


def build(visit: Visit) -> Content:
    try:
        asked = decide.waiting(visit).jobs
    except BookError as err:
        return sorry("To decide", str(err))
    start = int(visit.query.get("from", "0")) if visit.query.get("from", "0").isdecimal() else 0
    shown = asked[start:start + PER_PAGE]
    more = dcc.Link("Further jobs", href=visit.here(**{"from": start + PER_PAGE})) if len(asked) > start + PER_PAGE else None
    return html.Div([
        page_head("To decide", f"{words.count(len(asked), 'job waits', 'jobs wait')} for a decision. Costs are the portfolio's "
                  "own prices; your quotes replace them."),
        html.Ol(decide.cards(visit, shown, html.H2), className="jobs", start=str(start + 1)),
        html.P(more) if more else None,
    ])


PAGE = Page("/decisions", "To decide", build, menu="To decide", callbacks=decide.callbacks)
