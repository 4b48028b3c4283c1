"""
Whether the proven gain of jobs holds what they really won back, and how often a job that did nothing is said to have worked.

    python -m tests.benchmarks.proof --seeds 700-779 --jobs 2 --out rows.csv
    python -m tests.benchmarks.proof --seeds 700-779 --jobs 2 --cuts

Draws each farm (`tests/farm/population.py`, a year of it by the hour), has a few jobs done in it mid-period, on different
inverters: cleanings (some of the whole site, some just before rain), strings and inverters repaired, a hedge cut, and visits
that changed nothing; on some farms the light sensor is cleaned at the first visit. The truth is the generator run with and
without each job, in the same weather. No test runs this.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
import traceback
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.simulate import Farm, Truth, build, chain, month_labels
from tests.farm.spec import FarmSpec, Hedge, InverterEfficiency, Mechanism, Soiling, StringFault
from tests.farm.tables import write_csv
from tests.farm.write import write_portfolio
from yieldwatch.field.read import read_site_data
from yieldwatch.gap.attribute import infer_state
from yieldwatch.gap.clamps import check_clamps
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.portfolio.read import read_portfolio
from yieldwatch.proof.done import done_jobs
from yieldwatch.proof.prove import prove_site
from yieldwatch.proof.verdict import proof_table

KINDS = ("clean", "clean", "clean site", "string", "string", "inverter", "shade", "nothing", "nothing")
#: Kinds that are done once at a farm at most, and days between two jobs.
ONCE, APART = ("clean site", "shade"), 18
#: Share of drawn cleanings that are moved to the day before rain, and of farms whose light sensor is cleaned at the first visit.
BEFORE_RAIN, SENSOR = 0.4, 0.25
EVENT = {"clean": "cleaning", "clean site": "cleaning", "string": "repair", "inverter": "repair", "shade": "vegetation_cut"}


@dataclass(frozen=True)
class Done:
    """A job as it was done: `undone` takes it out of the farm, and is None for a visit that changed nothing."""

    kind: str
    event: str
    scope: str
    day: dt.date
    undone: Callable[[FarmSpec], FarmSpec] | None
    rain: bool = False


def _swap(spec: FarmSpec, old: Mechanism, new: Mechanism | None) -> FarmSpec:
    rest = tuple(m for m in spec.mechanisms if m != old)
    return replace(spec, mechanisms=rest if new is None else (*rest, new))


def _plain(spec: FarmSpec) -> FarmSpec:
    """The farm with no work done in it, and no fault that ends by itself."""
    kept: list[Mechanism] = []
    for m in spec.mechanisms:
        if isinstance(m, Soiling):
            m = replace(m, cleanings=())
        elif isinstance(m, Hedge):
            m = replace(m, cuts=())
        elif isinstance(m, StringFault):
            m = replace(m, repaired=None)
        kept.append(m)
    return replace(spec, mechanisms=tuple(m for m in kept if not isinstance(m, InverterEfficiency)))


def _with_job(spec: FarmSpec, kind: str, inverter: str, day: dt.date, rng: np.random.Generator,
              rain: bool) -> tuple[FarmSpec, Done] | None:
    """The farm with one more job done, or None where the farm has nothing of that kind."""
    start = spec.start - dt.timedelta(days=30)
    if kind.startswith("clean"):
        soils = spec.all_of(Soiling)
        if not soils:
            return None
        scope = "site" if kind == "clean site" else inverter
        new = replace(soils[0], cleanings=tuple(sorted((*soils[0].cleanings, (day, scope, 500.0)))))

        def undone(s: FarmSpec) -> FarmSpec:
            soil = s.all_of(Soiling)[0]
            return _swap(s, soil, replace(soil, cleanings=tuple(c for c in soil.cleanings if c[:2] != (day, scope))))

        return _swap(spec, soils[0], new), Done(kind, "cleaning", scope, day, undone, rain)
    if kind == "string":
        taken = {f.string for f in spec.all_of(StringFault)}
        block = next(b for b in spec.blocks if b.inverter == inverter)
        free = [f"{inverter}.{i + 1}.{k + 1}" for i in range(block.inputs) for k in range(block.per_input)]
        free = [name for name in free if name not in taken]
        if not free:
            return None
        what, size = [("open", 0.0), ("open", 0.0), ("bypass_short", 3), ("series_resistance", 4.0),
                      ("current_low", 0.12)][int(rng.integers(5))]
        began = start if rng.random() < 0.5 else day - dt.timedelta(days=int(rng.integers(30, 90)))
        fault = StringFault(free[int(rng.integers(len(free)))], what, began, size, day)
        return (replace(spec, mechanisms=(*spec.mechanisms, fault)),
                Done(kind, "repair", fault.string, day, lambda s: _swap(s, fault, replace(fault, repaired=None))))
    if kind == "inverter":
        what, low, high = [("ramp", 2.0, 8.0), ("heat", 1.0, 4.0), ("mppt", 10.0, 50.0)][int(rng.integers(3))]
        trouble = InverterEfficiency(inverter, what, start, rng.uniform(low, high), day)
        return (replace(spec, mechanisms=(*spec.mechanisms, trouble)),
                Done(kind, "repair", inverter, day, lambda s: _swap(s, trouble, replace(trouble, repaired=None))))
    if kind == "shade":
        hedges = spec.all_of(Hedge)
        if not hedges or hedges[0].cuts:
            return None
        cut = replace(hedges[0], cuts=((day, 2.0, 600.0),))
        return (_swap(spec, hedges[0], cut),
                Done(kind, "vegetation_cut", "site", day, lambda s: _swap(s, s.all_of(Hedge)[0], hedges[0])))
    event = ("cleaning", "repair")[int(rng.integers(2))]
    block = next(b for b in spec.blocks if b.inverter == inverter)
    scope = inverter if event == "cleaning" else (inverter, f"{inverter}.1.1")[int(rng.integers(2))]
    return spec, Done("nothing", event, scope, day, None)


def _rainy(spec: FarmSpec, day: dt.date) -> dt.date:
    """The next day that is followed by 5 mm of rain within two days, or the day itself."""
    wx = build(spec).wx
    rain = wx["precipitation"].groupby(wx.index.tz_convert(spec.timezone).date).sum()
    for k in range(20):
        at = day + dt.timedelta(days=k)
        if sum(rain.get(at + dt.timedelta(days=j), 0.0) for j in (1, 2)) > 5.0:
            return at
    return day


def draw(seed: int, cuts: bool = False) -> tuple[FarmSpec, list[Done], bool]:
    """A farm, with a hedge that is cut if `cuts`; the jobs done in it; whether its light sensor was cleaned at the first."""
    rng = np.random.default_rng([seed, 4243])
    drawn = draw_farm(seed, years=1)
    fit = drawn.instruments
    minutes = None if fit.log_minutes is None else 60
    coarse = replace(fit, log_minutes=minutes, unlogged_minutes=60, string_current=False, curves=False)
    spec = _plain(replace(drawn, instruments=coarse))
    if rng.random() < (1.0 if cuts else 0.35) and not spec.all_of(Hedge):
        toward = 180.0 if spec.latitude > 0 else 0.0
        spec = replace(spec, mechanisms=(*spec.mechanisms, Hedge(toward, 90.0, 6.0, rng.uniform(3.0, 4.5), 0.4)))
    count = max(int(rng.choice((3, 7), p=(0.3, 0.7))), len(spec.blocks))
    blocks = (replace(spec.blocks[k % len(spec.blocks)], inverter=f"INV{k + 1}") for k in range(count))
    spec = replace(spec, blocks=tuple(blocks))
    inverters = [f"INV{k + 1}" for k in range(count)]
    rng.shuffle(inverters)
    done: list[Done] = []
    begin, kinds = int(rng.integers(100, 180)), list(KINDS)
    # Two inverters are never touched.
    for n in range(count - 2):
        kind = "shade" if cuts and n == 0 else kinds[int(rng.integers(len(kinds)))]
        if kind in ONCE:
            kinds.remove(kind)
        day = spec.start + dt.timedelta(days=begin + APART * n)
        rain = kind.startswith("clean") and rng.random() < BEFORE_RAIN
        found = _with_job(spec, kind, inverters[n], _rainy(spec, day) if rain else day, rng, rain)
        if found:
            spec = found[0]
            done.append(found[1])
    if done:
        days = [d.day for d in done]
        rounds = (min(days) - dt.timedelta(days=9), max(days) + dt.timedelta(days=9))
        if minutes is None or rng.random() < 0.5:
            spec = replace(spec, instruments=replace(spec.instruments, iv_rounds=rounds, iv_share=1.0))
    return spec, done, bool(rng.random() < SENSOR and spec.instruments.weather != "modelled")


def by_day(spec: FarmSpec) -> pd.Series:
    """What the meter would read on each local day. [kWh]"""
    farm = build(spec)
    on = frozenset(spec.causes)
    meter = chain(farm, farm.inverter_dc(farm.string_dc(on)), on).meter * spec.step_minutes / 60.0
    return pd.Series(meter).groupby(farm.times.tz_convert(spec.timezone).date).sum()


def no_split(farm: Farm) -> Truth:
    """The farm's truth without the split by cause, which nothing here needs."""
    codes, months = pd.factorize(month_labels(farm))
    on, hours = frozenset(farm.spec.causes), farm.spec.step_minutes / 60
    actual = chain(farm, farm.inverter_dc(farm.string_dc(on)), on)
    nothing = chain(farm, farm.inverter_dc(farm.string_dc(frozenset())), frozenset())
    monthly = [np.bincount(codes, out.meter) * hours for out in (nothing, actual)]
    return Truth(tuple(months), monthly[0], monthly[1], {}, actual)


