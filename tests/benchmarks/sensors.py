"""
How often a light sensor that is wrong is told, and how often a right one is accused.

    python -m tests.benchmarks.sensors --seeds 1200-1223

Draws each farm (`tests/farm/population.py`) as it is, and again with one fault of each kind in one of its light sensors, and
holds what the check of the sensors says against it. A farm with modelled weather has no sensor: only false alarms can come of
it. No test runs this: two dozen farms take some four minutes.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import FarmSpec, SensorFault
from tests.farm.write import write_portfolio
from yieldwatch.field.read import read_site_data
from yieldwatch.gap.clock_check import with_right_clocks
from yieldwatch.gap.light_sensor import LightFault, with_checked_light
from yieldwatch.portfolio.read import read_portfolio

#: What is put in, and what it should be called.
KINDS = {"tilt": "lean", "shade": "shade", "dirt": "dirt", "stuck": "stuck", "ceiling": "ceiling"}
COLUMNS = {"ghi": ("ghi_w_m2",), "poa": ("poa_global_w_m2",), "station": ("ghi_w_m2", "poa_global_w_m2"), "modelled": ()}


def draw_fault(spec: FarmSpec, kind: str) -> SensorFault | None:
    """One fault of a kind that matters, in one of the farm's sensors; None where it has none."""
    columns = COLUMNS[spec.instruments.weather]
    if not columns:
        return None
    rng = np.random.default_rng([spec.seed, *kind.encode()])
    size = {
        "tilt": rng.uniform(2.5, 5.0),
        "shade": rng.uniform(15.0, 30.0),
        "dirt": rng.uniform(0.08, 0.2),
        "stuck": rng.uniform(4.0, 12.0),
        "ceiling": rng.uniform(650.0, 850.0),
    }[kind]
    east = bool(rng.random() < 0.5)
    toward = 90.0 if east else 270.0
    if kind == "shade":  # where the sun stands low for most of the year
        toward += rng.uniform(0.0, 40.0) * (1 if east else -1) * (1 if spec.latitude > 0 else -1)
    return SensorFault(kind, float(size), str(rng.choice(columns)), float(toward) % 360.0, float(rng.uniform(25, 50)))


def checked(spec: FarmSpec) -> tuple[LightFault, ...]:
    """What the check of the sensors says of the farm as written."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_portfolio(folder / "portfolio", folder / "truth", PortfolioSpec("Drawn", (spec,)))
        site = read_portfolio(folder / "portfolio").sites[0]
        data, _ = with_right_clocks(site, read_site_data(folder / "portfolio", site))
    return with_checked_light(site, data)[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1200-1223", help="first-last, both included")
    parser.add_argument("--second", action="store_true", help="with a second weather source on every farm")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), choices=list(KINDS))
    options = parser.parse_args()
    first, last = (int(s) for s in options.seeds.split("-"))
    rows = []
    for seed in range(first, last + 1):
        spec = draw_farm(seed)
        if options.second and spec.instruments.weather != "modelled":
            spec = replace(spec, instruments=replace(spec.instruments, second_weather=True))
        for kind in (None, *options.kinds):
            fault = draw_fault(spec, kind) if kind else None
            if kind and fault is None:
                continue
            own = (fault,) if fault else ()
            found = checked(replace(spec, instruments=replace(spec.instruments, sensor_faults=own)))
            right = [f for f in found if fault and f.kind == KINDS[fault.kind] and fault.column.startswith(f.column)]
            wrong = sorted({f"{f.column} {f.kind}" for f in found if f not in right})
            rows.append({"seed": seed, "kind": kind or "none", "found": bool(right), "false": ", ".join(wrong),
                         "put_in": fault.size if fault else np.nan, "told": right[0].size if right else np.nan,
                         "log": spec.instruments.log_minutes})
            print(*rows[-1].values(), sep="  ", flush=True)
    table = pd.DataFrame(rows)
    for kind, part in table.groupby("kind", sort=False):
        print(f"{kind:8s} {len(part):3d} farms: told on {part['found'].sum()}, something else on {(part['false'] != '').sum()}")


if __name__ == "__main__":
    main()
