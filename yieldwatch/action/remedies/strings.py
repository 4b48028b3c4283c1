"""
Faults of strings: those that the rounds found, one job each, and those that only the log, or a clamp, has seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Relief
from yieldwatch.action.remedies.first_look import SURE_ENOUGH
from yieldwatch.action.remedies.look import Look, percent, relative, seen_in
from yieldwatch.action.remedies.on_glass import chance_on_glass
from yieldwatch.action.replay import Replay
from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.cost.amounts import money
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION, Fault, full_shape
from yieldwatch.gap.mechanisms.unnamed import PartOf, part_of, strings_and_inputs
from yieldwatch.portfolio.model import String

#: The job that mends each finding, and what the finding says in words.
MENDS = {
    "open": ("repair_string", "gave no current"),
    "bypass_short": ("repair_string", "lacks voltage in parts of a module, as with shorted bypass diodes"),
    "wrong_count": ("repair_string", "lacks the voltage of whole modules"),
    "series_resistance": ("repair_string", "loses voltage under current, as with a bad connector"),
    "shunt": ("replace_modules", "leaks current inside its modules"),
    "current_low": ("replace_modules", "gives too little current, as with cracked or weak modules"),
}
#: Weak modules are counted from the string's loss with this margin. Common practice, no source.
_SPARE = 1.2
#: Loss of an inverter below which the log cannot vouch for a fault. Common practice, no source.
_LOG_TELLS = 0.002
#: What a loss may be of that a clamp visit missed in whole strings; that came and went by itself before, as shade does; and that
#: AC over DC shares, which no string can make it do. Common practice, no source.
_AT_A_CLAMP, _COMES_AND_GOES, _CONVERSION = PartOf(0.8, 0.0, 0.1), PartOf(0.2, 0.0, 0.0), PartOf(0.0, 0.0, 0.95)
#: Chance that what shows lies on the glass from which a wash goes before a repair. Common practice, no source.
_WORTH_A_WASH = 0.1


def repair_strings(look: Look) -> list[Candidate]:
    """One job for each string that a round found faulty."""
    strings = {s.string_id: s for s in look.site.strings}
    bad = look.findings[look.findings["finding"].isin(FAULT_FINDINGS)] if len(look.findings) else look.findings
    return [_repair(look, strings[row["string_id"]], row) for row in bad.to_dict("records")]


def unseen_parts(look: Look) -> list[Candidate]:
    """
    One job an inverter for parts it lacks that no round explains: strings that are surely enough dead are found and mended, all
    else is tested.
    """
    parts = [_Part(fault, look.outlook.fault_size(fault)[1], _told(look, fault), fault.chance) for fault in look.outlook.faults
             if not fault.strings and fault.kind != OF_CONVERSION]
    parts = [part for part in parts if part.sizes.mean() >= _LOG_TELLS]
    jobs = []
    for inverter in dict.fromkeys(part.fault.inverter for part in parts):
        own = [part for part in parts if part.fault.inverter == inverter]
        chances = [(part.chance, odds(look, part.fault, part.sizes)) for part in own]
        mend = all(chance * of.dead >= SURE_ENOUGH for chance, of in chances)
        found = [_look_for(look, part, mend) for part in own]
        jobs += [_at_once([job for job in found if job.cause == cause]) for cause in dict.fromkeys(job.cause for job in found)]
    return jobs


@dataclass(frozen=True, eq=False)
class _Part:
    """A part that no round has seen: its size by draw if it is there, what told it in words, and the chance that it is there."""

    fault: Fault
    sizes: np.ndarray
    told: str
    chance: float = 1.0


def _told(look: Look, fault: Fault) -> str:
    if fault.onset:
        return "at the last clamp visit, against the others and its strings as traced before"
    return f"since {_date(look, fault)}" if fault.start >= 0 else f"all through the history ({fault.kind})"


def _look_for(look: Look, part: _Part, mend: bool) -> Candidate:
    """
    A test of an inverter's strings and inputs, or the repair itself.

    A dead string is found with a clamp in minutes, by the crew that has come to mend it: no test goes before. The energy needs
    what repair follows; the money is what is left once that is paid.
    """
    fault, draws, name = part.fault, part.sizes, look.names[part.fault.inverter]
    of = odds(look, fault, draws)
    own, of_input = part.chance * of.of_strings, part.chance * of.of_input
    dead = dead_strings(look, fault, draws) if of.dead > of.inside else 0
    there = (own + of_input) * float((draws > _LOG_TELLS).mean())
    fate = look.rng.random(look.n_draws)
    string_cost, inverter_cost = 0.0 if mend else _repair_cost(look, fault, dead, draws), _inverter_cost(look)
    why = f"{name} lacks {percent(draws.mean())} of its output {part.told}, and no round explains it. "
    if fault.mppt is not None:
        why += f"By the clamp it is on input {fault.mppt}. "
    if fault.onset and (left := _not_traced_since(look, fault)):
        why += f"Not traced since: {', '.join(left)}. "
    if mend:
        why += (
            f"That is {dead} of its {len(_strings_of(look, fault))} strings, with a chance of {100 * own:.0f} %. Find with a "
            "clamp which carries no current, and mend it. If all carry current, an input may not track: the money stated has "
            f"that repair paid where it is so (about {money(inverter_cost, look.currency)}).")
    else:
        why += (
            "Test its strings and inputs; the money stated is what is left once the repair that follows, a job of its own, is "
            f"paid (about {money(string_cost, look.currency)} if it is a string, {money(inverter_cost, look.currency)} if it is "
            "the inverter).")
    # Dead strings take just their own share, whatever the log makes of it.
    size = _whole_strings(look, fault, draws) if mend else draws.mean()
    gain = look.outlook.gain(Relief((fault.inverter,), dc=of_fault(look, fault, size)))
    sizes = np.where(mend & (fate < own), 1.0, draws / size) * (draws > _LOG_TELLS) * (fate < own + of_input)
    kind, cause = ("repair_string", "string_fault") if mend else ("inspect", fault.cause)
    job = look.job(kind, cause, (name,), [(gain, sizes)], there, why,
                   "Stays mended." if mend else "Stays mended once the part is found and repaired.",
                   {"string": float(dead)} if mend else None, size=size * sizes)
    returns = job.gain_value.sum(axis=1, keepdims=True)
    follows = np.where(fate < own, string_cost, inverter_cost)[:, None]
    left = np.divide(np.maximum(returns - follows, 0.0), returns, out=np.zeros_like(returns), where=returns > 0)
    return replace(job, gain_value=job.gain_value * left)


def odds(look: Look, fault: Fault, draws: np.ndarray) -> PartOf:
    """
    What a loss that only the log saw, or a clamp, may be of.

    Parameters
    ----------
    look : Look
    fault : Fault
    draws : ndarray, shape (n_draws,)
        Its size, as -ln of what it leaves.
    """
    if fault.kind == OF_CONVERSION:
        return _CONVERSION
    if fault.kind == "open":
        return _AT_A_CLAMP
    if _went_before(look, fault):
        return _COMES_AND_GOES
    strings, inputs = strings_and_inputs(look.site, look.names[fault.inverter])
    left = _strings_left(look, fault) / len(strings)
    share = -np.expm1(-draws)
    return part_of(float(share.mean()), float(share.std()), left, len(strings), inputs, fault.read, fault.start >= 0)


def _strings_of(look: Look, fault: Fault) -> list[String]:
    return [s for s in look.site.strings if s.inverter_id == look.names[fault.inverter]]


def _not_traced_since(look: Look, fault: Fault) -> list[str]:
    """Strings that nobody traced since a clamp visit that missed one, where others of the inverter were traced."""
    if look.findings.empty:
        return []
    seen = look.state.blocks.dates[min(fault.onset[-1][0], len(look.state.blocks.dates) - 1)]
    traced = pd.to_datetime(look.findings.set_index("string_id")["last_round"])
    own = [s.string_id for s in _strings_of(look, fault)]
    left = [name for name in own if not traced.get(name, pd.NaT) >= seen]
    return left if len(left) < len(own) else []


def _at_once(jobs: list[Candidate]) -> Candidate:
    """Several parts that an inverter lacks are looked for at once."""
    whole = jobs[0]
    for job in jobs[1:]:
        size = None if whole.size is None or job.size is None else whole.size + job.size
        both = whole.units["string"] + job.units["string"]
        units = whole.units if job.job_kind == "inspect" else whole.units | {"string": both}
        whole = replace(whole, gain_kwh=whole.gain_kwh + job.gain_kwh, gain_value=whole.gain_value + job.gain_value, size=size,
                        units=units, confidence=1.0 - (1.0 - whole.confidence) * (1.0 - job.confidence),
                        why=f"{whole.why} Besides: {job.why}")
    return whole


def dead_strings(look: Look, fault: Fault, draws: np.ndarray) -> int:
    """How many whole strings' output a loss is nearest to, one at the least."""
    return max(round(float(-np.expm1(-draws.mean())) * _strings_left(look, fault)), 1)


