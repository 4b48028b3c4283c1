"""
The job book as people and programs read it: lists, one job, its history, promises kept.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import json
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from yieldwatch.action.cautions import caution_text
from yieldwatch.book import states
from yieldwatch.book.evidence import AFTER, BEFORE, PHOTO
from yieldwatch.book.facts import FACTS, Change, Evidence, Job
from yieldwatch.book.promises import Correction, Promises
from yieldwatch.book.values import from_text
from yieldwatch.errors import BookError
from yieldwatch.portfolio.model import Portfolio
from yieldwatch.report import words
from yieldwatch.report.terminal import CAUTION

DECISION_WORDS = {"do": "do it", "not_now": "not now", "no": "not worth it", "others_pay": "someone else pays"}
WAIT_WORDS = {
    "part": "a part", "permission": "permission", "light": "enough light", "weather": "the weather", "outage": "an outage",
    "people": "people",
}
#: Said of a part that was read beside the job's own.
NEIGHBOUR = "a neighbour, not of the job"
#: States that a list leaves out unless asked for them.
_ASIDE = (states.GONE, states.DECLINED)


def record(job: Job) -> dict[str, object]:
    """A job as plain values for JSON: its facts, the state that follows from them, and what to watch for."""
    facts = {name: _plain_value(value) for name, value in dataclasses.asdict(job).items()}
    return {"state": states.state(job), **facts, "caution": caution_text(job.job_kind, job.cause)}


def evidence_record(found: Evidence, wrong: str = "", neighbour: bool = False) -> dict[str, object]:
    """
    A reading or photo as plain values for JSON; `wrong` says what is wrong with the photo's file, `neighbour` whether its part is
    none of the job's.
    """
    kept = {name: _plain_value(value) for name, value in dataclasses.asdict(found).items()}
    return kept | {"wrong": wrong, "neighbour": neighbour}


def change_record(change: Change) -> dict[str, object]:
    """An entry of the history as plain values for JSON."""
    return {name: _plain_value(value) for name, value in dataclasses.asdict(change).items()}


def _plain_value(value: object) -> object:
    return value.isoformat() if isinstance(value, dt.date | dt.datetime) else value


def state_words(job: Job) -> str:
    """`waiting for a part`, `booked for 3 May 2025`, or the state alone."""
    now = states.state(job)
    if now == states.WAITING:
        return f"waiting for {WAIT_WORDS.get(job.waiting_for or '', 'something')}"
    if now == states.BOOKED:
        return f"booked for {words.day(job.booked_for)}"
    if now == states.PUT_OFF and job.put_off_until:
        return f"put off until {words.day(job.put_off_until)}"
    if now == states.GONE and job.covered_by:
        return f"gone: held by job {job.covered_by}"
    return now


def site_names(portfolio: Portfolio) -> dict[str, str]:
    """Names by identifier, of sites that no other shares its name with."""
    times = Counter(site.name for site in portfolio.sites)
    return {site.id: site.name for site in portfolio.sites if times[site.name] == 1}


def title(job: Job, names: Mapping[str, str]) -> str:
    """`Repair strings at Alder Field: A-07 (string faults)`; a site whose name is not among `names` goes by its identifier."""
    what = words.job_word(job.job_kind, job.cause)
    where = words.plain(names.get(job.site_id, job.site_id)) + ("" if job.scope == "site" else f": {words.plain(job.scope)}")
    return f"{what[:1].upper()}{what[1:]} at {where}{words.in_brackets(words.job_cause(job.cause))}"


def in_view(jobs: Iterable[Job]) -> tuple[Job, ...]:
    """Jobs that a list shows unasked: what is decided or advised, without what is gone or declined."""
    return tuple(
        job for job in jobs
        if (now := states.state(job)) not in _ASIDE and (now != states.PROPOSED or job.advised or job.safety))


def print_jobs(console: Console, jobs: Sequence[Job], hidden: int, currency: str, names: Mapping[str, str]) -> None:
    """Print one line a job, and how many are not shown."""
    grid = Table(box=box.SIMPLE_HEAD)
    grid.add_column("job", justify="right")
    for header in ("state", "what"):
        grid.add_column(header)
    grid.add_column(f"{currency} a year", justify="right")
    grid.add_column("who")
    for job in jobs:
        safety = "SAFETY: " if job.safety and states.state(job) in states.OPEN else ""
        who = words.plain(job.done_by or job.contractor or "")
        gain = words.number(job.gain_per_year) + (" once" if job.job_kind == "claim" else "")
        grid.add_row(str(job.ref), state_words(job), Text(safety + title(job, names)), gain, Text(who))
    if jobs:
        console.print(grid)
        console.print(CAUTION)
    else:
        console.print("No job to show.")
    if hidden:
        console.print(f"{words.count(hidden, 'more job is', 'more jobs are')} gone, declined or not advised: --all shows all.")


def print_job(console: Console, job: Job, evidence: Sequence[tuple[Evidence, str]], currency: str,
              names: Mapping[str, str], beside: Collection[int] = ()) -> None:
    """Print all facts of one job that are known, and its readings and photos; those numbered in `beside` are of neighbours."""
    console.print(Text(f"job {job.ref}, version {job.version}: {title(job, names)}", style="bold"))
    grid = Table(box=None, show_header=False, pad_edge=True)
    grid.add_column("fact")
    grid.add_column("value")
    grid.add_row("state", f"{state_words(job)}: {states.MEANINGS[states.state(job)]}")
    for name in FACTS:
        value = getattr(job, name)
        if value is not None:
            grid.add_row(name, Text(_shown(name, value, currency)))
    for found, wrong in evidence:
        grid.add_row(f"{found.kind} {found.number}", Text(_evidence_line(found, wrong, found.number in beside)))
    console.print(grid)
    console.print(Text(caution_text(job.job_kind, job.cause)))


def _shown(name: str, value: object, currency: str) -> str:
    if name in ("decision", "waiting_for"):
        return (DECISION_WORDS | WAIT_WORDS).get(str(value), words.plain(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = FACTS[name].unit
    after = "" if unit in ("", "1") else f" {currency if unit == 'money' else unit}"
    if isinstance(value, float):
        return words.number(value, 0 if value == round(value) else 2) + after
    return words.plain(value) + after


def change_words(field: str, text: str | None, currency: str) -> str:
    """
    A value of the history as a person reads it.

    Parameters
    ----------
    field : str
        The fact, or the reading or photo, that was changed.
    text : str, optional
        What the history keeps of it; of a reading or photo, which stands there as a record, what it shows is told.
    currency : str
        ISO 4217.
    """
    if text is None:
        return "nothing"
    if field.partition(" ")[0] in (BEFORE, AFTER, PHOTO):
        record = json.loads(text)
        readings = ", ".join(f"{name} {value:g}" for name, value in record.get("readings", {}).items())
        told = (record.get("path"), record.get("part"), readings, record.get("note"))
        return "; ".join(words.plain(part) for part in told if part)
    try:
        return _shown(field, from_text(field, text), currency)
    except BookError:
        return words.plain(text)  # a fact or a choice that an earlier version knew


def _evidence_line(found: Evidence, wrong: str, neighbour: bool) -> str:
    readings = ", ".join(f"{name} {value:g}" for name, value in found.readings.items())
    when = f"{found.at:%Y-%m-%d %H:%M} UTC" if found.at else ""
    part = f"{found.part} ({NEIGHBOUR})" if neighbour else found.part
    parts = [found.path, part, readings, when, found.note, f"added by {found.added_by}", wrong,
             "withdrawn" if found.withdrawn else ""]
    return "; ".join(words.plain(p) for p in parts if p)


def print_history(console: Console, changes: Sequence[Change], currency: str) -> None:
    """Print every change, oldest first: what was changed at once stands under who changed it, and when."""
    if not changes:
        console.print("No change yet.")
    for (ref, version, who, when), together in itertools.groupby(
            changes, lambda c: (c.ref, c.version, c.who, f"{c.at:%Y-%m-%d %H:%M:%S}")):
        console.print(Text(f"{when} UTC  job {ref}, version {version}, by {words.plain(who)}", style="bold"))
        grid = Table(box=None, show_header=False, padding=(0, 2, 0, 2))
        for change in together:
            old, new = (change_words(change.field, v, currency) for v in (change.old, change.new))
            why = f" ({words.plain(change.why)})" if change.why else ""
            grid.add_row(Text(words.plain(change.field)), Text((new if change.old is None else f"{old} → {new}") + why))
        console.print(grid)


def promise_rows(promises: Promises) -> list[dict[str, object]]:
    """The factor of all jobs, of each cause and of each contractor, as plain values."""
    causes = sorted({k.cause for k in promises.kept})
    contractors = sorted({k.contractor for k in promises.kept if k.contractor})
    rows: list[tuple[str, str, Correction]] = [("all", "", promises.correction())]
    rows += [("cause", c, promises.correction(cause=c)) for c in causes]
    rows += [("contractor", c, promises.correction(contractor=c)) for c in contractors]
    return [{"of": of, "name": name, **correction._asdict()} for of, name, correction in rows]


def print_promises(console: Console, promises: Promises) -> None:
    """Print what was proven over what was promised."""
    if not promises.kept:
        console.print("No job has a verdict yet that can be held against its promise.")
    else:
        grid = Table(box=box.SIMPLE_HEAD, title="Proven over promised, for later jobs", title_justify="left")
        for header in ("of", "ratio", "90 % interval", "jobs"):
            grid.add_column(header, justify="left" if header == "of" else "right")
        for row in promise_rows(promises):
            name = words.cause_word(row["name"]) if row["of"] == "cause" else words.plain(row["name"] or "all jobs")
            factor, low, high = (words.number(row[key], 2) for key in ("factor", "low", "high"))
            grid.add_row(Text(name), factor, f"{low} to {high}", str(row["n"]))
        console.print(grid)
        proven, promised = (sum(getattr(k, n) for k in promises.kept) for n in ("proven_kwh", "promised_kwh"))
        console.print(f"{words.count(len(promises.kept), 'job', 'jobs')}: {words.number(promised)} kWh promised, "
                      f"{words.number(proven)} kWh proven, for the same days.")
    if promises.left_out:
        console.print(f"Left out, for want of a promise for the days measured: job {', '.join(map(str, promises.left_out))}.")
