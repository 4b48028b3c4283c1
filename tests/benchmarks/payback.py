"""
Whether a stated chance of paying back comes true, and what the chosen jobs miss of the best.

    python -m tests.benchmarks.payback --seeds 200-219 --jobs 2 --out rows.csv

Draws each farm (`tests/farm/population.py`), ranks its jobs as of its last day, and simulates what each true job returns over the
36 months after it, all else left alone. A job of the work list returns what the true jobs in its scope return, and nothing where
there is none. Claims are left out, and inspections for safety: they are made whatever they return, and in the best set too. An
inspection chosen for its return finds the true faults, dirt or plants in its scope, which are then mended, on a visit of their
own, where that pays. So does who looks for the dead strings of a whole inverter find an input of it that does not track.

Prints, by bins of the stated chance, the share that did pay back, and how many 90 % intervals of the net value hold, both in the
first drawing of the weather to come; and the regret: what the best set of true jobs, known without any doubt and paid at the
same costs, would bring beyond the chosen ones, in the mean of `DRAWINGS` drawings, since no choice can know the rain to come.
Beside it stands the regret that the assessments themselves expect: what certainty would be worth, less what the chosen looks win.
No test runs this: a farm takes some ten seconds.
"""

from __future__ import annotations

import argparse
import tempfile
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.farm.causes import DC_CAUSES, ac_effects, dc_effects
from tests.farm.future import Job, jobs, year_to_come
from tests.farm.population import draw_farm
from tests.farm.settings import JOB_COSTS, PortfolioSpec
from tests.farm.simulate import Farm, build, chain
from tests.farm.spec import CAUSE_OF, FarmSpec
from tests.farm.write import write_portfolio
from yieldwatch.action import choice
from yieldwatch.assess import Assessment, assess
from yieldwatch.constants import CREWS
from yieldwatch.cost.finance import monthly_rate, npv

MONTHS, DRAWINGS = 36, 3
#: Interval of the simulated months to come, whatever the log's is. [min]
STEP = 30
BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
#: Kinds of job that mend the same true fault of a string.
OF_STRINGS = ("repair_string", "replace_modules")
COSTS = {kind: (visit, unit) for kind, visit, unit, *_ in JOB_COSTS}


@dataclass(frozen=True)
class Outcome:
    """One farm: its jobs as stated and as they came, the true jobs, and its sums; `doubt` is the regret it expects. [money]"""

    rows: pd.DataFrame
    true: pd.DataFrame
    best: float
    chosen: float
    doubt: float
    revenue_per_year: float


def by_month(farm: Farm) -> np.ndarray:
    """What the meter reads in each month, shape (MONTHS,). [kWh]"""
    spec, on = farm.spec, frozenset(farm.spec.causes)
    meter = chain(farm, farm.inverter_dc(farm.string_dc(on)), on).meter
    bounds = pd.date_range(spec.start, periods=MONTHS + 1, freq="MS").tz_localize(spec.timezone)
    month = np.clip(bounds.searchsorted(farm.times, side="right") - 1, 0, MONTHS - 1)
    return np.bincount(month, weights=meter, minlength=MONTHS) * spec.step_minutes / 60.0


def done(farm: Farm, job: Job) -> Farm:
    """The farm after a job: the same weather and chance, and only the job's cause worked out anew."""
    mechanisms = (*(m for m in farm.spec.mechanisms if m not in job.before), *job.after)
    spec = replace(farm.spec, mechanisms=mechanisms)
    if job.cause in DC_CAUSES:
        own = replace(spec, mechanisms=tuple(m for m in mechanisms if CAUSE_OF[type(m)] == job.cause))
        factors = {k: v for k, v in farm.dc_factors.items() if k != job.cause}
        return replace(farm, spec=spec, dc_factors=factors | dc_effects(own, farm.units, farm.wx, farm.lit, farm.planes))
    inputs = {n: len({u.mppt for u in farm.units if u.inverter == n}) for n in farm.inverters}
    ratings = np.array([t.kw for t in farm.types])
    effects, _ = ac_effects(spec, farm.inverters, ratings, {n: 1 / k for n, k in inputs.items()}, farm.wx, farm.lit)
    return replace(farm, spec=spec, ac=effects)


