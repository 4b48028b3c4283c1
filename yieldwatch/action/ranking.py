"""
The work list: what each job costs and returns, which jobs to do together, and in which order.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.action import choice
from yieldwatch.action.candidate import Candidate
from yieldwatch.action.cautions import caution_text
from yieldwatch.action.costing import price_jobs, share_visits
from yieldwatch.action.due import due_dates
from yieldwatch.action.verdicts import Case, verdict
from yieldwatch.action.worth import worth
from yieldwatch.constants import named_job
from yieldwatch.cost import finance
from yieldwatch.cost.amounts import money
from yieldwatch.errors import InputError
from yieldwatch.portfolio.model import Portfolio, Site

#: Kinds of job that mend a string which a round found.
_OF_ONE_STRING = {"repair_string", "replace_modules"}
#: Hours that a crew works in a day. Common practice, no source.
CREW_DAY_HOURS = 8.0

#: The contract's columns, and after them what a person asks next.
WORK_LIST_COLUMNS = [
    "rank", "job_id", "site_id", "job_kind", "cause", "scope", "due_from", "due_to", "gain_kwh_per_year",
    "gain_low_kwh_per_year", "gain_high_kwh_per_year", "gain_per_year", "cost", "cost_alone",
    "payback_months", "payback_low_months", "payback_high_months", "npv", "chosen", "confidence", "caution",
    "verdict", "why", "comes_back", "safety", "chance_of_payback", "npv_expected", "gain_low_per_year",
    "gain_high_per_year", "crew", "crew_hours", "cost_units", "npv_low", "npv_high", "life_months", "gain_over_life",
    "benefit_cost", "promise_factor", "modules_to_replace", "worth_of_look",
    "chance_of_work",
]
_PAYBACKS = ["payback_months", "payback_low_months", "payback_high_months"]


def rank_jobs(
    portfolio: Portfolio, candidates: Sequence[Candidate], as_of: dt.date
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Rank the jobs of all sites against each other.

    Parameters
    ----------
    portfolio : Portfolio
        Its discount rate, horizon, works budget and crew days, and its sites' job costs.
    candidates : sequence of Candidate
    as_of : date
        The jobs are judged as if done on this day; the first payment back comes a month later.

    Returns
    -------
    work_list : DataFrame
        `WORK_LIST_COLUMNS`, one row a job, in rank order: safety first, then the chosen jobs by
        payback, then the others by payback, those that never pay last. Bounds are 5 and 95 %. NaN
        where there is no cost or no price, and for a payback that never comes. A look has none: it is judged by what the
        decision that it betters is worth.
    notices : tuple of str
        What limits and assumptions the choice was made under, in whole sentences.

    Raises
    ------
    InputError
        If a candidate names an unknown site or kind of job, or its gains have no 12 months.

    Notes
    -----
    `cost` of a chosen job holds its share of the visit (see `costing.share_visits`), of another what
    adding it to the list would cost. `npv_expected` is the mean over the draws less the cost, and the set with the most of it
    is chosen: over many jobs that is what comes in, whatever the single one does. `npv` is the same, less for a job in whose
    place another is chosen.

    Jobs of one site and cause whose scopes overlap, and which both return something, exclude each
    other; one that waits for a look is not chosen. Jobs for safety are done whatever they return and count in the budget.
    """
    candidates = in_order_of_id(candidates)
    if not candidates:
        return pd.DataFrame(columns=WORK_LIST_COLUMNS), ()
    table = pd.concat([price_jobs(portfolio, candidates), _returns(portfolio, candidates)], axis=1)
    table["safety"] = [c.safety for c in candidates]
    table["awaits_look"] = [c.awaits_look for c in candidates]
    table["modules_to_replace"] = [c.units.get("module", np.nan) if c.job_kind == "replace_modules" else np.nan
                                   for c in candidates]
    pairs = exclusive_pairs(portfolio, candidates, table["worth"].where(table["cost_units"].notna()).to_numpy())
    limits = _limits(portfolio)
    table["chosen"], proven = _choose(table, pairs, *limits)
    table = _with_costs(table, portfolio, candidates, as_of)
    table["short_of"] = _short_of(table, portfolio, *limits)
    table = _against_chosen(table, pairs, portfolio, candidates, *limits)
    table = _describe(table, portfolio, candidates, as_of)
    return _in_order(table), _notices(table, portfolio, candidates, proven)


