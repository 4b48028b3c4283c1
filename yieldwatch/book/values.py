"""
Facts to text and back, and what people type to facts.
"""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from collections.abc import Mapping

from yieldwatch.book.facts import FACTS, RECORDED, Value
from yieldwatch.columns import Column
from yieldwatch.errors import BookError, near_miss

#: A longer text is no fact but a document. [characters]
MOST_TEXT = 2000
#: Longest name of a person. [characters]
MOST_NAME = 80


def to_text(value: Value) -> str | None:
    """Return a fact as the history keeps it; None stays None."""
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if isinstance(value, dt.date) else repr(value) if isinstance(value, float) else str(value)


def from_text(name: str, text: str | None) -> Value:
    """
    Read a fact from its text, as a person typed it or as `to_text` wrote it. Blank text is None.

    Raises
    ------
    BookError
        If there is no such fact, or the text cannot be one.
    """
    column = fact(name)
    if text is None or not text.strip():
        return None
    try:
        return checked(name, _parsed(column, text.strip()))
    except ValueError as err:
        if isinstance(err, BookError):
            raise
        raise BookError(f"{name} = {shown(text)}, not {_kind_word(column)}. Expected {column.expected}. Write it so.") from None


def fact(name: str) -> Column:
    """
    The fact of a name.

    Raises
    ------
    BookError
        If there is none.
    """
    if name not in FACTS:
        raise BookError(f"{name}: not a fact of a job.{near_miss(name, FACTS)} Expected one of {', '.join(RECORDED)}.")
    return FACTS[name]


def _parsed(column: Column, text: str) -> Value:
    match column.kind:
        case "date":
            return dt.date.fromisoformat(text)
        case "number":
            return float(text)
        case "integer":
            return int(text)
        case "flag":
            if text not in ("true", "false"):
                raise ValueError
            return text == "true"
        case _:
            return text


def _kind_word(column: Column) -> str:
    words = {"date": "a date", "number": "a number", "integer": "a whole number", "flag": "true or false"}
    return words.get(column.kind, "a text")


def checked(name: str, value: Value) -> Value:
    """
    Return a fact that can be kept: of its kind, in its range, text trimmed, blank text and NaN as None.

    Raises
    ------
    BookError
    """
    column = fact(name)
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    good = {
        "date": type(value) is dt.date, "flag": isinstance(value, bool),
        "integer": isinstance(value, int) and not isinstance(value, bool),
        "number": isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value),
    }.get(column.kind, isinstance(value, str))
    if not good:
        raise BookError(f"{name} = {shown(value)}, not {_kind_word(column)}. Expected {column.expected}. Write it so.")
    if column.kind == "number":
        figure = float(value) + 0.0  # type: ignore[arg-type]  # minus nil is nil
        if column.low is not None and figure < column.low:
            raise BookError(f"{name} = {figure:g}, below {column.low:g} {column.unit}. Expected no less. Correct it.")
        return figure
    if isinstance(value, str):
        text = clean_text(name, value, MOST_TEXT)
        if text and column.choices and text not in column.choices:
            raise BookError(f"{name} = {shown(text)}, not known.{near_miss(text, column.choices)} "
                            f"Expected {column.expected}. Choose one.")
        return text or None
    return value


def clean_text(name: str, text: str, most: int) -> str:
    """
    Return a text trimmed, every sign within it as it was given.

    Raises
    ------
    BookError
        If it is too long, or holds signs that no file or database keeps.
    """
    text = text.strip()
    if len(text) > most:
        raise BookError(f"{name}: {len(text)} characters. Expected {most} at most. Shorten it, or keep a document beside it.")
    odd = next((c for c in text if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\r\t"), None)
    if odd is not None:
        raise BookError(f"{name}: holds the control character U+{ord(odd):04X}. Expected text. Type it anew.")
    return text


def person(who: str) -> str:
    """
    Return a person's name that can stand in the history.

    Raises
    ------
    BookError
        If there is none.
    """
    name = clean_text("name", who, MOST_NAME)
    if not name or len(name.splitlines()) > 1 or "\t" in name:
        raise BookError(f'who = {shown(who)}, no name. Expected the name of whoever makes the change. Give it with --as "NAME".')
    return name


def shown(value: object) -> str:
    """A value within a message: blank said aloud, texts in quotes, on one line."""
    if value is None:
        return "nothing"
    text = " ".join(str(value).split())
    return f'"{text[:80]}..."' if len(text) > 80 else f'"{text}"'


def facts_from_text(pairs: Mapping[str, str | None]) -> dict[str, Value]:
    """
    Read several facts, every problem collected first.

    Raises
    ------
    BookError
    """
    facts: dict[str, Value] = {}
    problems: list[str] = []
    for name, text in pairs.items():
        try:
            facts[name] = from_text(name, text)
        except BookError as err:
            problems += err.problems
    if problems:
        raise BookError(problems)
    return facts
