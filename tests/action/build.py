"""The smallest portfolio and jobs that a work list can be made of."""

from __future__ import annotations

import datetime as dt

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.portfolio.model import Inverter, InverterType, JobCost, ModuleType, Portfolio, Site, String

AS_OF = dt.date(2025, 4, 1)
MODULE = ModuleType("m", "mono", 400, 10, 50, 9.5, 42, 0.05, -0.28, -0.35, 72, 3, 0, 3)
INVERTER = InverterType("i", 50, 50, None, 2, None, None, ((0.1, 0.95), (1.0, 0.98)))

COSTS = (
    JobCost("clean", 300.0, 0.4, "module", 2.0, 0.01, 10),
    JobCost("repair_string", 160.0, 80.0, "string", 2.0, 1.5, 7),
    JobCost("replace_modules", 240.0, 100.0, "module", 2.0, 0.5, 30),
    JobCost("cut_vegetation", 250.0, 2.0, "metre", 2.0, 0.05, 14),
    JobCost("inspect", 130.0, 50.0, "visit", 1.0, 3.0, 5),
)


def make_site(site_id="moor", costs=COSTS, **more) -> Site:
    return Site(
        id=site_id, name=site_id, latitude=more.pop("latitude", 51.0), longitude=0.0, altitude_m=0.0,
        timezone="UTC", commissioned=dt.date(2019, 1, 1), arrays=(), inverters=(Inverter("I1", INVERTER),),
        strings=(String("I1.1", "I1", "A", MODULE, 20), String("I1.2", "I1", "A", MODULE, 20)),
        job_costs={c.job_kind: c for c in costs}, **more,
    )


def make_portfolio(*sites, budget=None, crew_days=None, rate=0.0, horizon=36) -> Portfolio:
    return Portfolio("Test", "GBP", rate, budget, crew_days, horizon, {}, {}, sites or (make_site(),))


def make_job(per_month, kind="repair_string", scope=("I1.1",), site="moor", units=None, **more) -> Candidate:
    """A job that returns the same every month; one draw for each value of `per_month`. 0.10 a kWh."""
    value = np.repeat(np.atleast_1d(np.asarray(per_month, dtype=float))[:, None], 36, axis=1)
    return Candidate(
        site_id=site, job_kind=kind, cause=more.pop("cause", "string_fault"), scope=scope,
        units={"string": 1.0, "module": 20.0} if units is None else units, gain_kwh=value / 0.10,
        gain_value=more.pop("gain_value", value), confidence=more.pop("confidence", 0.9), why="Because.",
        comes_back="It does not.", **more,
    )
