"""
The work list with the book in mind: what people turned down or have just done is not chosen again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import replace

import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.costing import job_id
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.book import states
from yieldwatch.book.facts import Job
from yieldwatch.book.keep import JobBook
from yieldwatch.book.reconcile import Reconciled, Tested, laid_aside, reconcile
from yieldwatch.portfolio.model import Portfolio


def rank_with_book(portfolio: Portfolio, candidates: Sequence[Candidate], as_of: dt.date, book: JobBook, sites: Collection[str],
                   tested: Tested | None = None) -> tuple[Reconciled, tuple[str, ...]]:
    """
    Rank the jobs, choose none again that is laid aside, and bring the book up to the answer.

    Parameters
    ----------
    portfolio, candidates, as_of
        As of `rank_jobs`.
    book, sites, tested
        As of `reconcile`.

    Returns
    -------
    reconciled : Reconciled
        Its work list holds jobs laid aside after all others, with who decided in `verdict`.
    notices : tuple of str
        Those of `rank_jobs`.

    Raises
    ------
    InputError, BookError
    """
    work_list, said = rank_jobs(portfolio, candidates, as_of)
    aside = laid_aside(work_list, book, portfolio, as_of, tested)
    names = frozenset(work_list.loc[list(aside), "job_id"]) if aside else frozenset()
    if aside:
        others, said = rank_jobs(portfolio, [c for c in candidates if job_id(c) not in names], as_of)
        left = work_list.loc[list(aside)].assign(chosen=False, verdict=[_verdict(job) for job in aside.values()])
        work_list = pd.concat([f for f in (others, left) if len(f)], ignore_index=True)
        work_list["rank"] = range(1, len(work_list) + 1)
    done = reconcile(work_list, book, portfolio, as_of, sites, tested)
    return replace(done, laid_aside=names, jobs=book.jobs()), said


def _verdict(job: Job) -> str:
    now = states.state(job)
    if now in states.FINISHED:
        return f"Done on {job.done_on} as job {job.ref}; the readings are from before, or too little history is from after."
    until = f" until {job.put_off_until}" if job.put_off_until else ""
    reason = f" {job.reason}" if job.reason else ""
    return f"{now.capitalize()}{until} by {job.decided_by} on {job.decided_on} as job {job.ref}.{reason}"
