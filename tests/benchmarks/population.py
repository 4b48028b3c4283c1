"""
How right, and how sure, the account is over farms that it has never seen.

    python -m tests.benchmarks.population --seeds 200-299 --jobs 2 --out rows.csv
    python -m tests.benchmarks.population --seeds 200-299 --jobs 2 --healthy

Draws each farm (`tests/farm/population.py`), assesses it as of its last day, and holds the last 12 months against what the
generator knows (`known.py`). All errors and widths are in points: per cent of expected energy. A month whose cause was not
assessed counts as told 0 and as an interval that misses. Healthy farms have but their age and a trace of dirt; what is told
of them beyond that is false. No test runs this: a hundred farms take some eight minutes.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.known import Known, run
from yieldwatch.constants import FAULT_FINDINGS

#: A cause matters in a month from this on, and an interval may miss by rounding. [points]
MATTERS, ROUNDING = 0.3, 0.02
#: Strings of one visit are told apart to some 2 % (95 %); a fault of twice that must be found. Common practice, no source.
CLEAR_FAULT = 0.04


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


def error_of_year(rows: pd.DataFrame) -> pd.DataFrame:
    """Told less true energy of each cause over the year. [points]"""
    year = rows.assign(told=rows["energy_kwh"].fillna(0.0)).groupby(["seed", "cause"])[["truth", "told"]].sum().reset_index()
    total = rows.drop_duplicates(["seed", "month"]).groupby("seed")["expected_kwh"].sum()
    year["error"] = 100.0 * (year["told"] - year["truth"]) / year["seed"].map(total)
    year["age_or_rest"] = year["cause"].isin(["degradation", "unexplained"])
    return year


def report_energy(rows: pd.DataFrame) -> None:
    """Print errors of the year and how many intervals hold."""
    year = error_of_year(rows)
    named = year[~year["age_or_rest"] & ((year["truth"] != 0.0) | (year["told"] != 0.0))]
    both = year[year["age_or_rest"]].groupby("seed")["error"].sum().abs()
    print("  12 months, absolute error: median, 90th percentile, points")
    print(f"    all causes with a signature  {named['error'].abs().median():6.2f} {named['error'].abs().quantile(0.9):6.2f}")
    for cause, group in named.groupby("cause"):
        some, mean = group["error"].abs(), group["error"].mean()
        print(f"    {cause:28s} {some.median():6.2f} {some.quantile(0.9):6.2f}   on {len(some)} farms, mean {mean:+.2f}")
    print(f"    degradation and unexplained  {both.median():6.2f} {both.quantile(0.9):6.2f}")
    cells = points(rows)
    cells = cells[cells["cause"] != "unexplained"]
    big = cells[cells["truth"].abs() > MATTERS]
    print(f"  90 % intervals that hold, of {len(big)} months and causes above {MATTERS} points: {big['holds'].mean():.3f}")
    for cause, group in big.groupby("cause"):
        blank, farms = group["low"].isna().mean(), group["seed"].nunique()
        print(f"    {cause:28s} {group['holds'].mean():6.2f}   of {len(group)} on {farms} farms, {blank:.2f} not assessed")
    true = cells[cells.groupby(["seed", "cause"])["truth"].transform(lambda t: (t != 0).any())]
    print(f"  interval score, causes present: {np.average(true['score'], weights=true['expected_kwh']):.2f} points")


def report_healthy(rows: pd.DataFrame, jobs: list[int]) -> None:
    """Print what is falsely told of healthy farms."""
    year = error_of_year(rows)
    worst = year[~year["age_or_rest"]].assign(false=lambda t: t["error"].abs()).groupby("seed")["false"].max()
    both = year[year["age_or_rest"]].groupby("seed")["error"].sum().abs()
    print(f"  largest false loss of any cause, points: median {worst.median():.2f}, 90th percentile {worst.quantile(0.9):.2f}, "
          f"worst {worst.max():.2f} (seed {worst.idxmax()})")
    print(f"  degradation and unexplained, absolute error: {both.median():.2f} {both.quantile(0.9):.2f}")
    print(f"  farms with a corrective job recommended: {sum(n > 0 for n in jobs)} of {len(jobs)}")


def report_strings(strings: pd.DataFrame) -> None:
    """Print how many faulty strings are found, and by the right kind."""
    fault, called = strings["finding"] != "ok", strings["told"].isin(FAULT_FINDINGS)
    hit = fault & called
    must = fault & strings["seen"] & (strings["size"] > CLEAR_FAULT)
    right = (strings["finding"] == strings["told"])[hit]
    print(f"  strings: {fault.sum()} faulty of {len(strings)}; called {called.sum()}, precision {ratio(hit, called)}; "
          f"of {must.sum()} seen and above {CLEAR_FAULT:.0%}, recall {ratio(hit & must, must)}; "
          f"right kind of those found {ratio(right, hit)}")


def report_spells(spells: pd.DataFrame) -> None:
    """Print how well days of outage and curtailment agree, by energy: F1 of true and told kilowatt hours a day."""
    shared = spells[["truth", "told"]].clip(lower=0.0).min(axis=1)
    for cause in [None, *spells["cause"].unique()]:
        part = spells if cause is None else spells[spells["cause"] == cause]
        both = part["truth"].clip(lower=0.0).sum() + part["told"].sum()
        score = 2.0 * shared[part.index].sum() / both if both else np.nan
        print(f"  spells, F1 by energy, {cause or 'all':16s} {score:.3f}")


def ratio(part: pd.Series, whole: pd.Series) -> str:
    return f"{part.sum() / whole.sum():.2f}" if whole.sum() else "none"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="200-219", help="first-last, both included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--healthy", action="store_true", help="farms with nothing wrong")
    parser.add_argument("--years", type=int, help="length of the history, 1 or 2 at random if not given")
    parser.add_argument("--out", type=Path, help="write every month and cause as CSV")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    found: dict[int, Known] = {}
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, result in pool.map(partial(run, healthy=options.healthy, years=options.years), range(first, last + 1)):
            if isinstance(result, str):
                print(f"seed {seed} broke:\n{result}", flush=True)
                continue
            found[seed] = result
            print(f"seed {seed} done", flush=True)
    print(f"{len(found)} farms assessed, {last - first + 1 - len(found)} broke")
    for log, words in ((True, "with an interval log"), (False, "readings only")):
        known = [k for k in found.values() if bool(k.rows["log"].iloc[0]) is log]
        if not known:
            continue
        rows = pd.concat([k.rows for k in known])
        print(f"{len(known)} farms, {words}")
        if options.healthy:
            report_healthy(rows, [k.corrective for k in known])
            report_strings(pd.concat([k.strings for k in known]))
            continue
        report_energy(rows)
        report_strings(pd.concat([k.strings for k in known]))
        if log:
            report_spells(pd.concat([k.spells for k in known], ignore_index=True))
    if options.out and found:
        pd.concat([k.rows for k in found.values()]).to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