def true_returns(farm: Farm, price: float, rate: float, drawings: int = DRAWINGS) -> list[tuple[Job, np.ndarray]]:
    """Each true job and the present value of what it returns, shape (drawings,). [money]"""
    found: dict[int, tuple[Job, list[float]]] = {}
    for draw in range(1, drawings + 1):
        spec = year_to_come(farm, draw)
        fit = replace(spec.instruments, log_minutes=STEP)
        ahead = build(replace(spec, end=spec.end.replace(year=spec.start.year + MONTHS // 12), instruments=fit))
        left = by_month(ahead)
        for k, job in enumerate(jobs(ahead.spec)):
            more = (by_month(done(ahead, job)) - left) * price
            found.setdefault(k, (job, []))[1].append(float(npv(np.r_[0.0, more], monthly_rate(rate))))
    return [(job, np.array(values)) for job, values in found.values()]


def mends(row: dict, job: Job, inverter_of: dict[str, str]) -> bool:
    """Whether a job of the work list does a true job, or would find what it mends."""
    scope, cause = row["scope"].split(), row["cause"] == job.cause
    same = cause and (job.kind in OF_STRINGS if row["job_kind"] in OF_STRINGS else row["job_kind"] == job.kind)
    if row["job_kind"] == "inspect":  # of dirt, of plants, or of strings and of the inputs that they are on
        same = cause if row["cause"] in ("soiling", "shading") else job.cause in ("string_fault", "inverter_efficiency")
    elif same and job.scope not in scope and job.cause == "string_fault":  # who looks for a dead string mends what is dead
        same = job.before[0].kind == "open"
    return same and any(s in scope for s in ("site", job.scope, inverter_of.get(job.scope)))


def finds(row: dict, job: Job, inverter_of: dict[str, str]) -> bool:
    """Whether a job of the work list finds what a true job mends, and mends it not: a visit of its own does."""
    if row["job_kind"] == "repair_string":  # of an inverter, whose scope no string's fault has
        return job.cause == "inverter_efficiency" and job.before[0].kind == "mppt" and job.scope in row["scope"].split()
    return row["job_kind"] == "inspect" and mends(row, job, inverter_of)


def cost_of(true: Sequence[tuple[Job, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cost of units and of the visit of each true job, and which share a visit."""
    units = np.array([COSTS[j.kind][1] * j.units for j, _ in true])
    visits = np.array([COSTS[j.kind][0] for j, _ in true], dtype=float)
    return units, visits, np.array([CREWS[j.kind] for j, _ in true])


def best_set(true: Sequence[tuple[Job, float]], coming: dict[str, float]) -> tuple[np.ndarray, float]:
    """
    The best set of true jobs and what it is worth, all costs paid but those of visits that are made anyway.

    Parameters
    ----------
    coming : dict of str to float
        By crew, what the visit that is made anyway costs. [money]
    """
    if not true:
        return np.zeros(0, dtype=bool), 0.0
    value = np.array([v for _, v in true])
    units, visits, crews = cost_of(true)
    more = np.maximum(visits - np.array([coming.get(c, 0.0) for c in crews]), 0.0)
    nil = np.zeros(len(true))
    number = np.unique(crews, return_inverse=True)[1]
    taken, _ = choice.best_set(choice.Jobs(value, units, more, nil, nil, number, nil.astype(bool)))
    return taken, float(value[taken].sum() - choice.set_total(units, more, number, taken))


def chosen_value(
    rows: pd.DataFrame, done_by: list[list[int]], found: list[list[int]], true: list[tuple[Job, float]], coming: dict[str, float]
) -> float:
    """
    What the chosen jobs bring, all costs paid but those of visits that are made anyway. [money]

    Parameters
    ----------
    done_by, found : list of list of int
        For each row, the true jobs that it mends and those that it finds, by their places in `true`.
    """
    chosen, looks = rows["chosen"].to_numpy(bool), (rows["job_kind"] == "inspect").to_numpy()
    mended = {n for d, on, look in zip(done_by, chosen, looks, strict=True) if on and not look for n in d}
    seen = {n for d, on in zip(found, chosen, strict=True) if on for n in d} - mended
    on = rows[chosen]
    fixed = (on["cost_alone"] - on["cost_units"]).groupby(on["crew"]).max()
    cost = on["cost_units"].sum() + sum(max(v - coming.get(c, 0.0), 0.0) for c, v in fixed.items())
    return sum(true[n][1] for n in mended) - float(cost) + best_set([true[n] for n in sorted(seen)], {})[1]


def run(seed: int) -> tuple[int, Outcome | str]:
    """Seed, and its outcome or what went wrong."""
    try:
        spec = draw_farm(seed)
        owned = PortfolioSpec("Drawn", (spec,), works_budget=None)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "portfolio"
            ((farm, result),) = write_portfolio(folder, Path(name) / "truth", owned)
            found = assess(folder, as_of=spec.end)
        true = true_returns(farm, float(spec.paper.tariffs[0]["price_per_kwh"]), owned.discount_rate)
        return seed, outcome(seed, spec, found, true, float(result.exported[-12:].sum()))
    except Exception:  # a farm that breaks the chain is a result
        return seed, traceback.format_exc(limit=-2)


def outcome(seed: int, spec: FarmSpec, told: Assessment, true: list[tuple[Job, np.ndarray]], sold_kwh: float) -> Outcome:
    """The work list of one farm held against its true jobs."""
    listed = told.work_list
    inverter_of = {
        f"{b.inverter}.{b.first_input + i}.{k + 1}": b.inverter
        for b in spec.blocks for i in range(b.inputs) for k in range(b.per_input)}
    must = listed[listed["safety"].astype(bool)]
    coming = (must["cost_alone"] - must["cost_units"]).groupby(must["crew"]).max().to_dict()
    acts = listed[~listed["safety"].astype(bool) & (listed["job_kind"] != "claim")]
    done_by, found = (
        [[n for n, (job, _) in enumerate(true) if does(row, job, inverter_of)] for row in acts.to_dict("records")]
        for does in (mends, finds))
    worth = np.array([values for _, values in true]).reshape(len(true), -1)
    units, visits, _ = cost_of([(job, 0.0) for job, _ in true])
    # What a repair finds besides is worth what is left once it is mended; the money of a look is not held against the truth.
    left = np.maximum(worth - (units + visits)[:, None], 0.0)
    first, mean = (
        [sum(f(worth[n]) for n in d) + sum(f(left[n]) for n in set(e) - set(d)) for d, e in zip(done_by, found, strict=True)]
        for f in (lambda v: v[0], np.mean))
    rows = acts.assign(seed=seed, log=spec.instruments.log_minutes is not None, truth=first, truth_mean=mean)
    known = [(job, float(values.mean())) for job, values in true]
    taken, best = best_set(known, coming)
    units, visits, _ = cost_of(known)
    table = pd.DataFrame({
        "seed": seed, "job_kind": [j.kind for j, _ in true], "scope": [j.scope for j, _ in true],
        "what": ["; ".join(map(str, j.before)) for j, _ in true], "value": [v for _, v in known], "units": units,
        "visit": visits, "best": taken})
    price = float(spec.paper.tariffs[0]["price_per_kwh"])
    looks = rows.loc[rows["chosen"].astype(bool) & (rows["job_kind"] == "inspect"), "npv_expected"].sum()
    certain = told.next_measurements["worth_if_certain"].max() if len(told.next_measurements) else 0.0
    chosen = chosen_value(rows, done_by, found, known, coming)
    return Outcome(rows, table, best, chosen, max(certain - looks, 0.0), sold_kwh * price)


def report(found: list[Outcome]) -> None:
    """Print the tables."""
    rows = pd.concat([o.rows for o in found]).dropna(subset=["chance_of_payback", "cost"])
    rows = rows[rows["job_kind"] != "inspect"]
    paid = rows["truth"] > rows["cost"]
    print(f"{len(found)} farms, {len(rows)} jobs with a stated chance; {paid.sum()} paid back in {MONTHS} months")
    print("  stated chance      jobs   stated  realised")
    group = pd.cut(rows["chance_of_payback"], BINS, include_lowest=True)
    for span, part in rows.groupby(group, observed=True):
        print(f"  {max(span.left, 0.0):5.2f} to {span.right:4.2f}  {len(part):9d} {part['chance_of_payback'].mean():8.2f} "
              f"{paid[group == span].mean():9.2f}")
    print(f"  mean squared error of the chance {((rows['chance_of_payback'] - paid) ** 2).mean():.3f}; of the share that paid, "
          f"told for every job, {paid.mean() * (1 - paid.mean()):.3f}")
    net = rows["truth"] - rows["cost"]
    holds = (net >= rows["npv_low"] - 0.5) & (net <= rows["npv_high"] + 0.5)
    print(f"  90 % intervals of the net value that hold: {holds.mean():.2f}; of chosen jobs {holds[rows['chosen']].mean():.2f}")
    for kind, part in rows.assign(holds=holds).groupby("job_kind"):
        stated = (part["npv_expected"] + part["cost"]).sum()
        print(f"    {kind:16s} {part['holds'].mean():5.2f} of {len(part):3d}; stated {stated:9,.0f}, came "
              f"{part['truth'].sum():9,.0f}")
    best, chosen = (np.array([getattr(o, name) for o in found]) for name in ("best", "chosen"))
    regret, revenue = best - chosen, np.array([o.revenue_per_year for o in found])
    print(f"  best sum {best.sum():,.0f}, chosen {chosen.sum():,.0f}: regret {regret.sum() / max(best.sum(), 1e-9):.3f} of it; "
          f"expected {sum(o.doubt for o in found) / max(best.sum(), 1e-9):.3f}")
    share = 100.0 * regret / revenue
    print(f"  regret a farm, % of a year's revenue: median {np.median(share):.2f}, mean {share.mean():.2f}, "
          f"worst {share.max():.2f}; above 1 % on {(share > 1.0).sum()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="200-209", help="first-last, both included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="write every job as CSV, and beside it the true ones")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    found = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, result in pool.map(run, range(first, last + 1)):
            if isinstance(result, str):
                print(f"seed {seed} broke:\n{result}", flush=True)
                continue
            found.append(result)
            print(f"seed {seed} done: {len(result.rows)} jobs, best {result.best:,.0f}, chosen {result.chosen:,.0f}, "
                  f"expected regret {result.doubt:,.0f}", flush=True)
    if found:
        report(found)
        if options.out:
            pd.concat([o.rows for o in found]).to_csv(options.out, index=False)
            pd.concat([o.true for o in found]).to_csv(options.out.with_stem(f"{options.out.stem}-true"), index=False)


if __name__ == "__main__":
    main()
