"""
Troubles of inverters: conversion below the curve, heat, inputs that do not track, limits left on, wet mornings.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.conversion_ahead import RATE_DOUBT
from yieldwatch.action.outlook import Gain, Relief
from yieldwatch.action.remedies.look import Look, percent, relative
from yieldwatch.action.remedies.strings import odds, of_fault
from yieldwatch.action.replay import Replay
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION

#: Loss of an inverter's conversion below which two channels of a log drift as far. Common practice, no source.
_TOLD = 0.003
#: Growth of such a loss that is worth a word, and a gain. Common practice, no source. [1/year]
_GROWS = 0.001
#: Confidence where a cause shows in one way only. Common practice, no source.
_SHOWS, _LIMIT, _WET = 0.85, 0.95, 0.85
#: Loss of conversion beyond which no log's channels drift apart, and the confidence in one. Common practice, no source.
_CLEAR, _SHOWS_CLEARLY = 0.01, 0.97
#: Doubt of what heat, and damp, take in a usual year: one year's hot hours, or wet mornings, say little of the next ones.
#: Relative. Common practice, no source.
_HABIT_DOUBT = 0.4
#: Doubt of what lies above a limit: strong light varies more from year to year than light. Relative. Common practice, no source.
_LIMIT_DOUBT = 0.25
#: Wet-morning trips in twelve months that make a habit, and rain that wets an array. [mm] Common practice, no
#: source.
_HABIT, _WETS = 6, 0.2
#: How much more often than on dry mornings the trips come on wet ones. Common practice, no source.
_MORE_WHEN_WET = 3.0
#: Wet days without a trip that show it had not begun. Common practice, no source.
_SPARED = 15


def repair_conversion(look: Look) -> list[Candidate]:
    """One job an inverter for all that its conversion lost: below its curve, held by heat, an input off its point."""
    jobs = []
    for k, name in enumerate(look.names):
        parts, words, chance, shown = [], [], 0.0, np.zeros(look.n_draws)
        for gain, sizes, confidence, why, now in (*_below_curve(look, k), *_heat(look, k), *_not_tracking(look, k)):
            parts.append((gain, sizes))
            shown += now * sizes
            words += [why] if why else []
            chance = max(chance, confidence)
        if parts:
            jobs.append(look.job("repair_inverter", "inverter_efficiency", (name,), parts, chance, " ".join(words),
                                 "Stays mended while filters and fans are kept clean.", size=shown if shown.any() else None))
    return jobs


def fix_settings(look: Look) -> list[Candidate]:
    """Take off limits that were left on."""
    jobs = []
    for k in np.flatnonzero(np.isfinite(look.outlook.setting)):
        name = look.names[k]
        gain = look.outlook.gain(Relief((int(k),), setting=True))
        why = (
            f"{name} has not passed {look.outlook.setting[k]:.0f} kW of late, though its peers did and its strings "
            "could: a limit was left on.")
        sizes = look.doubt(_LIMIT_DOUBT)
        if look.state.log is None:  # a few clamp readings tell it, not every bright hour
            sizes = sizes * look.is_there(_LIMIT)
        jobs.append(look.job("fix_settings", "curtailment", (name,), [(gain, sizes)], _LIMIT, why,
                             "Stays mended unless the limit is set again."))
    return jobs


def stop_wet_trips(look: Look) -> list[Candidate]:
    """Find the damp part of an inverter that stays off on wet mornings; what is live when wet comes first."""
    jobs = []
    for k, name in enumerate(look.names):
        lost, days = wet_mornings(look.state, k)
        if len(days) < _HABIT or len(days) < _MORE_WHEN_WET * _expected_by_chance(look.state, k):
            continue
        why = (
            f"{name} stayed off after first light on {len(days)} mornings of the last twelve months that had rain that "
            "day or the day before: insulation that is low when wet.")
        began, light = _began(look.state, days), _wet_light(look.state)
        gain = look.outlook.gain_of(lost, k, light, began)
        sizes = look.doubt(_HABIT_DOUBT) * look.is_there(_WET)
        jobs.append(look.job("repair_inverter", "inverter_outage", (name,), [(gain, sizes)], _WET, why,
                             "Stays mended once the damp part is found."))
        jobs.append(look.safety("inverter_outage", (name,), _WET,
                                f"{why} Low insulation can make frames live: measure it before anyone touches the array."))
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
    off, day = state.off.inverter[inverter], state.blocks.day[state.blocks.of]
    days = _late_starts(state, inverter)
    days = days[_wet_days(state)[days]]
    return np.where(np.isin(day, days), 1.0 - off, 0.0), days


def _late_starts(state: SiteState, inverter: int) -> np.ndarray:
    """Local days of the last twelve months on which an inverter was off at first light and running again before dusk."""
    off, day = state.off.inverter[inverter], state.blocks.day[state.blocks.of]
    days = []
    for d in np.unique(day[(off < 1.0) & (day > day[-1] - 365)]):
        here = np.flatnonzero(day == d)
        gone = np.flatnonzero(off[here] < 1.0)
        if gone[0] < 0.3 * len(here) and off[here[-len(here) // 4:]].min() >= 1.0:
            days.append(int(d))
    return np.array(days, dtype=int)


def _expected_by_chance(state: SiteState, inverter: int) -> float:
    """Late starts on wet days that there would be if they came as often as on dry ones."""
    wet = _wet_days(state)
    dry_starts = (~wet[_late_starts(state, inverter)]).sum()
    return float(dry_starts * wet[-365:].sum() / max((~wet[-365:]).sum(), 1))


def _wet_days(state: SiteState) -> np.ndarray:
    """Days with rain, or rain the day before."""
    rain = np.nan_to_num(state.blocks.rain, nan=0.0)
    return (rain > _WETS) | (np.r_[0.0, rain[:-1]] > _WETS)


def _wet_light(state: SiteState) -> np.ndarray:
    """Light outside the atmosphere in the intervals of wet days, nil in those of dry ones. [W/m²]"""
    sun = state.model.sun
    return np.maximum(sun.dni_extra * sun.cos_zenith, 0.0) * _wet_days(state)[state.blocks.day[state.blocks.of]]


def _began(state: SiteState, days: np.ndarray) -> pd.Timestamp:
    """
    When the trips began: with the first, where many wet days of the year before it passed without one.
    """
    year_ago = len(state.blocks.dates) - 365
    spared = _wet_days(state)[max(year_ago, 0):days[0]].sum()
    first = int(days[0]) if spared >= _SPARED else max(year_ago, 0)
    return state.blocks.dates[first].tz_localize(state.model.site.tz).tz_convert("UTC")


#: Gain, how many times it in each draw, confidence, why, and the loss that a clamp would show at any hour.
_Part = tuple[Gain, np.ndarray, float, str, float]


def _below_curve(look: Look, k: int) -> list[_Part]:
    slope = look.outlook.conversion[k]
    if slope.now <= _TOLD:
        return []

    def lost(replay: Replay, year: int) -> np.ndarray:
        return np.full((1, len(replay.day)), slope.now)

    def more(replay: Replay, year: int) -> np.ndarray:
        return (slope.at(year + replay.day / 365.25) - slope.now)[None, :]

    columns = enumerate(look.state.posterior.columns)
    which = [n for n, c in columns if c.tag and c.tag[0] in ("efficiency", "clamp") and c.tag[1] == k]
    told = _SHOWS_CLEARLY if slope.now > _CLEAR and look.state.log is not None else _SHOWS
    sizes = relative(look.outlook.draws[:, which].sum(axis=1)) * look.is_there(told)
    why = f"{look.names[k]} gives {percent(slope.now)} less than its curve at the same load"
    if slope.per_year <= _GROWS:
        return [(look.outlook.gain(Relief((k,), ac=lost)), sizes, told, f"{why}.", slope.now)]
    goes_on = sizes * look.is_there(slope.chance) / slope.chance * look.doubt(RATE_DOUBT)
    why += f"; growing by {100 * slope.rate:.1f} points a year has a chance of {100 * slope.chance:.0f} %."
    return [(look.outlook.gain(Relief((k,), ac=lost)), sizes, told, why, slope.now),
            (look.outlook.gain(Relief((k,), ac=more)), goes_on, told, "", 0.0)]


def _heat(look: Look, k: int) -> list[_Part]:
    if not np.isfinite(look.outlook.heat[k]).any():
        return []
    why = (
        f"{look.names[k]} holds its power down in hot hours while its peers do not; look at fans, filters and airflow "
        "first.")
    sizes = look.doubt(_HABIT_DOUBT) * look.is_there(_SHOWS)
    return [(look.outlook.gain(Relief((k,), heat=True)), sizes, _SHOWS, why, 0.0)]


def _not_tracking(look: Look, k: int) -> list[_Part]:
    parts: list[_Part] = []
    for fault in look.outlook.faults:
        draws = look.outlook.fault_size(fault)[1]
        if fault.cause != "inverter_efficiency" or fault.inverter != k or draws.mean() < _TOLD:
            continue
        since = f" since {look.state.blocks.dates[fault.start].date()}" if fault.start >= 0 else ""
        there = odds(look, fault, draws).of_input
        why = (
            f"{look.names[k]} has converted {percent(draws.mean())} less{since}: AC over DC fell with its output, which no "
            "string makes it do." if fault.kind == OF_CONVERSION else
            f"{look.names[k]} has given {percent(draws.mean())} less than its peers{since}; that an input does not track, "
            f"and no string is at fault, has a chance of {100 * there:.0f} %.")
        gain = look.outlook.gain(Relief((k,), ac=of_fault(look, fault, draws.mean())))
        parts.append((gain, relative(draws) * look.is_there(there), there, why, float(draws.mean())))
    return parts
