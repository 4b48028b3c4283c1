"""
What broke on an inverter since it was last read, on a farm without a log: only the meter tells, by a level that fell and stayed.

One string in twenty takes 5 % of every month, about three times what a month's energy scatters by against the weather. An input
that does not track takes as much or more, of any size. What else makes a month short, an outage that nobody wrote down say,
seldom makes the next one short by as much.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Relief
from yieldwatch.action.remedies.first_look import SURE_ENOUGH
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.replay import Replay
from yieldwatch.cost.amounts import money
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.mechanisms.unnamed import DIES, STOPS_TRACKING, strings_and_inputs
from yieldwatch.gap.split import output_with

#: Chance that a period is short by anything up to the most for another reason. Common practice, no source.
_ANOTHER_REASON, _MOST = 0.05, 0.4
#: Scatter of a month's energy against the model, learnt within these. Common practice, no source. [fraction]
_SCATTER = (0.012, 0.05)
#: Days of the fault tried, evenly since the last reading; shares of an input tried; and the chance below which nothing is told.
#: Common practice, no source.
_TRIED, _SHARES, _TOLD = 24, (0.15, 0.25, 0.35, 0.45, 0.6, 0.8, 1.0), 0.2
#: Odds of an inverter, beside the likeliest one's, from which the crew that has come reads it too. Common practice, no source.
_TOO = 0.05


@dataclass(frozen=True)
class _Rival:
    """What may have broken: on an inverter a string, or an input; the share of the inverter that it takes; and its odds."""

    inverter: int
    is_string: bool
    share: float
    odds: float


def broken_since_last_look(look: Look) -> list[Candidate]:
    """One job for all inverters on which a string or an input may have failed since they were last read: look, or mend."""
    days, short, scatter = _short(look)
    if look.state.log is not None or not len(short):
        return []
    rivals = [rival for k in range(len(look.names)) for rival in _rivals(look, k, days, short, scatter)]
    odds = np.array([rival.odds for rival in rivals])
    chance = float(odds.sum() / (1.0 + odds.sum()))
    if chance < _TOLD:
        return []
    of_inverter = np.bincount([rival.inverter for rival in rivals], odds, len(look.names))
    at = [int(k) for k in np.flatnonzero(of_inverter > _TOO * of_inverter.max())]
    of_string = chance * float(odds[[rival.is_string for rival in rivals]].sum() / odds.sum())
    mend = of_string >= SURE_ENOUGH
    # What is at fault by draw, and what its repair costs beside this job.
    fate = look.rng.choice(len(rivals), look.n_draws, p=odds / odds.sum())
    losses = np.array([-np.log1p(-rival.share) for rival in rivals])
    size = losses[fate] * look.is_there(chance)
    which, is_string = (np.array([getattr(rival, name) for rival in rivals])[fate] for name in ("inverter", "is_string"))
    string_cost, input_cost = (_cost(look, kind) for kind in ("repair_string", "repair_inverter"))
    follows = np.where(is_string, 0.0 if mend else string_cost, input_cost)[:, None]
    gains = []
    for k in at:
        usual = float(np.average(losses, weights=odds * [rival.inverter == k for rival in rivals]))
        gains.append((look.outlook.gain(Relief((k,), dc=_always(usual))), size / usual * (which == k)))
    names = ", ".join(look.names[k] for k in at)
    why = (
        f"Since {names} was last read the meter fell, against the weather, by what a string or an input gives, and stayed: with "
        f"a chance of {100 * of_string:.0f} % a string is dead, with {100 * (chance - of_string):.0f} % an input does not track. "
        + (f"Find with a clamp which carries no current, and mend it; if all do, the money stated has the inverter's repair paid "
           f"(about {money(input_cost, look.currency)})." if mend else
           f"Read the strings and inputs with a clamp; the money stated is what is left once the repair is paid (about "
           f"{money(string_cost, look.currency)} if it is a string, {money(input_cost, look.currency)} if it is the inverter)."))
    job = look.job("repair_string" if mend else "inspect", "string_fault", tuple(look.names[k] for k in at),
                   gains, chance, why, "Stays mended once it is found and mended.", {"string": 1.0})
    returns = job.gain_value.sum(axis=1, keepdims=True)
    left = np.divide(np.maximum(returns - follows, 0.0), returns, out=np.zeros_like(returns), where=returns > 0)
    return [replace(job, gain_value=job.gain_value * left)]


def _always(loss: float) -> Callable[[Replay, int], np.ndarray]:
    """A loss, as -ln of what it leaves, of every block."""
    return lambda replay, year: np.full((1, len(replay.blocks)), loss)


def _rivals(look: Look, k: int, days: np.ndarray, short: np.ndarray, scatter: np.ndarray) -> list[_Rival]:
    """What may have broken on an inverter since it was last read, with the odds of each against nothing."""
    strings, inputs = strings_and_inputs(look.site, look.names[k])
    last, end = _last_read(look, k), len(look.state.blocks.dates)
    if not strings or not 0 <= last < end - 1:
        return []
    part = sum(s.p_mp_w for s in look.site.strings if s.inverter_id == look.names[k]) / sum(s.p_mp_w for s in look.site.strings)
    faults = np.linspace(last, end, _TRIED, endpoint=False)
    tried = [(True, 1.0 / len(strings), DIES * len(strings))]
    tried += [(False, share / inputs, STOPS_TRACKING * inputs / len(_SHARES)) for share in _SHARES]
    found = []
    for is_string, share, rate in tried:
        fall = -np.log1p(-min(part * share, 0.98))
        likelier = np.mean([_likelier(days, short, scatter, fall, fault) for fault in faults])
        found.append(_Rival(k, is_string, min(share, 0.98), float(rate * (end - last) / 365.25 * likelier)))
    return found


def _cost(look: Look, kind: str) -> float:
    """What one unit of a job costs on a visit of its own. [money]"""
    row = look.site.job_costs.get(kind)
    return 0.0 if row is None else row.cost_per_visit + row.cost_per_unit


def _last_read(look: Look, k: int) -> int:
    """Local day on which all strings of an inverter were last read, by trace or clamp; -1 where they were not."""
    blocks, own = look.state.blocks, [s.string_id for s in look.site.strings if s.inverter_id == look.names[k]]
    days = [-1]
    if len(look.findings):
        traced = look.findings.set_index("string_id")["last_round"].reindex(own)
        if traced.notna().all() and len(traced):
            days.append((pd.Timestamp(min(traced)) - blocks.dates[0]).days)
    if look.clamps is not None and len(look.clamps):
        read = look.clamps[(look.clamps["inverter_id"] == look.names[k]) & look.clamps["current_ratio"].notna()]
        days += [blocks.day_of(time) for time in read["time"]]
    return max(days)


def _short(look: Look) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    The meter's periods as (first day, day after the last), shape (n, 2); how short each is against the model, as -ln, the usual
    taken out, and its standard uncertainty, shape (n,).
    """
    state, nothing = look.state, (np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    periods = meter_by_day(state.blocks, look.data.meter)
    if not periods or look.data.power is not None:
        return nothing
    day, n_days = state.blocks.day[state.blocks.of], len(state.blocks.dates)
    output = output_with(state.model, state.effects)
    blurred = output * (0.0 if state.snow_doubt is None else state.snow_doubt)
    modelled, snow = (np.bincount(day, weights=energy.sum(axis=0), minlength=n_days) for energy in (output, blurred))
    rows = [(first, last, modelled[first:last].sum(), snow[first:last].sum(), kwh) for first, last, kwh in periods]
    known = np.array([row for row in rows if row[2] > 0 and row[4] > 0])
    if len(known) < 2:
        return nothing
    short = -np.log(known[:, 4] / known[:, 2])
    short = short - np.median(short)
    scatter = np.clip(1.4826 * np.median(np.abs(short)), *_SCATTER) * np.sqrt(0.5 * (1.0 + np.median(known[:, 2]) / known[:, 2]))
    return known[:, :2], short, np.hypot(scatter, known[:, 3] / known[:, 2])


def _likelier(days: np.ndarray, short: np.ndarray, scatter: np.ndarray, fall: float, broke: float) -> float:
    """How many times likelier the periods are with a part that broke on a day than without."""
    gone = np.clip((days[:, 1] - broke) / (days[:, 1] - days[:, 0]), 0.0, 1.0) * fall
    other = _ANOTHER_REASON / _MOST * (short > 0.0)
    with_it, without = (
        (1.0 - _ANOTHER_REASON) * np.exp(-0.5 * ((short - lost) / scatter) ** 2) / (scatter * np.sqrt(2.0 * np.pi)) + other
        for lost in (gone, 0.0))
    return float(np.prod(with_it / np.maximum(without, 1e-12)))
