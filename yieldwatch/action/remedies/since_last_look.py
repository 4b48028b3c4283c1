"""
A string that died since an inverter was last read, on a farm without a log: only the meter tells, by a level that fell and
stayed.

One string in twenty takes 5 % of every month, about three times what a month's energy scatters by against the weather. What else
makes a month short, an outage that nobody wrote down say, seldom makes the next one short by as much.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Relief
from yieldwatch.action.remedies.first_look import SURE_ENOUGH
from yieldwatch.action.remedies.look import Look
from yieldwatch.cost.amounts import money
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.split import output_with

#: Strings that die in a year, of one; and chance that a period is short by anything up to the most for another reason. Common
#: practice, no source.
_DIE, _ANOTHER_REASON, _MOST = 0.006, 0.05, 0.4
#: Scatter of a month's energy against the model, learnt within these. Common practice, no source. [fraction]
_SCATTER = (0.012, 0.05)
#: Days of death tried, evenly since the last reading; and the chance below which nothing is told. Common practice, no source.
_TRIED, _TOLD = 24, 0.2


def dead_since_last_look(look: Look) -> list[Candidate]:
    """One job for all inverters on which a string may have died since they were last read: look for it, or mend it if sure."""
    days, short, scatter = _short(look)
    if look.state.log is not None or not len(short):
        return []
    power = [sum(s.p_mp_w for s in look.site.strings if s.inverter_id == name) for name in look.names]
    count = [sum(s.inverter_id == name for s in look.site.strings) for name in look.names]
    end = len(look.state.blocks.dates)
    odds = np.zeros(len(look.names))
    for k in range(len(odds)):
        last = _last_read(look, k)
        if count[k] and 0 <= last < end - 1:
            fall = -np.log1p(-power[k] / sum(power) / count[k])
            deaths = np.linspace(last, end, _TRIED, endpoint=False)
            likelier = np.mean([_likelier(days, short, scatter, fall, death) for death in deaths])
            odds[k] = count[k] * _DIE * (end - last) / 365.25 * likelier
    chance = float(odds.sum() / (1.0 + odds.sum()))
    if chance < _TOLD:
        return []
    at = [int(k) for k in np.flatnonzero(odds > 0.2 * odds.max())]
    k = int(odds.argmax())
    share = 1.0 / count[k]
    gain = look.outlook.gain(Relief((k,), dc=lambda replay, year: np.full((1, len(replay.blocks)), -np.log1p(-share))))
    mend, row = chance >= SURE_ENOUGH, look.site.job_costs.get("repair_string")
    follows = 0.0 if mend or row is None else row.cost_per_visit + row.cost_per_unit
    names = ", ".join(look.names[n] for n in at)
    why = (
        f"Since {names} was last read the meter fell, against the weather, by what one string gives, and stayed: with a chance "
        f"of {100 * chance:.0f} % one is dead. Find with a clamp which carries no current"
        + (", and mend it." if mend else
           f"; the money stated is what is left once it is mended (about {money(follows, look.currency)})."))
    job = look.job("repair_string" if mend else "inspect", "string_fault", tuple(look.names[n] for n in at),
                   [(gain, look.is_there(chance))], chance, why, "Stays mended once the string is found and mended.",
                   {"string": 1.0})
    returns = job.gain_value.sum(axis=1, keepdims=True)
    left = np.divide(np.maximum(returns - follows, 0.0), returns, out=np.zeros_like(returns), where=returns > 0)
    return [replace(job, gain_value=job.gain_value * left)]


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


def _likelier(days: np.ndarray, short: np.ndarray, scatter: np.ndarray, fall: float, death: float) -> float:
    """How many times likelier the periods are with a string that died on a day than without."""
    dead = np.clip((days[:, 1] - death) / (days[:, 1] - days[:, 0]), 0.0, 1.0) * fall
    other = _ANOTHER_REASON / _MOST * (short > 0.0)
    with_it, without = (
        (1.0 - _ANOTHER_REASON) * np.exp(-0.5 * ((short - lost) / scatter) ** 2) / (scatter * np.sqrt(2.0 * np.pi)) + other
        for lost in (dead, 0.0))
    return float(np.prod(with_it / np.maximum(without, 1e-12)))
