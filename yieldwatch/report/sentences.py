"""
The answer in sentences: for the portfolio, and for each farm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from yieldwatch.assess import Assessment
from yieldwatch.portfolio.model import Site
from yieldwatch.report import jobs, words
from yieldwatch.report.totals import Amount, CauseTotal, SiteTotal
from yieldwatch.report.words import EnergyUnit, count, listed, money, money_with_span, per_cent, percentage

#: Below this share of a month's expected energy really measured, the reader is told. [fraction]
COVERAGE_WORTH_SAYING = 0.98


def site_sentences(total: SiteTotal, currency: str, site: Site | None = None) -> list[str]:
    """Return a farm's answer, one statement each."""
    unit = EnergyUnit.fitting(total.expected_kwh)
    said = [_came_in(total, unit), *_missing(total, unit, currency)]
    said += _by_hand(total, unit, currency)
    said += _unexplained(total, unit)
    said += _holes(total, unit)
    if site is not None:
        said += plan_sentences(site, total)
    return said


def _came_in(total: SiteTotal, unit: EnergyUnit) -> str:
    period = words.months_span(total.months)
    name, expected = words.plain(total.name), unit.text(total.expected_kwh)
    if not total.is_measured:
        return (
            f"Neither a meter nor a log covers {name} in {period}, so what it delivered is not known; "
            f"{expected} was to be expected in the weather that came."
        )
    return (
        f"{name} delivered {unit.text(total.measured_kwh)} in {period}; in the weather that came, "
        f"{expected} was to be expected with nothing wrong."
    )


def _missing(total: SiteTotal, unit: EnergyUnit, currency: str) -> list[str]:
    if not total.is_measured:
        return []
    share = percentage(abs(total.gap_pct))
    if total.gap_kwh < 0:
        return [f"That is {unit.text(-total.gap_kwh)} ({share}) more than expected."]
    return [f"{unit.text(total.gap_kwh)} ({share}) is missing{_worth(total, currency)}."]


def _worth(total: SiteTotal, currency: str) -> str:
    unpriced = len(total.months) - total.months_priced
    if not math.isfinite(total.gap_money):
        return "; what it was worth is not known, because no price covers it"
    if unpriced:
        return f", worth {money(total.gap_money, currency)} in the {total.months_priced} months with a price"
    return f", worth {money(total.gap_money, currency)}"


def _by_hand(total: SiteTotal, unit: EnergyUnit, currency: str) -> list[str]:
    said = []
    if total.in_hand.energy.known:
        said.append(
            f"{'Of that, ' if total.gap_kwh > 0 else ''}{_with_span(total.in_hand.energy, unit)} was in "
            f"our hands{_worth_span(total.in_hand.money, currency)}{_largest(total.in_hand_parts, unit)}."
        )
    if total.beyond.energy.known:
        beyond = _largest(total.beyond_parts, unit)
        said.append(f"{_with_span(total.beyond.energy, unit)} was out of our hands{beyond}.")
    return said


def _with_span(amount: Amount, unit: EnergyUnit) -> str:
    return f"{unit.text(amount.value)} (90 % interval {unit.span(amount)})"


def _worth_span(amount: Amount, currency: str) -> str:
    if not amount.known:
        return ""
    return f", worth {money_with_span(amount, currency)}"


def _largest(parts: Sequence[CauseTotal], unit: EnergyUnit) -> str:
    """`: dirt on the glass 9.8 MWh, ...`, the three largest that are not nothing."""
    lost = [c for c in parts if c.energy.known and c.energy.value > 0]
    lost = sorted(lost, key=lambda c: -c.energy.value)[:3]
    # A cause that rounds to nothing in the sentence's unit would only add noise.
    shown = [c for c in lost if float(f"{c.energy.value * unit.per_kwh:.{unit.decimals}f}") > 0]
    said = [f"{words.cause_word(c.cause)} {unit.text(c.energy.value)}{_from_prior(c)}" for c in shown]
    return f": {listed(said)}" if said else ""


def _from_prior(cause: CauseTotal) -> str:
    return " (from published values, not from this farm)" if cause.basis == "prior" else ""


