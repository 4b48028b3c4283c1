"""
The handbook: what each column, method, cause, finding and job means and where its numbers come from, one entry a file.

An entry is a Markdown file that opens with a header, a line a fact, `key: value`, up to the first blank line:

- `id`, `title`, `kind`: kind is one of `KINDS`;
- `covers`: the names that it explains besides its id (columns as `table.column`, findings, job kinds), by commas;
- `see`: ids of entries that go on from here, by commas;
- `source`: one a line, or `SOURCELESS`;
- `number`: a constant of the code that the text states, `module.NAME = value`; the tests hold it against the code.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from yieldwatch.errors import InputError

#: Kinds of entry, in the order in which they are listed.
KINDS = ("cause", "finding", "job", "method", "column", "term")
SOURCELESS = "common practice, no source"
_ONCE = ("id", "title", "kind", "covers", "see")
_MANY = ("source", "number")
#: Suggestions for a topic that is not there.
_MOST_SUGGESTED = 3
#: Likeness of spelling from which a topic is suggested, 0 to 1.
_NEAR = 0.7


@dataclass(frozen=True)
class Entry:
    """
    One entry.

    Attributes
    ----------
    id, title, kind : str
    covers, see, sources : tuple of str
    numbers : tuple of (str, str)
        Name of a constant below `yieldwatch.`, and its value as Python writes it.
    body : str
        Markdown.
    """

    id: str
    title: str
    kind: str
    covers: tuple[str, ...]
    see: tuple[str, ...]
    sources: tuple[str, ...]
    numbers: tuple[tuple[str, str], ...]
    body: str


@cache
def entries() -> dict[str, Entry]:
    """All entries by id, by kind and then by title."""
    files = (f for f in resources.files(__name__).iterdir() if f.name.endswith(".md"))
    found = [parse(f.name, f.read_text(encoding="utf-8")) for f in files]
    return {e.id: e for e in sorted(found, key=lambda e: (KINDS.index(e.kind), e.title.lower()))}


def parse(name: str, text: str) -> Entry:
    """
    One file to its entry.

    Raises
    ------
    ValueError
        If the header is not complete; the message names file and line.
    """
    head, _, body = text.replace("\r\n", "\n").partition("\n\n")
    once: dict[str, str] = {}
    many: dict[str, list[str]] = {key: [] for key in _MANY}
    for number, line in enumerate(head.split("\n"), start=1):
        key, colon, value = line.partition(": ")
        if not colon or not value.strip() or key not in (*_ONCE, *_MANY) or key in once:
            keys = ", ".join((*_ONCE, *_MANY))
            raise ValueError(
                f'handbook/{name}, line {number}: "{line}". Expected key: value with one of {keys}, each once but the last two.'
            )
        if key in many:
            many[key].append(value.strip())
        else:
            once[key] = value.strip()
    lacking = [key for key in ("id", "title", "kind") if key not in once]
    if lacking or once["kind"] not in KINDS or not body.strip():
        raise ValueError(f"handbook/{name}: lacks {', '.join(lacking) or 'a known kind or its text'}. Kinds: {', '.join(KINDS)}.")
    numbers = [tuple(part.strip() for part in line.split(" = ", 1)) for line in many["number"]]
    if any(len(pair) != 2 for pair in numbers):
        raise ValueError(f"handbook/{name}: a number without its value. Expected module.NAME = value.")
    return Entry(
        once["id"],
        once["title"],
        once["kind"],
        _names(once.get("covers", "")),
        _names(once.get("see", "")),
        tuple(many["source"]),
        tuple((pair[0], pair[1]) for pair in numbers),
        body.strip(),
    )


def _names(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def find(topic: str) -> tuple[Entry, ...]:
    """
    The entries on a topic: its id, its title, or a name that it covers, however it is spelled.

    Parameters
    ----------
    topic : str
        A column may go without its table; then every table's column of that name is found.

    Raises
    ------
    InputError
        If there is none; the message suggests the nearest.
    """
    wanted = _plain(topic)
    found = [e for e in entries().values() if wanted in _known_as(e)]
    # An entry's own name goes before the places where the same word is a column.
    own = [e for e in found if wanted in (_plain(e.id), _plain(e.title))]
    if found:
        return tuple([*own, *(e for e in found if e not in own)])
    known = {name: e.id for e in entries().values() for name in _known_as(e)}
    near = [known[name] for name in difflib.get_close_matches(wanted, known, n=8, cutoff=_NEAR)]
    near += [e.id for e in entries().values() if wanted and f" {wanted}" in f" {_plain(f'{e.title} {e.body}')}"]
    near = list(dict.fromkeys(near))[:_MOST_SUGGESTED]
    guess = f" Did you mean {_or(near)}?" if near else ""
    raise InputError(f'topic = "{topic}", not in the handbook.{guess} Run yieldwatch explain for all topics.')


def _known_as(entry: Entry) -> set[str]:
    """Every spelling under which an entry is found."""
    columns = {name.rpartition(".")[2] for name in entry.covers}
    return {_plain(name) for name in (entry.id, entry.title, *entry.covers, *columns)}


def _plain(text: str) -> str:
    return " ".join(text.lower().replace("_", " ").replace("-", " ").split())


def _or(words: Iterable[str]) -> str:
    quoted = [f'"{word}"' for word in words]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"
