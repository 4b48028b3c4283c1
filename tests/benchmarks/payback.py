"""
Whether a stated chance of paying back comes true, and what the chosen jobs miss of the best.

    python -m tests.benchmarks.payback --seeds 200-219 --jobs 2 --out rows.csv

Draws each farm (`tests/farm/population.py`), ranks its jobs as of its last day, and simulates what each true job returns over the
36 months after it, in one drawing of the weather, all else left alone. A job of the work list returns what the true jobs in its
scope return, and nothing where there is none. Inspections are left out: by themselves they return nothing. Prints, by bins of the
stated chance, the share that did pay back; how many 90 % intervals of the net value hold; and the regret: what the best set of
true jobs would have brought beyond what the chosen ones do, as a share of the best sum and of each farm's yearly revenue. No test
runs this: a farm takes some half a minute.
"""

from __future__ import annotations

import argparse
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from yieldwatch.action.finance import monthly_rate, npv

from tests.farm.future import Job, jobs, year_to_come
from tests.farm.population import draw_farm
from tests.farm.settings import JOB_COSTS, PortfolioSpec
from tests.farm.simulate import Farm, build, chain
from tests.farm.spec import FarmSpec
from tests.farm.write import write_portfolio
from yieldwatch.action import choice
from yieldwatch.assess import assess
from yieldwatch.constants import CREWS

MONTHS = 36
BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
#: Kinds of job that mend the same true fault of a string.
OF_STRINGS = ("repair_string", "replace_modules")


@dataclass(frozen=True)
class Outcome:
    """One farm: its jobs as stated and as they came, and its sums. [money]"""

    rows: pd.DataFrame
    best: float
    chosen: float
    revenue_per_year: float


def by_month(spec: FarmSpec) -> np.ndarray:
    """What the meter would read in each month of `spec`, shape (MONTHS,). [kWh]"""
    farm = build(spec)
    meter = chain(farm, farm.inverter_dc(farm.string_dc(frozenset(spec.causes))), frozenset(spec.causes)).meter
    bounds = pd.date_range(spec.start, periods=MONTHS + 1, freq="MS").tz_localize(spec.timezone)
    month = np.clip(bounds.searchsorted(farm.times, side="right") - 1, 0, MONTHS - 1)
    return np.bincount(month, weights=meter, minlength=MONTHS) * spec.step_minutes / 60.0


