"""
The reading to make next: what each is worth in decisions that it could turn, less what it costs.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.cautions import caution_text
from yieldwatch.action.costing import job_id, price_jobs
from yieldwatch.action.information import Decision, Worth, worth_of_certainty, worth_of_reading
from yieldwatch.action.ranking import present_value
from yieldwatch.action.read_first import NO_CHANGE
from yieldwatch.action.readings import HOW, IN_STRONG_LIGHT, NOISE, Reading
from yieldwatch.action.worth import COME_BACK
from yieldwatch.cost.amounts import money
from yieldwatch.portfolio.model import Portfolio

NEXT_COLUMNS = [
    "rank", "site_id", "measurement", "scope", "how", "bears_on", "may_turn", "chance_of_change", "worth", "worth_low",
    "worth_high", "worth_if_certain", "cost", "cost_alone", "net_worth", "needs_strong_light", "verdict",
    "caution",
]
#: Samplings of an inspection's returns, for the range that the number of draws leaves.
_SAMPLINGS = 40


def next_measurements(portfolio: Portfolio, jobs: Sequence[Candidate], found: Sequence[Reading],
                      work_list: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Rank the readings of all sites.

    Parameters
    ----------
    portfolio : Portfolio
    jobs : sequence of Candidate
        What is still to be decided, of all sites.
    found : sequence of Reading
        From `readings.readings`, of all sites.
    work_list : DataFrame
        From `ranking.rank_jobs`: which visits are made anyway, and what is already decided upon.

    Returns
    -------
    DataFrame, `NEXT_COLUMNS`
        By worth less cost; those without a cost after them, by worth. `cost` counts what a crew that comes anyway need not be
        paid again for its visit, `cost_alone` the whole visit. `worth_if_certain` is that of knowing all that its site's jobs
        return, the same in each row of a site. [money]
    notices : tuple of str

    Notes
    -----
    The decision that a reading may better is the best one in the mean, over the jobs of its site with a cost and a price,
    without `works_budget` and `crew_days`. Each visit is paid in full by the jobs that share it, and the reading pays its own.
    """
    rows = []
    rng = np.random.default_rng(5)
    chosen = set(work_list.loc[work_list["chosen"].astype(bool), "job_id"]) if len(work_list) else set()
    for site in portfolio.sites:
        own = [r for r in found if r.site_id == site.id]
        of_site = [j for j in jobs if j.site_id == site.id]
        costs = price_jobs(portfolio, of_site)
        going = {crew: float(part["cost_per_visit"].max()) for crew, part in costs[costs["job_id"].isin(chosen)].groupby("crew")}
        decision, ids = _decision(portfolio, of_site, costs)
        told = [(reading, worth_of_reading(decision, [reading.shows.get(job) for job in ids], reading.noise, rng), ids)
                for reading in own if set(reading.shows) & set(ids)]
        looks = [(*_of_inspection(portfolio, job, rng), [job_id(job)])
                 for job in of_site if job.job_kind == "inspect" and not job.safety and job.cause not in COME_BACK]
        certain = worth_of_certainty(decision) + sum(worth.mean for _, worth, _ in looks)
        rows += [_row(portfolio, *one, going) | {"worth_if_certain": certain} for one in (*told, *looks)]
    if not rows:
        return pd.DataFrame(columns=NEXT_COLUMNS), ()
    table = pd.DataFrame(rows).sort_values(["net_worth", "worth", "site_id", "measurement", "scope"],
                                           ascending=[False, False, True, True, True], na_position="last", kind="stable",
                                           ignore_index=True)
    table["rank"] = np.arange(1, len(table) + 1)
    return table[NEXT_COLUMNS], _notices(portfolio, table)


def _decision(portfolio: Portfolio, jobs: list[Candidate], costs: pd.DataFrame) -> tuple[Decision, list[str]]:
    """The jobs that have a cost and a price, and their identifiers; inspections mend nothing, and safety is not in question."""
    present = [present_value(portfolio, job) for job in jobs]
    priced = costs["cost_units"].notna().to_numpy()
    at = [k for k, job in enumerate(jobs)
          if job.job_kind != "inspect" and not job.safety and priced[k] and np.isfinite(present[k]).all()]
    part = costs.iloc[at]
    safety = costs[[job.safety for job in jobs]]
    coming = safety.groupby("crew")["cost_per_visit"].max() if len(safety) else pd.Series(dtype=float)
    n = len(present[0]) if present else 0
    decision = Decision(
        np.column_stack([present[k] for k in at]) if at else np.zeros((n, 0)), part["cost_units"].to_numpy(float),
        part["cost_per_visit"].to_numpy(float), part["crew"].astype("category").cat.codes.to_numpy(int),
        part["crew"].map(coming).fillna(0.0).to_numpy(float), np.array([jobs[k].awaits_look for k in at], dtype=bool))
    return decision, part["job_id"].tolist()


