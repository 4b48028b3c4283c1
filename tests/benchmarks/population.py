"""
How right, and how sure, the account is over farms that it has never seen.

    python -m tests.benchmarks.population --seeds 200-299 --jobs 2 --out rows.csv

Draws each farm (`tests/farm/population.py`), assesses it as of its last day, and holds the last 12 months against what the
generator knows. All errors and widths are in points: per cent of expected energy. A month whose cause was not assessed counts as
told 0 and as an interval that misses. No test runs this: a hundred farms take some eight minutes.
"""

from __future__ import annotations

import argparse
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.write import write_portfolio
from yieldwatch.assess import assess
from yieldwatch.constants import FAULT_FINDINGS

#: A cause matters in a month from this on, and an interval may miss by rounding. [points]
MATTERS, ROUNDING = 0.3, 0.02


def run(seed: int) -> tuple[int, pd.DataFrame | str, pd.DataFrame | None]:
    """Seed; a row for each month and cause, or what went wrong; a row for each string."""
    try:
        spec = draw_farm(seed)
        with tempfile.TemporaryDirectory() as name:
            folder, truth = Path(name) / "portfolio", Path(name) / "truth"
            write_portfolio(folder, truth, PortfolioSpec("Drawn", (spec,)))
            answer = assess(folder, as_of=spec.end).sites[0]
            expected, losses = pd.read_csv(truth / "expected.csv"), pd.read_csv(truth / "losses.csv")
            strings = pd.read_csv(truth / "strings.csv", keep_default_na=False)
    except Exception:  # a farm that breaks the chain is a result
        return seed, traceback.format_exc(limit=-2), None
    months = sorted(expected["month"])[-12:]
    told = answer.losses[["month", "cause", "energy_kwh", "energy_low_kwh", "energy_high_kwh"]]
    rows = losses[losses["month"].isin(months)].rename(columns={"energy_kwh": "truth"})
    rows = rows.merge(told, on=["month", "cause"], how="outer").merge(expected[["month", "expected_kwh"]], on="month")
    rows = rows[rows["month"].isin(months)].assign(seed=seed, log=spec.instruments.log_minutes is not None)
    rows["truth"] = rows["truth"].fillna(0.0)
    found = answer.gap.string_findings[["string_id", "finding"]].rename(columns={"finding": "told"})
    both = strings[["string_id", "finding"]].merge(found, on="string_id", how="left")
    return seed, rows, both.assign(seed=seed, log=rows["log"].iloc[0])


def points(rows: pd.DataFrame) -> pd.DataFrame:
    """Truth, estimate and interval of each month and cause, and whether it holds."""
    energy = rows["expected_kwh"]
    out = rows[["seed", "log", "month", "cause", "expected_kwh"]].copy()
    names = {"truth": "truth", "energy_kwh": "told", "energy_low_kwh": "low", "energy_high_kwh": "high"}
    for column, name in names.items():
        out[name] = 100.0 * rows[column] / energy
    out["holds"] = (out["truth"] >= out["low"] - ROUNDING) & (out["truth"] <= out["high"] + ROUNDING)
    low, high = out["low"].fillna(0.0), out["high"].fillna(0.0)
    out["score"] = high - low + 20.0 * ((low - out["truth"]).clip(lower=0.0) + (out["truth"] - high).clip(lower=0.0))
    return out


def report(rows: pd.DataFrame, strings: pd.DataFrame) -> None:
    """Print the tables for farms of one kind."""
    year = rows.assign(told=rows["energy_kwh"].fillna(0.0)).groupby(["seed", "cause"])[["truth", "told"]].sum().reset_index()
    total = rows.drop_duplicates(["seed", "month"]).groupby("seed")["expected_kwh"].sum()
    year["error"] = 100.0 * (year["told"] - year["truth"]) / year["seed"].map(total)
    level = year["cause"].isin(["degradation", "unexplained"])
    named = year[~level & ((year["truth"] != 0.0) | (year["told"] != 0.0))]
    both = year[level].groupby("seed")["error"].sum().abs()
    print(f"  farms {rows['seed'].nunique()}; 12 months, absolute error: median, 90th percentile, points")
    print(f"    all causes with a signature  {named['error'].abs().median():6.2f} {named['error'].abs().quantile(0.9):6.2f}")
    for cause, group in named.groupby("cause"):
        some = group["error"].abs()
        mean = group["error"].mean()
        print(f"    {cause:28s} {some.median():6.2f} {some.quantile(0.9):6.2f}   on {len(some)} farms, mean {mean:+.2f}")
    print(f"    degradation and unexplained  {both.median():6.2f} {both.quantile(0.9):6.2f}")
    cells = points(rows)
    cells = cells[cells["cause"] != "unexplained"]
    big = cells[cells["truth"].abs() > MATTERS]
    print(f"  90 % intervals that hold, of {len(big)} months and causes above {MATTERS} points: {big['holds'].mean():.3f}")
    for cause, group in big.groupby("cause"):
        blank = group["low"].isna().mean()
        farms = group["seed"].nunique()
        print(f"    {cause:28s} {group['holds'].mean():6.2f}   of {len(group)} on {farms} farms, {blank:.2f} not assessed")
    true = cells[cells.groupby(["seed", "cause"])["truth"].transform(lambda t: (t != 0).any())]
    print(f"  interval score, causes present: {np.average(true['score'], weights=true['expected_kwh']):.2f} points")
    is_fault, called = strings["finding"] != "ok", strings["told"].isin(FAULT_FINDINGS)
    hit = is_fault & called
    right = (strings["finding"] == strings["told"])[hit]
    print(f"  strings: {is_fault.sum()} faulty, untested ones too; {called.sum()} called, {hit.sum()} of them rightly, "
          f"{right.sum()} by the right kind")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="200-219", help="first-last, both included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="write every month and cause as CSV")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    rows, strings, broken = [], [], 0
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, result, of_strings in pool.map(run, range(first, last + 1)):
            if of_strings is None:
                broken += 1
                print(f"seed {seed} broke:\n{result}", flush=True)
                continue
            rows.append(result)
            strings.append(of_strings)
            print(f"seed {seed} done", flush=True)
    print(f"{len(rows)} farms assessed, {broken} broke")
    if not rows:
        return
    all_rows, all_strings = pd.concat(rows), pd.concat(strings)
    for log, words in ((True, "Farms with an interval log"), (False, "Readings only")):
        if (all_rows["log"] == log).any():
            print(words)
            report(all_rows[all_rows["log"] == log], all_strings[all_strings["log"] == log])
    if options.out:
        all_rows.to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