def true_returns(farm: Farm, price: float, rate: float) -> list[tuple[Job, float]]:
    """Each true job and the present value of what it returns. [money]"""
    spec = year_to_come(farm, 1)
    spec = replace(spec, end=spec.end.replace(year=spec.start.year + MONTHS // 12))
    left = by_month(spec)
    found = []
    for job in jobs(spec):
        others = tuple(m for m in spec.mechanisms if m not in job.before)
        more = by_month(replace(spec, mechanisms=(*others, *job.after))) - left
        found.append((job, float(npv(np.r_[0.0, more * price], monthly_rate(rate)))))
    return found


def mends(row: dict, job: Job) -> bool:
    """Whether a job of the work list does a true job."""
    kinds = OF_STRINGS if job.kind == "repair_string" else (job.kind,)
    scope = row["scope"].split()
    return row["job_kind"] in kinds and row["cause"] == job.cause and ("site" in scope or job.scope in scope)


def best_sum(true: list[tuple[Job, float]]) -> float:
    """What the best set of true jobs is worth, all costs paid. [money]"""
    if not true:
        return 0.0
    costs = {kind: (visit, unit) for kind, visit, unit, *_ in JOB_COSTS}
    value = np.array([v for _, v in true])
    units = np.array([costs[j.kind][1] * j.units for j, _ in true])
    visits = np.array([costs[j.kind][0] for j, _ in true])
    crew = np.unique([CREWS[j.kind] for j, _ in true], return_inverse=True)[1]
    nil = np.zeros(len(true))
    taken, _ = choice.best_set(choice.Jobs(value, value, units, visits, nil, nil, crew, nil.astype(bool)))
    return float(value[taken].sum() - choice.set_total(units, visits, crew, taken))


def run(seed: int) -> tuple[int, Outcome | str]:
    """Seed, and its outcome or what went wrong."""
    try:
        spec = draw_farm(seed)
        owned = PortfolioSpec("Drawn", (spec,), works_budget=None)
        with tempfile.TemporaryDirectory() as name:
            folder, truth = Path(name) / "portfolio", Path(name) / "truth"
            ((farm, _),) = write_portfolio(folder, truth, owned)
            listed = assess(folder, as_of=spec.end).work_list
            sold = pd.read_csv(truth / "expected.csv")["exported_kwh"].tail(12).sum()
        price = float(spec.paper.tariffs[0]["price_per_kwh"])
        true = true_returns(farm, price, owned.discount_rate)
    except Exception:  # a farm that breaks the chain is a result
        return seed, traceback.format_exc(limit=-2)
    acts = listed[listed["job_kind"] != "inspect"]
    done = [[n for n, (job, _) in enumerate(true) if mends(row, job)] for row in acts.to_dict("records")]
    rows = acts.assign(seed=seed, log=spec.instruments.log_minutes is not None, truth=[sum(true[n][1] for n in d) for d in done])
    chosen = rows["chosen"].to_numpy(bool)
    mended = {n for d, on in zip(done, chosen, strict=True) if on for n in d}
    on = rows[chosen]
    # Every visit paid in full, also one that an inspection for safety would pay.
    cost = on["cost_units"].sum() + (on["cost_alone"] - on["cost_units"]).groupby(on["crew"]).max().sum()
    value = sum(true[n][1] for n in mended) - float(cost)
    return seed, Outcome(rows, best_sum(true), value, sold * price)


def report(found: list[Outcome]) -> None:
    """Print the tables."""
    rows = pd.concat([o.rows for o in found]).dropna(subset=["chance_of_payback", "cost"])
    paid = rows["truth"] > rows["cost"]
    print(f"{len(found)} farms, {len(rows)} jobs with a stated chance; {paid.sum()} paid back in {MONTHS} months")
    print("  stated chance      jobs   stated  realised")
    group = pd.cut(rows["chance_of_payback"], BINS, include_lowest=True)
    for span, part in rows.groupby(group, observed=True):
        print(f"  {span.left:5.2f} to {span.right:4.2f}  {len(part):9d} {part['chance_of_payback'].mean():8.2f} "
              f"{paid[group == span].mean():9.2f}")
    print(f"  mean squared error of the chance {((rows['chance_of_payback'] - paid) ** 2).mean():.3f}; of the share that paid, "
          f"told for every job, {paid.mean() * (1 - paid.mean()):.3f}")
    net = rows["truth"] - rows["cost"]
    holds = (net >= rows["npv_low"]) & (net <= rows["npv_high"])
    print(f"  90 % intervals of the net value that hold: {holds.mean():.2f}; of chosen jobs {holds[rows['chosen']].mean():.2f}")
    best, chosen = (np.array([getattr(o, name) for o in found]) for name in ("best", "chosen"))
    regret, revenue = best - chosen, np.array([o.revenue_per_year for o in found])
    print(f"  best sum {best.sum():,.0f}, chosen {chosen.sum():,.0f}: regret {regret.sum() / max(best.sum(), 1e-9):.3f} of it")
    share = 100.0 * regret / revenue
    print(f"  regret a farm, % of a year's revenue: median {np.median(share):.2f}, mean {share.mean():.2f}, "
          f"worst {share.max():.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="200-209", help="first-last, both included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="write every job as CSV")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    found = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, result in pool.map(run, range(first, last + 1)):
            if isinstance(result, str):
                print(f"seed {seed} broke:\n{result}", flush=True)
                continue
            found.append(result)
            print(f"seed {seed} done: {len(result.rows)} jobs, best {result.best:,.0f}, chosen {result.chosen:,.0f}", flush=True)
    if found:
        report(found)
        if options.out:
            pd.concat([o.rows for o in found]).to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
