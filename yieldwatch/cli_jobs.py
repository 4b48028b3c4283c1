"""
The commands of the job book.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path

from rich.console import Console

from yieldwatch.book import states
from yieldwatch.book.evidence import PHOTO, is_neighbour, photo_file
from yieldwatch.book.facts import DECISIONS, RECORDED, WAITS, Job, Verdict
from yieldwatch.book.keep import JobBook, open_book
from yieldwatch.book.promises import Promises
from yieldwatch.book.values import facts_from_text, shown
from yieldwatch.errors import BookError
from yieldwatch.portfolio.model import Portfolio
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.report import job_lists
from yieldwatch.report.words import plain

EXAMPLE = "yieldwatch jobs sample_portfolio list --site varzea"
#: Where the store is named for all commands, so that it stands in no one's command history.
STORE_VARIABLE = "YIELDWATCH_STORE"
_NOTHING = "nothing"


def add_store(command: argparse.ArgumentParser, again: bool = False) -> None:
    """Where the book is; `again` where a command before this one takes it too, whose word stands if this one has none."""
    command.add_argument(
        "--store", metavar="PLACE", default=argparse.SUPPRESS if again else os.environ.get(STORE_VARIABLE) or None,
        help="where the job book is: a postgresql:// address or a SQLite file (default: the variable "
        f"{STORE_VARIABLE}, else job_book.sqlite in PORTFOLIO)")


def add_jobs(commands: argparse._SubParsersAction, console: Callable[[], Console]) -> None:
    """Add `yieldwatch jobs PORTFOLIO ...`; `console` makes what is printed to."""
    about = "show and change the job book: what was decided, booked and done of each job"
    jobs = commands.add_parser(
        "jobs", help=about, description=f"{about[0].upper()}{about[1:]}.", epilog=f"Example:\n  {EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    jobs.add_argument("portfolio", metavar="PORTFOLIO", type=Path, help="the folder that holds portfolio.toml")
    add_store(jobs)
    actions = jobs.add_subparsers(required=True, metavar="ACTION")
    _add_views(actions, console)
    _add_decisions(actions, console)
    _add_evidence(actions, console)


def _action(actions: argparse._SubParsersAction, name: str, about: str, run: Callable, console: Callable[[], Console],
            ref: bool = True, writes: bool = False, versioned: bool = False) -> argparse.ArgumentParser:
    action = actions.add_parser(name, help=about, description=f"{about[0].upper()}{about[1:]}.")
    if ref:
        action.add_argument("ref", metavar="JOB", type=int, help="number of the job")
    add_store(action, again=True)
    action.add_argument("--json", action="store_true", help="print JSON for programs")
    if writes or versioned:
        action.add_argument("--as", dest="who", metavar="NAME", required=True, help="who makes the change")
    if versioned:
        action.add_argument("--version", metavar="N", type=int,
                            help="the job's version that the change is made on; needed to replace what someone else wrote")
    action.set_defaults(run=lambda options: run(options, console()))
    return action


def _add_views(actions: argparse._SubParsersAction, console: Callable[[], Console]) -> None:
    views = _action(actions, "list", "list the jobs", _list, console, ref=False)
    views.add_argument("--site", metavar="SITE", help="of one site, by its identifier")
    views.add_argument("--state", metavar="STATE", action="append", choices=[s.replace(" ", "-") for s in states.MEANINGS],
                       help=f"in a state, may be repeated: {', '.join(s.replace(' ', '-') for s in states.MEANINGS)}")
    views.add_argument("--all", action="store_true", help="with those gone, declined or not advised")
    _action(actions, "show", "show all that is known of a job", _show, console)
    history = _action(actions, "history", "show every change, of one job or of all", _history, console, ref=False)
    history.add_argument("ref", metavar="JOB", type=int, nargs="?", help="number of the job")
    _action(actions, "promises", "show what was proven over what was promised", _promises, console, ref=False)


def _add_decisions(actions: argparse._SubParsersAction, console: Callable[[], Console]) -> None:
    decide = _action(actions, "decide", "record what was decided", _decide, console, versioned=True)
    decide.add_argument("what", choices=[*(d.replace("_", "-") for d in DECISIONS), _NOTHING],
                        help="do it, not now, not worth it, someone else's bill; nothing takes a decision back")
    decide.add_argument("--why", dest="reason", metavar="TEXT", help="why, or the figure that would change it")
    decide.add_argument("--until", dest="put_off_until", metavar="DATE", help="not-now: propose it again from this day on")
    decide.add_argument("--payer", metavar="NAME", help="others-pay: who pays")
    decide.add_argument("--by", dest="decided_by", metavar="NAME", help="who decided, if not the one who records it")
    decide.add_argument("--on", dest="decided_on", metavar="DATE", help="day of the decision, if not today")
    wait = _action(actions, "wait", "record what holds a job up", _wait, console, versioned=True)
    wait.add_argument("what", choices=[*WAITS, _NOTHING], help="what it waits for; nothing takes that back")
    wait.add_argument("--note", dest="waiting_note", metavar="TEXT", help="which part, whose permission, until when")
    booked = _action(actions, "book", "record the day a job is booked for", _book, console, versioned=True)
    booked.add_argument("booked_for", metavar="DATE", help="the day, as 2025-07-08")
    booked.add_argument("--contractor", metavar="NAME", help="who is to do it")
    done = _action(actions, "done", "record that a job was done", _done, console, versioned=True)
    done.add_argument("done_on", metavar="DATE", help="the day, as 2025-07-08")
    done.add_argument("--by", dest="done_by", metavar="NAME", help="person or crew")
    for name, word in (("cost", "MONEY"), ("hours", "H"), ("invoice", "NUMBER"), ("permit", "NUMBER"), ("serials", "TEXT")):
        done.add_argument(f"--{name}", metavar=word, help=RECORDED[name].meaning[0].lower() + RECORDED[name].meaning[1:])
    setter = _action(actions, "set", "record any facts by name; FACT= blanks one", _set, console, versioned=True)
    setter.add_argument("facts", metavar="FACT=VALUE", nargs="+", help=", ".join(RECORDED))


def _add_evidence(actions: argparse._SubParsersAction, console: Callable[[], Console]) -> None:
    reading = _action(actions, "reading", "add readings taken before or after the work", _reading, console, writes=True)
    reading.add_argument("kind", choices=["before", "after"], help="the work")
    reading.add_argument("readings", metavar="NAME=NUMBER", nargs="+", help="by column name, such as p_mp_w=3412")
    reading.add_argument("--part", metavar="ID", help="string or inverter measured; a neighbour is kept as one")
    photo = _action(actions, "photo", "add a photo that lies in the portfolio's folder", _photo, console, writes=True)
    photo.add_argument("file", metavar="FILE", help="its path from the portfolio's folder")
    for action in (reading, photo):
        action.add_argument("--at", type=_moment, metavar="TIME", help="when it was taken, such as 2025-06-30T13:45+01:00")
        action.add_argument("--note", metavar="TEXT", help="what else is to be known of it")
    verdict = _action(actions, "verdict", "record what a person found that a job won back", _verdict, console, versioned=True)
    verdict.add_argument("gain_kwh", metavar="KWH", help="won back over the days measured; nothing takes the verdict back")
    verdict.add_argument("--low", metavar="KWH", type=float, help="low end of the 90 %% interval")
    verdict.add_argument("--high", metavar="KWH", type=float, help="high end of the 90 %% interval")
    verdict.add_argument("--days", metavar="DAYS", type=float, help="days measured after the work")
    verdict.add_argument("--promised", metavar="KWH", type=float, help="what was promised for the same days")
    verdict.add_argument("--words", metavar="TEXT", help="what it rests on")
    withdraw = _action(actions, "withdraw", "take back a reading or photo entered by mistake", _withdraw, console, writes=True)
    withdraw.add_argument("number", type=int, metavar="NUMBER", help="its number, as the job shows it")


def _moment(text: str) -> dt.datetime:
    try:
        return dt.datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a time. Expected one such as 2025-06-30T13:45+01:00.') from None


def _open(options: argparse.Namespace) -> tuple[JobBook, Portfolio]:
    """The book, which commands other than assess do not make, and the portfolio."""
    portfolio = read_portfolio(options.portfolio)
    return open_book(options.portfolio, options.store, make=False), portfolio


def _print_json(value: object) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=1))


def _list(options: argparse.Namespace, console: Console) -> None:
    book, portfolio = _open(options)
    names, everywhere = job_lists.site_names(portfolio), book.jobs()
    jobs = tuple(j for j in everywhere if options.site in (None, j.site_id))
    if options.site and not jobs:
        known = ", ".join(f"{i} ({plain(names[i])})" if i in names else i for i in sorted({j.site_id for j in everywhere}))
        raise BookError(f"--site = {shown(options.site)}: no job in the book. Expected the identifier of a site with jobs"
                        f"{f': {known}' if known else ''}. Check it.")
    if options.state:
        wanted = {s.replace("-", " ") for s in options.state}
        seen, hidden = tuple(j for j in jobs if states.state(j) in wanted), 0
    else:
        seen = jobs if options.all else job_lists.in_view(jobs)
        hidden = len(jobs) - len(seen)
    if options.json:
        _print_json([job_lists.record(j) for j in seen])
    else:
        job_lists.print_jobs(console, seen, hidden, portfolio.currency, names)


def _show(options: argparse.Namespace, console: Console) -> None:
    book, portfolio = _open(options)
    job = book.job(options.ref)
    parts = _parts(portfolio, job)
    found = [(e, photo_file(options.portfolio, e)[1] if e.kind == PHOTO else "") for e in book.evidence(options.ref)]
    if options.json:
        _print_json(job_lists.record(job) | {"evidence": [job_lists.evidence_record(e, wrong, is_neighbour(job, e.part, parts))
                                                                 for e, wrong in found]})
    else:
        beside = {e.number for e, _ in found if is_neighbour(job, e.part, parts)}
        job_lists.print_job(console, job, found, portfolio.currency, job_lists.site_names(portfolio), beside)


def _history(options: argparse.Namespace, console: Console) -> None:
    book, portfolio = _open(options)
    changes = book.history(options.ref)
    if options.json:
        _print_json([job_lists.change_record(c) for c in changes])
    else:
        job_lists.print_history(console, changes, portfolio.currency)


def _promises(options: argparse.Namespace, console: Console) -> None:
    promises = Promises(_open(options)[0].jobs())
    if options.json:
        _print_json({"factors": job_lists.promise_rows(promises), "left_out": promises.left_out})
    else:
        job_lists.print_promises(console, promises)


def _write(options: argparse.Namespace, console: Console, texts: Mapping[str, str | None]) -> None:
    facts = facts_from_text(texts)
    book, _ = _open(options)
    _said(options, console, book.change(options.ref, options.who, facts, options.version))


def _said(options: argparse.Namespace, console: Console, job: Job) -> None:
    if options.json:
        _print_json(job_lists.record(job))
    else:
        console.print(f"job {job.ref}: {job_lists.state_words(job)}, version {job.version}", markup=False)


def _given(options: argparse.Namespace, *names: str) -> dict[str, str | None]:
    """Options that were given."""
    return {name: getattr(options, name) for name in names if getattr(options, name) is not None}


def _decide(options: argparse.Namespace, console: Console) -> None:
    what = None if options.what == _NOTHING else options.what.replace("-", "_")
    _write(options, console, {"decision": what, **_given(
        options, "reason", "put_off_until", "payer", "decided_by", "decided_on")})


def _wait(options: argparse.Namespace, console: Console) -> None:
    what = None if options.what == _NOTHING else options.what
    _write(options, console, {"waiting_for": what, **_given(options, "waiting_note")})


def _book(options: argparse.Namespace, console: Console) -> None:
    _write(options, console, _given(options, "booked_for", "contractor"))


def _done(options: argparse.Namespace, console: Console) -> None:
    _write(options, console, _given(options, "done_on", "done_by", "cost", "hours", "invoice", "permit", "serials"))


def _set(options: argparse.Namespace, console: Console) -> None:
    _write(options, console, _pairs(options.facts, "FACT=VALUE"))


def _pairs(given: list[str], form: str) -> dict[str, str | None]:
    texts: dict[str, str | None] = {}
    for pair in given:
        name, sign, value = pair.partition("=")
        if not sign or name in texts:
            what = "is there twice" if sign else "has no value"
            raise BookError(f"{shown(pair)}: {what}. Expected {form}, each name once. Write it so.")
        texts[name] = value
    return texts


def _reading(options: argparse.Namespace, console: Console) -> None:
    readings: dict[str, float] = {}
    for name, text in _pairs(options.readings, "NAME=NUMBER").items():
        try:
            readings[name] = float(text or "")
        except ValueError:
            raise BookError(f"{name} = {shown(text)}, not a number. Expected a number with a point. Write it so.") from None
    book, portfolio = _open(options)
    job = book.job(options.ref)
    parts = _parts(portfolio, job)
    kept = book.add_reading(options.ref, options.who, options.kind, readings, options.at, options.part, options.note, parts)
    _said(options, console, book.job(options.ref))
    if is_neighbour(job, kept.part, parts) and not options.json:
        console.print(f"Reading {kept.number} is kept as a neighbour's: {plain(kept.part)} is none of the job's parts "
                      f"({plain(job.scope)}). If that is a slip: withdraw {job.ref} {kept.number}.", markup=False)


def _parts(portfolio: Portfolio, job: Job) -> dict[str, str]:
    """Every string and inverter of the job's site, and the inverter that it is of; empty for a site that is not in the folder."""
    sites = [site for site in portfolio.sites if site.id == job.site_id]
    inverters = {i.inverter_id: i.inverter_id for site in sites for i in site.inverters}
    return inverters | {s.string_id: s.inverter_id for site in sites for s in site.strings}


