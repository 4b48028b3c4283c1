"""
The month in words: each question of an owner with its answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.book import states
from yieldwatch.book.promises import Promises
from yieldwatch.report import jobs, words
from yieldwatch.report.money import STEP_WORDS
from yieldwatch.report.proof import proven_sentence
from yieldwatch.report.sentences import added, left_out_said
from yieldwatch.report.totals import Amount, SiteTotal, site_total
from yieldwatch.report.words import EnergyUnit, count, listed, money, money_with_span

#: Steps, jobs and farms that are told one by one; the rest stands in the tables.
_MOST_STEPS, _MOST_JOBS, _MOST_NAMES = 4, 3, 5
#: Rows of the bridge that stand for themselves and lead nowhere.
TOTALS = ("budget", "actual_energy", "actual_revenue", "paid")
#: Share of the budget below which a step is not told. [fraction]
_WORTH_TELLING = 0.002


@dataclass(frozen=True)
class Answer:
    """A question and what there is to say to it; of much, all after the first `lead` sentences is a list."""

    question: str
    said: tuple[str, ...]
    lead: int = 2


@dataclass(frozen=True)
class Month:
    """
    What the report is of.

    Attributes
    ----------
    month : str
        The last that any farm has measured, YYYY-MM.
    of_month, of_year : tuple of SiteTotal
        Each farm in that month, and in the twelve up to it, of those that have measured any.
    absent : tuple of str
        Names of farms that have not measured the month.
    """

    month: str
    of_month: tuple[SiteTotal, ...]
    of_year: tuple[SiteTotal, ...]
    absent: tuple[str, ...]


def last_month(assessment: Assessment) -> Month | None:
    """The month to report; None where nothing was measured."""
    measured = {s.site.id: set(s.gap.yields.loc[s.gap.yields["measured_kwh"].notna(), "month"]) for s in assessment.sites}
    known = set().union(*measured.values())
    if not known:
        return None
    last = max(known)
    year = [str(pd.Period(last, "M") - n) for n in range(12)]
    there = [s for s in assessment.sites if last in measured[s.site.id]]
    return Month(
        last, tuple(_total(s, [last]) for s in there),
        tuple(_total(s, year) for s in assessment.sites if measured[s.site.id] & set(year)),
        tuple(words.plain(s.site.name) for s in assessment.sites if last not in measured[s.site.id]))


def _total(site: SiteAssessment, months: Sequence[str]) -> SiteTotal:
    yields, losses = site.gap.yields, site.losses
    gap = replace(site.gap, yields=yields[yields["month"].isin(months)])
    return site_total(replace(site, gap=gap, losses=losses[losses["month"].isin(months)]))


def summed_bridge(assessment: Assessment, span: str, month: str) -> pd.DataFrame:
    """
    The bridges of all farms that end with the month, added up by step, in order.

    Bounds are added as they are, the wider answer: farms share weather and model. A step that no farm knows is left out.
    `energy_kwh` and `money` of a step are those of the farms that know it.
    """
    frames = [s.bridge for s in assessment.sites if len(s.bridge)]
    if not frames:
        return pd.DataFrame()
    rows = pd.concat(frames, ignore_index=True)
    rows = rows[(rows["span"] == span) & (rows["to_month"] == month)]
    # Settlement is of the farms with a statement for each month, which are not all.
    rows = rows[~rows["step"].isin(["settlement", "paid"])]
    figures = ["energy_kwh", "energy_low_kwh", "energy_high_kwh", "money", "money_low", "money_high"]
    by_step = rows.groupby("step", sort=False)[figures]
    summed = by_step.sum(min_count=1)
    # A total that one farm does not know is not known.
    stands = summed.index.isin(TOTALS)
    summed.loc[stands, ["energy_kwh", "money"]] = by_step.agg(lambda v: v.sum(skipna=False)).loc[stands, ["energy_kwh", "money"]]
    order = rows.groupby("step", sort=False)["place"].max().sort_values(kind="stable")
    return summed.loc[order.index]


def answers(assessment: Assessment, month: Month) -> tuple[Answer, ...]:
    """All questions, each with at least one sentence."""
    unit = EnergyUnit.fitting(sum(t.expected_kwh for t in month.of_month))
    return (
        Answer("What came in", tuple(_came_in(assessment, month, unit))),
        Answer("What was expected", tuple(_expected(assessment, month, unit))),
        Answer("Why it differs", tuple(_why(assessment, month, unit))),
        Answer("What was in our hands", tuple(_in_hand(assessment, month, unit))),
        _decide(assessment),
        Answer("What was proven", tuple(_proven(assessment))),
        Answer("What is not known", tuple(_not_known(month, unit))),
    )


def _some(names: Sequence[str], between: str = ", ") -> str:
    """The first few, and how many more: a page must hold a portfolio of any size."""
    if len(names) > _MOST_NAMES:
        return f"{between.join(names[:_MOST_NAMES])}{between}and {len(names) - _MOST_NAMES} more"
    return listed(names) if between == ", " else between.join(names)


def _sum(values: Sequence[float]) -> float:
    return float(np.sum(values)) if values else math.nan


def _came_in(assessment: Assessment, month: Month, unit: EnergyUnit) -> list[str]:
    energy = unit.text(_sum([t.measured_kwh for t in month.of_month]))
    farms = count(len(month.of_month), "farm")
    income = _money_of(assessment, "month", month.month, "actual_revenue")
    said = [f"{energy} from {farms}{f', worth {income} by the tariffs' if income else ''}."]
    if not income and summed_bridge(assessment, "month", month.month).size:
        said.append("What it is worth is not known, for want of a price.")
    year = EnergyUnit.fitting(_sum([t.measured_kwh for t in month.of_year]))
    earned = _money_of(assessment, "twelve_months", month.month, "actual_revenue")
    said.append(f"The twelve months up to it brought {year.text(_sum([t.measured_kwh for t in month.of_year]))}"
                f"{f' and {earned}' if earned else ''}, as far as they were measured.")
    if bare := _without_budget(assessment):
        what = f"The money leaves out {_some(bare)}" if earned or income else f"No money is stated for {_some(bare)}"
        said.append(f"{what}: income is counted from the budget on, and "
                    f"{'its plan has' if len(bare) == 1 else 'their plans have'} none.")
    odd = [(words.plain(s.site.name), int((~s.statement_checks["verdict"].isin(["agrees", "not_checked"])).sum()))
           for s in assessment.sites if len(s.statement_checks)]
    if wrong := [f"{n} at {name}" for name, n in odd if n]:
        said.append(f"Statements that do not agree with meter and tariff: {_some(wrong)}; query them.")
    if month.absent:
        said.append(f"Not measured in this month, and in none of its figures: {_some(month.absent)}.")
    return [*said, *left_out_said(assessment)]


def _money_of(assessment: Assessment, span: str, month: str, step: str) -> str:
    rows = summed_bridge(assessment, span, month)
    known = len(rows) and step in rows.index and math.isfinite(rows.at[step, "money"])
    return money(rows.at[step, "money"], words.plain(assessment.portfolio.currency)) if known else ""


def _without_budget(assessment: Assessment) -> list[str]:
    """Farms that were measured and have no bridge; of the others it is said elsewhere that they were not."""
    return [words.plain(s.site.name) for s in assessment.sites
            if s.bridge.empty and s.gap.yields["measured_kwh"].notna().any()]


def _expected(assessment: Assessment, month: Month, unit: EnergyUnit) -> list[str]:
    expected, measured = (_sum([getattr(t, f"{n}_kwh") for t in month.of_month]) for n in ("expected", "measured"))
    said = [f"In the weather that came, {unit.text(expected)} with nothing wrong; what came in is {_off(measured, expected)} "
            "that."]
    against = []
    for span, word in (("month", "the month's"), ("year_to_date", "the year's so far"),
                       ("twelve_months", "that of the twelve months")):
        rows = summed_bridge(assessment, span, month.month)
        if len(rows):
            budget, energy = rows.at["budget", "energy_kwh"], rows.at["actual_energy", "energy_kwh"]
            against.append(f"{_off(energy, budget)} {word}, {EnergyUnit.fitting(budget).text(budget)}")
    if against:
        return [*said, f"Against the budget: {'; '.join(against)}."]
    return [*said, "No farm has a budget (p50_kwh_by_month in its plan), so nothing is held against one."]


def _off(value: float, reference: float) -> str:
    if not reference > 0:
        return "not comparable with"
    change = 100.0 * (value / reference - 1.0)
    return f"{words.percentage(abs(change))} {'above' if change >= 0 else 'below'}"


def step_word(step: str) -> str:
    return STEP_WORDS.get(step, words.cause_word(step))


def _why(assessment: Assessment, month: Month, unit: EnergyUnit) -> list[str]:
    rows = summed_bridge(assessment, "month", month.month)
    if rows.empty:
        lost = [(words.cause_word(c.cause), c.energy) for c in month.of_month[0].causes] if len(month.of_month) == 1 else []
        told = [f"{name} {unit.text(e.value)} ({unit.span(e)})" for name, e in sorted(lost, key=lambda one: -one[1].value)
                if e.known and e.value > 0 and unit.bare(e.value).strip("0.")]
        return [f"Lost: {listed(told)}." if told else "Without a budget the farms' own pages say what each loss took."]
    budget = rows.at["budget", "energy_kwh"]
    steps = rows[~rows.index.isin(TOTALS) & rows["energy_kwh"].notna()]
    told = steps[steps["energy_kwh"].abs() >= _WORTH_TELLING * budget].sort_values("energy_kwh", key=abs, ascending=False)
    parts = [f"{step_word(str(step))} {_signed(unit.bare(row['energy_kwh']))}{_bracket(row, unit)}"
             for step, row in told.head(_MOST_STEPS).iterrows()]
    rest = unit.bare(steps.drop(told.head(_MOST_STEPS).index)["energy_kwh"].sum())
    others = f"; all else {_signed(rest)}" if rest.strip("0.") else ""
    said = [f"Against the month's budget, in {unit.name}: {listed(parts)}{others}." if parts else
            "No single step moved the month by much."]
    price = rows["money"].get("price_and_shape", math.nan)
    currency = words.plain(assessment.portfolio.currency)
    if math.isfinite(price) and abs(price) >= _WORTH_TELLING * abs(rows.at["actual_revenue", "money"]):
        said.append(f"Prices and hours of delivery made {money(abs(price), currency)} {'more' if price > 0 else 'less'} of it.")
    if "sun" not in steps.index and "plan_allowance" in told.index:
        said.append("The plans state no sunlight of their own, so what the weather did is within the model difference.")
    return said


def _signed(figure: str) -> str:
    return figure if figure.startswith("−") or figure == words.NOT_KNOWN else f"+{figure}"


def _bracket(row: pd.Series, unit: EnergyUnit) -> str:
    low, high = row["energy_low_kwh"], row["energy_high_kwh"]
    return f" ({unit.bare(low)} to {unit.bare(high)})" if math.isfinite(low) and math.isfinite(high) else ""


def _in_hand(assessment: Assessment, month: Month, unit: EnergyUnit) -> list[str]:
    currency = words.plain(assessment.portfolio.currency)
    energy = added([t.in_hand.energy for t in month.of_month])
    if not energy.known:
        return ["Not known: no cause that a crew can mend was assessed in this month."]
    worth = added([t.in_hand.money for t in month.of_month])
    said = [f"{unit.text(energy.value)} ({unit.span(energy)}) of the month's losses{_worth(worth, currency)}."]
    lost = [(c.money, words.cause_word(c.cause), words.plain(t.name))
            for t in month.of_month for c in t.in_hand_parts if c.money.known and c.money.value >= 1]
    several = len(month.of_month) > 1
    if lost:
        parts = [f"{cause}{f' at {farm}' if several else ''} {money_with_span(cost, currency)}"
                 for cost, cause, farm in sorted(lost, key=lambda one: -one[0].value)[:_MOST_STEPS]]
        said.append(f"The largest: {listed(parts)}.")
    claims = assessment.claims
    owed = _claims_once(claims[(claims["state"] == "claim") & (claims["payer"] != "owner")]) if len(claims) else claims
    if len(owed):
        # ISO dates order as texts; a claim without a date never passes.
        until = [str(day)[:10] for day in owed["deadline"] if str(day) and pd.notna(day)]
        passed = sum(day < assessment.as_of.isoformat() for day in until)
        open_until = min((day for day in until if day >= assessment.as_of.isoformat()), default="")
        left = len(owed) - passed
        by = f"{', the first' if left > 1 else ''} by {words.day(open_until)}" if open_until else ""
        stand = f" past {'its' if passed == 1 else 'their'} date" if not left else f" to be made{by}"
        if left and passed:
            stand = f": {left} to be made{by}, {passed} past the date"
        said.append(f"{count(len(owed), 'claim')} on others{stand}; see the workbook's sheet Who pays.")
    return said


def _claims_once(owed: pd.DataFrame) -> pd.DataFrame:
    """Without the jobs that ask for what stands as a claim of its own: one sum is counted once."""
    stands = owed[owed["ground"] != "job"]
    backed = pd.MultiIndex.from_frame(owed[["site_id", "payer"]]).isin(pd.MultiIndex.from_frame(stands[["site_id", "payer"]]))
    return owed[(owed["ground"] != "job") | ~backed]


def _worth(worth: Amount, currency: str) -> str:
    return f", worth {money_with_span(worth, currency)}" if worth.known else ""


def _decide(assessment: Assessment) -> Answer:
    plan, currency = jobs.work_plan(assessment), words.plain(assessment.portfolio.currency)
    question = "What to decide"
    if not plan.do:
        return Answer(question, (jobs.nothing_to_do(plan),))
    safety = [job for job in plan.do if jobs.is_safety(job)]
    paying = [job for job in plan.do if not jobs.is_safety(job)]
    said = [f"First, whatever it returns, for safety: {listed([jobs.title(j) for j in safety[:_MOST_JOBS]])}"
            f"{f' and {len(safety) - _MOST_JOBS} more' if len(safety) > _MOST_JOBS else ''}."] if safety else []
    cost, gain = (float(np.nansum([job[name] for job in plan.do])) for name in ("cost", "gain_per_year"))
    said.append(f"Approve {money(cost, currency)} for {count(len(plan.do), 'job')}, against which "
                f"stand {money(gain, currency)} of return in the coming twelve months. Your quotes replace these costs.")
    said += [f"{jobs.title(job)}: {money(job.get('cost'), currency)}, {words.pays_back(job)}, {_by(job)}."
             for job in paying[:_MOST_JOBS] if words.payback(job) != words.NOT_KNOWN]
    if len(paying) > _MOST_JOBS:
        more = count(len(paying) - _MOST_JOBS, "other job to approve is", "other jobs to approve are")
        said.append(f"{more} in the list below and in the workbook.")
    if plan.over_budget:
        said.append(f"{count(len(plan.over_budget), 'more job')} would pay, but not within the year's budget or crew days.")
    if plan.not_worth:
        said.append(jobs.turned_down(plan.not_worth) + "; the work list says why.")
    return Answer(question, tuple(said), 2 if safety else 1)


def _by(job: dict) -> str:
    planned = words.day(job.get("planned_start"))
    return f"planned for the week of {planned}" if planned else f"by {words.day(job.get('due_to'))}"


def _proven(assessment: Assessment) -> list[str]:
    book, works = assessment.in_book, proven_sentence(assessment)
    if book is None:
        return [*([works] if works else []),
                "Promises are not known: this was made without a job book, which holds what was promised and measured."]
    done = [job for job in book.jobs if job.done_on is not None]
    promises = Promises(book.jobs)
    said = [f"{count(len(done), 'job')} of the job book {'is' if len(done) == 1 else 'are'} done, "
            f"{len([j for j in book.jobs if j.verdict_kwh is not None])} measured."] if done else [
        "No job of the job book is done yet."]
    if promises.kept:
        promised, proven = (_sum([getattr(k, f"{n}_kwh") for k in promises.kept]) for n in ("promised", "proven"))
        unit = EnergyUnit.fitting(promised)
        factor = promises.correction()
        those = count(len(promises.kept), "measured job was", "measured jobs were")
        said.append(f"{those} to win back {unit.text(promised)} in the days measured and won back {unit.text(proven)}; later "
                    f"promises count {words.number(factor.factor, 2)} of what they say ({words.number(factor.low, 2)} to "
                    f"{words.number(factor.high, 2)}).")
    if works:
        said.append(works)
    waiting = [job for job in book.jobs if states.state(job) == states.WAITING]
    if waiting:
        said.append(f"{count(len(waiting), 'job')} {'waits' if len(waiting) == 1 else 'wait'} for parts, permission or weather.")
    return said


def _not_known(month: Month, unit: EnergyUnit) -> list[str]:
    said = []
    rest = added([t.unexplained.energy for t in month.of_month])
    if rest.known:
        beyond = rest.low > 0 or rest.high < 0
        doubt = "beyond" if beyond else "within"
        more = ", so something is not named yet" if beyond else ""
        said.append(f"{unit.text(rest.value)} ({unit.span(rest)}) of the month's losses is not explained: {doubt} the "
                    f"error of meter and model{more}.")
    blank = {t.name: [words.cause_word(c.cause) for c in t.causes if c.basis == "not_assessed"] for t in month.of_month}
    if absent := [f"{words.plain(name)} {listed(causes)}" for name, causes in blank.items() if causes]:
        said.append(f"Not assessed, so neither blamed nor cleared: {_some(absent, '; ')}.")
    thin = [f"{words.plain(t.name)} {words.per_cent(t.coverage, 0)}" for t in month.of_month if t.coverage < 0.95]
    if thin:
        said.append(f"Energy really measured, of expected: {_some(thin)}; the rest is estimated.")
    return said or ["Nothing was left open for want of data."]
