"""
The report as one HTML file that needs nothing from elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from plotly.offline import get_plotlyjs

from yieldwatch.assess import Assessment
from yieldwatch.report import figures, jobs, measure, proof, sentences, words, year
from yieldwatch.report.blocks import Figure, declined_grid, farms_grid, job_card, jobs_grid
from yieldwatch.report.sections import farm_section
from yieldwatch.report.totals import site_totals


def write_page(assessment: Assessment, path: Path) -> None:
    """Write the report; an existing file is replaced."""
    path.write_text(render_page(assessment), encoding="utf-8")


def render_page(assessment: Assessment) -> str:
    """
    Return the report as HTML.

    All text is escaped by the template; figures travel as JSON in which no tag can be closed.
    """
    currency = words.plain(assessment.portfolio.currency)
    totals = site_totals(assessment)
    by_id = {s.site.id: s for s in assessment.sites}
    names = jobs.names(assessment.work_list)
    farms = [farm_section(place, by_id[t.site_id], t, currency, assessment.claims, names)
             for place, t in enumerate(totals, start=1)]
    plan, months = jobs.work_plan(assessment), assessment.portfolio.horizon_months
    last_day = pd.Timestamp(assessment.period[1]) - pd.Timedelta(days=1)
    over_all = _portfolio_figures(
        totals, currency, f"{words.day(assessment.period[0])} to {words.day(last_day)}"
    )
    plots = [*over_all, *(figure for farm in farms for figure in farm.figures)]
    return (
        environment()
        .get_template("report.html")
        .render(
            name=words.plain(assessment.portfolio.name),
            period=f"{words.day(assessment.period[0])} to {words.day(last_day)}",
            as_of=words.last_read(assessment.as_of),
            currency=currency,
            opening=sentences.portfolio_sentences(assessment, totals),
            decisions=sentences.decision_sentences(assessment),
            farms_grid=farms_grid(totals, currency),
            figures=over_all,
            nothing_to_do=jobs.nothing_to_do(plan),
            first=[job_card(job, currency) for job in plan.first],
            rest=[job_card(job, currency) for job in plan.do[3:]],
            months=months,
            work=jobs_grid(plan.do, currency, months) if plan.do else None,
            over_budget=jobs_grid(plan.over_budget, currency, months) if plan.over_budget else None,
            not_ranked=declined_grid(plan.not_ranked, currency) if plan.not_ranked else None,
            declined=declined_grid(plan.not_worth, currency) if plan.not_worth else None,
            plan=year.plan_grid(assessment),
            left_out=year.left_out_grid(assessment),
            when=year.when_grid([*plan.do, *plan.over_budget, *plan.not_worth], currency),
            proven=proof.proof_grid(assessment),
            proven_words=proof.proven_sentence(assessment),
            ledger=proof.ledger_grid(assessment),
            next_up=measure.next_grid(assessment),
            light=measure.light_grid(assessment),
            farms=farms,
            notes=[_by_name(notice, {s.site.id: words.plain(s.site.name) for s in assessment.sites})
                   for notice in map(words.in_day_words, assessment.notices)],
            plots={figure.id: json.loads(figure.plot.to_json()) for figure in plots},
            plotly_js=get_plotlyjs(),
        )
    )


def _portfolio_figures(totals: tuple, currency: str, period: str) -> list[Figure]:
    """Farm against farm; a single farm has nothing to be compared with."""
    if sum(t.in_hand.money.known for t in totals) < 2:
        return []
    return [
        Figure(
            "in-hand",
            f"Money lost in our hands by farm, {period}. {words.WHAT_A_MARK_IS}",
            "Money lost in our hands by farm, with intervals. The table above holds every figure.",
            figures.in_hand_figure(totals, currency),
        )
    ]


def environment() -> Environment:
    """Templates in which all text is escaped, and a name that is missing is an error."""
    return Environment(
        loader=PackageLoader("yieldwatch.report"),
        autoescape=True,
        finalize=words.tied,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _by_name(notice: str, names: Mapping[str, str]) -> str:
    """A notice that begins with a site's identifier, with its name instead."""
    site, colon, rest = notice.partition(": ")
    return f"{names[site]}: {rest}" if colon and site in names else notice
