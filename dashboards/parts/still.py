"""
Parts of a page that nothing changes, such as tables, as one piece of HTML.

The browser's side of the framework tells every component of each one that is set up, so that a page of a thousand cells takes it
seconds; a piece of HTML takes no time. `assets/place.js` sets it up. All text in it is escaped here.
"""

from __future__ import annotations

from html import escape
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

_TAGS = frozenset({
    "A", "Abbr", "B", "Br", "Button", "Caption", "Code", "Dd", "Details", "Div", "Dl", "Dt", "Em", "Form", "H2", "H3", "H4", "Hr",
    "Label", "Li", "Ol", "Option", "P", "Progress", "Section", "Select", "Small", "Span", "Strong", "Summary", "Table", "Tbody",
    "Td", "Th", "Thead", "Tr", "Ul",
})
_VOID = frozenset({"br", "hr", "input"})
_ATTRIBUTES = {
    "action": "action", "autoComplete": "autocomplete", "className": "class", "colSpan": "colspan", "download": "download",
    "max": "max", "maxLength": "maxlength", "method": "method", "min": "min", "name": "name", "open": "open", "role": "role",
    "scope": "scope", "selected": "selected", "step": "step", "tabIndex": "tabindex", "title": "title", "type": "type",
    "value": "value",
}


class _Lives(Exception):
    """A part is more than HTML: it has an identifier, or a component's own doings."""


def still(part: Component) -> Component:
    """A part as one piece of HTML; as it is where something in it lives."""
    try:
        text = _html(part)
    except _Lives:
        return part
    piece: dict[str, Any] = {"data-html": text}
    return html.Div(**piece)


def _html(part: Any) -> str:
    if part is None:
        return ""
    if isinstance(part, str | int | float):
        return escape(str(part))
    if isinstance(part, list | tuple):
        return "".join(map(_html, part))
    if isinstance(part, dcc.Input):
        return _tag("input", "", _props(part))
    if isinstance(part, dcc.Link):
        return _link(part, " data-in")
    if not isinstance(part, Component) or part._namespace != html.Div._namespace or part._type not in _TAGS:
        raise _Lives
    if part._type == "A":
        return _link(part, "")
    props = _props(part)
    return _tag(part._type.lower(), _html(props.pop("children", None)), props)


def _props(part: Component) -> dict[str, Any]:
    return dict(part.to_plotly_json()["props"])


def _tag(tag: str, children: str, props: dict[str, Any]) -> str:
    head = f"<{tag}{''.join(_attribute(name, value) for name, value in props.items())}>"
    return head if tag in _VOID else f"{head}{children}</{tag}>"


def _link(part: Component, mark: str) -> str:
    """A link; with `data-in` it is followed within the application."""
    props = _props(part)
    children, href = _html(props.pop("children", None)), props.pop("href")
    # One slash: two would lead to another server.
    if not href.startswith("/") or href.startswith("//"):
        raise _Lives
    return f'<a{mark} href="{escape(href)}"{"".join(_attribute(n, v) for n, v in props.items())}>{children}</a>'


def _attribute(name: str, value: Any) -> str:
    if value is None or value is False:
        return ""
    known = name if name.startswith(("aria-", "data-")) and name.replace("-", "").isalnum() else _ATTRIBUTES.get(name)
    if known is None or not isinstance(value, str | int | float):
        raise _Lives
    return f" {known}" if value is True else f' {known}="{escape(str(value))}"'
