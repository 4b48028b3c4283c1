"""
The work list as people read it: what to do, what waits for money, what is not worth it, what is open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from yieldwatch.book.states import DECLINED, FINISHED, PUT_OFF
from yieldwatch.report import words
from yieldwatch.report.planned import Planned
from yieldwatch.report.totals import Amount


@dataclass(frozen=True)
class WorkPlan:
    """The jobs of the work list as records, each list in its rank order."""

    do: tuple[dict, ...]
    over_budget: tuple[dict, ...]
    not_worth: tuple[dict, ...]
    not_ranked: tuple[dict, ...]

    @property
    def first(self) -> tuple[dict, ...]:
        """The three jobs to do first."""
        return self.do[:3]


def work_plan(assessment: Planned) -> WorkPlan:
    """Sort the jobs by what was decided; safety jobs are done whatever they return."""
    names = {s.site.id: words.plain(s.site.name) for s in assessment.sites}
    listed = assessment.work_list
    jobs = [] if listed.empty else listed.sort_values("rank").to_dict("records")
    for job in jobs:
        job["site_name"] = names.get(job["site_id"], words.plain(job["site_id"]))
    do = tuple(job for job in jobs if is_on(job))
    # What people turned down is not worth doing now, whatever it would return.
    turned_down = [job for job in jobs if not is_on(job) and job.get("job_state") in (PUT_OFF, DECLINED, *FINISHED)]
    waiting = [job for job in jobs if not is_on(job) and job not in turned_down]
    return WorkPlan(
        do,
        tuple(job for job in waiting if figure(job, "npv") > 0),
        (*(job for job in waiting if figure(job, "npv") <= 0), *turned_down),
        tuple(job for job in waiting if math.isnan(figure(job, "npv"))),
    )


def nothing_to_do(plan: WorkPlan) -> str:
    """Why no job is to be done: no money for those that pay, no figures to tell, or none that pays."""
    if plan.over_budget:
        return ("No job fits this year's budget or crew days: "
                f"{words.count(len(plan.over_budget), 'job')} would pay, and would need more.")
    if plan.not_ranked:
        return f"No job can be weighed: {words.count(len(plan.not_ranked), 'job lacks', 'jobs lack')} a cost or a price."
    return "No job is worth its cost on this evidence." if plan.not_worth else "No job was found on this evidence."


def is_on(job: dict) -> bool:
    return _flag(job, "chosen") or is_safety(job)


def said(job: dict, name: str) -> str:
    """The same, with dates as people write them."""
    return words.in_day_words(text(job, name))


def about(job: dict) -> str:
    """What, where, and its number in the book: `repair strings: S21 (job 5)`."""
    ref = figure(job, "job_ref")
    what = words.job_word(job["job_kind"], job.get("cause"))
    return f"{what}: {text(job, 'scope')}" + ("" if pd.isna(ref) else f" (job {ref:.0f})")


def has_best_week(job: dict) -> bool:
    """Whether a week is best to do it in: none is where doing nothing is better than any, unless it is a matter of safety."""
    return is_safety(job) or not figure(job, "npv_best_start") <= 0.0


def names(work_list: pd.DataFrame) -> dict[str, str]:
    """What people call each job, by its identifier."""
    return {str(job["job_id"]): about(job) for job in work_list.to_dict("records")}


def turned_down(listed: Sequence[dict]) -> str:
    """`9 jobs were turned down, of which the plan has 1 later in the year`."""
    later = sum(advice(job) == "later" for job in listed)
    return (words.count(len(listed), "job was", "jobs were") + " turned down for now"
            + (f", of which the plan has {later} later in the year" if later else ""))


def advice(job: dict) -> str:
    """What the work list says of a job in a word or two; the year's plan may have it in a later week."""
    if is_on(job) and not is_safety(job) and text(job, "read_first"):
        return "yes, after a reading"
    return "safety" if is_safety(job) else "yes" if is_on(job) else "later" if text(job, "planned_start") else "not now"


def verdict(job: dict) -> str:
    """The verdict of a job that is not to be done now, and when the year's plan has it all the same."""
    told = said(job, "verdict")
    if advice(job) != "later":
        return told
    now = told.replace("Not worth doing:", "Not worth doing now:", 1)
    return f"{now} The year's plan has it in the week of {words.day(job['planned_start'])}, when it is worth its cost."


