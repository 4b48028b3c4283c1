"""
The owner's report of a month: a page of words first, then the pictures behind them.

For somebody with five minutes: what came in, what was expected, why it differs, what was in our hands, what to decide, what was
proven. The whole analysis is in `page`.
"""

from __future__ import annotations

from yieldwatch.assess import Assessment
from yieldwatch.report import words
from yieldwatch.report.monthly_pictures import farms_table, figures, jobs_table
from yieldwatch.report.monthly_words import Answer, answers, last_month
from yieldwatch.report.page import environment
from yieldwatch.report.pdf import pdf

_NOTHING = Answer("What came in", ("Not known: no farm has a measured month.",))


def monthly_html(assessment: Assessment) -> str:
    """Return the report as one HTML file without scripts; all text is escaped."""
    month = last_month(assessment)
    return environment().get_template("monthly.html").render(
        name=words.plain(assessment.portfolio.name), month=words.month_name(month.month) if month else "no month measured",
        as_of=words.last_read(assessment.as_of), currency=words.plain(assessment.portfolio.currency),
        answers=answers(assessment, month) if month else (_NOTHING,), figures=figures(assessment, month) if month else (),
        farms=farms_table(assessment, month) if month else None, jobs=jobs_table(assessment))


def monthly_pdf(assessment: Assessment) -> bytes:
    """Return the same on paper, A4; the same assessment gives the same bytes. Raises as `pdf.pdf`."""
    return pdf(monthly_html(assessment))
