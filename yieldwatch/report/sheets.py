"""
What stands on each sheet of the workbook: its columns, and its rows as plain values.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from yieldwatch.action.cautions import caution_text
from yieldwatch.assess import Assessment
from yieldwatch.constants import JOB_KINDS, JOB_WORDS, LOOKS
from yieldwatch.report import jobs, money, words, year
from yieldwatch.report.planned import Planned
from yieldwatch.report.schema import BRIDGE, CLAIMS, PLAN, RETURNS, STATEMENT_CHECKS, WORK_LIST, WORK_LIST_EXTRAS
from yieldwatch.report.tables import tables
from yieldwatch.report.visits import HEADS

_NOTHING = "Nothing to show: the report says what is missing."


@dataclass(frozen=True)
class Field:
    """
    A column.

    Attributes
    ----------
    heading : str
        A word or two.
    width : float
        In characters.
    style : str
        A name of `workbook.STYLES`.
    source : str
        The rows' key; also the column's name in the CSV file.
    meaning : str
        One line, shown as a note on the heading.
    printed : bool
        Whether it goes on paper; those that do stand first.
    """

    heading: str
    width: float
    style: str
    source: str
    meaning: str
    printed: bool = True


@dataclass(frozen=True)
class Sheet:
    """A sheet; `strong` are the numbers of the rows that head the ones below, `csv` the table it is of."""

    name: str
    title: str
    note: str
    fields: tuple[Field, ...]
    rows: tuple[Mapping[str, object], ...]
    empty: str
    csv: str
    frozen: int = 1
    strong: frozenset[int] = frozenset()


def sheets(assessment: Assessment) -> tuple[Sheet, ...]:
    """Return the sheets in their order; the one that explains the columns is made from them."""
    frames = tables(assessment)
    return work_sheets(assessment) + _titled(assessment, (
        _claims(frames["claims"], jobs.names(frames["work_list"])), _statements(frames["statement_checks"]),
        _bridge(frames["bridge"]), *_returns(frames["returns"], words.plain(assessment.portfolio.currency))))


def work_sheets(planned: Planned) -> tuple[Sheet, ...]:
    """Return the sheets of the work alone: nothing of income, payments and return."""
    plan = jobs.work_plan(planned)
    declined = [*plan.over_budget, *plan.not_worth, *plan.not_ranked]
    ranked = sorted([*plan.do, *declined], key=lambda job: job["rank"])
    return _titled(planned, (_work_list(ranked), *_plan(planned), _not_now(declined), _cautions()))


def plan_sheets(planned: Planned) -> tuple[Sheet, ...]:
    """Return the sheets of a plan alone."""
    return _titled(planned, (*_plan(planned), _cautions()))


def _titled(planned: Planned, made: Sequence[Sheet]) -> tuple[Sheet, ...]:
    """With the portfolio's name and the day in their titles, and sites by name, as crews and owners know them."""
    head = f"{words.plain(planned.portfolio.name)}: {{}}, as of {words.day(planned.as_of)}"
    names = {s.site.id: words.plain(s.site.name) for s in planned.sites}
    named = [tuple({**r, "site_id": names.get(str(r["site_id"]), r["site_id"])} if "site_id" in r else r for r in s.rows)
             for s in made]
    return tuple(replace(s, title=head.format(s.title), rows=rows) for s, rows in zip(made, named, strict=True))


def _fields(meanings: Mapping[str, str], *rows: tuple) -> tuple[Field, ...]:
    """Columns from (heading, width, style, source); a fifth value keeps one off the paper."""
    return tuple(Field(row[0], row[1], row[2], row[3], meanings[row[3]], len(row) == 4) for row in rows)


