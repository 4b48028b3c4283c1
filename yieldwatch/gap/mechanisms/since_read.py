"""
What broke on an inverter since it was last read, on a farm without a log: only the meter tells, by a level that fell and stayed.

One string in twenty takes 5 % of every month, about three times what a month's energy scatters by against the weather. An input
that does not track takes as much or more, of any size. What else makes a month short, an outage that nobody wrote down say,
seldom makes the next one short by as much. On which inverter it is, the meter does not say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.mechanisms.fault import SINCE_READ, Fault
from yieldwatch.gap.mechanisms.unnamed import DIES, STOPS_TRACKING, strings_and_inputs

#: Chance that a period is short by anything up to the most for another reason. Common practice, no source.
_ANOTHER_REASON, _MOST = 0.05, 0.4
#: Scatter of a month's energy against the model, learnt within these. Common practice, no source. [fraction]
_SCATTER = (0.012, 0.05)
#: Days of the fault tried, evenly since the last reading; and shares of an input tried. Common practice, no source.
_TRIED, _SHARES = 24, (0.15, 0.25, 0.35, 0.45, 0.6, 0.8, 1.0)
#: Logarithm of odds beyond which nothing is surer.
_SURELY = 500.0
#: Odds of an inverter, beside the likeliest one's, from which it may be the one. Common practice, no source.
_TOO = 0.05
#: Chance from which the account holds it; below, the meter more likely fell for another reason. Common practice, no source.
_HELD = 0.5
#: What such a loss may be off by: strings differ, and so do months. Relative. Common practice, no source.
_DOUBT = 0.1


@dataclass(frozen=True)
class Rival:
    """
    What may have broken.

    Attributes
    ----------
    inverter : int
    is_string : bool
        Else an input.
    share : float
        Of the inverter's output.
    odds : float
        Against nothing having broken anywhere.
    by_day : tuple of (int, float)
        First days tried, local, and how well each fits.
    """

    inverter: int
    is_string: bool
    share: float
    odds: float
    by_day: tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Fallen:
    """Everything that may have broken since it was last read."""

    rivals: tuple[Rival, ...]

    @property
    def odds(self) -> np.ndarray:
        """Of each rival, shape (n_rivals,)."""
        return np.array([rival.odds for rival in self.rivals])

    @property
    def chance(self) -> float:
        """That anything did."""
        return float(self.odds.sum() / (1.0 + self.odds.sum()))

    @property
    def of_string(self) -> float:
        """Chance that a string did."""
        return self.chance * float(self.odds[[rival.is_string for rival in self.rivals]].sum() / self.odds.sum())

    @property
    def inverters(self) -> list[int]:
        """Where it may be."""
        of_inverter = np.bincount([rival.inverter for rival in self.rivals], self.odds)
        return [int(k) for k in np.flatnonzero(of_inverter > _TOO * of_inverter.max())]


def fallen_since_read(blocks: Blocks, data: SiteData, findings: pd.DataFrame, clamps: pd.DataFrame | None,
                      modelled: np.ndarray, doubt: np.ndarray) -> Fallen | None:
    """
    Weigh what may have broken on each inverter since all its strings were last read; None where the meter has nothing to say.

    Parameters
    ----------
    findings : DataFrame
        `string_id`, `last_round`.
    clamps : DataFrame or None
        From `yieldwatch.gap.clamps`.
    modelled, doubt : ndarray, shape (n_days,)
        Energy by local day with all known causes on, and what snow leaves in doubt of it. [kWh]
    """
    days, short, scatter = _short(blocks, data, modelled, doubt)
    if not len(short):
        return None
    places = range(len(blocks.model.inverter_ids))
    rivals = tuple(r for k in places for r in _rivals(blocks, findings, clamps, k, days, short, scatter))
    return Fallen(rivals) if rivals else None


def fault_of(fallen: Fallen | None, blocks: Blocks) -> Fault | None:
    """
    A loss to hold in the account: the mean of what it may be, on the likeliest inverter, since when the meter says; None where it
    is more likely nothing.
    """
    if fallen is None or fallen.chance < _HELD:
        return None
    weight = fallen.odds / fallen.odds.sum()
    ids = blocks.model.inverter_ids
    k = int(np.argmax(np.bincount([r.inverter for r in fallen.rivals], weight)))
    lost = np.array([_part(blocks, r.inverter) * r.share for r in fallen.rivals]) / _part(blocks, k)
    mean = float(weight @ lost)
    share = float(-np.log1p(-min(mean, 0.98)))
    doubt = float(np.hypot(np.sqrt(weight @ (lost - mean) ** 2), _DOUBT * mean)) / max(1.0 - mean, 0.02)
    fits: dict[int, float] = {}
    for rival, part in zip(fallen.rivals, weight, strict=True):
        whole = sum(f for _, f in rival.by_day)
        for day, fit in rival.by_day:
            fits[day] = fits.get(day, 0.0) + part * fit / whole
    first = sorted(fits)
    sums = fallen.chance * np.cumsum([fits[day] for day in first])
    onset = ((first[0] - 1, 0.0), *((day, float(c)) for day, c in zip(first, sums, strict=True)))
    start = first[int(np.searchsorted(sums, 0.5 * fallen.chance))]
    return Fault("string_fault", k, (), SINCE_READ, start, len(blocks.dates), share, doubt, False, onset,
                 of_input=1.0 - fallen.of_string / fallen.chance, among=tuple(ids[n] for n in fallen.inverters))


def _part(blocks: Blocks, k: int) -> float:
    """Part of the farm's modules that an inverter has."""
    strings = blocks.model.site.strings
    return sum(s.p_mp_w for s in strings if s.inverter_id == blocks.model.inverter_ids[k]) / sum(s.p_mp_w for s in strings)


