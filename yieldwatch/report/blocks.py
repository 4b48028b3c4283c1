"""
The blocks of the report as text ready to be set, and those that cover the whole portfolio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from yieldwatch.report import jobs, words
from yieldwatch.report.totals import SiteTotal
from yieldwatch.report.words import EnergyUnit, money, money_of, money_span, per_cent


@dataclass(frozen=True)
class Grid:
    """A table: its caption, its column headings ("#" before a column of figures) and its rows."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    after: str = ""


@dataclass(frozen=True)
class Figure:
    """A figure with the caption below it and the text that stands for it where it cannot be seen."""

    id: str
    caption: str
    alternative: str
    plot: go.Figure


@dataclass(frozen=True)
class JobCard:
    """One job as the page shows it."""

    rank: str
    title: str
    decision: str
    facts: tuple[tuple[str, str], ...]
    why: str
    caution: str


def farms_grid(totals: Sequence[SiteTotal], currency: str) -> Grid:
    """The farms, the most money in the owner's hands first."""
    unit = EnergyUnit.fitting(max((t.expected_kwh for t in totals), default=0.0))
    rows = []
    for t in totals:
        hand = t.in_hand
        rows.append(
            (
                words.plain(t.name),
                unit.bare(t.measured_kwh),
                unit.bare(t.expected_kwh),
                _with_share(unit.bare(t.gap_kwh), t.gap_pct),
                unit.bare(hand.energy.value),
                unit.span(hand.energy),
                money(hand.money.value, currency, hand.money.low, hand.money.high),
                money_span(hand.money, currency),
                per_cent(t.coverage, 0),
            )
        )
    return Grid(
        f"Farms, ordered by money in our hands. Energy in {unit.name}; intervals are 90 %.",
        (
            "Farm",
            "#Delivered",
            "#Expected",
            "#Missing",
            "#In our hands",
            "interval",
            "#Worth",
            "interval",
            "#Energy really measured",
        ),
        tuple(rows),
    )


def _with_share(energy: str, pct: float) -> str:
    return energy if energy == words.NOT_KNOWN else f"{energy} ({words.percentage(pct)})"


def job_card(job: dict, currency: str) -> JobCard:
    """One job of the work list, its figures with their ranges."""
    look = words.is_look(job)
    decision = "safety: do it whatever it returns" if jobs.is_safety(job) else ""
    cost, alone = (money(job.get(name), currency) for name in ("cost", "cost_alone"))
    facts = (
        ("When", jobs.due(job)),
        ("Before it", jobs.said(job, "read_first")),
        ("Wins back", jobs.gain(job)),
        ("Leaves, once what follows is paid" if look else "Worth", jobs.worth(job, currency)),
        ("Costs", cost if alone in (cost, words.NOT_KNOWN) else f"{cost} ({alone} if done alone)"),
        ("As a look" if look else "Pays back", words.payback(job)),
        ("Net value", money_of(job, "npv", currency)),
        ("Chance of paying back",
         "" if jobs.is_safety(job) or look else words.chance_word(job.get("chance_of_payback"))),
        ("Chance that it is granted" if job.get("job_kind") == "claim" else "Chance that the loss is there",
         words.chance_word(job.get("confidence"))),
        ("Comes back", jobs.said(job, "comes_back")),
        ("Job book", jobs.in_book(job)),
    )
    return JobCard(
        rank=words.number(job.get("rank")),
        title=jobs.title(job),
        decision=decision,
        facts=tuple(
            (name, text) for name, text in facts if text and (text != words.NOT_KNOWN or name == "Wins back")
        ),
        why=jobs.said(job, "why"),
        caution=jobs.text(job, "caution"),
    )


def jobs_grid(listed: Sequence[dict], currency: str, months: int) -> Grid:
    """Jobs with their figures; net values over so many months."""
    rows = tuple(
        (
            words.number(job.get("rank")),
            jobs.title(job),
            jobs.due(job),
            jobs.gain(job),
            money_of(job, "gain_per_year", currency) + (" once" if job.get("job_kind") == "claim" else ""),
            money(job.get("cost"), currency),
            words.payback(job),
            money_of(job, "npv", currency),
            words.chance_word(job.get("confidence")),
        )
        for job in listed
    )
    return Grid(
        f"In brackets the 90 % interval. A cost is the job's share of a visit where jobs share one; net value is over {months} "
        "months.",
        (
            "#Rank",
            "Job",
            "When",
            "Gain in the coming 12 months",
            "#Worth a year",
            "#Cost",
            "Payback",
            "#Net value",
            "#Chance that the loss is there",
        ),
        rows,
    )


def declined_grid(listed: Sequence[dict], currency: str) -> Grid:
    rows = tuple(
        (
            jobs.title(job),
            money(job.get("cost"), currency),
            money_of(job, "gain_per_year", currency),
            words.payback(job),
            jobs.verdict(job),
        )
        for job in listed
    )
    return Grid(
        "Why, and the figure that would change it.",
        ("Job", "#Cost", "#Gain a year", "Payback", "Why not, and what would change it"),
        rows,
    )