def _unexplained(total: SiteTotal, unit: EnergyUnit) -> list[str]:
    rest = total.unexplained.energy
    if not rest.known:
        return []
    if rest.low > 0 or rest.high < 0:
        verdict = "its interval leaves out zero, so something is not named yet"
    else:
        verdict = "within the error of meter and model"
    return [f"{_with_span(rest, unit)} is not explained: {verdict}."]


def _holes(total: SiteTotal, unit: EnergyUnit) -> list[str]:
    said = []
    absent = [words.cause_word(c.cause) for c in total.causes if c.basis == "not_assessed"]
    if absent:
        said.append(f"Not assessed, and so neither blamed nor cleared: {listed(absent)}.")
    if total.months_left_out and total.is_measured:
        said.append(
            f"Nothing measured {words.months_span(total.months_left_out)} "
            f"({unit.text(total.expected_other_kwh)} expected): those months are in none of these figures."
        )
    if total.is_measured and total.coverage < COVERAGE_WORTH_SAYING:
        said.append(
            f"Readings cover {per_cent(total.coverage, 0)} of the expected energy; the rest is estimated."
        )
    return said


def plan_sentences(site: Site, total: SiteTotal) -> list[str]:
    """How the months compare with what was promised at purchase, aged as the plan says."""
    plan = site.plan
    if plan is None or plan.p50_kwh_by_month is None or not total.is_measured:
        return []
    yearly = (plan.degradation_pct_per_year or 0.0) / 100.0
    aged = [
        plan.p50_kwh_by_month[int(m[5:7]) - 1] * (1.0 - yearly) ** _years_since(site, m) for m in total.months
    ]
    planned = float(np.sum(aged))
    if not planned > 0:
        return []
    unit = EnergyUnit.fitting(planned)
    text = (
        f"The plan at purchase (P50, aged {words.number(100 * yearly, 1)} % a year) was "
        f"{unit.text(planned)}: delivered is {_against(total.measured_kwh, planned)} it"
    )
    if plan.insolation_kwh_m2_by_month is not None and math.isfinite(total.insolation_kwh_m2):
        light = float(np.sum([plan.insolation_kwh_m2_by_month[int(m[5:7]) - 1] for m in total.months]))
        text += f", and the light that came is {_against(total.insolation_kwh_m2, light)} its plan"
    return [text + "."]


def _years_since(site: Site, month: str) -> float:
    return max(0.0, int(month[:4]) + (int(month[5:7]) - 0.5) / 12.0 - _year_fraction(site))


def _year_fraction(site: Site) -> float:
    return site.commissioned.year + (site.commissioned.timetuple().tm_yday - 1) / 365.25


def _against(value: float, reference: float) -> str:
    if not reference > 0:
        return "not comparable with"
    change = 100.0 * (value / reference - 1.0)
    return f"{percentage(abs(change))} {'above' if change >= 0 else 'below'}"


def portfolio_sentences(assessment: Assessment, totals: Sequence[SiteTotal]) -> list[str]:
    """The opening: what came in, what was expected, why it differs, what was in our hands."""
    currency = assessment.portfolio.currency
    measured = [t for t in totals if t.is_measured]
    said = []
    if measured:
        said.append(_together(measured, currency))
        said += _hands_together(measured, currency)
    unmeasured = [words.plain(t.name) for t in totals if not t.is_measured]
    if unmeasured:
        said.append(f"What {listed(unmeasured)} delivered is not known: no meter or log covers the period.")
    return [*said, *left_out_said(assessment)]


def left_out_said(assessment: Assessment) -> list[str]:
    """Name the farms that are in no figure; no sentence where there is none."""
    there = {s.site.id for s in assessment.sites}
    absent = [words.plain(s.name) for s in assessment.portfolio.sites if s.id not in there]
    if not absent:
        return []
    return [f"Left out of every figure, for want of usable weather in the period: {listed(absent)}."]


def _together(totals: Sequence[SiteTotal], currency: str) -> str:
    expected, measured = (
        float(np.sum([getattr(t, n) for t in totals])) for n in ("expected_kwh", "measured_kwh")
    )
    unit = EnergyUnit.fitting(expected)
    farms = words.plain(totals[0].name) if len(totals) == 1 else f"The {len(totals)} farms"
    together = "" if len(totals) == 1 else " together"
    gap = expected - measured
    months = sorted({m for t in totals for m in t.months})
    if gap < 0:
        rest = f"{unit.text(-gap)} ({percentage(-100 * gap / expected)}) less, so nothing is missing in sum."
    else:
        rest = (
            f"{unit.text(gap)} ({percentage(100 * gap / expected)}) more{_worth_together(totals, currency)}."
        )
    return (
        f"{farms} delivered {unit.text(measured)}{together} in {words.months_span(months)}. The weather "
        f"that came was good for {unit.text(expected)} with nothing wrong: {rest}"
    )