def in_order_of_id(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates in an order that does not depend on how they were found."""
    return sorted(candidates, key=lambda c: (c.site_id, c.job_kind, c.cause, c.scope))


def _returns(portfolio: Portfolio, candidates: Sequence[Candidate]) -> pd.DataFrame:
    """First-year gains and present value of each job. `worth` is NaN where a month has no price."""
    rows = []
    for job in candidates:
        kwh, value = np.atleast_2d(job.gain_kwh), np.atleast_2d(job.gain_value)
        if kwh.shape[1] < 12 or value.shape[1] < 12:
            raise InputError(
                f"job {job.job_kind} at {job.site_id}: gains of {min(kwh.shape[1], value.shape[1])} months. "
                "Expected 12 or more."
            )
        year, year_value = kwh[:, :12].sum(axis=1), value[:, :12].sum(axis=1)
        present = present_value(portfolio, job)
        rows.append({
            "gain_kwh_per_year": year.mean(),
            "gain_low_kwh_per_year": np.quantile(year, 0.05),
            "gain_high_kwh_per_year": np.quantile(year, 0.95),
            "gain_per_year": year_value.mean(),
            "gain_low_per_year": np.quantile(year_value, 0.05),
            "gain_high_per_year": np.quantile(year_value, 0.95),
            "worth": present.mean(),
        })
    return pd.DataFrame(rows)


def present_value(portfolio: Portfolio, job: Candidate) -> np.ndarray:
    """Present value of each draw's returns over the horizon, shape (n_draws,). [money]"""
    value = np.atleast_2d(job.gain_value)[:, : portfolio.horizon_months]
    at_once = np.zeros((len(value), 1))
    return finance.npv(np.hstack([at_once, value]), finance.monthly_rate(portfolio.discount_rate))


def exclusive_pairs(
    portfolio: Portfolio, candidates: Sequence[Candidate], worth: np.ndarray
) -> list[tuple[int, int]]:
    """Pairs of jobs with a cost that mend the same loss."""
    sites = {s.id: s for s in portfolio.sites}
    groups: dict[tuple[str, str], list[int]] = {}
    for k, job in enumerate(candidates):
        # A claim mends nothing, so that it stands beside what does.
        if worth[k] > 0 and job.job_kind != "claim":
            groups.setdefault((job.site_id, job.cause), []).append(k)
    parts = {k: _parts(sites[candidates[k].site_id], candidates[k].scope) for g in groups.values() for k in g}
    return [
        (a, b)
        for group in groups.values()
        for i, a in enumerate(group)
        for b in group[i + 1 :]
        if not (candidates[a].safety and candidates[b].safety) and _overlap(parts[a], parts[b])
        and not _beside(sites[candidates[a].site_id], candidates[a], candidates[b])
    ]


def _beside(site: Site, a: Candidate, b: Candidate) -> bool:
    """Whether one job looks for what no round explains, in a whole inverter, and the other mends a string that a round found."""
    strings = {s.string_id for s in site.strings}
    of_one = [job.job_kind in _OF_ONE_STRING and set(job.scope) <= strings for job in (a, b)]
    return of_one[0] != of_one[1] and all(one or job.job_kind in ("inspect", "repair_string")
                                          for one, job in zip(of_one, (a, b), strict=True))


def _parts(site: Site, scope: tuple[str, ...]) -> frozenset[str] | None:
    """Identifiers that a scope holds, an inverter's strings included; None for the whole site."""
    if "site" in scope:
        return None
    under = {s.string_id for s in site.strings if s.inverter_id in scope}
    return frozenset(scope) | under


def _overlap(a: frozenset[str] | None, b: frozenset[str] | None) -> bool:
    return a is None or b is None or bool(a & b)


def _limits(portfolio: Portfolio) -> tuple[float, float]:
    """Money and crew hours that the list may take; inf where there is no limit."""
    budget = np.inf if portfolio.works_budget is None else portfolio.works_budget
    return budget, np.inf if portfolio.crew_days is None else portfolio.crew_days * CREW_DAY_HOURS


def _choose(
    table: pd.DataFrame, pairs: list[tuple[int, int]], budget: float, hours: float
) -> tuple[np.ndarray, bool]:
    """The jobs to do. A safety job without a cost is done; its cost is missing from the sums."""
    ranked = (table["cost_units"].notna() & table["worth"].notna() & ~table["awaits_look"]) | table["safety"]
    at = np.flatnonzero(ranked)
    place = {int(k): i for i, k in enumerate(at)}
    part = table.iloc[at].fillna(0.0)
    jobs = choice.Jobs(
        value=part["worth"].to_numpy(),
        cost_units=part["cost_units"].to_numpy(),
        cost_per_visit=part["cost_per_visit"].to_numpy(),
        hours_units=part["hours_units"].to_numpy(),
        hours_per_visit=part["hours_per_visit"].to_numpy(),
        visit=part["visit"].to_numpy(),
        must=part["safety"].to_numpy(),
        exclusive=[(place[a], place[b]) for a, b in pairs if a in place and b in place],
    )
    chosen = np.zeros(len(table), dtype=bool)
    chosen[at], proven = choice.best_set(jobs, budget, hours)
    return chosen, proven


def _with_costs(
    table: pd.DataFrame, portfolio: Portfolio, candidates: Sequence[Candidate], as_of: dt.date
) -> pd.DataFrame:
    """Costs with their share of the visit, and what follows from them."""
    shares = share_visits(
        table, table["chosen"].to_numpy(), table["safety"].to_numpy(),
        (table["worth"] - table["cost_units"]).to_numpy(),
    )
    table = pd.concat([table, shares], axis=1)
    rows = []
    for job, cost in zip(candidates, table["cost"], strict=True):
        present = present_value(portfolio, job)
        known = np.isfinite(cost) and np.isfinite(present).all()
        months = finance.payback_months(cost, job.gain_value)
        # Quantiles that are draws themselves, because never (inf) has no mean with a number.
        low, middle, high = np.quantile(months, [0.05, 0.5, 0.95], method="inverted_cdf")
        rows.append({
            "chance_of_payback": (present > cost).mean() if known else np.nan,
            "payback_months": middle, "payback_low_months": low, "payback_high_months": high,
            **worth(portfolio, job, cost, present, as_of),
        })
    table = pd.concat([table, pd.DataFrame(rows, dtype=float).replace(np.inf, np.nan)], axis=1)
    table["npv_expected"] = table["worth"] - table["cost"]
    table["npv"] = table["npv_expected"]
    return table


def _against_chosen(
    table: pd.DataFrame, pairs: list[tuple[int, int]], portfolio: Portfolio, candidates: Sequence[Candidate], budget: float,
    hours: float,
) -> pd.DataFrame:
    """A job whose loss chosen jobs mend is worth only what it would return in their place."""
    chosen = table["chosen"].to_numpy()
    rivals: dict[int, list[int]] = {}
    for a, b in pairs:
        for job, other in ((a, b), (b, a)):
            if chosen[other] and not chosen[job]:
                rivals.setdefault(job, []).append(other)
    npv, short = table["npv"].to_numpy().copy(), table["short_of"].to_numpy(dtype=object).copy()
    instead = np.full(len(table), "", dtype=object)
    for job, others in rivals.items():
        swapped = chosen.copy()
        swapped[others] = table["safety"].to_numpy()[others]  # what must be done stays
        swapped[job] = True
        spent, time = _spend(table, swapped)
        dearer = spent - _spend(table, chosen)[0]
        more = table["worth"].iloc[job] - table["worth"].iloc[others].sum() - dearer
        short[job] = _shortfall(spent - budget, time - hours, portfolio.currency) if more > 0 else ""
        npv[job] = more if short[job] else min(more, 0.0)
        named = [candidates[other] for other in others]
        instead[job] = " and ".join(named_job(c.job_kind, c.cause, " ".join(c.scope)) for c in named)
    return table.assign(npv=npv, instead_of=instead, short_of=short)


def _spend(table: pd.DataFrame, done: np.ndarray) -> tuple[float, float]:
    """Money and crew hours of a set of jobs; a job without a cost is left out."""
    visit = table["visit"].to_numpy()
    money_and_hours = [
        choice.set_total(
            table[f"{kind}_units"].fillna(0.0).to_numpy(), table[f"{kind}_per_visit"].fillna(0.0).to_numpy(),
            visit, done,
        )
        for kind in ("cost", "hours")
    ]
    return money_and_hours[0], money_and_hours[1]


def _short_of(table: pd.DataFrame, portfolio: Portfolio, budget: float, hours: float) -> list[str]:
    """What of money or crew time each job that is worth doing lacked; empty where it lacked nothing."""
    spent, time = _spend(table, table["chosen"].to_numpy())
    return [
        _shortfall(spent + job["cost"] - budget, time + job["crew_hours"] - hours, portfolio.currency)
        if not job["chosen"] and job["npv"] > 0
        else ""
        for job in table.to_dict("records")
    ]


def _shortfall(over_budget: float, over_hours: float, currency: str) -> str:
    if over_budget > 0:
        return f"budget by {money(over_budget, currency)}"
    return f"crew days by {over_hours / CREW_DAY_HOURS:.1f}" if over_hours > 0 else ""


def _describe(
    table: pd.DataFrame, portfolio: Portfolio, candidates: Sequence[Candidate], as_of: dt.date
) -> pd.DataFrame:
    sites = {s.id: s for s in portfolio.sites}
    due = [
        due_dates(sites[c.site_id], c, as_of, lead)
        for c, lead in zip(candidates, table["lead_days"], strict=True)
    ]
    cases = [
        Case(
            currency=portfolio.currency, horizon_months=portfolio.horizon_months, cost=row["cost"],
            gain_per_year=row["gain_per_year"], worth=row["worth"],
            gain_kwh_per_year=row["gain_kwh_per_year"], chance=row["chance_of_payback"],
            confidence=c.confidence, chosen=row["chosen"], safety=row["safety"], unpriced=row["unpriced"],
            short_of=row["short_of"], instead_of=row["instead_of"], awaits_look=c.awaits_look,
            is_look=c.job_kind == "inspect", once=c.job_kind == "claim", mends=c.job_kind not in ("inspect", "claim"),
            gain_interval=(row["gain_low_per_year"], row["gain_high_per_year"]),
            # The cost is no estimate: what is left once it is paid has an interval of the same width.
            worth_interval=(row["npv_low"], row["npv_high"]),
        )
        for c, row in zip(candidates, table.to_dict("records"), strict=True)
    ]
    return table.assign(
        cause=[c.cause for c in candidates],
        scope=[" ".join(c.scope) for c in candidates],
        due_from=[a for a, _ in due],
        due_to=[b for _, b in due],
        confidence=[c.confidence for c in candidates],
        caution=[caution_text(c.job_kind, c.cause) for c in candidates],
        verdict=[verdict(case) for case in cases],
        why=[c.why for c in candidates],
        comes_back=[c.comes_back for c in candidates],
        promise_factor=[c.promise_factor for c in candidates],
        chance_of_work=[c.chance_of_work for c in candidates],
    )


def _in_order(table: pd.DataFrame) -> pd.DataFrame:
    block = np.where(table["safety"], 0, np.where(table["chosen"], 1, 2))
    ordered = table.assign(_block=block, _gain=-table["npv"]).sort_values(
        ["_block", "payback_months", "_gain", "job_id"], na_position="last", kind="stable", ignore_index=True
    )
    ordered["rank"] = np.arange(1, len(ordered) + 1)
    looks = (ordered["job_kind"] == "inspect") & ~ordered["safety"].astype(bool)
    ordered.loc[looks, _PAYBACKS] = np.nan
    ordered["worth_of_look"] = ordered["worth"].where(looks)
    return ordered[WORK_LIST_COLUMNS]


def _notices(
    table: pd.DataFrame, portfolio: Portfolio, candidates: Sequence[Candidate], proven: bool
) -> tuple[str, ...]:
    done = table[table["chosen"]]
    safety = done[done["safety"]]
    spent = money(done["cost"].sum(), portfolio.currency)
    notes = []
    if portfolio.works_budget is not None:
        budget = money(portfolio.works_budget, portfolio.currency)
        notes.append(f"{len(done)} jobs are chosen for {spent} within the works budget of {budget}.")
    if len(safety):
        notes.append(
            f"{'1 job stands' if len(safety) == 1 else f'{len(safety)} jobs stand'} first for safety, whatever the return; "
            f"{money(safety['cost'].sum(), portfolio.currency)} of it counts in the budget."
        )
    if portfolio.works_budget is not None and safety["cost"].sum() > portfolio.works_budget:
        notes.append("The safety jobs alone cost more than the works budget; no money is left for others.")
    if portfolio.crew_days is not None:
        days = done["crew_hours"].sum() / CREW_DAY_HOURS
        notes.append(f"The chosen jobs take {days:.1f} of {portfolio.crew_days:g} crew days of 8 hours.")
    shortest = min(np.atleast_2d(c.gain_value).shape[1] for c in candidates)
    if shortest < portfolio.horizon_months:
        notes.append(
            f"Some returns are known for {shortest} months and not for all {portfolio.horizon_months} of the "
            "horizon; npv counts nothing after them."
        )
    unpriced = table[(table["unpriced"] != "") | table["worth"].isna()]
    if len(unpriced):
        notes.append(f"{len(unpriced)} jobs lack a cost or a price and could not be ranked; each says why.")
    if not proven:
        notes.append(
            "The search for the best set was cut off: the list keeps to all limits, but a better one may "
            "exist."
        )
    if any(c.job_kind == "cut_vegetation" and c.best_from is None for c in candidates):
        notes.append(
            "Cutting is dated outside a nesting season assumed from March to August (half a year later south "
            "of the equator), and its return is reckoned as if done at once. Local dates rule: set "
            "nesting_from_month and nesting_to_month in [assumptions]."
        )
    return tuple(notes)