def _photo(options: argparse.Namespace, console: Console) -> None:
    book, _ = _open(options)
    book.add_photo(options.ref, options.who, options.file, options.at, options.note)
    _said(options, console, book.job(options.ref))


def _verdict(options: argparse.Namespace, console: Console) -> None:
    book, _ = _open(options)
    if options.gain_kwh == _NOTHING:
        _said(options, console, book.record_verdict(options.ref, options.who, None, options.version))
        return
    needed = {"--low": options.low, "--high": options.high, "--days": options.days, "--words": options.words}
    missing = [name for name, value in needed.items() if value is None]
    if missing:
        raise BookError(f"verdict: without {', '.join(missing)}. Expected an interval, the days it is of and what it rests on. "
                        "Give them.")
    try:
        gain = float(options.gain_kwh)
    except ValueError:
        raise BookError(f"gain = {shown(options.gain_kwh)}, not a number. Expected kWh, or {_NOTHING}. Write it so.") from None
    found = Verdict(gain, options.low, options.high, options.days, options.words, options.promised)
    _said(options, console, book.record_verdict(options.ref, options.who, found, options.version))


def _withdraw(options: argparse.Namespace, console: Console) -> None:
    book, _ = _open(options)
    book.withdraw(options.ref, options.who, options.number)
    _said(options, console, book.job(options.ref))