def _add_to_record(folder: Path, spec: FarmSpec, done: list[Done], sensor: bool, rng: np.random.Generator) -> None:
    """Visits that changed nothing, and the sensor's cleaning, which the generator does not know."""
    file = folder / "events.csv"
    events = pd.read_csv(file, dtype=str, keep_default_na=False)
    more = [(f"N{n}", d.event, d.day.isoformat(), "", d.scope, "300", "") for n, d in enumerate(done) if d.undone is None]
    if sensor and done:
        more.append(("S1", "sensor_cleaned", done[0].day.isoformat(), "", "site", "", ""))
        weather = folder / "weather.parquet"
        table = pd.read_parquet(weather)
        time = pd.to_datetime(table["time"], utc=True).dt.tz_convert(spec.timezone)
        dim = np.where(time.dt.date <= done[0].day, 1.0 - rng.uniform(0.01, 0.05), 1.0)
        for name in {"ghi", "poa_global"} & set(table.columns):
            table[name] = table[name] * dim
        table.to_parquet(weather, index=False)
    write_csv(file, pd.concat([events, pd.DataFrame(more, columns=events.columns)]))


def proven(folder: Path, spec: FarmSpec) -> pd.DataFrame:
    """The proofs of a farm by the package, without the stages that they do not need."""
    site = read_portfolio(folder).sites[0]
    data = read_site_data(folder, site, spec.end)
    rounds = assess_rounds(site, data)
    findings, clamps = string_findings(site, rounds, data), check_clamps(site, data, rounds)
    start, end = (pd.Timestamp(d, tz=site.timezone).tz_convert("UTC") for d in (spec.start, spec.end))
    state = infer_state(site, data, rounds, findings, start, end, clamps=clamps)
    return proof_table(prove_site(site, data, state, rounds, done_jobs(site, data)), 36, "EUR")