def _work_list(ranked: Sequence[dict]) -> Sheet:
    fields = _fields(
        WORK_LIST | WORK_LIST_EXTRAS,
        ("Rank", 5, "whole", "rank"), ("Site", 13, "text", "site_id"), ("What to do", 13, "text", "job_kind"),
        ("Where", 11, "text", "scope"), ("Do it", 8, "text", "chosen"), ("From", 12, "date", "due_from"),
        ("By", 12, "date", "due_to"),
        ("Gain a year", 12, "energy", "gain_kwh_per_year"), ("low", 11, "energy", "gain_low_kwh_per_year"),
        ("high", 11, "energy", "gain_high_kwh_per_year"), ("Cost", 10, "money", "cost"),
        ("Payback", 8, "months", "payback_months"), ("low", 8, "months", "payback_low_months"),
        ("high", 8, "months", "payback_high_months"), ("Chance", 7, "percent", "chance_of_payback"),
        ("Why", 29, "text", "why"),
        ("Worth a year", 11, "money", "gain_per_year", True), ("low", 11, "money", "gain_low_per_year", True),
        ("high", 11, "money", "gain_high_per_year", True), ("Loss is there", 9, "percent", "confidence", True),
        ("Mends", 18, "text", "cause", True), ("Cost alone", 11, "money", "cost_alone", True),
        ("Net value", 11, "money", "npv", True), ("low", 11, "money", "npv_low", True), ("high", 11, "money", "npv_high", True),
        ("Planned", 12, "date", "planned_start", True),
        ("Job no.", 8, "whole", "job_ref", True), ("Stands at", 14, "text", "job_state", True),
        ("Job", 30, "text", "job_id", True), ("Caution", 60, "line", "caution", True))
    return Sheet(
        "Work list", "work list",
        "Costs are the portfolio's settings: your quote replaces them. Every job goes out with its cautions (sheet Cautions); "
        "local codes and licensed practice come first.",
        fields, tuple({f.source: _shown(job, f.source) for f in fields} for job in ranked), "No job was found.", "work_list",
        frozen=4)


_PAYBACKS = ("payback_months", "payback_low_months", "payback_high_months")


def _shown(job: dict, source: str) -> object:
    if source == "chosen":
        when = f", in the week of {words.day(job['planned_start'])}" if jobs.is_after_its_window(job) else ""
        return jobs.advice(job) + when
    if source in ("chance_of_payback", *_PAYBACKS) and words.is_look(job):
        # It has none: the reason and the net value say what it is for.
        return "a look" if source == "payback_months" else None
    if source == "chance_of_payback" and jobs.is_safety(job):
        # It is not done for its return.
        return None
    if source == "job_kind":
        return words.job_word(jobs.text(job, source), jobs.text(job, "cause"))
    if source == "cause":
        return words.job_cause(jobs.text(job, source))
    if source in _PAYBACKS and pd.isna(job.get(source)) and pd.notna(job.get("chance_of_payback")) and not jobs.is_safety(job):
        return "never"
    return job.get(source)


def _plan(assessment: Planned) -> tuple[Sheet, Sheet]:
    """Visits by week with their jobs below them; and the jobs left out."""
    planned: list[dict] = []
    left: list[dict] = []
    strong = set()
    for row in year.rows(assessment):
        if row["row"] == "left_out":
            left.append(row)
            continue
        if row["row"] in HEADS:
            strong.add(len(planned))
        planned.append(row)
    horizon = assessment.portfolio.horizon_months
    common = (("Site", 18, "text", "site_id"), ("Crew", 12, "text", "crew"), ("What to do", 18, "text", "job_kind"),
              ("Where", 15, "text", "scope"))
    figures = (("Cost", 11, "money", "cost"), ("Returns", 11, "money", "gain"), ("low", 11, "money", "gain_low"),
               ("high", 11, "money", "gain_high"), ("Net", 11, "money", "net"))
    fields = _fields(
        PLAN, ("Week from", 13, "date", "start"), ("Visit", 8, "text", "visit_id"), *common, ("Turn", 8, "text", "turn"),
        ("Crew time", 11, "hours", "crew_hours"), ("Crew days", 10, "days", "crew_days"), *figures,
        ("Week no.", 9, "whole", "week", True), ("Job", 30, "text", "job_id", True), ("Caution", 60, "line", "caution", True))
    missed = _fields(
        PLAN, *common, ("Best from", 13, "date", "start"), *figures[:4], ("Needs budget", 11, "money", "needs_budget"),
        ("Needs days", 9, "days", "needs_crew_days"), ("Needs return", 11, "money", "needs_gain"),
        ("Why not", 29, "text", "why"), ("Job", 30, "text", "job_id", True))
    return (
        Sheet("Plan of the year", "plan of the year, visits by week",
              "A bold row is a visit or an office date, its jobs stand below it. Desk work takes no crew. Returns: "
              f"present value within {horizon} months. The weather on the day, local codes and licensed practice come first.",
              fields, tuple(planned), "Nothing is planned.", "plan", frozen=3, strong=frozenset(strong)),
        Sheet("Left out of the plan", "jobs left out of the plan",
              "What each would need to enter it. Cost: what it would add to the plan, with its own visit where it needs one.",
              missed, tuple(left),
              "No job was left out.", "plan"))