def _of_inspection(portfolio: Portfolio, job: Candidate, rng: np.random.Generator) -> tuple[Reading, Worth]:
    """An inspection for a loss that only the log saw: without it there is nothing to decide, and its returns are its worth."""
    present = np.maximum(present_value(portfolio, job), 0.0)
    low, high = np.quantile(rng.choice(present, (_SAMPLINGS, len(present))).mean(axis=1), [0.05, 0.95])
    mean = float(present.mean())
    reading = Reading(job.site_id, "test_strings", job.scope, {job_id(job): present}, NOISE["test_strings"], job.units)
    return reading, Worth(mean, min(float(low), mean), max(float(high), mean), float((present > 0.0).mean()), (0,))


def _row(portfolio: Portfolio, reading: Reading, worth: Worth, ids: list[str], going: dict[str, float]) -> dict:
    cost, alone = _cost(portfolio, reading, going)
    return {
        "site_id": reading.site_id, "measurement": reading.kind, "scope": " ".join(reading.scope), "how": HOW[reading.kind],
        "bears_on": " ".join(job for job in ids if job in reading.shows), "may_turn": " ".join(ids[k] for k in worth.turns),
        "chance_of_change": worth.chance_of_change, "worth": worth.mean, "worth_low": worth.low, "worth_high": worth.high,
        "cost": cost, "cost_alone": alone, "net_worth": worth.mean - cost,
        "needs_strong_light": reading.kind in IN_STRONG_LIGHT, "verdict": _verdict(portfolio.currency, worth, cost, reading),
        "caution": caution_text("inspect", _cause(reading)),
    }


def _cause(reading: Reading) -> str:
    """Which loss an inspection that makes this reading is for, where that decides how it is done."""
    return "soiling" if reading.kind == "wash_witness" else ""


def _cost(portfolio: Portfolio, reading: Reading, going: dict[str, float]) -> tuple[float, float]:
    """Of a reading made by a crew that may come anyway, and of one made on a visit of its own; NaN where it has none."""
    site = next(s for s in portfolio.sites if s.id == reading.site_id)
    if reading.kind == "fit_logger":
        cost = site.assumed("logger_cost", np.nan)
        return cost, cost
    nil = np.zeros((1, 12))
    look = Candidate(site.id, "inspect", _cause(reading), reading.scope, reading.units, nil, nil, 1.0, "", "")
    priced = price_jobs(portfolio, [look])
    units, visit = float(priced["cost_units"].iloc[0]), float(priced["cost_per_visit"].iloc[0])
    return units + max(visit - going.get(priced["crew"].iloc[0], 0.0), 0.0), units + visit


def _verdict(currency: str, worth: Worth, cost: float, reading: Reading) -> str:
    if worth.chance_of_change < NO_CHANGE or worth.mean <= 0.0:
        return "No outcome that is likely would change a decision."
    turns = (f"{100.0 * worth.chance_of_change:.0f} % chance that it changes what is done, worth "
             f"{money(worth.mean, currency, worth.low, worth.high)} in the mean")
    if np.isnan(cost):
        lacks = "logger_cost in [assumptions]" if reading.kind == "fit_logger" else "a row for inspect in job_costs.csv"
        return f"{turns}. Its cost is not known: it pays below that. Set {lacks}."
    if worth.mean <= cost:
        return f"{turns}, which is less than the {money(cost, currency)} that it costs: decide without it."
    return f"{turns}, against {money(cost, currency)}: read before deciding."


def _notices(portfolio: Portfolio, table: pd.DataFrame) -> tuple[str, ...]:
    if not (table["chance_of_change"] >= NO_CHANGE).any():
        return ("No reading would change a decision.",)
    if not (table["net_worth"] > 0).any():
        return ("No reading is known to be worth its cost: what it could change is worth less than the visit.",)
    if portfolio.works_budget is not None or portfolio.crew_days is not None:
        return ("What a reading is worth is reckoned as if every job that it speaks for could be paid: where the works budget "
                "or the crew days are spent, it is worth less.",)
    return ()
