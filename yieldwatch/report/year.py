"""
The coming year's plan as people read it: visits by week, what each does, and what just missed the cut.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.report import jobs, words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.planned import Planned
from yieldwatch.report.totals import Amount
from yieldwatch.report.visits import HEADS

#: What the rows are called below which jobs stand.
HEAD_WORDS = {"visit": "visit", "office": "office date"}


def rows(assessment: Planned) -> list[dict]:
    """The plan's rows as records; `job_kind` in words, of a visit or an office date that it is one."""
    found = [] if assessment.plan.empty else assessment.plan.to_dict("records")
    for row in found:
        if row["row"] in HEADS:
            row["job_kind"] = HEAD_WORDS[row["row"]] + (", for safety" if row["safety"] else "")
        else:
            kind, cause = jobs.text(row, "job_kind"), jobs.text(row, "cause")
            row["job_kind"] = words.job_word(kind, cause) + words.looked_for(kind, cause)
        row["turn"] = "" if jobs.text(row, "turn") == "1 of 1" else row["turn"]
    return found


def plan_grid(assessment: Assessment) -> Grid | None:
    """Visits and office dates in order, each with its jobs on one line; None where nothing is planned."""
    currency, shown = assessment.portfolio.currency, rows(assessment)
    lines = []
    for visit in (r for r in shown if r["row"] in HEADS):
        of = [r for r in shown if r["row"] == "job" and r["visit_id"] == visit["visit_id"]]
        lines.append((
            words.day(visit["start"]), _site(assessment, visit), words.plain(visit["crew"]),
            "; ".join(map(_job, of)) + ("; for safety" if visit["safety"] else ""),
            "" if visit["row"] == "office" else words.number(visit["crew_days"], 1),
            words.money(visit["cost"], currency), words.money_of(visit, "gain", currency), _span(visit, currency),
        ))
    if not lines:
        return None
    return Grid(
        "Each visit with the first day of its week; desk work stands with the office and takes no crew. Returns are at present "
        "value, from that week to the end of the "
        f"{assessment.portfolio.horizon_months} months that count. Each job's cautions stand in the work list; local codes and "
        "licensed practice come first.",
        ("#Week from", "Farm", "Crew", "Jobs", "#Crew days", "#Cost", "#Returns", "90 % interval"), tuple(lines),
        after="waiting.csv holds every job's return by week, and what forbids a week.")


def left_out_grid(assessment: Assessment) -> Grid | None:
    """Jobs that would pay and are not in the plan, and what each would need; None where there is none."""
    currency = assessment.portfolio.currency
    missed = [r for r in rows(assessment) if r["row"] == "left_out" and not pd.isna(r["needs_budget"])]
    if not missed:
        return None
    lines = tuple(
        (f"{_job(r)} at {_site(assessment, r)}", words.day(r["start"]), words.money(r["cost"], currency),
         words.money_of(r, "gain", currency), _span(r, currency), jobs.said(r, "why"))
        for r in missed)
    return Grid("What just missed the cut, and what it would need.",
                ("Job", "#Best from", "#Would add", "#Returns", "90 % interval", "Why, and what would bring it in"), lines)


def when_grid(listed: Sequence[dict], currency: str) -> Grid | None:
    """For each job, leaving it, doing it and waiting; None where that was not worked out."""
    timed = [job for job in listed if jobs.text(job, "options")]
    if not timed:
        return None
    lines = tuple(
        (jobs.title(job), *((words.day(job["best_start"]), _weekly(job, currency)) if jobs.has_best_week(job) else ("", "")),
         words.day(job["latest_start"]), jobs.said(job, "options"))
        for job in timed)
    heads = ("Job", "#Best from", "#Each week later costs", "#Last start that pays", "Doing nothing, doing it, waiting")
    return Grid("When to do each job, of the weeks that windows and notice allow; blank where doing nothing is better than any.",
                heads, lines)


def _job(row: dict) -> str:
    scope, turn = jobs.text(row, "scope"), jobs.text(row, "turn")
    where = "" if scope == "site" else f" {scope}"
    return f"{row['job_kind']}{where}{f' ({turn})' if turn else ''}"


def _site(assessment: Assessment, row: dict) -> str:
    return next((words.plain(s.site.name) for s in assessment.sites if s.site.id == row["site_id"]), words.plain(row["site_id"]))


def _span(row: dict, currency: str) -> str:
    return words.money_span(Amount(row["gain"], row["gain_low"], row["gain_high"]), currency)


def _weekly(job: dict, currency: str) -> str:
    if pd.isna(job["delay_cost_per_week"]):
        return ""
    return words.money_with_span(Amount(job["delay_cost_per_week"], *words.bounds(job, "delay_cost_per_week")), currency)