def _not_now(declined: Sequence[dict]) -> Sheet:
    fields = (Field("Job", 60, "text", "title", "What and where"),
              *_fields(WORK_LIST | WORK_LIST_EXTRAS, ("Cost", 12, "money", "cost"),
                       ("Worth a year", 12, "money", "gain_per_year"), ("Net value", 12, "money", "npv"),
                       ("Why not, and what would change it", 74, "text", "verdict")))
    rows = tuple({**job, "title": jobs.title(job), "verdict": jobs.verdict(job)} for job in declined)
    return Sheet("Not now", "jobs turned down", "", fields, rows, "Nothing was turned down.", "work_list")


def _cautions() -> Sheet:
    fields = (Field("Kind of job", 24, "text", "kind", "What is to be done"),
              Field("Cautions", 140, "text", "caution", "What to watch for, people's safety first"))
    works = [*((kind, "") for kind in JOB_KINDS), *(("inspect", cause) for cause in LOOKS)]
    rows = tuple({"kind": words.job_word(*work), "caution": caution_text(*work)} for work in works)
    return Sheet("Cautions", "cautions of each kind of job", "They go out with the job.", fields, rows, "", "work_list")


#: What calls for action first.
_CLAIM_ORDER = ("claim", "ask", "watch", "asked", "own", "none")


def _claims(frame: pd.DataFrame, names: Mapping[str, str]) -> Sheet:
    fields = _fields(
        CLAIMS, ("Site", 12, "text", "site_id"), ("Payer", 12, "text", "payer"), ("State", 7, "text", "state"),
        ("Ground", 12, "text", "ground"), ("About", 15, "text", "subject"), ("From", 12, "date", "period_from"),
        ("Before", 12, "date", "period_to"), ("Energy", 11, "energy", "energy_kwh"), ("Amount", 10, "money", "amount"),
        ("low", 9, "money", "amount_low"), ("high", 10, "money", "amount_high"), ("Ask until", 12, "date", "deadline"),
        ("Why", 22, "text", "reason"), ("Send", 23, "text", "evidence"))
    frame = frame.sort_values("state", key=lambda s: s.map(list(_CLAIM_ORDER).index), kind="stable")
    rows = _records(frame, payer=lambda v: money.PAYER_WORDS.get(str(v), v), ground=_in_words,
                    subject=lambda v: names.get(str(v)) or _in_words(v))
    note = ("Amounts are not to be added: one sum can stand with several payers, and as a claim and its job. The contracts' own "
            "terms and dates win.")
    return Sheet("Who pays", "who pays", note, fields, rows, _NOTHING, "claims", frozen=2)


def _statements(frame: pd.DataFrame) -> Sheet:
    fields = _fields(
        STATEMENT_CHECKS, ("Site", 12, "text", "site_id"), ("From", 11, "date", "start"), ("Before", 11, "date", "end"),
        ("Statement", 14, "text", "reference"), ("Finding", 12, "text", "verdict"),
        ("Energy settled", 11, "energy", "energy_kwh"), ("Energy metered", 11, "energy", "meter_kwh"),
        ("Energy difference", 10, "energy", "energy_difference_kwh"),
        ("Energy allowed", 9, "energy", "energy_tolerance_kwh"), ("Money settled", 12, "cents", "amount"),
        ("Money due", 12, "cents", "amount_due"), ("Money difference", 11, "cents", "amount_difference"),
        ("Of it by price", 10, "cents", "due_to_price"), ("By price, allowed", 9, "cents", "amount_tolerance"),
        ("What to do", 24, "text", "note"), ("Of it by energy", 12, "cents", "due_to_energy", True))
    rows = _records(frame, verdict=lambda v: money.VERDICT_WORDS.get(str(v), v))
    return Sheet("Statements", "statements against meter and tariff",
                 "Below zero is energy or money missing; allowed is what meters and rounding may make. Money is held to its "
                 "price: what the two meters differ by is judged as energy.", fields, rows, _NOTHING,
                 "statement_checks", frozen=4)


#: Spans of the bridge and the columns' prefix: the last month, the year so far, twelve months.
_SPANS = {"month": "Month", "year_to_date": "Year to date", "twelve_months": "12 months"}