def is_safety(job: dict) -> bool:
    return _flag(job, "safety")


def _flag(job: dict, name: str) -> bool:
    value = job.get(name)
    return bool(value) if value is not None and not pd.isna(value) else False


def figure(job: dict, name: str) -> float:
    """A figure of a job; NaN where it is blank or missing."""
    value = job.get(name)
    return math.nan if value is None or pd.isna(value) else float(value)


def text(job: dict, name: str) -> str:
    """A free-text field, or an empty string where it is blank or missing."""
    value = job.get(name)
    if isinstance(value, tuple | list):
        return words.plain(" ".join(map(str, value)))
    return "" if value is None or pd.isna(value) else words.plain(value)


def title(job: dict) -> str:
    """`Repair strings at East Field: A-07 A-09 (string faults)`."""
    scope = text(job, "scope")
    parts = scope.split()
    where = "" if scope in ("site", "") else ": " + " ".join(parts[:6])
    where += f" and {len(parts) - 6} more" if len(parts) > 6 else ""
    cause = words.in_brackets(words.job_cause(text(job, "cause")))
    what = words.job_word(text(job, "job_kind"), text(job, "cause"))
    return f"{what[:1].upper()}{what[1:]} at {job['site_name']}{where}{cause}"


def due(job: dict) -> str:
    start, end = words.day(job.get("due_from")), words.day(job.get("due_to"))
    said = f"{start} to {end}" if start and end else f"from {start}" if start else f"by {end}" if end else "any time"
    if is_after_its_window(job):
        said += f"; the year's plan has it in the week of {words.day(job['planned_start'])}"
        said += ": agree a sooner day with the crew" if is_safety(job) else ""
    return said


def is_after_its_window(job: dict) -> bool:
    """Whether the year's plan has a job that is to be done later than its dates: it returns more then, or no week is sooner."""
    planned, end = text(job, "planned_start"), text(job, "due_to")
    return is_on(job) and bool(planned) and bool(end) and planned[:10] > end[:10]


def gain(job: dict) -> str:
    """Energy won back in the coming twelve months with its interval."""
    value = figure(job, "gain_kwh_per_year")
    low, high = figure(job, "gain_low_kwh_per_year"), figure(job, "gain_high_kwh_per_year")
    if not math.isfinite(value):
        return words.NOT_KNOWN
    if value == low == high == 0:
        return "no energy"
    unit = words.EnergyUnit.fitting(value, low, high)
    return f"{unit.text(value)} a year ({unit.bare(low)} to {unit.bare(high)})"


def worth(job: dict, currency: str) -> str:
    """Money won back in the coming twelve months with its interval."""
    value, low, high = (figure(job, f"gain_{part}per_year") for part in ("", "low_", "high_"))
    if value == low == high == 0:
        return "nothing by itself"
    if not math.isfinite(value):
        return words.NOT_KNOWN
    said = f"{words.money(value, currency, low, high)} {_how_often(job)}"
    span = words.bare_span(Amount(value, low, high))
    return said if span == words.NOT_KNOWN else f"{said} ({span})"


def _how_often(job: dict) -> str:
    """A claim is paid once; what is mended returns each year."""
    return "once" if job.get("job_kind") == "claim" else "a year"


def in_book(job: dict) -> str:
    """`job 5, approved`; empty without a job book."""
    number = figure(job, "job_ref")
    return "" if math.isnan(number) else f"job {number:.0f}, {text(job, 'job_state')}"


def worth_line(job: dict, currency: str) -> str:
    """Payback, cost, return and season in one line."""
    back = words.pays_back(job)
    cost = words.money(job.get("cost"), currency)
    if back == words.NOT_KNOWN:
        return f"costs {cost}; what it returns is not known beforehand; {due(job)}"
    if back == words.FOR_SAFETY:
        return f"{back}; costs {cost}; {due(job)}"
    return (
        f"{back}; costs {cost}, returns {words.money_of(job, 'gain_per_year', currency)} {_how_often(job)}; {due(job)}"
    )
