"""
The command line: thin, with one place where errors become messages.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from rich.console import Console

from dashboards.accounts_command import add_accounts
from yieldwatch.assess import assess, check
from yieldwatch.book.keep import open_book
from yieldwatch.book.store import FILE_NAME
from yieldwatch.cli_jobs import add_jobs, add_store
from yieldwatch.errors import InputError, YieldwatchError
from yieldwatch.processes import usual_processes
from yieldwatch.report import write_report
from yieldwatch.report.evidence_file import read_evidence
from yieldwatch.report.explain import print_evidence, print_topic, print_topics
from yieldwatch.report.job_photos import JobPhotos, photos_in_book
from yieldwatch.report.terminal import print_assessment, print_check

OK, BAD_INPUT = 0, 1
#: Exit status after an interrupt, as shells count it (128 + SIGINT).
INTERRUPTED = 130
#: Width of the text where no terminal says how wide it is. [characters]
PIPE_WIDTH = 110

ASSESS_EXAMPLE = "yieldwatch assess sample_portfolio --as-of 2025-07-01 --out results"
CHECK_EXAMPLE = "yieldwatch check sample_portfolio"
SERVE_EXAMPLE = "yieldwatch serve sample_portfolio --out results"
EXPLAIN_EXAMPLE = "yieldwatch explain soiling"


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run one command.

    Parameters
    ----------
    arguments : sequence of str or None
        Without the program's name; None takes the process's own.

    Returns
    -------
    int
        0 if all went well, 1 if the input was bad. Wrong usage leaves with 2.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that cannot show a sign must not stop the answer.
            stream.reconfigure(errors="replace")
    options = main_parser().parse_args(arguments)
    try:
        options.run(options)
        sys.stdout.flush()
    except YieldwatchError as err:
        print(err, file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:
        # The reader of our output has left (`| head`); the files are written already.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except KeyboardInterrupt:
        print("Stopped; results of an earlier run are untouched.", file=sys.stderr)
        return INTERRUPTED
    return OK


def main_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="yieldwatch",
        description="Where a solar farm's lost energy went, what it cost, and what to do about it first.",
        epilog=f"Example:\n  {ASSESS_EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_assess(commands)
    _add_check(commands)
    _add_explain(commands)
    add_jobs(commands, _console)
    _add_serve(commands)
    add_accounts(commands)
    return parser


def _add_command(
    commands: argparse._SubParsersAction, name: str, about: str, example: str, run: Callable
) -> argparse.ArgumentParser:
    command = commands.add_parser(
        name,
        help=about,
        description=f"{about[0].upper()}{about[1:]}.",
        epilog=f"Example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument(
        "portfolio", metavar="PORTFOLIO", type=Path, help="the folder that holds portfolio.toml"
    )
    command.add_argument(
        "--as-of", type=_date, metavar="DATE", help="read no history from this day on (default: all there is)"
    )
    command.set_defaults(run=run)
    return command


def _add_assess(commands: argparse._SubParsersAction) -> None:
    about = "say where the energy went, what it cost and what to do first, and write the results"
    command = _add_command(commands, "assess", about, ASSESS_EXAMPLE, _assess)
    command.add_argument(
        "--out",
        type=Path,
        default=Path("yieldwatch-out"),
        metavar="FOLDER",
        help="where to write (default: %(default)s in the current folder)",
    )
    command.add_argument("--from", dest="start", type=_date, metavar="DATE", help="first day to report")
    command.add_argument(
        "--to", dest="end", type=_date, metavar="DATE", help="day after the last one to report"
    )
    command.add_argument("--parquet", action="store_true", help="write the tables as Parquet too")
    command.add_argument("--processes", type=_count, default=usual_processes(), metavar="NUMBER",
                         help="sites worked on side by side, about a gigabyte each (default here: %(default)s)")
    add_store(command)
    command.add_argument("--no-book", action="store_true", help="leave the job book alone, and the work list without it")


def _add_check(commands: argparse._SubParsersAction) -> None:
    about = "read and check a portfolio, and say what its data can and cannot tell apart"
    _add_command(commands, "check", about, CHECK_EXAMPLE, _check)


def _add_explain(commands: argparse._SubParsersAction) -> None:
    about = "say what a word, a table, a column or a method means, or why a finished assessment says what it says"
    command = commands.add_parser(
        "explain",
        help=about,
        description=f"{about[0].upper()}{about[1:]}.",
        epilog=f"Example:\n  {EXPLAIN_EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument(
        "topic", metavar="TOPIC", nargs="*", help="what to explain (default: list all topics); with --from: SITE [CAUSE]"
    )
    command.add_argument(
        "--from", dest="folder", type=Path, metavar="FOLDER", help="the folder that yieldwatch assess wrote: explain its evidence"
    )
    command.set_defaults(run=_explain)


def _add_serve(commands: argparse._SubParsersAction) -> None:
    about = "show the last assessment in a browser, and make a new one there"
    command = commands.add_parser(
        "serve", help=about, description=f"{about[0].upper()}{about[1:]}.", epilog=f"Example:\n  {SERVE_EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    command.add_argument("portfolio", metavar="PORTFOLIO", type=Path, help="the folder that holds portfolio.toml")
    command.add_argument("--out", type=Path, default=Path("yieldwatch-out"), metavar="FOLDER",
                         help="where assess writes (default: %(default)s in the current folder)")
    command.add_argument("--host", default="127.0.0.1", metavar="ADDRESS",
                         help="address to listen at (default: %(default)s, this machine only)")
    command.add_argument("--port", type=int, default=8050, metavar="NUMBER", help="port to listen at (default: %(default)s)")
    command.add_argument("--https", action="store_true",
                         help="browsers come by https, through a proxy on this machine; README.md says how")
    add_store(command)
    command.set_defaults(run=_serve)


def _serve(options: argparse.Namespace) -> None:
    # Loaded here alone: no other command should wait for it.
    from dashboards.serve import serve

    serve(options.portfolio, options.out, options.host, options.port, options.store, options.https)


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f'"{text}" is not a date. Expected YYYY-MM-DD, as 2025-07-01.'
        ) from None


def _count(text: str) -> int:
    if text.isdecimal() and int(text) > 0:
        return int(text)
    raise argparse.ArgumentTypeError(f'"{text}" is not a number of processes. Expected 1 or more.')


def _assess(options: argparse.Namespace) -> None:
    if options.start and options.end and not options.start < options.end:
        raise InputError(
            f"--to = {options.end}, not after --from = {options.start}. Expected a later day. Name the day "
            "after the last one to report."
        )
    if options.out.exists() and not options.out.is_dir():
        raise InputError(f"--out = {options.out}, a file. Expected a folder. Name another one.")
    # A folder that nobody may write and that has no book yet is read without one: nothing can be lost by that.
    closed = options.store is None and not os.access(options.portfolio, os.W_OK) and not (options.portfolio / FILE_NAME).exists()
    opens_book = None if options.no_book or closed else partial(open_book, options.portfolio, options.store)
    period = (options.start, options.end) if options.start or options.end else None
    with _progress() as progress:
        assessment = assess(options.portfolio, as_of=options.as_of, period=period, progress=progress, opens_book=opens_book,
                            processes=options.processes)
        progress("writing the results")
        photos = (photos_in_book(opens_book(), options.portfolio, assessment.work_list) if opens_book
                  else JobPhotos(options.portfolio))
        missing = write_report(assessment, options.out, options.parquet, photos)
    print_assessment(_console(), assessment, options.out)
    for words in missing:
        print(f"  {words}")
    if assessment.in_book:
        print(f"  Job book: {assessment.in_book.words}; see yieldwatch jobs.")
    elif closed and options.portfolio.exists() and not options.no_book:
        print(f"  Job book: none, since {options.portfolio} cannot be written. Name a place with --store.")


def _check(options: argparse.Namespace) -> None:
    print_check(_console(), check(options.portfolio, as_of=options.as_of))


def _explain(options: argparse.Namespace) -> None:
    console, topic = _console(), options.topic
    if options.folder is not None:
        if len(topic) > 2:
            raise InputError(f"--from {options.folder} {' '.join(topic)}: {len(topic)} words. Expected a site and a cause.")
        print_evidence(console, read_evidence(options.folder), *topic, *[None] * (2 - len(topic)))
    elif topic:
        print_topic(console, " ".join(topic))
    else:
        print_topics(console)


def _console() -> Console:
    return Console(highlight=False, width=None if sys.stdout.isatty() else PIPE_WIDTH)


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Yield a function that says on stderr what is being done: one moving line, or plain lines in a log."""
    console = Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield lambda step: print(step, file=sys.stderr, flush=True)
        return
    with console.status("reading") as status:
        yield lambda step: status.update(step.replace("[", r"\["))
