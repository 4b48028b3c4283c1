"""Jobs and findings for the tests of the book."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from yieldwatch.book.facts import Job
from yieldwatch.book.keep import JobBook

AS_OF = dt.date(2025, 4, 1)


def raise_job(book: JobBook, **facts) -> Job:
    """A proposed repair of string I1.1 at moor, worth 400 kWh a year (300 to 500)."""
    proposal = {
        "site_id": "moor", "job_kind": "repair_string", "cause": "string_fault", "scope": "I1.1", "job_id": "moor-x",
        "raised_on": AS_OF, "found": True, "advised": True, "safety": False, "gain_kwh_per_year": 400.0,
        "gain_low_kwh_per_year": 300.0, "gain_high_kwh_per_year": 500.0, "gain_per_year": 40.0, "gain_low_per_year": 30.0,
        "cost_estimate": 150.0, "why": "Gave no current.",
    }
    with book.writing() as pages:
        return pages.raise_job({**proposal, **facts})


def finding(scope="I1.1", gain=400.0, site="moor", kind="repair_string", cause="string_fault", **more) -> dict:
    """A row of the work list; money is a tenth of the energy, bounds a quarter to either side."""
    return {
        "job_id": f"{site}-{kind}-{scope.replace(' ', '_')}", "site_id": site, "job_kind": kind, "cause": cause, "scope": scope,
        "gain_kwh_per_year": gain, "gain_low_kwh_per_year": 0.75 * gain, "gain_high_kwh_per_year": 1.25 * gain,
        "gain_per_year": gain / 10, "gain_low_per_year": 0.75 * gain / 10, "cost": 150.0, "chosen": True, "safety": False,
        "why": f"{scope} is weak.",
    } | more


def findings(*rows: dict) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(finding()))
