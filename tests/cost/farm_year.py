"""A farm whose every hour is alike, so that its money can be written out by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd

from tests.cost.build import make_data, make_gap, make_site
from yieldwatch.constants import CAUSES
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Inverter, InverterType, ModuleType, Plan, Site, String, Tariff

PRICE = 0.10
#: Of each hour. [kWh] 10 expected, 9 measured.
TAKEN = {"soiling": 0.5, "degradation": 0.3, "inverter_outage": 0.1, "unexplained": 0.1}
MODULE = ModuleType("m", "mono-Si", 500.0, 13.0, 45.0, 12.5, 40.0, 0.05, -0.27, -0.4, 72, 3, 0.0, 3.0, 98.0, 0.5, 25.0)
INVERTER = InverterType("i", 20.0, 20.0, None, 1, None, None, ((1.0, 0.98),), warranty_years=10.0)
PLAN = Plan(
    p50_kwh_by_month=(7000.0,) * 12, insolation_kwh_m2_by_month=(100.0,) * 12, temp_air_c_by_month=(10.0,) * 12,
    price_per_kwh_by_year=(0.11,), p90_over_p50=0.92, capital_cost=60_000.0, operating_cost_per_year=876.0, life_years=20.0,
    degradation_pct_per_year=0.5,
)


def farm(plan: Plan | None = PLAN, **more) -> Site:
    """Twenty kWp since 2019, all energy sold at one price."""
    site = make_site(Tariff(dt.date(2019, 1, 1), None, "fixed", PRICE), plan=plan, **more)
    strings = tuple(String(f"S{k}", "INV1", "A", MODULE, 10) for k in range(4))
    return replace(site, inverters=(Inverter("INV1", INVERTER),), strings=strings)


def account(start: str = "2023-01-01", end: str = "2025-01-01", **taken: float) -> SiteGap:
    """An hourly account in which each cause takes the same every hour; draws are 0.8, 1 and 1.2 times it."""
    taken = TAKEN | taken
    index = pd.date_range(start, end, freq="h", inclusive="left", tz="UTC")
    frame = pd.DataFrame({"expected_kwh": 10.0, "measured_kwh": 10.0 - sum(taken.values())}, index)
    for cause in CAUSES:
        frame[cause] = taken.get(cause, 0.0)
    frame["instructed_kwh"] = frame["curtailment"]
    gap = make_gap(frame)
    months = gap.months
    by = frame.groupby(index.strftime("%Y-%m")).sum()
    draws = {c: np.array([0.8, 1.0, 1.2])[:, None] * by[c].to_numpy()[None, :] for c in CAUSES}
    yields = pd.DataFrame({
        "site_id": "moor", "month": months, "insolation_kwh_m2": 110.0, "expected_kwh": by["expected_kwh"].to_numpy(),
        "measured_kwh": by["measured_kwh"].to_numpy(), "measured_from": "meter",
    })
    spells = pd.DataFrame({"site_id": [], "inverter_id": [], "start": [], "end": [], "cause": [], "energy_kwh": []})
    findings = pd.DataFrame({"string_id": ["S0", "S1", "S2", "S3"], "finding": ["ok", "ok", "soiled", "ok"]})
    return replace(gap, draws=draws, yields=yields, downtime=spells, string_findings=findings)


def evidence(gap: SiteGap, **more) -> SiteData:
    """The meter of each month, and air of 12 °C."""
    starts = pd.DatetimeIndex([pd.Timestamp(m, tz="UTC") for m in gap.months])
    meter = pd.DataFrame({
        "start": starts, "end": starts + pd.offsets.MonthBegin(1), "energy_kwh": gap.yields["measured_kwh"].to_numpy()})
    weather = pd.DataFrame({"temp_air": 12.0}, gap.intervals.index)
    return replace(make_data(), **({"meter": meter, "weather": weather} | more))


def statements(*rows: tuple[str, str, float, float, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["start", "end", "energy_kwh", "amount", "reference"])
    return frame.assign(start=pd.to_datetime(frame["start"], utc=True), end=pd.to_datetime(frame["end"], utc=True))