def _rivals(blocks: Blocks, findings: pd.DataFrame, clamps: pd.DataFrame | None, k: int, days: np.ndarray, short: np.ndarray,
            scatter: np.ndarray) -> list[Rival]:
    """What may have broken on an inverter since it was last read, with the odds of each against nothing."""
    strings, inputs = strings_and_inputs(blocks.model.site, blocks.model.inverter_ids[k])
    last, end = _last_read(blocks, findings, clamps, k), len(blocks.dates)
    if not strings or not 0 <= last < end - 1:
        return []
    faults = np.linspace(last, end, _TRIED, endpoint=False)
    tried = [(True, 1.0 / len(strings), DIES * len(strings))]
    tried += [(False, share / inputs, STOPS_TRACKING * inputs / len(_SHARES)) for share in _SHARES]
    found = []
    for is_string, share, rate in tried:
        fall = -np.log1p(-min(_part(blocks, k) * share, 0.98))
        likelier = [_likelier(days, short, scatter, fall, fault) for fault in faults]
        by_day = tuple((int(day), fit) for day, fit in zip(faults, likelier, strict=True))
        odds = float(rate * (end - last) / 365.25 * np.mean(likelier))
        found.append(Rival(k, is_string, min(share, 0.98), odds, by_day))
    return found


def _last_read(blocks: Blocks, findings: pd.DataFrame, clamps: pd.DataFrame | None, k: int) -> int:
    """Local day on which all strings of an inverter were last read, by trace or clamp; -1 where they were not."""
    name = blocks.model.inverter_ids[k]
    days, own = [-1], [s.string_id for s in blocks.model.site.strings if s.inverter_id == name]
    if len(findings):
        traced = findings.set_index("string_id")["last_round"].reindex(own)
        if traced.notna().all() and len(traced):
            days.append((pd.Timestamp(min(traced)) - blocks.dates[0]).days)
    if clamps is not None and len(clamps):
        # A reading of what a limit held down says nothing of strings.
        read = clamps[(clamps["inverter_id"] == name) & clamps["current_ratio"].notna() & (clamps["limited"] == "")]
        days += [blocks.day_of(time) for time in read["time"]]
    return max(days)


def _short(blocks: Blocks, data: SiteData, modelled: np.ndarray, doubt: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    The meter's periods as (first day, day after the last), shape (n, 2); how short each is against the model, as -ln, the usual
    taken out, and its standard uncertainty, shape (n,).
    """
    nothing = (np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    periods = meter_by_day(blocks, data.meter)
    if not periods or data.power is not None:
        return nothing
    rows = [(first, last, modelled[first:last].sum(), doubt[first:last].sum(), kwh) for first, last, kwh in periods]
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
    # A meter read by the day has hundreds of periods, whose product a float does not hold.
    return float(np.exp(np.clip(np.log(np.maximum(with_it, 1e-12) / np.maximum(without, 1e-12)).sum(), -_SURELY, _SURELY)))
