"""
Why each cause has the size it has, in sentences with figures.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.basis import Basis
from yieldwatch.gap.results import Evidence
from yieldwatch.gap.split import Split


def site_evidence(
    state: SiteState, data: SiteData, findings: pd.DataFrame, split: Split, basis: dict[str, Basis]
) -> tuple[tuple[Evidence, ...], tuple[str, ...]]:
    """Evidence of every assessed cause, and what could not be told."""
    share = {c: e.sum() / max(split.expected.sum(), 1e-9) for c, e in split.energy.items()}
    out = [
        tell(state, data, findings, share.get(cause, 0.0))
        for cause, tell in _TELLERS.items()
        if basis[cause].basis != "not_assessed"
    ]
    not_told = [f"{cause.replace('_', ' ')}: {b.why_not}" for cause, b in basis.items() if b.why_not]
    return tuple(out), tuple(not_told)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} % of expected energy over the history"


def _soiling(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    rates = [v for c, v in zip(state.posterior.columns, state.posterior.estimate, strict=True) if c.tag and c.tag[0] == "rate"]
    cleanings = int((data.events["kind"] == "cleaning").sum()) if len(data.events) else 0
    rain = (
        f"A day's rain of {state.wash.depth:.0f} mm takes about 63 % of the dirt."
        if np.isfinite(state.blocks.rain).any()
        else "No rain record: what rain washes off is not known."
    )
    return Evidence(
        "soiling",
        f"Dirt took {_percent(share)}. In dry spells all inverters fall together by {100 * float(np.median(rates)):.3f} % a day "
        f"in the median month and {100 * float(np.max(rates)):.3f} % in the fastest. {rain} {cleanings} cleanings are recorded.",
        ("inverter log or meter against the model, day by day", "rain in the weather file", "cleaning events"),
        "A light sensor that drifts or gets dirty, and ageing, lower all inverters as well; neither steps back with rain.",
        "Wash a few strings and trace them beside unwashed twins on the same day.",
    )


def _shading(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    names = [n for n, s in zip(state.model.inverter_ids, state.shaded, strict=True) if s]
    statement = (
        f"Shade took {_percent(share)}: {', '.join(names)} fall behind their best-lit peers at certain sun positions, in beam "
        "light more than under cloud."
        if names
        else "No inverter falls behind its peers at certain sun positions by more than 0.25 % of its energy."
    )
    return Evidence(
        "shading",
        statement,
        ("inverter log, inverter against inverter by sun azimuth and month",),
        "Shade that falls on all inverters alike looks like an error of the weather model and is not seen."
        if not names
        else "Dirt bands at the lower edge of the modules.",
        "Stand at the row at the hour named and look along the sun's bearing.",
    )


def _string_fault(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    bad = findings[findings["finding"].isin(FAULT_FINDINGS)] if len(findings) else findings
    named = ", ".join(
        f"{r.string_id} ({r.finding.replace('_', ' ')}, confidence {r.confidence:.2f})" for r in bad.head(8).itertuples()
    )
    unseen = [f for f in state.faults if f.cause == "string_fault" and not f.strings]
    statement = f"String faults took {_percent(share)}. "
    statement += f"{len(bad)} strings are faulty by the rounds: {named}." if len(bad) else "No string is faulty by the rounds."
    if unseen:
        where = "; ".join(
            f"{state.model.inverter_ids[f.inverter]} ({f.kind if f.start < 0 else 'a step down'}, {100 * f.share:.1f} %)"
            for f in sorted(unseen, key=lambda f: -f.share)[:8]
        )
        statement += f" The log shows {len(unseen)} losses that no round has seen: {where}."
    untested = int((findings["finding"] == "not_tested").sum()) if len(findings) else len(state.model.site.strings)
    return Evidence(
        "string_fault",
        statement,
        ("IV rounds against peers", "steps in the log of one inverter against the others"),
        f"{untested} of {len(state.model.site.strings)} strings have no valid trace." if untested else "",
        "Trace the strings named, and those without a valid trace.",
    )


def _inverter_efficiency(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    falls = [c.name for c in state.posterior.columns if c.tag and c.tag[0] == "efficiency"]
    heat = [n for n, row in zip(state.model.inverter_ids, state.limits.heat, strict=True) if np.isfinite(row).any()]
    inputs = [state.model.inverter_ids[f.inverter] for f in state.faults if f.cause == "inverter_efficiency"]
    parts = [*falls, *(f"{n} held down in heat" for n in heat), *(f"an input of {n} not tracking" for n in inputs)]
    return Evidence(
        "inverter_efficiency",
        f"Inverters took {_percent(share)}" + (": " + "; ".join(parts) + "." if parts else ": none stands out."),
        ("AC over DC of the log against the datasheet's curve", "output at high power against peers and air temperature"),
        "A drift of the log's own DC or AC channel.",
        "A power analyser on both sides at three loads.",
    )


def _inverter_outage(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    worst = sorted(
        zip((state.off.inverter < 1.0).sum(axis=1) * state.model.weather.hours, state.model.inverter_ids, strict=True),
        reverse=True,
    )
    named = ", ".join(f"{name} {hours:.0f} h" for hours, name in worst[:3] if hours > 0)
    return Evidence(
        "inverter_outage",
        f"Outages of inverters took {_percent(share)}" + (f"; daylight hours off: {named}." if named else "."),
        ("zero power in light while peers run", "recorded outages"),
    )


def _grid_outage(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    hours = float((state.off.grid < 1.0).any(axis=0).sum() * state.model.weather.hours)
    return Evidence(
        "grid_outage",
        f"All inverters were off together for {hours:.0f} daylight hours, {_percent(share)}.",
        ("the log of all inverters",),
        "A fault that takes all inverters at once.",
        "The network's outage record.",
    )


def _curtailment(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    held = float(np.isfinite(state.limits.site_cap).sum() * state.model.weather.hours)
    fixed = [
        f"{n} at {np.min(row[np.isfinite(row)]):.0f} kW"
        for n, row in zip(state.model.inverter_ids, state.limits.setting, strict=True)
        if np.isfinite(row).any()
    ]
    return Evidence(
        "curtailment",
        f"The site was held down for {held:.0f} daylight hours, {_percent(share)}"
        + (f"; a limit was left on: {', '.join(fixed)}." if fixed else "."),
        ("flat output of all inverters at once", "recorded instructions"),
        "A slow cloud over the whole site.",
        "The instruction log.",
    )


def _reactive_power(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    pf = state.model.site.power_factor
    return Evidence(
        "reactive_power",
        f"A standing power factor of {pf:.2f} costs {_percent(share)} at the kVA limit."
        if pf < 1.0
        else "No standing duty to supply kVAr is recorded.",
        ("site settings", "clamp readings"),
    )


def _degradation(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    age = (state.blocks.dates[-1].date() - state.model.site.commissioned).days / 365.25
    return Evidence(
        "degradation",
        f"At {age:.1f} years ageing is put at {_percent(share)}, from published rates for crystalline silicon.",
        ("published prior for the age", "IV rounds against the datasheet"),
        "A constant error of the light sensor looks the same.",
        "A flash test of sample modules, or three full years of data.",
    )


def _snow(state: SiteState, data: SiteData, findings: pd.DataFrame, share: float) -> Evidence:
    return Evidence("snow", f"Snow took {_percent(share)}.", ("weather: temperature, precipitation, snow depth",))


#: One row a cause: how its evidence is told.
_TELLERS: dict[str, Callable[[SiteState, SiteData, pd.DataFrame, float], Evidence]] = {
    "soiling": _soiling,
    "shading": _shading,
    "snow": _snow,
    "string_fault": _string_fault,
    "inverter_efficiency": _inverter_efficiency,
    "inverter_outage": _inverter_outage,
    "grid_outage": _grid_outage,
    "curtailment": _curtailment,
    "reactive_power": _reactive_power,
    "degradation": _degradation,
}
