"""
How long it takes to plan 300 jobs at 50 sites.

    python -m tests.benchmarks.planning --sites 50 --jobs 300

Draws sites and jobs (faults that stay mended, hedges and dirt that come back) and plans them three times: without a limit, under
a works budget that holds about half of what pays, and under crew days as well. Prints seconds and a count; no test runs it.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from tests.action.build import AS_OF, COSTS, make_portfolio, make_site
from yieldwatch.action.candidate import Candidate
from yieldwatch.action.plan import make_plan
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.starts import START_DAYS
from yieldwatch.portfolio.model import JobCost

DRAWS, MONTHS = 200, 36
#: Seconds that the plan alone may take.
LIMIT_S = 10.0


def drawn(n_sites: int, n_jobs: int, seed: int = 5) -> tuple[list, list[Candidate]]:
    """Sites, and jobs of which a third comes back."""
    rng = np.random.default_rng(seed)
    costs = (*COSTS, JobCost("repair_inverter", 220.0, 760.0, "inverter", 2.0, 4.0, 21))
    sites = [make_site(f"site-{k:02d}", costs, hedge_metres=80.0) for k in range(n_sites)]
    jobs = []
    for k in range(n_jobs):
        site = sites[k % n_sites]
        turn = k // n_sites
        kind = ("clean", "cut_vegetation", "repair_string", "repair_string", "replace_modules", "repair_inverter")[turn % 6]
        per_month = rng.gamma(1.5, 25.0) * rng.lognormal(0.0, 0.3, DRAWS)
        season = 1.0 - 0.8 * np.cos(2 * np.pi * (np.arange(MONTHS) + 3.5) / 12)
        value = per_month[:, None] * season
        later = None
        if kind in ("clean", "cut_vegetation"):
            since = np.arange(MONTHS) - START_DAYS[:, None] / 30.4
            later = per_month[:, None] * (season * np.exp(-np.maximum(since, 0) / 8) * (since >= 0))[:, None, :]
            value = later[0]
        scope = ("site",) if later is not None else (f"I1.{turn}",)
        units = {"string": 1.0, "module": 40.0, "inverter": 1.0, "metre": 80.0}
        jobs.append(Candidate(site.id, kind, f"{kind}-{turn}", scope, units, value / 0.1, value, 0.9, "Drawn.", "Drawn.",
                              later=later))
    return sites, jobs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=50)
    parser.add_argument("--jobs", type=int, default=300)
    options = parser.parse_args()
    sites, jobs = drawn(options.sites, options.jobs)
    free = make_portfolio(*sites, rate=0.07)
    spent = 0.0
    for words in ("without a limit", "works budget", "works budget and crew days"):
        limits = {} if words == "without a limit" else {"works_budget": 0.5 * spent}
        if "days" in words:
            limits["crew_days"] = 40.0
        portfolio = replace(free, **limits)
        work_list, _ = rank_jobs(portfolio, jobs, AS_OF)
        began = time.perf_counter()
        plan = make_plan(portfolio, jobs, work_list, AS_OF, {})
        took = time.perf_counter() - began
        rows = plan.plan["row"].value_counts()
        spent = plan.plan.loc[plan.plan["row"] == "visit", "cost"].sum()
        net = plan.plan.loc[plan.plan["row"] == "visit", "net"].sum()
        print(f"{words:34s} {took:6.2f} s ({took / LIMIT_S:.2f} of what it may take); {rows.to_dict()}; spends {spent:,.0f}, "
              f"net {net:,.0f}; {'; '.join(plan.notices)}", flush=True)


if __name__ == "__main__":
    main()
