"""
One of many, such as an inverter: as links while they are few, else as a plain list in a form.
"""

from __future__ import annotations

from collections.abc import Mapping

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.parts.still import still
from dashboards.parts.words import aria
from dashboards.visit import Visit

#: Most that are offered as links.
_MOST_LINKS = 12


def pick(visit: Visit, name: str, label: str, words: Mapping[str, str], here: str) -> Component:
    """
    Offer what `name` in the address can be.

    Parameters
    ----------
    label : str
        What they are, "Inverter".
    words : mapping of str to str
        Each value and the word for it.
    here : str
        The value shown now.
    """
    if len(words) <= _MOST_LINKS:
        links: list = []
        for value, word in words.items():
            links += [" · "] if links else []
            links.append(html.B(word) if value == here else dcc.Link(word, href=visit.here(**{name: value})))
        return html.Nav(html.P([f"{label}: ", *links]), **aria(label=label))
    return form(visit, {name: choice(name, label, words, here)})


def choice(name: str, label: str, words: Mapping[str, str], here: str) -> html.Label:
    """A list to choose from."""
    options = [html.Option(word, value=value, selected=value == here or None) for value, word in words.items()]
    return html.Label([f"{label} ", html.Select(options, name=name)])


def form(visit: Visit, fields: Mapping[str, html.Label], button: str = "Show", drop: tuple[str, ...] = ()) -> Component:
    """Fields whose values become part of the address; all else in it is kept, but what is named in `drop`."""
    kept = [dcc.Input(type="hidden", name=k, value=v) for k, v in visit.query.items() if k not in fields and k not in drop]
    whole = html.Form(
        [*fields.values(), *kept, html.Button(button, type="submit")],
        method="get",
        action=visit.path,
        className="period no-print",
    )
    return still(whole)
