"""
What is kept of a job: its facts, each with kind, unit and meaning, and the records that carry them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from yieldwatch.columns import Column
from yieldwatch.constants import JOB_KINDS

#: What can be decided: do it, not now, not worth it, someone else's bill.
DECISIONS = ("do", "not_now", "no", "others_pay")
#: Decisions after which the work goes ahead.
GO = ("do", "others_pay")
#: What can hold up a job that is decided.
WAITS = ("part", "permission", "light", "weather", "outage", "people")

Value = str | int | float | bool | dt.date | None


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _date(name: str, meaning: str) -> Column:
    return Column(name, "date", meaning)


def _number(name: str, unit: str, low: float | None, meaning: str) -> Column:
    return Column(name, "number", meaning, unit=unit, low=low)


def _named(*columns: Column) -> Mapping[str, Column]:
    return {c.name: c for c in columns}


#: What a job is; set once, but for its scope and the work list's name for it, which follow the findings.
IDENTITY = _named(
    _text("site_id", "Site"),
    Column("job_kind", "choice", "What is to be done", choices=JOB_KINDS),
    _text("cause", "Which loss it mends"),
    _text("scope", "Where: `site`, or identifiers of inverters or strings"),
    _text("job_id", "Its name on the work list that last held it"),
    _date("raised_on", "As-of date of the assessment that raised it"),
    Column("follows", "integer", "The job done before for the same cause"),
)
#: What the latest assessment says of it.
PROPOSAL = _named(
    Column("found", "flag", "Whether the latest assessment of the site still finds the cause"),
    Column("covered_by", "integer", "Another open job that holds all of its findings"),
    Column("advised", "flag", "Whether the work list chose it"),
    Column("safety", "flag", "Whether it must be made safe whatever it returns"),
    _number("gain_kwh_per_year", "kWh", None, "Energy that it would win back in a year of usual weather"),
    _number("gain_low_kwh_per_year", "kWh", None, "Low end of the 90 % interval"),
    _number("gain_high_kwh_per_year", "kWh", None, "High end of the 90 % interval"),
    _number("gain_per_year", "money", None, "Money that it would win back in that year"),
    _number("gain_low_per_year", "money", None, "Low end of the 90 % interval"),
    _number("cost_estimate", "money", 0, "Cost by the portfolio's prices, with its share of the visit"),
    _number("promise_factor", "1", 0, "By what past promises kept multiply these gains; 1 where nothing is known of any"),
    _text("why", "Why it was proposed"),
)
#: What was promised when it was decided; kept as it stood then.
AGREED = _named(
    _text("agreed_scope", "Scope when it was decided"),
    _number("agreed_kwh_per_year", "kWh", None, "Gain in energy promised when it was decided"),
    _number("agreed_low_kwh_per_year", "kWh", None, "Low end of the 90 % interval"),
    _number("agreed_high_kwh_per_year", "kWh", None, "High end of the 90 % interval"),
    _number("agreed_per_year", "money", None, "Gain in money promised when it was decided"),
    _number("agreed_factor", "1", 0, "Factor that was in the promise"),
)
#: What people record.
RECORDED = _named(
    Column("decision", "choice", "What was decided", choices=DECISIONS),
    _date("decided_on", "Day of the decision"),
    _text("decided_by", "Who decided"),
    _text("reason", "Why it was decided so, or the figure that would change it"),
    _date("put_off_until", "Day on which a job put off is proposed again"),
    _text("payer", "Who pays, if not the owner"),
    Column("waiting_for", "choice", "What holds it up", choices=WAITS),
    _text("waiting_note", "Which part, whose permission, and until when"),
    _date("booked_for", "Day it is booked for"),
    _text("contractor", "Who is to do it"),
    _date("done_on", "Day it was done"),
    _text("done_by", "Person or crew that did it"),
    _number("cost", "money", 0, "What it cost"),
    _number("hours", "h", 0, "Hours worked"),
    _text("invoice", "Number of the invoice"),
    _text("permit", "Number of the permit to work"),
    _text("serials", "Serial numbers of parts fitted and removed"),
    _text("note", "Anything else"),
)
#: What was measured of its effect.
VERDICT = _named(
    _number("verdict_kwh", "kWh", None, "Energy it was measured to win back over the days measured"),
    _number("verdict_low_kwh", "kWh", None, "Low end of the 90 % interval"),
    _number("verdict_high_kwh", "kWh", None, "High end of the 90 % interval"),
    _number("verdict_promised_kwh", "kWh", None, "What was promised for the same days"),
    _number("verdict_days", "days", 0, "Days measured after the work"),
    _text("verdict_words", "The verdict in words"),
)
FACTS: Mapping[str, Column] = {**IDENTITY, **PROPOSAL, **AGREED, **RECORDED, **VERDICT}


@dataclass(frozen=True)
class Verdict:
    """
    What a job was measured to win back, against what there would have been without it.

    Attributes
    ----------
    gain_kwh, low, high : float
        Over the days measured, bounds of 90 %. [kWh]
    days_measured : float
        Days after the work that the figures rest on.
    words : str
    promised_kwh : float, optional
        What was promised for the same days. Without it the year's promise stands, if a whole year was measured; a promise is
        not spread over part of a year here, because gains have seasons. [kWh]
    """

    gain_kwh: float
    low: float
    high: float
    days_measured: float
    words: str
    promised_kwh: float | None = None


@dataclass(frozen=True)
class Job:
    """
    One job as it stands. Each attribute is explained in `FACTS`; a blank fact is None.

    `ref` is its number in the book; `version` grows by one with each change.
    """

    ref: int
    version: int
    site_id: str
    job_kind: str
    cause: str
    scope: str
    job_id: str
    raised_on: dt.date
    follows: int | None
    found: bool
    covered_by: int | None
    advised: bool
    safety: bool
    gain_kwh_per_year: float | None
    gain_low_kwh_per_year: float | None
    gain_high_kwh_per_year: float | None
    gain_per_year: float | None
    gain_low_per_year: float | None
    cost_estimate: float | None
    promise_factor: float | None
    why: str | None
    agreed_scope: str | None
    agreed_kwh_per_year: float | None
    agreed_low_kwh_per_year: float | None
    agreed_high_kwh_per_year: float | None
    agreed_per_year: float | None
    agreed_factor: float | None
    decision: str | None
    decided_on: dt.date | None
    decided_by: str | None
    reason: str | None
    put_off_until: dt.date | None
    payer: str | None
    waiting_for: str | None
    waiting_note: str | None
    booked_for: dt.date | None
    contractor: str | None
    done_on: dt.date | None
    done_by: str | None
    cost: float | None
    hours: float | None
    invoice: str | None
    permit: str | None
    serials: str | None
    note: str | None
    verdict_kwh: float | None
    verdict_low_kwh: float | None
    verdict_high_kwh: float | None
    verdict_promised_kwh: float | None
    verdict_days: float | None
    verdict_words: str | None

    @property
    def parts(self) -> frozenset[str]:
        """The identifiers in its scope."""
        return frozenset(self.scope.split())


@dataclass(frozen=True)
class Change:
    """
    One entry of the history: `who` changed `field` of job `ref` from `old` to `new`.

    `at` is in UTC, `version` the job's afterwards. Values are texts as `values.to_text` writes them, None if blank; `why` is
    filled where a rule and not a person made the change.
    """

    ref: int
    version: int
    who: str
    at: dt.datetime
    field: str
    old: str | None
    new: str | None
    why: str | None


@dataclass(frozen=True)
class Evidence:
    """
    A reading before or after the work, or a photo.

    Attributes
    ----------
    number : int
        Its number in the book.
    ref : int
        The job.
    kind : str
        "before", "after" or "photo".
    at : datetime or None
        When it was taken, UTC.
    part : str or None
        The string or inverter measured, or on the photo.
    readings : mapping of str to float
        By column name of the tables `iv` and `clamp`, conditions among them; of a photo, `evidence.DISTANCE` where it is known.
    path, sha256 : str or None
        The photo's path below the portfolio's folder, and its content's digest when it was added.
    note : str or None
    added_by : str
    withdrawn : bool
        Entered by mistake; kept, but no longer counted.
    """

    number: int
    ref: int
    kind: str
    at: dt.datetime | None
    part: str | None
    readings: Mapping[str, float]
    path: str | None
    sha256: str | None
    note: str | None
    added_by: str
    withdrawn: bool
