"""
The patterns of parts: strings, inverters, outages, limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.gap.causes_in_doubt import told_elsewhere
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION, SINCE_READ, Fault
from yieldwatch.gap.patterns.window import Told, Window, count
from yieldwatch.gap.why import Figure, Turn

#: Strings and parts, and spells, that a sentence names; the figures hold all strings and parts.
_NAMED, _SPELLS_SAID = 8, 3
#: Chance that a loss is an input's from which it is said. Common practice, no source.
_PERHAPS = 0.05
#: Chance that a finding is dirt on a module or two from which it is said beside it. Common practice, no source.
_DIRT_SAID = 0.2
#: Confidence of a finding that one more trace may turn. Common practice, no source.
_OPEN = (0.2, 0.8)


def string_fault(window: Window) -> Told:
    state, findings = window.state, window.findings
    bad = findings[findings["finding"].isin(FAULT_FINDINGS)] if len(findings) else findings
    n = len(state.model.site.strings)
    untested = int((findings["finding"] == "not_tested").sum()) if len(findings) else n
    tested = n - untested
    figures = [
        Figure("strings tested", tested, "strings"),
        Figure("strings with a fault by traces and logged currents", len(bad), "strings"),
    ]
    figures += [
        Figure(
            "confidence that a fault is there",
            float(r.confidence),
            "probability",
            where=str(r.string_id),
            note=f"{str(r.finding).replace('_', ' ')}; {r.why}",
        )
        for r in bad.itertuples()
    ]
    found = [_part(window, fault) for fault in state.faults if fault.cause == "string_fault"]
    figures += [p.figure("energy of a fault") for p in found if p.fault.strings or p.kwh > 0]
    unseen = sorted((p for p in found if not p.fault.strings and p.kwh > 0), key=lambda p: -p.kwh)
    named = f": {_named_strings(bad)}." if len(bad) else "."
    said = (
        f"Faulty by traces and logged currents: {len(bad)} of {count(tested, 'tested string')}{named}"
        if tested
        else "No string was tested."
    )
    by_meter = [p for p in unseen if p.fault.kind == SINCE_READ]
    by_log = [p for p in unseen if p.fault.kind != SINCE_READ]
    for by, parts in (("Clamps show" if state.log is None else "The log shows", by_log), ("The meter shows", by_meter)):
        if parts:
            said += (
                f" {by} {count(len(parts), 'loss', 'losses')} that no round has seen: "
                + "; ".join(f"{p.where} {p.when}, {p.words}" for p in parts[:_NAMED])
                + "."
            )
    figures += window.perhaps_dirt()
    if perhaps := window.perhaps_dirt():
        said += f" Part of what these lack is told as dirt, for it may lie on the glass: {_where(perhaps)}."
    doubtful = findings[findings["confidence"].between(*_OPEN)] if len(findings) else findings
    may = f"One more trace may turn the finding of {_named_strings(doubtful)}."
    trace = [*bad["string_id"].head(_NAMED).astype(str)] if len(bad) else []
    trace += [f"all of {' and '.join(p.fault.among) or p.where}" for p in unseen[:_NAMED]]
    trace += ["those without a valid trace"] if untested else []
    return Told(
        said,
        tuple(figures),
        (
            f"{untested} of {n} strings have no valid trace and no logged current, and can be neither blamed nor cleared. "
            if untested
            else ""
        )
        + "Uneven dirt, and shade on some strings alone, lower a string's current as well; to the log an input that does not "
        "track looks like a lost string.",
        f"Trace {', '.join(trace)}." if trace else "",
        (Turn("doubtful strings", len(doubtful), "strings", may),) if len(doubtful) else (),
    )


def _where(figures: list[Figure]) -> str:
    return ", ".join(f.where for f in figures[:_NAMED]) + (f" and {len(figures) - _NAMED} more" if len(figures) > _NAMED else "")


def _named_strings(rows: pd.DataFrame) -> str:
    named = [
        f"{r.string_id} ({str(r.finding).replace('_', ' ')}, confidence {_chance(r.confidence)}"
        + (f", of which {_chance(r.on_glass)} that it is dirt on the glass)" if r.on_glass >= _DIRT_SAID else ")")
        for r in rows.head(_NAMED).itertuples()
    ]
    return ", ".join(named) + (f" and {len(rows) - _NAMED} more" if len(rows) > _NAMED else "")


def _chance(value: float) -> str:
    return "over 99 %" if value > 0.99 else f"{100.0 * value:.0f} %"


@dataclass(frozen=True)
class _Part:
    """A fault with its energy in the window [kWh], and in words where, when and how much it took while it lasted."""

    fault: Fault
    kwh: float
    where: str
    when: str
    words: str

    def figure(self, name: str) -> Figure:
        return Figure(
            name, self.kwh, "kWh", where=self.where, note=f"{self.fault.kind.replace('_', ' ')}, {self.when}, {self.words}"
        )


def _part(window: Window, fault: Fault) -> _Part:
    """What the fit gives a fault: its part of all that its cause took of its inverter."""
    state, k = window.state, fault.inverter
    own = np.zeros(state.blocks.n)
    for column, theta in zip(state.posterior.columns, state.posterior.estimate, strict=True):
        if column.tag and column.tag[0] == "fault" and column.tag[1] is fault:
            own += column.values * theta
    whole = state.posterior.loss(fault.cause, *state.blocks.expected.shape)[k]
    if fault.cause == "string_fault":
        whole = whole * (1.0 - sum(part[k] for part in told_elsewhere(state).values()))
    part = np.divide(own * (1.0 - sum(fault.instead.values())), whole, out=np.zeros_like(own), where=whole > 1e-12)
    kwh = float((window.taken(fault.cause)[k] * part[state.blocks.of[window.inside]]).sum())
    # A start that is not known leaves a small chance on many days: those are not what it lasted.
    lasted = own > 0.5 * own.max() if own.any() else own > 0
    size = -100.0 * np.expm1(-np.average(own[lasted], weights=state.blocks.expected[k, lasted])) if lasted.any() else 0.0
    name = window.names[k]
    where = " ".join(fault.strings) or " or ".join(fault.among) or (name if fault.mppt is None else f"{name}, input {fault.mppt}")
    return _Part(fault, kwh, where, _when(window, fault), f"{size:.1f} % of {name}")


def _when(window: Window, fault: Fault) -> str:
    dates = window.state.blocks.dates
    if fault.onset:
        days, chance = zip(*fault.onset, strict=True)
        if chance[0] >= 0.95 * fault.chance:
            return "all through the history"
        # Nine in ten of what is possible.
        ends = np.interp((0.05 * fault.chance, 0.95 * fault.chance), chance, days)
        first, last = (str(dates[int(np.clip(day, 0, len(dates) - 1))].date()) for day in ends)
        there = "" if fault.chance > 0.995 else f", with a chance of {100.0 * fault.chance:.0f} %"
        return f"since some day from {first} to {last}{there}"
    until = "" if fault.end >= len(dates) else f"until {dates[max(fault.end, 0)].date()}"
    if fault.start < 0:
        return until or "all through the history"
    start = dates[min(fault.start, len(dates) - 1)].date()
    return f"from {start} {until}" if until else f"since {start}"


def inverter_efficiency(window: Window) -> Told:
    state = window.state
    by_inverter = window.taken("inverter_efficiency").sum(axis=1)
    tagged = [c for c in state.posterior.columns if c.tag and c.tag[0] in ("efficiency", "clamp")]
    falls = {c.inverter for c in tagged if c.inverter is not None}
    heat = {k: hours for k, row in enumerate(state.limits.heat) if (hours := window.hours(np.isfinite(row))) > 0}
    inputs = [_part(window, fault) for fault in state.faults if fault.cause == "inverter_efficiency"]
    loss = state.posterior.loss("inverter_efficiency", *state.blocks.expected.shape)
    lost = zip(window.names, by_inverter, strict=True)
    figures = [Figure("energy lost", float(kwh), "kWh", where=name) for name, kwh in lost if kwh > 0]
    parts = []
    for k in sorted(falls):
        now = 100.0 * float(-np.expm1(-loss[k, state.blocks.day == state.blocks.day[-1]].mean()))
        figures.append(Figure("below its curve on the last day", now, "%", where=window.names[k]))
        parts.append(f"{window.names[k]} gives {now:.1f} % less than its curve at the same load")
    for k, hours in heat.items():
        figures.append(Figure("held down in heat", hours, "h", where=window.names[k]))
        parts.append(f"{window.names[k]} was held down in heat for {hours:.0f} h")
    for p in (p for p in inputs if p.kwh > 0):
        at_once = p.fault.kind == OF_CONVERSION
        parts.append(f"{'AC over DC fell with the output' if at_once else 'an input not tracking'} {p.when}, {p.words}")
        figures.append(p.figure("energy of a conversion that fell at once" if at_once else "energy of an input"))
    for fault in (f for f in state.faults if f.of_input >= _PERHAPS):
        where, when = " or ".join(fault.among) or window.names[fault.inverter], _when(window, fault)
        name = "chance that a loss is an input's, told here"
        figures.append(Figure(name, fault.of_input, "probability", where=where, note=when))
        parts.append(f"an input of {where} may not have tracked {when} (chance {100.0 * fault.of_input:.0f} %; no round saw it): "
                     "that share of what was lost is counted here")
    logged, said = state.log is not None, "; ".join(parts)
    return Told(
        f"{said[:1].upper()}{said[1:]}." if said else "No inverter stands out from its curve and its peers.",
        tuple(figures),
        "A drift of the log's own DC or AC channel makes the same fall of AC over DC; a fall that all share is not seen."
        if logged
        else "A clamp read at a moment of changing light makes the same.",
        "A power analyser on both sides at three loads.",
    )


def inverter_outage(window: Window) -> Told:
    off = np.asarray(window.state.off.inverter < 1.0)
    hours = window.hours(off)
    n, figures, named = _spells(window, "inverter_outage")
    figures += tuple(
        Figure("daylight hours off", window.hours(row), "h", where=name)
        for name, row in zip(window.names, off, strict=True)
        if row[window.inside].any()
    )
    logged = window.state.log is not None
    how = "the log shows no power in light while peers run" if logged else "recorded outages alone are counted"
    return Told(
        f"{count(n, 'spell')} off, {hours:.0f} inverter-hours of daylight ({how}){named}.",
        figures,
        "An outage of the logger that writes zeros; an inverter switched off for work that nobody recorded."
        if logged
        else "Outages that nobody recorded are not seen: they stand in the unexplained.",
        "The inverter's own event memory." if logged else "An interval log of the inverters.",
    )


def grid_outage(window: Window) -> Told:
    hours = window.hours(np.any(window.state.off.grid < 1.0, axis=0, keepdims=True))
    n, figures, named = _spells(window, "grid_outage")
    logged = window.state.log is not None
    how = "all inverters together, or recorded as the grid's" if logged else "recorded outages alone are counted"
    return Told(
        f"{count(n, 'spell')}, {hours:.0f} daylight hours ({how}){named}." if n else f"No spell ({how}).",
        (*figures, Figure("daylight hours off", hours, "h")),
        "A fault that takes all inverters of the site at once, or a logger that writes zeros for all.",
        "The network's outage record.",
    )


def curtailment(window: Window) -> Told:
    logged = window.state.log is not None
    held = np.isfinite(window.state.limits.site_cap)
    n, figures, named = _spells(window, "curtailment")
    figures += (
        Figure("daylight hours the site was held down", window.hours(held), "h"),
        Figure("recorded instructions", window.events("curtailment"), "events"),
    )
    fixed = []
    for name, row in zip(window.names, window.state.limits.setting, strict=True):
        on = np.isfinite(row) & window.inside
        if on.any():
            level = float(np.min(row[on]))
            days = window.state.model.times[np.flatnonzero(on)[[0, -1]]].tz_convert(window.state.model.site.tz)
            figures += (Figure("limit left on", level, "kW", where=name, note=f"{days[0].date()} to {days[1].date()}"),)
            fixed.append(f"{name} at {level:.0f} kW from {days[0].date()} to {days[1].date()}")
    return Told(
        _held_down(window.hours(held), window.events("curtailment"))
        + (f" A limit was left on: {'; '.join(fixed)}." if fixed else "")
        + (f" {count(n, 'spell')}{named}." if n else ""),
        figures,
        "A cloud that levels the whole site for an hour or more where no instruction is recorded; a part that all inverters lack "
        "alike."
        if logged
        else "Heat, which holds an inverter down as well. Limits that no clamp reading met, and instructions that nobody "
        "recorded, are not seen.",
        "The instruction log, and the limits set in the inverters.",
    )


def reactive_power(window: Window) -> Told:
    pf = window.state.model.site.power_factor
    if pf >= 1.0:
        return Told(
            "No standing duty to supply kVAr is recorded.",
            (Figure("standing power factor", pf, ""),),
            "",
            "The connection agreement, and clamp readings of kVA or kVAr near full power.",
        )
    return Told(
        f"By the standing power factor of {pf:.2f} the kVA rating leaves less for real power.",
        (Figure("standing power factor", pf, ""),),
        "A duty that is set by voltage and not by a fixed factor takes another amount.",
        "A log of kVAr, or the setting read off the inverters.",
    )


def _spells(window: Window, cause: str) -> tuple[int, tuple[Figure, ...], str]:
    """Number of spells, the longest as figures, and the worst as words."""
    spells = window.downtime[window.downtime["cause"] == cause]
    worst = spells.sort_values("energy_kwh", ascending=False).head(_NAMED)
    figures = tuple(
        Figure(
            "energy of a spell",
            float(r.energy_kwh),
            "kWh",
            where=str(r.inverter_id),
            note=f"from {_clock(window, r.start)} to {_clock(window, r.end)}",
        )
        for r in worst.itertuples()
    )
    top = [
        f"{r.inverter_id or 'the whole farm'} from {_from_to(window, r.start, r.end)}, {r.energy_kwh:.0f} kWh"
        for r in worst.head(_SPELLS_SAID).itertuples()
    ]
    return len(spells), (Figure("spells", len(spells), "spells"), *figures), f", the largest: {'; '.join(top)}" if top else ""


def _held_down(hours: float, instructions: int) -> str:
    if hours < 0.5 and not instructions:
        return "No hour was seen in which the site was held down, and no instruction is recorded."
    return f"The site was held down for {hours:.0f} daylight hours; {count(instructions, 'instruction')} recorded."


def _from_to(window: Window, start: pd.Timestamp, end: pd.Timestamp) -> str:
    """Two times of site time, the day once where both are of it."""
    first, last = _clock(window, start), _clock(window, end)
    return f"{first} to {last.partition(' ')[2] if last[:10] == first[:10] else last}"


def _clock(window: Window, time: pd.Timestamp) -> str:
    return pd.Timestamp(time).tz_convert(window.state.model.site.tz).strftime("%Y-%m-%d %H:%M")