def _bridge(frame: pd.DataFrame) -> Sheet:
    """A row a step with the three spans beside each other: as a table of spans below each other it does not fit on paper."""
    fields = [Field("Site", 17, "text", "site_id", BRIDGE["site_id"]),
              Field("Step", 30, "text", "step", "Steps in their order, from the budget to what was paid"),
              Field("Up to", 10, "text", "up_to", "Last measured month, with which all three spans end")]
    for span, word in _SPANS.items():
        for heading, width, style, source in (("energy", 13, "energy", "energy_kwh"), ("worth", 12, "money", "money")):
            fields.append(Field(f"{word}: {heading}", width, style, f"{span} {source}", BRIDGE[source]))
    for source, word in (("energy", "energy"), ("money", "worth")):
        for end in ("low", "high"):
            name = f"energy_{end}_kwh" if source == "energy" else f"money_{end}"
            fields.append(Field(f"12 months: {word}, {end}", 12, source, f"twelve_months {name}", BRIDGE[name]))
    fields += [Field("Months measured", 10, "whole", "twelve_months months", BRIDGE["months"], False),
               Field("What it holds", 60, "text", "note", BRIDGE["note"], False)]
    rows: dict[tuple, dict] = {}
    for record in frame.to_dict("records"):
        row = rows.setdefault((record["site_id"], record["place"]), {"site_id": record["site_id"], "step": _step(record["step"])})
        span = record["span"]
        row |= {f"{span} {k}": v for k, v in record.items()}
        row |= {"note": record["note"], "up_to": words.month_name(record["to_month"])}
    for row in rows.values():
        # Where nothing stands in a step, the step says where it is instead: the note does not go on paper.
        if all(pd.isna(row.get(f"{span} {source}")) for span in _SPANS for source in ("energy_kwh", "money")):
            row["step"] = f"{row['step']}: {str(row['note']).partition(':')[0]}".removesuffix(": ")
    ends = frozenset(n for n, (_, row) in enumerate(rows.items())
                     if row["step"] in [_step(s) for s in ("budget", "actual_energy", "actual_revenue", "paid")])
    return Sheet("Budget to income", "from budget to income", "Below zero took energy or money away. Intervals are 90 %.",
                 tuple(fields), tuple(rows.values()), _NOTHING, "bridge", frozen=2, strong=ends)


def _step(step: object) -> str:
    return money.STEP_WORDS.get(str(step), words.cause_word(step))


def _returns(frame: pd.DataFrame, currency: str) -> tuple[Sheet, Sheet]:
    """The return by measure; and each loss in the owner's three units."""
    losses = frame["measure"].astype(str).str.startswith("loss_")
    fields = _fields(
        RETURNS, ("Site", 17, "text", "site_id"), ("Measure", 46, "text", "measure"), ("Value", 14, "figure", "value"),
        ("low", 14, "figure", "low"), ("high", 14, "figure", "high"), ("Plan", 14, "figure", "plan"),
        ("Unit", 18, "text", "unit"), ("Period and basis", 46, "text", "note"))
    whole = Sheet("Return", "the return", "Intervals are 90 %.", fields,
                  _records(frame[~losses], measure=lambda v: money.MEASURE_WORDS.get(str(v), v),
                           unit=lambda v: str(v).replace("money", currency)), _NOTHING, "returns")
    kinds = {"loss_per_year": ("a year", "money"), "loss_rate_of_return": ("return", "points"),
             "loss_payback": ("payback", "days")}
    by: dict[tuple, dict] = {}
    for record in frame[losses].to_dict("records"):
        row = by.setdefault((record["site_id"], record["cause"]),
                            {"site_id": record["site_id"], "cause": words.cause_word(record["cause"])})
        row |= {f"{record['measure']} {k}": record[k] for k in ("value", "low", "high")}
    for site, own in frame.groupby("site_id"):
        if money.is_paid_back(own):
            for row in (r for (name, _), r in by.items() if name == site):
                row |= {"loss_payback value": money.PAID_BACK}
    columns = [Field("Site", 17, "text", "site_id", RETURNS["site_id"]), Field("Loss", 32, "text", "cause", RETURNS["cause"])]
    for kind, (word, style) in kinds.items():
        columns += [Field(f"{word.capitalize()}{end}", 13, style, f"{kind} {key}", RETURNS[key])
                    for end, key in (("", "value"), (": low", "low"), (": high", "high"))]
    return whole, Sheet(
        "Losses in return", "what each loss takes if it goes on",
        "A year's money, basis points of the rate of return, days of payback; intervals are 90 %.", tuple(columns),
        tuple(by.values()), _NOTHING, "returns", frozen=2)


def _records(frame: pd.DataFrame, **shown: Callable[[object], object]) -> tuple[dict, ...]:
    rows = frame.to_dict("records")
    for row in rows:
        row |= {name: show(row[name]) for name, show in shown.items()}
    return tuple(rows)


def _in_words(value: object) -> object:
    """A cause, job or code of ours as words; a name of the user's stays as it is."""
    known = words.CAUSE_WORDS | JOB_WORDS
    return known.get(str(value), str(value).replace("_", " ") if re.fullmatch(r"[a-z_]+", str(value)) else value)
