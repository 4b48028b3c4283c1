"""
The owner's month.
"""

from __future__ import annotations

from dash import html

from dashboards.parts.words import page_head
from dashboards.visit import Content, Page, Visit
from yieldwatch.report.words import plain


def build(visit: Visit) -> Content:
    about = visit.store.about()
    return html.Div([page_head("The month", plain(about["portfolio"]), f", up to {about['as_of']}")])


PAGE = Page("/", "The month", build, menu="The month")
