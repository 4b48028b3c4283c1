"""
Where a job stands: a word that follows from its facts, and the steps from one to the next that are allowed.

No state is kept. It is read off the facts, so that it cannot contradict them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from yieldwatch.book.facts import GO, VERDICT, Job, Value
from yieldwatch.book.values import shown
from yieldwatch.errors import BookError

PROPOSED, GONE = "proposed", "gone"
APPROVED, PUT_OFF, DECLINED = "approved", "put off", "declined"
WAITING, BOOKED, DONE = "waiting", "booked", "done"
PROVEN, WITHOUT_EFFECT = "proven", "without effect"

_UNDECIDED = frozenset({PROPOSED, GONE})
_DECIDED = frozenset({APPROVED, PUT_OFF, DECLINED})
_AHEAD = frozenset({APPROVED, WAITING, BOOKED})
#: From each state, the states that a change may lead to. A change within a state is always allowed.
MOVES: Mapping[str, frozenset[str]] = {
    PROPOSED: _UNDECIDED | _DECIDED,
    GONE: _UNDECIDED | _DECIDED,
    PUT_OFF: _UNDECIDED | _DECIDED,
    DECLINED: _UNDECIDED | _DECIDED,
    APPROVED: _UNDECIDED | _DECIDED | _AHEAD | {DONE},
    WAITING: _UNDECIDED | _DECIDED | _AHEAD | {DONE},
    BOOKED: _UNDECIDED | _DECIDED | _AHEAD | {DONE},
    DONE: _AHEAD | {PROVEN, WITHOUT_EFFECT},
    PROVEN: frozenset({DONE, WITHOUT_EFFECT}),
    WITHOUT_EFFECT: frozenset({DONE, PROVEN}),
}
MEANINGS: Mapping[str, str] = {
    PROPOSED: "nothing decided yet",
    GONE: "nothing decided, and the latest assessment no longer finds the cause, or another job holds it",
    APPROVED: "to be done, and not booked",
    WAITING: "to be done, and something holds it up",
    BOOKED: "to be done on a day",
    PUT_OFF: "not now",
    DECLINED: "not worth it",
    DONE: "its effect is not measured, or cannot be told yet",
    PROVEN: "the whole interval of its measured gain lies above nil",
    WITHOUT_EFFECT: "the interval of its measured gain holds nil or less, and ends below what was promised or below nil",
}
#: Jobs that a new finding of their cause belongs to.
OPEN = (PROPOSED, GONE, APPROVED, WAITING, BOOKED, PUT_OFF, DECLINED)
FINISHED = (DONE, PROVEN, WITHOUT_EFFECT)
#: What is blank while a job does not go ahead.
_OF_THE_WORK = ("waiting_for", "waiting_note", "booked_for")
_OF_A_DECISION = ("decided_on", "decided_by", "reason", "put_off_until", "payer", "agreed_scope", "agreed_kwh_per_year",
                  "agreed_low_kwh_per_year", "agreed_high_kwh_per_year", "agreed_per_year", "agreed_factor")


def state(job: Job) -> str:
    """Return the word for where a job stands: the furthest of its facts."""
    if job.verdict_kwh is not None:
        return _judged(job)
    if job.done_on:
        return DONE
    if job.waiting_for:
        return WAITING
    if job.booked_for:
        return BOOKED
    if job.decision:
        return {"not_now": PUT_OFF, "no": DECLINED}.get(job.decision, APPROVED)
    return PROPOSED if job.found and job.covered_by is None else GONE


def _judged(job: Job) -> str:
    low, high, promised = job.verdict_low_kwh, job.verdict_high_kwh, promised_kwh(job)
    if low is not None and low > 0:
        return PROVEN
    short = high is not None and (high <= 0 or (promised is not None and high < promised))
    return WITHOUT_EFFECT if short else DONE


#: Days from which a verdict counts as of a whole year. [days]
_WHOLE_YEAR = 360.0
_DAYS_PER_YEAR = 365.25


def promised_kwh(job: Job) -> float | None:
    """What was promised for the days that a verdict measured; None where that is not known. [kWh]"""
    if job.verdict_promised_kwh is not None:
        return job.verdict_promised_kwh
    if job.agreed_kwh_per_year is None or job.verdict_days is None or job.verdict_days < _WHOLE_YEAR:
        return None
    return job.agreed_kwh_per_year * job.verdict_days / _DAYS_PER_YEAR


#: The clock furthest ahead of UTC, in the Line Islands: no day has begun anywhere that has not begun there. IANA time zones.
_FURTHEST_AHEAD = dt.timedelta(hours=14)


def settled(job: Job, asked: Mapping[str, Value], who: str, now: dt.datetime) -> dict[str, Value]:
    """
    Return all facts that a change alters: those asked for, and those that follow from them.

    Parameters
    ----------
    job : Job
        As it stands.
    asked : mapping
        Facts already checked one by one.
    who : str
    now : datetime
        At the farm, whose day a decision is of. No work is done on a day that has not begun anywhere.

    Returns
    -------
    dict
        Only facts that differ from the job's.

    Raises
    ------
    BookError
        If the step is not allowed.
    """
    facts = dict(asked)
    if "decision" in asked:
        _decide(job, facts, who, now.date())
    if facts.get("done_on"):
        facts |= {"waiting_for": None, "waiting_note": None}
    if "waiting_for" in facts and facts["waiting_for"] is None:
        facts["waiting_note"] = None
    facts = {name: value for name, value in facts.items() if value != getattr(job, name)}
    after = replace(job, **facts)  # type: ignore[arg-type]
    _check_move(job, after)
    _check_facts(after, (now.astimezone(dt.UTC) + _FURTHEST_AHEAD).date())
    return facts


def _decide(job: Job, facts: dict[str, Any], who: str, today: dt.date) -> None:
    """A decision has its day, its name and the promise that it rests on; without it all that hangs on it is blank."""
    decision = facts["decision"]
    if job.done_on and decision != job.decision:
        raise BookError(f"job {job.ref}: was done on {job.done_on}, so what was decided stays. Expected a job not done yet. "
                        "If it was not done, blank done_on first.")
    if decision is None:
        facts |= dict.fromkeys((*_OF_A_DECISION, *_OF_THE_WORK))
        return
    if not facts.get("decided_on"):
        facts["decided_on"] = today
    if not facts.get("decided_by"):
        facts["decided_by"] = who
    for name in ("reason", "put_off_until", "payer"):
        facts.setdefault(name, None)
    if not job.done_on:
        facts |= {
            "agreed_scope": job.scope, "agreed_kwh_per_year": job.gain_kwh_per_year,
            "agreed_low_kwh_per_year": job.gain_low_kwh_per_year, "agreed_high_kwh_per_year": job.gain_high_kwh_per_year,
            "agreed_per_year": job.gain_per_year, "agreed_factor": job.promise_factor,
        }
    if decision not in GO:
        facts |= dict.fromkeys(_OF_THE_WORK)


def _check_move(before: Job, after: Job) -> None:
    old, new = state(before), state(after)
    if new == old or new in MOVES[old]:
        return
    ways = ", ".join(s for s in MEANINGS if s in MOVES[old] - {old, GONE})
    raise BookError(f"job {before.ref}: is {old} ({MEANINGS[old]}), and cannot become {new} from there. "
                    f"Expected a step to one of: {ways}. Take that step first.")


def _check_facts(job: Job, latest: dt.date) -> None:
    problems = []
    if job.done_on and job.done_on > latest:
        problems.append(f"done_on = {job.done_on}, after today. Expected a day that was. "
                        "Book the job for that day instead.")
    if job.done_on and job.waiting_for:
        problems.append(f"waiting_for = {shown(job.waiting_for)}, but it was done on {job.done_on}. Expected nothing to wait "
                        "for. If it was not done, blank done_on.")
    if job.decision == "others_pay" and not job.payer:
        problems.append("decision = others_pay, without a payer. Expected who pays. Name the payer.")
    if job.put_off_until and job.decision != "not_now":
        problems.append(f"put_off_until = {job.put_off_until}, but it is not put off. Expected no such day. Decide not_now.")
    if not job.decision and (hanging := [n for n in ("decided_on", "decided_by", "reason", "payer") if getattr(job, n)]):
        problems.append(f"{', '.join(hanging)}: of a decision, and none is made. Expected a decision. Make it first.")
    if not job.done_on and any(getattr(job, name) is not None for name in VERDICT):
        problems.append("a verdict, but it is not done. Expected the day it was done. Record done_on, or take the verdict back.")
    if problems:
        raise BookError([f"job {job.ref}: {p}" for p in problems])