def _whole_strings(look: Look, fault: Fault, draws: np.ndarray) -> float:
    """Loss by the whole strings that are nearest to one of this size, as -ln of what they leave."""
    return float(-np.log1p(-min(dead_strings(look, fault, draws) / _strings_left(look, fault), 0.98)))


def _strings_left(look: Look, fault: Fault) -> float:
    """How many strings' output earlier faults left of an inverter."""
    return float(np.exp(-sum(look.outlook.fault_size(f)[0] for f in _others(look, fault)[0])) * len(_strings_of(look, fault)))


def _went_before(look: Look, fault: Fault) -> bool:
    """Whether the inverter lacked a part before, and had it again without a recorded repair."""
    events, name = look.data.events, look.names[fault.inverter]
    mended = events.loc[events["kind"].isin(["repair", "replacement"]), "scope"] if len(events) else ()
    inside = {"site", name} | {s.string_id for s in _strings_of(look, fault)}
    return not any(inside & set(str(scope).split()) for scope in mended) and any(
        f.inverter == fault.inverter and not f.strings and f.cause == "string_fault" and f.end <= fault.start
        for f in look.state.faults)


def _repair_cost(look: Look, fault: Fault, dead: int, draws: np.ndarray) -> float:
    """What the repair costs that a test is likely to call for: dead strings mended, or weak modules replaced. [money]"""
    row = look.site.job_costs.get("repair_string" if dead else "replace_modules")
    if row is None:
        return 0.0
    weak = draws.mean() * sum(s.modules_in_series for s in _strings_of(look, fault))
    units = {"string": float(max(dead, 1)), "module": float(ceil(_SPARE * weak))}.get(row.unit, 1.0)
    return row.cost_per_visit + row.cost_per_unit * units


