"""
What was done and what it proved to win back, and promises against proof, as the page shows them.
"""

from __future__ import annotations

import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.report import jobs, words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.totals import Amount

VERDICT_WORDS = {
    "paid_back": "paid back", "on_its_way": "on its way to paying back", "worked": "worked, whether it pays is open",
    "too_dear": "worked, too dear", "no_effect": "no effect shown", "not_told": "cannot be told yet",
}


def proof_grid(assessment: Assessment) -> Grid | None:
    """Every job that was done within the history; None where none was."""
    currency, lines = assessment.portfolio.currency, []
    for site in assessment.sites:
        for row in site.proof.to_dict("records"):
            unit = words.EnergyUnit.fitting(row["gain_kwh"], row["gain_high_kwh"], row["promised_kwh"])
            what = words.job_word(row["job_kind"], row["cause"])
            where = "" if row["scope"] == "site" else f" {words.plain(row['scope'])}"
            lines.append((
                f"{what}{where} at {words.plain(site.site.name)}, {words.day(row['done_on'])} "
                f"({words.plain(row['job'])})",
                unit.text(row["promised_kwh"]), unit.text(row["gain_kwh"]),
                unit.span(Amount(row["gain_kwh"], row["gain_low_kwh"], row["gain_high_kwh"])),
                words.money_of(row, "gain", currency), words.money(row["cost"], currency),
                jobs.said(row, "words")))
    if not lines:
        return None
    return Grid(
        "Each job that was done: what it won back from the day after on, up to the end of the history or the next work on the "
        "same parts, against what would have come without it in the weather that came.",
        ("Job", "#Promised", "#Proven", "90 % interval", "#In money", "#Cost", "In words"),
        tuple(lines), after="proof.csv holds the same with what each rests on.")


def ledger_grid(assessment: Assessment) -> Grid | None:
    """Promised against proven, and what later promises are multiplied by; None where no promise was put to the test."""
    if assessment.ledger.empty:
        return None
    lines = tuple(
        (_of(row), words.number(row["jobs"]), words.number(row["promised_kwh"]), words.number(row["proven_kwh"]),
         words.number(row["factor"], 2), f"{words.number(row['factor_low'], 2)} to {words.number(row['factor_high'], 2)}")
        for row in assessment.ledger.to_dict("records"))
    return Grid(
        "Promised against proven, in kWh for the days measured. The gains on the work list are multiplied by the factor of their "
        "cause; it is drawn to 1 where few jobs tell.",
        ("Of", "#Jobs", "#Promised", "#Proven", "#Factor", "90 % interval"), lines)


def _of(row: dict) -> str:
    if row["of"] == "all":
        return "all jobs"
    return words.cause_word(row["name"]) if row["of"] == "cause" else words.plain(row["name"])


def proven_sentence(assessment: Assessment) -> str:
    """How many jobs were done and what can be said of them, in a sentence; empty where none was."""
    tables = [s.proof for s in assessment.sites if len(s.proof)]
    if not tables:
        return ""
    verdicts = pd.concat(tables)["verdict"].value_counts()
    said = [f"{n} {VERDICT_WORDS[v]}" for v, n in verdicts.items()]
    return f"Of {words.count(int(verdicts.sum()), 'piece of work', 'pieces of work')} done within the history: {'; '.join(said)}."