def run(seed: int, cuts: bool = False) -> tuple[int, pd.DataFrame | str]:
    """Seed, and a row for each job, or what went wrong."""
    try:
        spec, done, sensor = draw(seed, cuts)
        if not done:
            return seed, pd.DataFrame()
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "portfolio"
            write_portfolio(folder, Path(name) / "truth", PortfolioSpec("Drawn", (spec,)), tell=no_split)
            _add_to_record(folder / "sites" / spec.id, spec, done, sensor, np.random.default_rng(seed))
            table = proven(folder, spec)
        actual, rows = by_day(spec), []
        for job in done:
            event = table[(table["done_on"].astype(str) == job.day.isoformat()) & (table["scope"] == job.scope)]
            if event.empty:
                continue
            told = event.iloc[0]
            truth = 0.0
            if job.undone is not None:
                gain = actual - by_day(job.undone(spec))
                days = pd.Index(gain.index)
                truth = float(gain[(days >= told["measured_from"]) & (days <= told["measured_to"])].sum())
            rows.append({"seed": seed, "kind": job.kind, "rain": job.rain, "sensor": sensor and job is done[0],
                         "log": spec.instruments.log_minutes is not None, "truth": truth, **told})
    except Exception:  # a farm that breaks the chain is a result
        return seed, traceback.format_exc(limit=-3)
    return seed, pd.DataFrame(rows)


def report(rows: pd.DataFrame) -> None:
    """Print the tables."""
    told = rows.dropna(subset=["gain_kwh"])
    low, high, truth = (told[c] for c in ("gain_low_kwh", "gain_high_kwh", "truth"))
    slack = 0.02 * (high - low)
    told = told.assign(holds=(truth >= low - slack) & (truth <= high + slack), error=told["gain_kwh"] - truth, wide=high - low,
                       worked=low > 0)
    print(f"{len(rows)} jobs, {len(told)} with a measured gain; 90 % intervals that hold: {told['holds'].mean():.3f}")
    print("                        jobs  hold  mean truth  mean error  median width  said to have worked")
    groups = {"kind": told["kind"], "method": told["methods"], "log": told["log"], "rain": told["rain"], "sensor": told["sensor"]}
    for name, by in groups.items():
        for value, part in told.groupby(by):
            print(f"  {name:7s}{value!s:14s} {len(part):4d} {part['holds'].mean():6.2f} {part['truth'].mean():10.0f} "
                  f"{part['error'].mean():10.0f} {part['wide'].median():12.0f} {part['worked'].mean():12.2f}")
    idle, real = told[told["kind"] == "nothing"], told[told["kind"] != "nothing"]
    print(f"jobs that did nothing, said to have worked: {idle['worked'].sum()} of {len(idle)}; others: "
          f"{real['worked'].sum()} of {len(real)}")
    print(rows["verdict"].value_counts().to_string())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="700-709", help="first-last, both included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--cuts", action="store_true", help="a hedge on every farm, cut at the first visit")
    parser.add_argument("--out", type=Path, help="write every job as CSV")
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    found = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for seed, result in pool.map(partial(run, cuts=options.cuts), range(first, last + 1)):
            if isinstance(result, str):
                print(f"seed {seed} broke:\n{result}", flush=True)
            elif len(result):
                found.append(result)
                print(f"seed {seed}: {len(result)} jobs", flush=True)
    if found:
        rows = pd.concat(found, ignore_index=True)
        if options.out:
            rows.to_csv(options.out, index=False)
        report(rows)


if __name__ == "__main__":
    main()