def _worth_together(totals: Sequence[SiteTotal], currency: str) -> str:
    priced = [t.gap_money for t in totals if math.isfinite(t.gap_money)]
    if not priced:
        return "; what it was worth is not known, because no price covers it"
    partly = any(t.months_priced < len(t.months) for t in totals)
    return f", worth {money(sum(priced), currency)}" + (" where a price is known" if partly else "")


def added(amounts: Sequence[Amount]) -> Amount:
    """
    Sum over farms. Bounds are added as they are: farms share weather data and model, and treating
    their errors as independent would make the sum look surer than it is.
    """
    known = [a for a in amounts if a.known]
    if not known:
        return Amount(np.nan)
    return Amount(*(float(np.sum([getattr(a, part) for a in known])) for part in ("value", "low", "high")))


def _hands_together(totals: Sequence[SiteTotal], currency: str) -> list[str]:
    groups = {
        name: added([getattr(t, name).energy for t in totals])
        for name in ("in_hand", "beyond", "unexplained")
    }
    unit = EnergyUnit.fitting(float(np.sum([t.expected_kwh for t in totals])))
    said = []
    if groups["in_hand"].known:
        worth = _worth_span(added([t.in_hand.money for t in totals]), currency)
        if worth and not all(t.in_hand.money.known for t in totals):
            worth += " where a price is known"
        said.append(
            f"Of that, {_with_span(groups['in_hand'], unit)} was in our hands{worth}"
            f"{_worst(totals, currency)}."
        )
    rest = [
        f"{_with_span(groups[name], unit)} {verb}"
        for name, verb in (("beyond", "was out of our hands"), ("unexplained", "is not explained"))
        if groups[name].known
    ]
    return said + ([f"{listed(rest)}."] if rest else [])


def _worst(totals: Sequence[SiteTotal], currency: str) -> str:
    """The largest single losses that somebody can act on, over all farms."""
    lost = [
        (cause.money.value, words.cause_word(cause.cause), words.plain(total.name))
        for total in totals
        for cause in total.in_hand_parts
        if cause.money.known and cause.money.value >= 1
    ]
    worst = sorted(lost, reverse=True)[:3]
    if not worst:
        return ""
    several = len(totals) > 1
    parts = [
        f"{cause}{f' at {site}' if several else ''} {money(value, currency)}" for value, cause, site in worst
    ]
    return f"; the largest parts: {listed(parts)}"


def decision_sentences(assessment: Assessment) -> list[str]:
    """What there is to decide, with the money on the table."""
    plan = jobs.work_plan(assessment)
    currency = assessment.portfolio.currency
    said = []
    safety = [job for job in plan.do if jobs.is_safety(job)]
    if safety:
        one, many = "job is a matter of safety and comes first", "jobs are a matter of safety and come first"
        said.append(f"{count(len(safety), one, many)}, whatever the return.")
    if plan.do:
        cost = float(np.nansum([job["cost"] for job in plan.do]))
        gain = float(np.nansum([job["gain_per_year"] for job in plan.do]))
        said.append(
            f"{count(len(plan.do), 'job is', 'jobs are')} to be approved: {money(cost, currency)} in all, "
            f"against {money(gain, currency)} that the coming twelve months would return. Your quotes "
            "replace these costs."
        )
    else:
        said.append(jobs.nothing_to_do(plan))
    if plan.do and plan.over_budget:
        n = len(plan.over_budget)
        said.append(
            f"{count(n, 'more job', 'more jobs')} would pay, but not within this year's budget or crew days."
        )
    if plan.not_ranked and (plan.do or plan.over_budget):
        n = len(plan.not_ranked)
        said.append(f"{count(n, 'job', 'jobs')} could not be ranked for want of a cost or a price.")
    if plan.not_worth:
        said.append(f"{jobs.turned_down(plan.not_worth)}; the list says what would change that.")
    return said