def _inverter_cost(look: Look) -> float:
    """What mending one inverter costs. [money]"""
    row = look.site.job_costs.get("repair_inverter")
    return 0.0 if row is None else row.cost_per_visit + row.cost_per_unit


def of_fault(look: Look, fault: Fault, size: float) -> Callable[[Replay, int], np.ndarray]:
    """
    What mending a fault of this size gives back in each block of a replay, as -ln, as if it had always been there.

    Losses multiply, strings add: a size is a share of what earlier faults of the inverter left, and comes back undiminished by
    those that came later.
    """
    blocks = look.state.blocks
    later = sum((full_shape(blocks, f) * look.outlook.fault_size(f)[0] for f in _others(look, fault)[1]), np.zeros(blocks.n))
    shape = np.log1p(np.expm1(full_shape(blocks, fault) * size) * np.exp(later))
    return lambda replay, year: shape[None, replay.blocks]


def _others(look: Look, fault: Fault) -> tuple[list[Fault], list[Fault]]:
    """Other faults of an inverter's strings, the earlier and the later; what is not among the outlook's came last."""
    own = sorted((f for f in look.outlook.faults if f.inverter == fault.inverter and f.cause == fault.cause == "string_fault"),
                 key=lambda f: f.start)
    at = own.index(fault) if fault in own else len(own)
    return own[:at], own[at + 1:]


