"""
From what is wrong to jobs that would mend it, each with what it returns in the coming months.

`REMEDIES` is the table: one row a way to look for jobs. A new kind of job is a function here, a row there, its words in
`constants.JOB_KINDS` and its cautions in `cautions`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Gain, Outlook, Relief, Replay, fault_shape
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.cost.outlook import price_outlook, value_of_energy
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.string_fault import Fault
from yieldwatch.portfolio.model import Portfolio, Site, String

#: Share of the shade that a cut takes away: poles, buildings and others' trees stay. Common practice, no source.
CUT_CURES = 0.75
#: Years in which what was cut grows back by 63 %. Common practice, no source.
REGROWTH_YEARS = 3.0
#: What a year's weather, and a job's success, add to the doubt of a gain. Relative, standard. Common practice, no source.
_USUAL_DOUBT = 0.12
#: Wet-morning trips in twelve months that make a habit.
_HABIT = 6
#: Lowest winter temperature assumed where the weather record is short. [°C] Common practice, no source.
_COLDEST = -10.0
#: Findings that need modules and not just a hand on the wiring.
_NEEDS_MODULES = ("shunt", "current_low")


@dataclass(frozen=True, eq=False)
class Look:
    """What a remedy needs to look at: the site, its state, the outlook, and the worth of a kWh."""

    site: Site
    data: SiteData
    state: SiteState
    findings: pd.DataFrame
    outlook: Outlook
    prices: pd.DataFrame
    rng: np.random.Generator

    def candidate(
        self,
        kind: str,
        cause: str,
        scope: tuple[str, ...],
        gain: Gain,
        ratio: np.ndarray,
        confidence: float,
        why: str,
        comes_back: str,
        units: dict[str, float] | None = None,
        safety: bool = False,
    ) -> Candidate:
        """
        A candidate whose draws are the gain times `ratio` (size in each draw over the estimate), with the doubt of usual weather.
        """
        doubt = np.exp(self.rng.normal(-0.5 * _USUAL_DOUBT**2, _USUAL_DOUBT, len(ratio)))
        kwh = gain.kwh[None, :] * (ratio * doubt)[:, None]
        # The profile holds daylight only; at night nothing is gained, which is known and not missing.
        whole = self.state.model.weather.table.index
        profile = gain.profile.groupby(level=0).sum().reindex(whole[whole >= gain.profile.index[0]], fill_value=0.0)
        worth = value_of_energy(self.site, self.prices, profile).to_numpy(float)[: len(gain.kwh)]
        worth = np.where(gain.kwh == 0.0, 0.0, worth)
        return Candidate(
            self.site.id,
            kind,
            cause,
            scope,
            _units(self.site, scope) | (units or {}),
            kwh,
            kwh * worth[None, :],
            confidence,
            why,
            comes_back,
            safety,
        )


def candidates(
    portfolio: Portfolio, site: Site, data: SiteData, state: SiteState, findings: pd.DataFrame, as_of: dt.date
) -> tuple[list[Candidate], tuple[str, ...]]:
    """
    Jobs that would win back something at a site.

    Parameters
    ----------
    portfolio : Portfolio
        For its horizon.
    findings : DataFrame
        From `yieldwatch.gap.findings.string_findings`.
    as_of : date
        First day of the coming months.

    Returns
    -------
    list of Candidate
    notices : tuple of str
        What was assumed, in whole sentences.
    """
    months = max(12, portfolio.horizon_months)
    outlook = Outlook(state, as_of, months)
    prices, notices = price_outlook(site, data, as_of, months, outlook.generation())
    look = Look(site, data, state, findings, outlook, prices, np.random.default_rng(3))
    found = [job for remedy in REMEDIES for job in remedy(look)]
    return found, (*outlook.notices, *notices)


def _cleaning(look: Look) -> list[Candidate]:
    dirt, n = look.outlook.dirt, len(look.state.model.inverter_ids)
    loose, lasting = dirt.loose_draws.mean(axis=0), dirt.lasting_draws.mean(axis=0)
    if (loose + lasting).max() < 1e-4:
        return []

    def saved(replay: Replay, year: int) -> np.ndarray:
        return dirt.cleaned_less(look.site, replay.back, year * 365 + np.minimum(replay.day, 364), loose, lasting)

    gain = look.outlook.gain(Relief(tuple(range(n)), dc=saved))
    ratio = (dirt.loose_draws + dirt.lasting_draws).sum(axis=1) / (loose + lasting).sum()
    back = (
        f"A day's rain of {look.state.wash.depth:.0f} mm takes about 63 % of what is loose, washed or not; the lasting part, "
        f"{100 * lasting.mean():.1f} %, returns over about four years."
        if dirt.rain_known
        else "No rain record: loose dirt is taken to return within about three months."
    )
    why = f"On {look.outlook.as_of} dirt takes {100 * (loose + lasting).mean():.1f} % of the light."
    return [
        look.candidate(
            "clean", "soiling", ("site",), gain, ratio, float(np.mean(ratio * (loose + lasting).mean() > 0.003)), why, back
        )
    ]


def _vegetation(look: Look) -> list[Candidate]:
    shaded = tuple(int(k) for k in np.flatnonzero(look.state.shaded))
    if not shaded or not look.outlook.shade.any():
        return []
    cures = look.site.assumed("cut_cures_share", CUT_CURES)
    regrowth = look.site.assumed("vegetation_returns_years", REGROWTH_YEARS)

    def opened(replay: Replay, year: int) -> np.ndarray:
        left = cures * np.exp(-(year + replay.day / 365.25) / regrowth)
        return look.outlook.shade_ahead(replay, year)[list(shaded)] * left

    gain = look.outlook.gain(Relief(shaded, dc=opened))
    names = ", ".join(look.state.model.inverter_ids[k] for k in shaded)
    why = (
        f"{names} fall behind the inverters in the open at certain sun positions; the shade grew by "
        f"{100 * (look.outlook.shade_growth - 1):+.0f} % from one year to the next."
    )
    ratio = np.exp(look.rng.normal(0.0, 0.25, len(look.outlook.draws)))
    return [
        look.candidate(
            "cut_vegetation",
            "shading",
            ("site",),
            gain,
            ratio,
            0.9,
            why,
            f"A cut is taken to cure {100 * cures:.0f} % of the shade; hedges grow back over about {regrowth:.0f} years, "
            "grass within weeks in its season.",
        )
    ]


def _strings(look: Look) -> list[Candidate]:
    """Strings that the rounds found faulty, sized by the engine; one too small for the engine is sized by its finding."""
    by_string = {name: fault for fault in look.outlook.faults for name in fault.strings}
    jobs = []
    strings = {s.string_id: s for s in look.site.strings}
    for row in look.findings[look.findings["finding"].isin(FAULT_FINDINGS)].itertuples():
        fault = by_string.get(row.string_id)
        if fault is None:
            continue
        size, draws = look.outlook.fault_size(fault)
        if size < 1e-5:
            continue
        gain = look.outlook.gain(Relief((fault.inverter,), dc=_of_fault(look, fault, size)))
        there = look.rng.random(len(draws)) < row.confidence
        kind, units = _string_job(strings[row.string_id], row.finding, float(row.share_lost))
        inverter = look.state.model.inverter_ids[fault.inverter]
        since = (
            f" since {look.state.blocks.dates[fault.start].date()}"
            if fault.dated and 0 <= fault.start < len(look.state.blocks.dates)
            else ""
        )
        what = f"{row.string_id}: {row.finding.replace('_', ' ')}, last traced {pd.Timestamp(row.last_round).date()}"
        why = f"{what}; takes {100 * (1 - np.exp(-size)):.1f} % of {inverter}{since}."
        jobs.append(
            look.candidate(
                kind,
                "string_fault",
                (row.string_id,),
                gain,
                draws / size * there,
                float(row.confidence),
                why,
                "Stays mended.",
                units,
            )
        )
    return jobs


def _string_job(string: String, finding: str, share_lost: float) -> tuple[str, dict[str, float]]:
    if finding not in _NEEDS_MODULES:
        return "repair_string", {}
    if finding == "shunt":
        return "replace_modules", {"module": float(string.modules_in_series)}
    modules = int(np.ceil(1.2 * share_lost * string.modules_in_series))
    return "replace_modules", {"module": float(min(max(modules, 1), string.modules_in_series))}


def _unseen_parts(look: Look) -> list[Candidate]:
    """Losses that only the log saw: first find the part."""
    jobs = []
    for fault in look.outlook.faults:
        if fault.strings or fault.cause != "string_fault":
            continue
        size, draws = look.outlook.fault_size(fault)
        if size < 0.002:
            continue
        inverter = look.state.model.inverter_ids[fault.inverter]
        gain = look.outlook.gain(Relief((fault.inverter,), dc=_of_fault(look, fault, size)))
        came = (
            f"at one stroke on {look.state.blocks.dates[fault.start].date()}"
            if fault.start >= 0
            else f"all through the history ({fault.kind})"
        )
        why = (
            f"{inverter} lacks {100 * (1 - np.exp(-size)):.1f} % of its output {came}, and no round explains it. "
            "Test its strings; the gain stated needs the repair that follows."
        )
        jobs.append(
            look.candidate(
                "inspect", "string_fault", (inverter,), gain, draws / size, 0.8, why, "Stays mended once the part is repaired."
            )
        )
    return jobs


def _of_fault(look: Look, fault: Fault, size: float) -> Callable[[Replay, int], np.ndarray]:
    shape = fault_shape(look.state, fault) * size
    return lambda replay, year: shape[None, replay.blocks]


def _inverters(look: Look) -> list[Candidate]:
    """Conversion below its curve, heat, and inputs that do not track; one job an inverter and trouble."""
    jobs = []
    outlook, names = look.outlook, look.state.model.inverter_ids
    for k, slope in enumerate(outlook.conversion):
        if slope.now > 0.003:
            gain = outlook.gain(Relief((k,), ac=lambda replay, year, s=slope: s.at(year + replay.day / 365.25)[None, :]))  # type: ignore[misc]
            which = [
                n
                for n, c in enumerate(look.state.posterior.columns)
                if c.tag and c.tag[0] in ("efficiency", "clamp") and c.tag[1] == k
            ]
            ratio = outlook.draws[:, which].sum(axis=1) / max(float(look.state.posterior.estimate[which].sum()), 1e-9)
            less = 100 * (1 - np.exp(-slope.now))
            growth = 100 * slope.per_year
            why = f"{names[k]} gives {less:.1f} % less than its curve at the same load, growing by {growth:.1f} % a year."
            jobs.append(
                look.candidate("repair_inverter", "inverter_efficiency", (names[k],), gain, ratio, 0.85, why, "Stays mended.")
            )
        if np.isfinite(outlook.heat[k]).any():
            gain = outlook.gain(Relief((k,), heat=True))
            why = f"{names[k]} holds its power down in hot hours while its peers do not; look at fans, filters and airflow first."
            jobs.append(
                look.candidate(
                    "repair_inverter",
                    "inverter_efficiency",
                    (names[k],),
                    gain,
                    np.ones(len(outlook.draws)),
                    0.85,
                    why,
                    "Stays mended while filters are kept clean.",
                )
            )
    for fault in outlook.faults:
        size, draws = outlook.fault_size(fault)
        if fault.cause == "inverter_efficiency" and size > 0.002:
            name = names[fault.inverter]
            gain = outlook.gain(Relief((fault.inverter,), ac=_of_fault(look, fault, size)))
            why = (
                f"{name} gives {100 * (1 - np.exp(-size)):.1f} % less than its peers though a later round found its "
                "strings sound: an input does not track."
            )
            jobs.append(
                look.candidate("repair_inverter", "inverter_efficiency", (name,), gain, draws / size, 0.7, why, "Stays mended.")
            )
    return jobs


def _settings(look: Look) -> list[Candidate]:
    jobs = []
    for k in np.flatnonzero(np.isfinite(look.outlook.setting)):
        name = look.state.model.inverter_ids[k]
        gain = look.outlook.gain(Relief((int(k),), setting=True))
        limit = look.outlook.setting[k]
        why = f"{name} never exceeds {limit:.0f} kW though its peers do and its strings could: a limit was left on."
        jobs.append(
            look.candidate(
                "fix_settings",
                "curtailment",
                (name,),
                gain,
                np.ones(len(look.outlook.draws)),
                0.95,
                why,
                "Stays mended unless the limit is set again.",
            )
        )
    return jobs


def _wet_mornings(look: Look) -> list[Candidate]:
    jobs = []
    for k, name in enumerate(look.state.model.inverter_ids):
        lost, days = wet_mornings(look.state, k)
        if len(days) < _HABIT:
            continue
        gain = look.outlook.gain_of(lost, k)
        why = (
            f"{name} started late on {len(days)} mornings in twelve months with rain that day or the day before: "
            "insulation that is low when wet."
        )
        ratio = np.exp(look.rng.normal(0.0, 0.2, len(look.outlook.draws)))
        jobs.append(
            look.candidate(
                "repair_inverter", "inverter_outage", (name,), gain, ratio, 0.85, why, "Stays mended once the damp part is found."
            )
        )
        jobs.append(
            _safety(
                look,
                "inverter_outage",
                (name,),
                why + " Low insulation can make frames live: measure it before anyone touches the array.",
            )
        )
    return jobs


def wet_mornings(state: SiteState, inverter: int) -> tuple[np.ndarray, np.ndarray]:
    """
    Share of an inverter's output lost on wet mornings of the last twelve months, and those local days.

    A wet morning: off at first light, running again the same day, with rain that day or the day before.

    Returns
    -------
    lost : ndarray, shape (n_times,)
    days : ndarray of int
    """
    blocks, off = state.blocks, state.off.inverter[inverter]
    day = blocks.day[blocks.of]
    rain = np.nan_to_num(blocks.rain, nan=0.0)
    wet = (rain > 0.2) | (np.r_[0.0, rain[:-1]] > 0.2)
    lost, days = np.zeros(len(off)), []
    for d in np.unique(day[(off < 1.0) & (day > day[-1] - 365)]):
        here = np.flatnonzero(day == d)
        gone = np.flatnonzero(off[here] < 1.0)
        morning = gone[0] < 0.3 * len(here) and off[here[-len(here) // 4 :]].min() >= 1.0
        if wet[d] and morning:
            lost[here] = 1.0 - off[here]
            days.append(int(d))
    return lost, np.array(days, dtype=int)


def _safety_findings(look: Look) -> list[Candidate]:
    """What must be looked at whatever it returns: hot connectors, and strings above their system voltage in the cold."""
    jobs = [
        _safety(
            look,
            "string_fault",
            (row.string_id,),
            f"{row.string_id}: series resistance. A bad connection under load gets hot and can start "
            "a fire; find it with a thermal camera at 600 W/m² or more before it is touched.",
        )
        for row in look.findings[look.findings["finding"] == "series_resistance"].itertuples()
    ]
    air = look.state.model.weather.table["temp_air"]
    coldest = min(
        float(air.min()),
        look.site.assumed("coldest_morning_c", _COLDEST if len(look.state.blocks.dates) < 3 * 365 else float(air.min())),
    )
    over = {}
    for s in look.site.strings:
        limit = s.module_type.max_system_voltage_v
        cold = s.modules_in_series * s.module_type.v_oc_v * (1.0 + s.module_type.beta_v_oc_pct_per_c / 100.0 * (coldest - 25.0))
        if limit is not None and cold > limit:
            over[s.string_id] = (cold, limit)
    if over:
        worst = max(over, key=lambda name: over[name][0])
        jobs.append(
            _safety(
                look,
                "string_fault",
                tuple(sorted(over)),
                f"At {coldest:.0f} °C the open-circuit voltage of {worst} is {over[worst][0]:.0f} V, above the "
                f"{over[worst][1]:.0f} V that its modules allow.",
            )
        )
    return jobs


def _safety(look: Look, cause: str, scope: tuple[str, ...], why: str) -> Candidate:
    nothing = np.zeros((len(look.outlook.draws), look.outlook.months))
    return Candidate(
        look.site.id,
        "inspect",
        cause,
        scope,
        _units(look.site, scope),
        nothing,
        nothing,
        0.9,
        why,
        "Not a matter of payback.",
        safety=True,
    )


def _units(site: Site, scope: tuple[str, ...]) -> dict[str, float]:
    """How much of each cost unit a scope holds; hectares and metres only where the site states them."""
    inside = [s for s in site.strings if "site" in scope or s.string_id in scope or s.inverter_id in scope]
    units = {
        "visit": 1.0,
        "string": float(len(inside)),
        "module": float(sum(s.modules_in_series for s in inside)),
        "inverter": float(len({s.inverter_id for s in inside})),
    }
    if site.area_hectare is not None:
        units["hectare"] = site.area_hectare
    if site.hedge_metres is not None:
        units["metre"] = site.hedge_metres
    return units


#: One row a way to look for jobs.
REMEDIES: tuple[Callable[[Look], list[Candidate]], ...] = (
    _cleaning,
    _vegetation,
    _strings,
    _unseen_parts,
    _inverters,
    _settings,
    _wet_mornings,
    _safety_findings,
)
