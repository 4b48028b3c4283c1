"""
Two invented farms, already assessed: one with a log, one with field readings only and hostile names.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from tests.report.invented_jobs import (
    HOSTILE_COMMAND,
    HOSTILE_FORMULA,
    HOSTILE_NAME,
    bright_hours,
    ledger,
    next_measurements,
    plan,
    proof,
    waiting,
    work_list,
)
from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.constants import CAUSES, IN_HAND
from yieldwatch.cost.bridge import BridgeMonth, bridge_rows
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.why import Figure, Reading, Rival, Turn, Why
from yieldwatch.portfolio.model import (
    Array,
    Assumption,
    Inverter,
    InverterType,
    ModuleType,
    Plan,
    Portfolio,
    Site,
    String,
    Tariff,
)
from yieldwatch.report.schema import CLAIMS, OBSTACLES, RETURNS, STATEMENT_CHECKS

MODULE = ModuleType("mono400", "mono-Si", 400.0, 10.3, 49.0, 9.8, 40.9, 0.05, -0.27, -0.35, 72, 3, 0.0, 3.0)
INVERTER = InverterType("inv100", 100.0, 110.0, None, 2, 500.0, 900.0, ((0.1, 0.95), (1.0, 0.98)))
MONTHS = ("2025-01", "2025-02", "2025-03", "2025-04", "2025-05", "2025-06")
EXPECTED = np.array([9_000.0, 14_000.0, 25_000.0, 33_000.0, 40_000.0, 41_000.0])
#: Light in the array plane for an expected performance ratio of 0.88. [kWh/m²]
LIGHT = EXPECTED / 230.4 / 0.88
#: Share of expected energy that each cause takes, by cause. [fraction]
SHARES = {
    "soiling": 0.021,
    "shading": 0.012,
    "snow": 0.0,
    "string_fault": 0.018,
    "inverter_efficiency": 0.002,
    "inverter_outage": 0.006,
    "grid_outage": 0.003,
    "curtailment": 0.0,
    "reactive_power": np.nan,
    "degradation": 0.025,
    "unexplained": -0.004,
}
PRICE = 0.082


def site(site_id: str, name: str) -> Site:
    inverters = (Inverter("INV1", INVERTER), Inverter("INV2", INVERTER))
    strings = tuple(String(f"S{n:02d}", "INV1" if n <= 12 else "INV2", "A", MODULE, 24) for n in range(1, 25))
    return Site(
        id=site_id,
        name=name,
        latitude=51.2,
        longitude=-1.9,
        altitude_m=95.0,
        timezone="Europe/London",
        commissioned=dt.date(2019, 6, 14),
        arrays=(Array("A", "fixed", tilt_deg=20.0, azimuth_deg=180.0),),
        inverters=inverters,
        strings=strings,
        tariffs=(Tariff(dt.date(2019, 6, 14), None, "fixed", PRICE),),
        plan=Plan(p50_kwh_by_month=(27_000.0,) * 12, degradation_pct_per_year=0.5),
        assumptions={"soiling_rate": Assumption(0.001, "own wash trial <b>2024</b>", "2024-09-01")},
    )


def data(logged: bool) -> SiteData:
    times = pd.date_range("2025-01-01", "2025-06-30 23:00", freq="h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 100.0, "temp_air": 10.0, "precipitation": 0.0}, times)
    power = pd.DataFrame(
        {
            "time": times.repeat(2),
            "inverter_id": ["INV1", "INV2"] * len(times),
            "mppt": pd.NA,
            "ac_power_kw": 5.0,
            "dc_power_kw": np.nan,
            "dc_voltage_v": np.nan,
            "status": pd.NA,
        }
    )
    starts = pd.date_range("2025-01-01", periods=6, freq="MS", tz="UTC")
    meter = pd.DataFrame({"start": starts, "end": starts + pd.offsets.MonthBegin(), "energy_kwh": 20_000.0})
    rounds = pd.DataFrame(
        {
            "time": pd.to_datetime(["2025-03-20T11:00Z", "2025-03-20T11:05Z"]),
            "string_id": ["S01", "S02"],
            "i_sc": [9.1, 9.2],
            "v_oc": [1150.0, 1151.0],
        }
    )
    empty_times = pd.DataFrame({"time": pd.to_datetime([], utc=True)})
    set_aside = pd.DataFrame(
        {
            "file": ["sites/alder/readings/iv/a.csv"] * 3,
            "line": [4, 9, 12],
            "column": ["i_sc_a"] * 3,
            "value": [HOSTILE_COMMAND, "-5", "+dde"],
            "reason": ["not a number", "below 0 A", "not a number"],
            "part": "row",
        }
    )
    return SiteData(
        weather=weather,
        weather_2=None,
        weather_step=pd.Timedelta("1h"),
        iv=rounds,
        iv_curves=pd.DataFrame(columns=["trace_id", "v", "i"]),
        clamp=empty_times.assign(inverter_id=pd.Series(dtype=str)),
        meter=meter if logged else None,
        power=power if logged else None,
        power_step=pd.Timedelta("1h") if logged else None,
        string_current=None,
        events=pd.DataFrame(
            {"event_id": ["E1"], "kind": ["cleaning"], "start": pd.to_datetime(["2025-02-03T09:00Z"])}
        ),
        prices=None,
        load=None,
        statements=None,
        costs=None,
        set_aside=set_aside if logged else set_aside.iloc[:0],
        notices=("Column <i>colour</i> is not known and was ignored.",),
    )


def _draws() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(7)
    return {
        cause: EXPECTED * (share + 0.004 * rng.standard_normal((400, 1)))
        for cause, share in SHARES.items()
        if np.isfinite(share)
    }


def losses(site_id: str, measured: bool) -> pd.DataFrame:
    rows = []
    for month, expected in zip(MONTHS, EXPECTED, strict=True):
        for cause in CAUSES:
            if cause == "unexplained" and not measured:
                continue
            energy = expected * SHARES[cause]
            half = 0.00658 * expected
            rows.append(
                (
                    site_id,
                    month,
                    cause,
                    energy,
                    energy - half,
                    energy + half,
                    energy * PRICE,
                    (energy - half) * PRICE,
                    (energy + half) * PRICE,
                    "not_assessed" if np.isnan(energy) else "prior" if cause == "degradation" else "measured",
                )
            )
    columns = [
        "site_id",
        "month",
        "cause",
        "energy_kwh",
        "energy_low_kwh",
        "energy_high_kwh",
        "revenue_lost",
        "revenue_lost_low",
        "revenue_lost_high",
        "basis",
    ]
    frame = pd.DataFrame(rows, columns=columns)
    frame.loc[frame["basis"] == "not_assessed", columns[3:9]] = np.nan
    mine = frame["cause"].isin(IN_HAND)
    return frame.assign(in_hand_kwh=frame["energy_kwh"] * mine, in_hand_revenue_lost=frame["revenue_lost"] * mine)


def yields(site_id: str, measured: bool) -> pd.DataFrame:
    lost = EXPECTED * np.nansum(list(SHARES.values()))
    known = EXPECTED - lost if measured else np.full(6, np.nan)
    return pd.DataFrame(
        {
            "site_id": site_id,
            "month": MONTHS,
            "insolation_kwh_m2": LIGHT,
            "expected_kwh": EXPECTED,
            "measured_kwh": known,
            "measured_from": "meter" if measured else None,
            "estimated_kwh": 0.0,
            "inverter_kwh": known * 1.01,
            "clipped_kwh": 0.0,
            "performance_ratio": known / LIGHT / 230.4,
            "performance_ratio_temp_corrected": known / LIGHT / 230.4 * 1.02,
            "availability": 0.991 if measured else np.nan,
            "coverage": 0.93 if measured else 0.0,
            "weather_gaps_pct": 0.4,
        }
    )


def string_findings(site_id: str) -> pd.DataFrame:
    findings = ["ok"] * 20 + ["open", "series_resistance", "soiled", "not_tested"]
    return pd.DataFrame(
        {
            "site_id": site_id,
            "string_id": [f"S{n:02d}" for n in range(1, 25)],
            "last_round": ["2025-03-20"] * 23 + [None],
            "p_mp_stc_w": [9400.0] * 20 + [0.0, 8900.0, 8800.0, np.nan],
            "p_mp_ratio": [1.0] * 20 + [0.0, 0.94, 0.93, np.nan],
            "i_sc_ratio": [1.0] * 20 + [0.0, 1.0, 0.93, np.nan],
            "v_oc_ratio": [1.0] * 20 + [0.98, 1.0, 1.0, np.nan],
            "fill_factor_ratio": [1.0] * 20 + [np.nan, 0.94, 1.0, np.nan],
            "finding": findings,
            "confidence": [0.01] * 20 + [0.99, 0.9, 0.1, np.nan],
            "on_glass": [0.0] * 20 + [0.0, 0.8, 0.0, np.nan],
        }
    )


def downtime(site_id: str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": site_id,
            "inverter_id": ["INV2", None],
            "start": pd.to_datetime(["2025-05-03T06:00Z", "2025-02-10T10:00Z"]),
            "end": pd.to_datetime(["2025-05-05T12:00Z", "2025-02-10T13:00Z"]),
            "cause": ["inverter_outage", "grid_outage"],
            "energy_kwh": [980.0, 420.0],
        }
    )


def evidence() -> tuple[Why, ...]:
    """Dirt told in full, a fault with text that must not be trusted, and a cause that was not assessed."""
    span = (MONTHS[0], MONTHS[-1])
    return (
        Why(
            "soiling", "measured", *span, 1200.0, 300.0, 2500.0, 0.012,
            readings=(
                Reading("interval log", 4210, "inverter-hours", dt.date(2025, 3, 14), dt.date(2025, 6, 30)),
                Reading("recorded cleanings", 1, "events", dt.date(2025, 5, 2), dt.date(2025, 5, 2)),
            ),
            pattern="The ratio fell 0.08 % a day through three dry spells and came back with rain.",
            figures=(Figure("build-up on a dry day", 0.08, "% a day", 0.05, 0.11), Figure("rains", 3, "rains")),
            rivals=(Rival("degradation", -0.61, 640.0), Rival("light_sensor", 0.35, 210.0)),
            looks_like="A light sensor that is cleaned by the same rain.",
            settle="A second light measurement.",
            turns=(Turn("distance to nil", 1200.0, "kWh", "To be nothing it would have to be wrong by 1,200 kWh."),),
        ),
        Why(
            "string_fault", "measured", *span, 20500.0, 18000.0, 24000.0, 0.205,
            pattern="S21 gave no current on 20 Mar 2025 <img src=x onerror=alert(1)>.",
            figures=(Figure("energy of a fault", 20500.0, "kWh", where="S21", note="open, since 2025-03-20"),),
        ),
        Why("shading", "not_assessed", *span, np.nan, np.nan, np.nan, np.nan, why_not="A single inverter has no peer."),
    )


def site_assessment(site_id: str, name: str, measured: bool) -> SiteAssessment:
    intervals = pd.DataFrame(
        {"expected_kwh": EXPECTED}, pd.date_range("2025-01-01", periods=len(MONTHS), freq="MS", tz="UTC")
    )
    found = losses(site_id, measured)
    gap = SiteGap(
        intervals=intervals,
        yields=yields(site_id, measured),
        losses=found.iloc[:, [0, 1, 2, 3, 4, 5, 9]],
        draws=_draws(),
        months=MONTHS,
        string_findings=string_findings(site_id),
        downtime=downtime(site_id),
        obstacles=obstacles(site_id),
        evidence=evidence(),
        not_told=("Reactive power: no reading holds kVAr, kVA or power factor.",),
    )
    paid = (statement_checks(), bridge(), returns()) if measured else ()
    done = proof() if measured else pd.DataFrame()
    return SiteAssessment(site(site_id, name), data(measured), gap, found, pd.DataFrame(), pd.DataFrame(), *paid, proof=done)


def obstacles(site_id: str) -> pd.DataFrame:
    """A hedge, and a wall that the sun never rises above."""
    year = (dt.date(2025, 1, 1), dt.date(2025, 6, 30))
    rows = [
        (site_id, "I1", *year, 90.0, 105.0, 14.2, 12.0, 16.5, 41.0, 38.0, 120.0, "1 2 3", 2.53, 9.1),
        (site_id, "I2", *year, 240.0, 255.0, 20.0, 18.0, np.nan, 20.5, 60.0, 90.0, "1 2", 3.64, 12.4),
    ]
    return pd.DataFrame(rows, columns=list(OBSTACLES))


def statement_checks() -> pd.DataFrame:
    """A right statement, one that pays too little under a hostile number, and a span without one."""
    nan = np.nan
    rows = [
        ("alder", "2025-01-01", "2025-02-01", "A-1", "agrees", 8253.0, 8253.0, 0.0, 58.9, 676.7, 676.7, 0.0, 0.0, 0.0, 0.05, ""),
        ("alder", "2025-02-01", "2025-03-01", HOSTILE_FORMULA, "energy_differs", 12000.0, 12838.0, -838.0, 91.3, 984.0, 1052.7,
         -68.7, -68.7, 0.0, 0.05, "Ask for the <b>readings</b>."),
        ("alder", "2025-03-01", "2025-04-01", "", "missing", nan, 22925.0, nan, nan, nan, 1879.9, nan, nan, nan, nan,
         "Ask for it."),
    ]
    return pd.DataFrame(rows, columns=list(STATEMENT_CHECKS))


def bridge() -> pd.DataFrame:
    june = BridgeMonth("2025-06", 27_000.0, PRICE, 37_597.0, 37_597.0 * PRICE, 0.0, np.nan, {
        "sun": np.nan, "temperature": np.nan, "plan_allowance": 14_000.0, "soiling": -861.0, "excess_ageing": -205.0})
    notes = {"sun": "within the model difference: [plan] has no insolation_kwh_m2_by_month"}
    return pd.DataFrame(bridge_rows("alder", "twelve_months", [june], notes))


def returns() -> pd.DataFrame:
    nan = np.nan
    rows = [
        ("alder", "income", "", 12_180.0, nan, nan, "money/year", 12_900.0, "2024-07 to 2025-06"),
        ("alder", "rate_of_return", "", 6.4, 5.8, 6.9, "%/year", 6.8, "basis points against the plan: -40"),
        ("alder", "loss_per_year", "soiling", 280.0, 190.0, 370.0, "money/year", nan, ""),
        ("alder", "loss_rate_of_return", "soiling", 12.0, 8.0, 16.0, "basis points", nan, ""),
        ("alder", "loss_payback", "soiling", 31.0, 21.0, 41.0, "days", nan, ""),
    ]
    return pd.DataFrame(rows, columns=list(RETURNS))


def claims() -> pd.DataFrame:
    """One that the figures show, under a hostile subject, one that nobody owes, and the owner's own."""
    nan = np.nan
    rows = [
        ("alder", "maintenance_contractor", "availability", HOSTILE_NAME, "2024-01-01", "2025-01-01", 4300.0, 1800.0,
         1200.0, 2400.0, "claim", "2025-01-31", "97.9 % against 98.5 % promised.", "downtime.csv"),
        ("alder", "insurer", "insured_event", "E1", "2025-01-01", "2025-01-01", nan, nan, nan, nan, "none", "", "Not owed.", ""),
        ("alder", "owner", "soiling", "site", "2025-01-01", "2025-07-01", 3400.0, 280.0, 190.0, 370.0, "own", "", "",
         "losses.csv"),
    ]
    return pd.DataFrame(rows, columns=list(CLAIMS))


def assessment(farms: int = 2) -> Assessment:
    both = (
        site_assessment("birch", HOSTILE_NAME, measured=False),
        site_assessment("alder", "Alder Hill", measured=True),
    )
    sites = both[-farms:]
    portfolio = Portfolio(
        name=HOSTILE_FORMULA,
        currency="GBP",
        discount_rate=0.06,
        works_budget=600.0,
        crew_days=None,
        horizon_months=36,
        module_types={"mono400": MODULE},
        inverter_types={"inv100": INVERTER},
        sites=tuple(s.site for s in sites),
    )
    return Assessment(
        portfolio=portfolio,
        as_of=dt.date(2025, 7, 1),
        period=(dt.date(2025, 1, 1), dt.date(2025, 7, 1)),
        sites=sites,
        work_list=work_list(),
        set_aside=pd.concat([s.data.set_aside for s in sites], ignore_index=True),
        notices=("Costs are <b>defaults</b>.",),
        claims=claims(),
        plan=plan(),
        waiting=waiting(),
        ledger=ledger(),
        next_measurements=next_measurements(),
        bright_hours=bright_hours(),
    )
