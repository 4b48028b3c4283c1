"""
The handbook, and the evidence of a finished assessment, in the terminal.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from rich.console import Console
from rich.markdown import Markdown
from rich.padding import Padding
from rich.text import Text

from yieldwatch.constants import CAUSES
from yieldwatch.errors import InputError, near_miss
from yieldwatch.gap.why import Why
from yieldwatch.handbook import Entry, entries, find
from yieldwatch.report import words
from yieldwatch.report.evidence import figure_cells, in_words
from yieldwatch.report.evidence_file import SiteEvidence
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS

_KIND_WORDS = {
    "cause": "Causes of loss",
    "finding": "Findings of strings",
    "job": "Jobs",
    "method": "Methods",
    "column": "Columns of the tables",
    "term": "Terms",
}


def print_topics(console: Console) -> None:
    """List all topics by kind."""
    for kind, group in groupby(entries().values(), key=lambda e: e.kind):
        _heading(console, _KIND_WORDS[kind])
        for entry in group:
            _item(console, f"{entry.id}: {entry.title}")
    console.print()
    _item(console, "yieldwatch explain TOPIC says more; the name of any column is a topic too.", indent=0)


def print_topic(console: Console, topic: str) -> None:
    """
    Print every entry on a topic; of a table that no entry is named after, what its columns mean.

    Raises
    ------
    InputError
        If there is none.
    """
    table = topic.strip().lower().removesuffix(".csv").replace("-", "_").replace(" ", "_")
    try:
        found = find(topic)
    except InputError:
        if table not in TABLES:
            raise
        _heading(console, f"{table}.csv")
        for column, meaning in (TABLES[table] | (WORK_LIST_EXTRAS if table == "work_list" else {})).items():
            _item(console, f"{column}: {meaning}")
        _item(console, f"yieldwatch explain {table}.COLUMN says how a column is worked out.")
        return
    for entry in found:
        _print_entry(console, entry)


def _print_entry(console: Console, entry: Entry) -> None:
    _heading(console, f"{entry.title} ({entry.kind})")
    console.print(Padding(Markdown(entry.body), (0, 0, 0, 2)))
    if entry.covers:
        _item(console, f"Explains: {', '.join(entry.covers)}")
    for source in entry.sources:
        _item(console, f"Source: {source}")
    if entry.see:
        _item(console, f"See also: {', '.join(entry.see)}")


def print_evidence(console: Console, found: dict[str, SiteEvidence], site_id: str | None, cause: str | None) -> None:
    """
    Print why the causes of a finished assessment have their size.

    Parameters
    ----------
    console : Console
    found : dict of str to SiteEvidence
        From `yieldwatch.report.evidence_file.read_evidence`.
    site_id : str or None
        None lists the sites.
    cause : str or None
        None prints all of them, shortly; one is printed with its figures.

    Raises
    ------
    InputError
        If the site or the cause is not among them.
    """
    if site_id is None:
        _heading(console, "Sites of this assessment")
        for site in found.values():
            _item(console, f"{words.plain(site.site_id)}: {words.plain(site.name)}")
        return
    if site_id not in found:
        raise InputError(
            f"site = {site_id}, not in this assessment.{near_miss(site_id, found)} Expected one of {', '.join(sorted(found))}."
        )
    site = found[site_id]
    if cause is not None:
        wanted = cause.strip().lower()
        code = next((c for c in CAUSES if words.cause_word(c) == wanted), wanted.replace("-", "_").replace(" ", "_"))
        why = site.causes.get(code)
        if why is None:
            known = ", ".join(f"{c} ({words.cause_word(c)})" for c in CAUSES)
            raise InputError(f"cause = {cause}, not known.{near_miss(cause, CAUSES)} Expected one of {known}.")
        _print_why(console, site, why, figures=True)
        return
    for why in site.causes.values():
        _print_why(console, site, why, figures=False)
    console.print()
    _item(console, f"yieldwatch explain --from FOLDER {words.plain(site.site_id)} CAUSE adds the figures of one cause.", indent=0)


def _print_why(console: Console, site: SiteEvidence, why: Why, figures: bool) -> None:
    said = in_words(why)
    _heading(console, f"{words.plain(site.name)}: {said.cause}")
    _item(console, f"{said.headline[0].upper()}{said.headline[1:]}.")
    if said.pattern:
        _item(console, said.pattern)
    if figures:
        for what, where, value, note in map(figure_cells, why.figures):
            _item(console, f"- {what}{f', {where}' if where else ''}: {value}{f'; {note}' if note else ''}", indent=4)
    _labelled(console, "Read from", said.readings)
    _labelled(console, "What else it could be", said.could_also_be)
    _labelled(console, "What would settle it", [said.settle] if said.settle else [])
    _labelled(console, "What would change it", said.turns)
    _labelled(console, "Only so far because" if why.assessed else "Why not", [said.why_not] if said.why_not else [])
    _item(console, f"yieldwatch explain {why.cause} says how it is found.")


def _labelled(console: Console, label: str, said: Iterable[str]) -> None:
    said = list(said)
    if not said:
        return
    _item(console, f"{label}:")
    for line in said:
        _item(console, f"- {line}", indent=4)


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(Text(text, style="bold"))


def _item(console: Console, text: str, indent: int = 2) -> None:
    console.print(Padding(Text(text), (0, 0, 0, indent), expand=False))
