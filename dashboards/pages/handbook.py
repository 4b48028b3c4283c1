"""
The package's handbook: what each word, figure and method means, and where its numbers come from.
"""

from __future__ import annotations

from dash import dcc, html

from dashboards.parts.still import still
from dashboards.parts.words import page_head, sorry
from dashboards.visit import Content, Page, Visit, address
from yieldwatch import handbook
from yieldwatch.errors import InputError
from yieldwatch.report.words import plain

KIND_WORDS = {"cause": "Causes of loss", "finding": "Findings on strings", "job": "Jobs", "method": "Methods",
              "column": "Columns", "term": "Terms"}


def build(visit: Visit) -> Content:
    """All topics."""
    parts: list = [page_head("Handbook", "What each figure means, how it is worked out, and where its numbers come from.")]
    for kind in handbook.KINDS:
        found = [e for e in handbook.entries().values() if e.kind == kind]
        parts += [html.H2(KIND_WORDS[kind]),
                  still(html.Ul([html.Li(dcc.Link(e.title, href=address(f"/handbook/{e.id}"))) for e in found],
                                className="columns"))]
    return html.Div(parts)


def build_topic(visit: Visit) -> Content:
    """The entries on one topic."""
    try:
        found = handbook.find(visit.args["topic"])
    except InputError:
        return sorry("Handbook", f"The handbook has no entry {plain(visit.args['topic'])}.")
    parts: list = [page_head(found[0].title, dcc.Link("All topics", href="/handbook"))]
    for place, entry in enumerate(found):
        if place:
            parts.append(html.H2(entry.title))
        # Raw HTML stays text: the entries are our own, yet need none.
        parts.append(dcc.Markdown(entry.body, className="handbook"))
        sources = [html.Li(s) for s in entry.sources]
        parts += [html.H2("Sources") if not place else html.H3("Sources"), html.Ul(sources, className="plain")] if sources else []
        known = [handbook.entries()[i] for i in entry.see if i in handbook.entries()]
        if known:
            links: list = ["See also: "]
            for e in known:
                links += [dcc.Link(e.title, href=address(f"/handbook/{e.id}")), ", "]
            parts.append(html.P(links[:-1]))
    return html.Div(parts)


PAGE = Page("/handbook", "Handbook", build, menu="Handbook")
TOPIC_PAGE = Page("/handbook/<topic>", "Handbook", build_topic)
