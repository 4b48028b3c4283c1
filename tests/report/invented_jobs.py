"""
Invented jobs, their plan, their proof and readings that could be made, at the farms of `invented`.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.report.schema import BRIGHT_HOURS, NEXT_MEASUREMENTS, PLAN, PROMISES, PROOF, WAITING

HOSTILE_NAME = "<script>alert('x')</script> & Söhne"
HOSTILE_FORMULA = '=HYPERLINK("http://example.invalid","x")'
HOSTILE_COMMAND = "=cmd|' /C calc'!A0"

TIGHT_BUDGET = "Worth doing, but missed the budget by GBP 240."
NOT_WORTH = "Not worth doing: at 0.27 GBP per kWh it would be."


def work_list() -> pd.DataFrame:
    nan = np.nan
    rows = [
        (
            1,
            "J1",
            "alder",
            "repair_string",
            "string_fault",
            ("S21",),
            "2025-07-01",
            "2025-07-31",
            2_900.0,
            2_500.0,
            3_300.0,
            238.0,
            180.0,
            430.0,
            9.1,
            8.0,
            10.6,
            470.0,
            True,
            0.99,
            "DC cannot be switched off in light: isolate, prove dead, competent electrician only.",
            True,
            "S21 gave no current in the round of 20 Mar 2025 while its peers gave 9.1 A.",
        ),
        (
            2,
            "J2",
            "alder",
            "clean",
            "soiling",
            ("site",),
            "2025-07-05",
            "2025-08-15",
            3_100.0,
            1_900.0,
            4_400.0,
            254.0,
            210.0,
            210.0,
            9.9,
            7.0,
            16.2,
            430.0,
            True,
            0.93,
            "No cold water on hot glass; no wash of cracked modules.",
            False,
            HOSTILE_FORMULA,
        ),
        (
            3,
            "J3",
            "birch",
            "inspect",
            "soiling",
            ("site",),
            "2025-07-01",
            None,
            nan,
            nan,
            nan,
            nan,
            150.0,
            150.0,
            nan,
            nan,
            nan,
            nan,
            True,
            nan,
            "",
            False,
            "Dirt and sensor drift look alike here: one round after a clean tells.",
        ),
        (
            4,
            "J4",
            "alder",
            "cut_vegetation",
            "shading",
            ("S01", "S02"),
            "2025-09-01",
            "2026-02-28",
            1_500.0,
            600.0,
            2_500.0,
            123.0,
            300.0,
            300.0,
            29.3,
            17.6,
            nan,
            42.0,
            False,
            0.8,
            "Nesting birds: local rules decide.",
            False,
            "+shade in the morning",
        ),
        (
            5,
            "J5",
            "birch",
            "clean",
            "soiling",
            ("site",),
            None,
            None,
            800.0,
            200.0,
            1_500.0,
            65.6,
            600.0,
            600.0,
            nan,
            nan,
            nan,
            -420.0,
            False,
            0.6,
            "",
            False,
            "Dirt costs less than the wash.",
        ),
    ]
    columns = [
        "rank",
        "job_id",
        "site_id",
        "job_kind",
        "cause",
        "scope",
        "due_from",
        "due_to",
        "gain_kwh_per_year",
        "gain_low_kwh_per_year",
        "gain_high_kwh_per_year",
        "gain_per_year",
        "cost",
        "cost_alone",
        "payback_months",
        "payback_low_months",
        "payback_high_months",
        "npv",
        "chosen",
        "confidence",
        "caution",
        "safety",
        "why",
    ]
    jobs = pd.DataFrame(rows, columns=columns)
    jobs["verdict"] = ["Do first.", "Do.", "Do.", TIGHT_BUDGET, NOT_WORTH]
    options = [None, "Do nothing: GBP 254 stays lost.", None, None, None]
    return jobs.assign(
        chance_of_payback=[1.0, 0.96, nan, 0.71, 0.04], best_start=[None, "2025-07-15", None, None, None],
        latest_start=[None, "2026-04-01", None, None, None], delay_cost_per_week=[nan, 12.0, nan, nan, nan],
        delay_cost_low_per_week=[nan, -3.0, nan, nan, nan], delay_cost_high_per_week=[nan, 30.0, nan, nan, nan], options=options)


def plan() -> pd.DataFrame:
    """A visit with two jobs, and one that missed the budget."""
    nan = np.nan
    rows = [
        ("visit", "V01", 2, "2025-07-15", "alder", "electrical", None, None, None, None, True, 6.0, 0.75, 250.0, 700.0, 600.0,
         800.0, 450.0, nan, nan, nan, None, None, None),
        ("job", "V01", 2, "2025-07-15", "alder", "electrical", "J1", "repair_string", "S21", "1 of 1", True, 1.5, 0.19, 90.0,
         700.0, 600.0, 800.0, 610.0, nan, nan, nan, None, "Isolate first.", "string_fault"),
        ("left_out", None, 9, "2025-09-02", "alder", "vegetation", "J4", "cut_vegetation", "S01 S02", None, False, nan, nan,
         300.0, 342.0, 200.0, 500.0, 42.0, 150.0, 0.0, 120.0, TIGHT_BUDGET, None, "shading"),
    ]
    return pd.DataFrame(rows, columns=list(PLAN))


def waiting() -> pd.DataFrame:
    rows = [("alder", "J4", 0, "2025-07-01", 342.0, 200.0, 500.0, False, "birds may be nesting"),
            ("alder", "J4", 9, "2025-09-02", 342.0, 200.0, 500.0, True, "")]
    return pd.DataFrame(rows, columns=list(WAITING))


def proof() -> pd.DataFrame:
    """A repair that paid, and an event of hostile name that cannot be told."""
    nan, start, end = np.nan, dt.date(2025, 3, 2), dt.date(2025, 6, 30)
    rows = [
        ("alder", "job 4", 4, "repair_string", "string_fault", "S21", dt.date(2025, 3, 1), "Moor", start, end, "peers", "I2", 59,
         110, 1500.0, 1300.0, 1700.0, 1600.0, 120.0, 104.0, 136.0, 4100.0, 3600.0, 4600.0, 328.0, 100.0, 1.0, "paid_back", nan,
         "Worked."),
        ("alder", HOSTILE_FORMULA, None, "clean", "soiling", "site", dt.date(2025, 3, 1), None, start, end, "", "", 0, 0,
         nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, "not_told", nan, "Cannot be told."),
    ]
    return pd.DataFrame(rows, columns=list(PROOF))


def ledger() -> pd.DataFrame:
    rows = [("all", "", 1, 1600.0, 1500.0, 0.98, 0.6, 1.3), ("contractor", HOSTILE_NAME, 1, 1600.0, 1500.0, 0.97, 0.6, 1.3)]
    return pd.DataFrame(rows, columns=list(PROMISES))


def next_measurements() -> pd.DataFrame:
    """A reading that pays, and one that would change nothing."""
    rows = [
        (1, "alder", "wash_witness", "site", "wash two strings", "J3", "J3", 0.31, 173.0, 133.0, 196.0, 210.0, 60.0, 210.0, 113.0,
         True, "Read before deciding.", "DC is live."),
        (2, "alder", "read_clamps", "I1", "read DC and AC power", "J2", "", 0.0, 0.0, 0.0, 0.0, 210.0, 210.0, 210.0, -210.0,
         True, "No outcome that is likely would change a decision.", "DC is live."),
    ]
    return pd.DataFrame(rows, columns=list(NEXT_MEASUREMENTS))


def bright_hours() -> pd.DataFrame:
    rows = [("alder", "2025-07", 12, 700.0, 14.0, 9.0, 19.0, 2), ("alder", "2025-07", 13, 700.0, 12.0, 8.0, 16.0, 2),
            ("alder", "2025-12", 12, 700.0, np.nan, np.nan, np.nan, 0)]
    return pd.DataFrame(rows, columns=list(BRIGHT_HOURS))
