"""
One drawn farm, assessed, against what its generator knows.
"""

from __future__ import annotations

import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tests.farm.causes import at_strength, fault_factor, strength
from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.simulate import Farm, energies, shapley
from tests.farm.sky import Plane
from tests.farm.spec import FarmSpec, StringFault
from tests.farm.write import write_portfolio
from yieldwatch.assess import assess

#: Causes read off a log as spells.
SPELL_CAUSES = ("inverter_outage", "grid_outage", "curtailment")
#: Jobs that mend something, as against those that look or ask.
NOT_CORRECTIVE = ("inspect", "claim")
#: Share of a string's power under droppings from which nobody can say whether it is faulty.
DROPPINGS = 0.02


@dataclass(frozen=True)
class Known:
    """
    What came of one farm.

    Attributes
    ----------
    rows : DataFrame
        A row for each of the last 12 months and each cause: truth, told energy and its interval. [kWh]
    strings : DataFrame
        A row a string: true `finding` and its `size` as share of the string's power at standard conditions, `told`, and whether a
        round on or after the fault's first day, or string currents, `seen` it.
    spells : DataFrame
        A row for each day and spell cause of the last 12 months: `truth` and `told`. [kWh]
    corrective : int
        Corrective jobs on the work list that are recommended.
    """

    rows: pd.DataFrame
    strings: pd.DataFrame
    spells: pd.DataFrame
    corrective: int


def run(seed: int, healthy: bool, years: int | None = None) -> tuple[int, Known | str]:
    """Seed, and what came of it or what went wrong; `years` is the length of the history, 1 or 2 where not given."""
    try:
        spec = draw_farm(seed, years, healthy=healthy)
        with tempfile.TemporaryDirectory() as name:
            folder, truth = Path(name) / "portfolio", Path(name) / "truth"
            ((farm, _),) = write_portfolio(folder, truth, PortfolioSpec("Drawn", (spec,)))
            answer = assess(folder, as_of=spec.end)
            expected, losses = pd.read_csv(truth / "expected.csv"), pd.read_csv(truth / "losses.csv")
            strings = pd.read_csv(truth / "strings.csv", keep_default_na=False)
            read = {f: pd.read_csv(f) for f in folder.glob("sites/*/readings/iv/*.csv")}
    except Exception:  # a farm that breaks the chain is a result
        return seed, traceback.format_exc(limit=-2)
    gap = answer.sites[0].gap
    about = {"seed": seed, "log": spec.instruments.log_minutes is not None}
    told = answer.sites[0].losses[["month", "cause", "energy_kwh", "energy_low_kwh", "energy_high_kwh"]]
    months = sorted(expected["month"])[-12:]
    rows = losses[losses["month"].isin(months)].rename(columns={"energy_kwh": "truth"})
    rows = rows.merge(told, on=["month", "cause"], how="outer").merge(expected[["month", "expected_kwh"]], on="month")
    rows = rows[rows["month"].isin(months)].assign(**about)
    rows["truth"] = rows["truth"].fillna(0.0)
    found = gap.string_findings[["string_id", "finding"]].rename(columns={"finding": "told"})
    # A string under heavy droppings is no fault and no false alarm: it counts neither way.
    clear = (strings["finding"] != "ok") | (strings["droppings"] <= DROPPINGS)
    both = strings.loc[clear, ["string_id", "finding", "from"]].merge(found, on="string_id", how="left")
    both["size"] = both["string_id"].map(fault_sizes(farm)).fillna(0.0).where(both["finding"] != "ok", 0.0)
    both["seen"] = seen(spec, both, pd.concat(read.values()) if read else None)
    listed = answer.work_list
    wanted = listed[listed["chosen"].astype(bool) & ~listed["job_kind"].isin(NOT_CORRECTIVE)]
    spells = by_day(farm, gap.downtime, months).assign(**about)
    return seed, Known(rows, both.assign(**about), spells, len(wanted))


def fault_sizes(farm: Farm) -> dict[str, float]:
    """Share of its power that each string that is faulty today lacks at 1000 W/m² and a cell of 25 °C."""
    one = np.ones(1)
    standard = Plane(*[one] * 3, beam=1000.0 * one, diffuse=0.0 * one, temp_module=25.0 * one, temp_cell=25.0 * one)
    units = {u.id: u for u in farm.units}
    now = {f: float(strength(f, farm.times[-1:])[0]) for f in farm.spec.all_of(StringFault)}
    return {
        f.string: 1.0 - float(fault_factor(farm.spec, units[f.string], at_strength(f, size), standard)[0])
        for f, size in now.items()
        if size > 0
    }


def seen(spec: FarmSpec, strings: pd.DataFrame, readings: pd.DataFrame | None) -> np.ndarray:
    """Whether a round or string currents looked at each string since its fault began."""
    if spec.instruments.string_current:
        return np.ones(len(strings), bool)
    if readings is None:
        return np.zeros(len(strings), bool)
    last = pd.to_datetime(readings["time"].str[:10]).groupby(readings["string_id"].astype(str)).max()
    return (strings["string_id"].map(last) >= pd.to_datetime(strings["from"])).to_numpy(bool)


def by_day(farm: Farm, told: pd.DataFrame, months: list[str]) -> pd.DataFrame:
    """
    Energy of the spell causes by local day, true and told, in `months`. [kWh]

    True is each cause's mean over all orders of switching causes on, as in the account of the months: what an inverter that was
    off under dirt or a hedge lost is shared with them.
    """
    label = farm.times.tz_convert(farm.spec.timezone).strftime("%Y-%m-%d")
    codes, days = pd.factorize(label)
    true = shapley(energies(farm, codes), farm.spec.causes)
    lit = farm.planes[farm.units[0].place].effective
    parts = []
    for cause in SPELL_CAUSES:
        shares = np.zeros(len(lit))
        for spell in told[told["cause"] == cause].itertuples():
            inside = (farm.times >= spell.start) & (farm.times < spell.end)
            weight = np.where(inside, lit + 1e-9, 0.0)  # a spell of many days is shared among them by light
            shares += spell.energy_kwh * weight / weight.sum() if weight.any() else 0.0
        told_by_day = np.bincount(codes, shares, minlength=len(days))
        parts.append(pd.DataFrame({"cause": cause, "truth": true.get(cause, np.zeros(len(days))), "told": told_by_day}, days))
    out = pd.concat(parts).rename_axis("day").reset_index()
    return out[out["day"].str[:7].isin(months)]