def _repair(look: Look, string: String, found: dict[Any, Any]) -> Candidate:
    confidence, on_glass = float(found["confidence"]), chance_on_glass(look, found)
    fault, draws = _size(look, string, found)
    gain = look.outlook.gain(Relief((fault.inverter,), dc=of_fault(look, fault, draws.mean())))
    sizes = relative(draws) * look.is_there(confidence * (1.0 - on_glass))
    if not fault.dated:
        # A size from the rounds alone is a mean that already holds the chance of there being no fault.
        sizes = sizes / max(confidence, 0.05)
    kind, _ = MENDS[found["finding"]]
    units = {"module": float(_modules(string, found))} if kind == "replace_modules" else None
    why = _why(look, string, found, fault, draws.mean())
    if units:
        why += f" Counted: {units['module']:.0f} of {string.modules_in_series} modules to replace."
    if on_glass >= _WORTH_A_WASH:
        why += (f" It may be droppings or leaves on a module or two and no fault ({100 * on_glass:.0f} %): "
                "wash it and test it again before anything is mended.")
    part = string.p_mp_w / sum(s.p_mp_w for s in look.site.strings if s.inverter_id == string.inverter_id)
    of_string = -np.log1p(-np.minimum(-np.expm1(-draws.mean() * sizes) / part, 0.98))
    return look.job(kind, "string_fault", (string.string_id,), [(gain, sizes)], confidence * (1.0 - on_glass), why,
                    "Stays mended.", units, size=of_string)


def _size(look: Look, string: String, found: dict[Any, Any]) -> tuple[Fault, np.ndarray]:
    """The fault and its size by draw; from the round's own figures where the inference holds nothing of it."""
    for fault in look.outlook.faults:
        if string.string_id in fault.strings and fault.cause == "string_fault":
            draws = look.outlook.fault_size(fault)[1]
            if draws.mean() > 0:
                return fault, draws
    of_inverter = sum(s.p_mp_w for s in look.site.strings if s.inverter_id == string.inverter_id)
    part, lost = string.p_mp_w / of_inverter, float(found["share_lost"])
    doubt = max(float(found["share_lost_sd"]), 0.1 * lost)
    draws = -np.log1p(-part * np.clip(look.rng.normal(lost, doubt, look.n_draws), 0.0, 0.98))
    n_days = len(look.state.blocks.dates)
    return Fault("string_fault", look.names.index(string.inverter_id), (string.string_id,), found["finding"], -1,
                 n_days, part * lost, part * doubt, False), draws


def _modules(string: String, found: dict[Any, Any]) -> int:
    """A shunt is a matter of the whole string; weak modules are as many as their loss."""
    if found["finding"] == "shunt":
        return string.modules_in_series
    weak = ceil(_SPARE * float(found["share_lost"]) * string.modules_in_series)
    return min(max(weak, 1), string.modules_in_series)


def _why(look: Look, string: String, found: dict[Any, Any], fault: Fault, size: float) -> str:
    seen = f"{string.string_id} {MENDS[found['finding']][1]} ({seen_in(found)})"
    if fault.dated and 0 <= fault.start < len(look.state.blocks.dates):
        return f"{seen}; the log shows {percent(size)} of {string.inverter_id} gone since {_date(look, fault)}."
    return f"{seen}; that is {percent(size)} of {string.inverter_id}'s output. No log dates it."


def _date(look: Look, fault: Fault) -> str:
    return str(look.state.blocks.dates[fault.start].date())
