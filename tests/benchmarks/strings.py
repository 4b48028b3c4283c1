"""
How often the findings on strings are right, over farms that they have never seen.

    python -m tests.benchmarks.strings --seeds 1200-1299

Draws farms for what befalls their strings (`tests/farm/string_population.py`), writes rounds, weather and string currents, and
holds `string_findings` alone against what the generator knows: some two farms a second. No test runs this.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from tests.benchmarks.known import DROPPINGS, fault_sizes
from tests.benchmarks.population import CLEAR_FAULT
from tests.farm.logs import hidden_from_log
from tests.farm.settings import PortfolioSpec
from tests.farm.simulate import Farm, build, chain
from tests.farm.spec import FarmSpec, Soiling, StringFault
from tests.farm.string_population import draw_string_farm
from tests.farm.write import write_head, write_site
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.field.read import read_site_data
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.portfolio.read import read_portfolio

#: Edges of the stated chance of a fault between which stated and true are compared.
_CHANCES = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0)


def truth_of(farm: Farm) -> pd.DataFrame:
    """A row a string: true `finding` today, `size` as share of its power at standard conditions, `since`, `droppings`."""
    sizes = fault_sizes(farm)
    soil = farm.spec.all_of(Soiling)
    drops = dict(soil[0].droppings) if soil else {}
    names = pd.Index([u.id for u in farm.units], name="string_id")
    out = pd.DataFrame({"finding": "ok", "size": 0.0, "since": pd.NaT}, index=names)
    out["droppings"] = [drops.get(name, 0.0) / 100 for name in out.index]
    for fault in farm.spec.all_of(StringFault):
        if fault.string in sizes:
            out.loc[fault.string, ["finding", "size"]] = fault.kind, sizes[fault.string]
            out.loc[fault.string, "since"] = pd.Timestamp(fault.start)
    return out


def findings_of(spec: FarmSpec, farm: Farm, folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What is told of each string, and every trace of it."""
    on = frozenset(spec.causes)
    actual = chain(farm, farm.inverter_dc(farm.string_dc(on)), on)
    months = [f"2022-{m:02d}" for m in range(1, 13)]
    write_site(folder / "sites" / spec.id, farm, SimpleNamespace(months=months, expected=np.full(12, 1000.0), actual=actual))
    write_head(folder, PortfolioSpec("Drawn", (spec,)))
    site = read_portfolio(folder).sites[0]
    data = read_site_data(folder, site, spec.end)
    rounds = assess_rounds(site, data)
    return string_findings(site, rounds, data), rounds


def run(seed: int) -> pd.DataFrame:
    """A row a string of the farm: truth and what is told."""
    spec = draw_string_farm(seed)
    farm = build(spec)
    with tempfile.TemporaryDirectory() as name:
        told, rounds = findings_of(spec, farm, Path(name))
    known = truth_of(farm)
    told = told.set_index("string_id")
    out = known.assign(told=told["finding"], chance=told["confidence"], share=told["share_lost"], share_sd=told["share_lost_sd"])
    out["why"] = told["why"]
    last = rounds[rounds["grade"] != "unfit"].groupby("string_id")["time"].max() if len(rounds) else pd.Series(dtype=object)
    last = pd.to_datetime(last.reindex(out.index), utc=True).dt.tz_localize(None)
    fit = spec.instruments
    logged = fit.string_current & ~out.index.isin(hidden_from_log(farm))
    out["seen"] = (last >= out["since"]) | (logged & (pd.Timestamp(spec.end) - out["since"] > pd.Timedelta(days=15)))
    out["rounds"], out["curves"], out["currents"] = len(fit.iv_rounds), fit.curves, fit.string_current
    return out.assign(seed=seed, strings=len(farm.units)).reset_index()


def report(strings: pd.DataFrame, by: tuple[str, ...] = ("rounds", "curves", "currents")) -> None:
    """Print precision, recall, kind, and stated against true chance."""
    fault = strings["finding"] != "ok"
    strings = strings[fault | (strings["droppings"] <= DROPPINGS)]
    _line("all", strings)
    for name in by:
        for value, part in strings.groupby(name):
            _line(f"{name} {value}", part)
    _line("4 strings at most", strings[strings["strings"] <= 4])
    fault, called = strings["finding"] != "ok", strings["told"].isin(FAULT_FINDINGS)
    must = fault & strings["seen"].astype(bool) & (strings["size"] > CLEAR_FAULT)
    print("true kind (down) as told (across), faults that must be found")
    print(pd.crosstab(strings.loc[must, "finding"], strings.loc[must, "told"]).to_string())
    print("stated chance of a fault against the share that are faulty")
    # What has begun since the last reading is nobody's to know.
    known = strings[~fault | strings["seen"].astype(bool)]
    bins = pd.cut(known["chance"], _CHANCES, include_lowest=True)
    by_chance = known.assign(fault=known["finding"] != "ok").groupby(bins, observed=True)
    table = by_chance.agg(n=("fault", "size"), stated=("chance", "mean"), true=("fault", "mean"))
    print(table.round(3).to_string())
    hit = strings[fault & called]
    error = hit["share"] - hit["size"]
    within = error.abs() < 1.645 * np.maximum(hit["share_sd"], 0.002)
    print(f"share lost of {len(hit)} found: 90 % interval holds {within.mean():.2f}, mean error {error.mean():+.4f}")


def _line(name: str, strings: pd.DataFrame) -> None:
    fault, called = strings["finding"] != "ok", strings["told"].isin(FAULT_FINDINGS)
    must = fault & strings["seen"].astype(bool) & (strings["size"] > CLEAR_FAULT)
    hit = fault & called
    right = (strings["finding"] == strings["told"])[hit & must]
    print(
        f"{name:20s} {strings['seed'].nunique():4d} farms {len(strings):5d} strings {fault.sum():4d} faulty, "
        f"called {called.sum():4d}: precision {hit.sum() / max(called.sum(), 1):.3f}; of {must.sum():4d} that must be found "
        f"recall {(hit & must).sum() / max(must.sum(), 1):.3f}; right kind {right.mean():.3f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1200-1299", help="first-last, both included")
    parser.add_argument("--wrong", action="store_true", help="list every wrong call")
    parser.add_argument("--out", type=Path, help="write every string as CSV")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    strings = pd.concat([run(seed) for seed in range(first, last + 1)], ignore_index=True)
    report(strings)
    if options.wrong:
        fault, called = strings["finding"] != "ok", strings["told"].isin(FAULT_FINDINGS)
        must = fault & strings["seen"].astype(bool) & (strings["size"] > CLEAR_FAULT)
        false = called & ~fault & (strings["droppings"] <= DROPPINGS)
        wrong = strings[false | (must & (strings["told"] != strings["finding"]))]
        wide = ("display.width", 300, "display.max_colwidth", 170, "display.max_rows", None, "display.max_columns", None)
        with pd.option_context(*wide):
            print(wrong[["seed", "string_id", "strings", "rounds", "finding", "size", "told", "chance", "why"]].round(3))
    if options.out:
        strings.to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
