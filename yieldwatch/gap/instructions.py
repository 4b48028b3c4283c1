"""
When the whole site was held down by instruction, interval by interval, read off the log at its own interval.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.logs import Fine, InverterLog, at_own_interval

#: An unrecorded limit holds at least this long: a cloud bank levels the output of all inverters for half an hour too, and the
#: light sensor, which stands elsewhere, need not see it. Common practice, no source.
_HELD_AT_LEAST = pd.Timedelta(hours=1)
#: Share of what it could give above which the site's output is not taken to be held. Common practice, no source.
_HELD_BELOW = 0.97
#: An unrecorded level: how far neighbours, and all of it, may be apart, and the share of what could be given that no interval, or
#: the mean, may pass. What is level within half a per cent for an hour and more no cloud made, and the model may be wrong about
#: single intervals of it. Common practice, no source.
_EACH_BELOW, _LEVEL, _MEAN_BELOW, _SHARP_LEVEL = 0.93, (0.02, 0.03), 0.90, (0.005, 0.0075)
#: How far from the power that an instruction names the output may stand and be held by it. Common practice, no source.
_NAMED = 0.05
_POWER = re.compile(r"(\d+(?:[.,]\d+)?)\s*(kw|mw)\b", re.IGNORECASE)


def named_power(note: object) -> float | None:
    """Power that a note names, None where it names none. [kW]"""
    named = _POWER.search(str(note))
    if not named:
        return None
    return float(named.group(1).replace(",", ".")) * (1000.0 if named.group(2).lower() == "mw" else 1.0)


def find_curtailment(model: SiteModel, log: InverterLog | None, data: SiteData, potential: np.ndarray) -> np.ndarray:
    """
    Power at the meter to which the whole site was held, inf where it was not. [kW]

    A recorded instruction is taken where the output stands at the power that it names, or at the highest that was given under
    it, and below what the site could give. Unrecorded, it shows as all inverters held at once, the sum flat, below the standing
    export limit. A site with a single inverter cannot show that: there only the record counts.

    Parameters
    ----------
    potential : ndarray, shape (n_inverters, n_times)
        AC power that each inverter could give in its own state, before limits. [kW]
    """
    cap = np.full(len(model.times), np.inf)
    if log is None:
        return cap
    could = np.minimum(potential, model.rating)
    limit = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
    able = np.minimum(could.sum(axis=0) * model.to_meter, limit)
    fine = at_own_interval(model, log)
    total = fine.ac.sum(axis=0) * model.to_meter
    usable = np.isfinite(total) & (able > 0.1 * model.rating.sum())[fine.slot]
    held = _recorded(fine, total, usable & (total < _HELD_BELOW * able[fine.slot]), data)
    if len(model.inverter_ids) > 1:
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where((could > 0.02 * model.rating)[:, fine.slot], fine.ac / could[:, fine.slot], -np.inf)
        # All at once: even the least affected is well below what it could give.
        held |= _flat(fine, total, usable & (total < 0.98 * limit), np.max(share, axis=0))
    slots = np.unique(fine.slot[held])
    mean = log.ac[:, slots].sum(axis=0) * model.to_meter
    cap[slots] = np.where(mean < _HELD_BELOW * able[slots], mean, np.inf)
    return cap


def _recorded(fine: Fine, total: np.ndarray, low: np.ndarray, data: SiteData) -> np.ndarray:
    """Where a recorded instruction held the site, bool, shape (n,)."""
    held = np.zeros(len(total), dtype=bool)
    events = data.events[data.events["kind"] == "curtailment"] if len(data.events) else data.events
    for event in events.itertuples():
        end = event.end if pd.notna(event.end) else event.start + pd.Timedelta(days=1)
        during = low & np.asarray((fine.times + fine.step > event.start) & (fine.times < end))
        if not during.any():
            continue
        within = during & np.asarray((fine.times >= event.start) & (fine.times + fine.step <= end))
        level = named_power(event.note)
        if level is None:
            level = float(np.quantile(total[within if within.any() else during], 0.9))
        # Below the level a cloud held the output, not the instruction; an interval that it cut off may be above.
        at_level = during & (total > (1.0 - _NAMED) * level)
        held |= at_level & (~within | (total < (1.0 + _NAMED) * level))
    return held


def _flat(fine: Fine, total: np.ndarray, usable: np.ndarray, share: np.ndarray) -> np.ndarray:
    """
    Runs of an hour and three intervals or more that hold one level, and the interval on either side that they cut off.

    Parameters
    ----------
    share : ndarray, shape (n,)
        Largest share that an inverter gives of what it could.
    """
    shortest = max(3, int(np.ceil(_HELD_AT_LEAST / fine.step)))
    out = np.zeros(len(total), dtype=bool)
    low = usable & (share < _EACH_BELOW)
    for mask, (next_to, overall), below in ((low, _LEVEL, _EACH_BELOW), (usable, _SHARP_LEVEL, _MEAN_BELOW)):
        for start, end in _level_runs(fine, total, mask, next_to, overall):
            if end - start < shortest or np.mean(share[start:end]) >= below or not _let_go(share, start, end):
                continue
            out[start:end] = True
            for edge, beside in ((start - 1, start), (end, end - 1)):
                if 0 <= edge < len(total) and abs(fine.times[edge] - fine.times[beside]) == fine.step:
                    out[edge] |= low[edge] and total[edge] > (1.0 - overall) * total[beside]
    return out


def _let_go(share: np.ndarray, start: int, end: int) -> bool:
    """
    Does the share rise half way to all that could be given, within the run or two intervals beside it, or is that unknown?

    What a limit held it lets go, at once or as the light falls. Snow that slides gives a level with slopes beside it.
    """
    beside = share[max(start - 2, 0) : end + 2]
    if not np.isfinite(beside[: 2 if start > 1 else start]).any() or not np.isfinite(share[end : end + 2]).any():
        return True
    mean = float(np.mean(share[start:end]))
    return bool(np.nanmax(beside) > 0.5 * (1.0 + mean))


def _level_runs(fine: Fine, total: np.ndarray, mask: np.ndarray, next_to: float, overall: float) -> list[tuple[int, int]]:
    """First and end of each run inside `mask` whose neighbours are within `next_to` and all within `overall` of its first."""
    follows = np.r_[False, (fine.times[1:] - fine.times[:-1]) == fine.step]
    with np.errstate(invalid="ignore", divide="ignore"):
        same = np.r_[False, np.abs(total[1:] / total[:-1] - 1.0) < next_to] & follows & mask & np.r_[False, mask[:-1]]
    runs, start = [], 0
    while start < len(total):
        end = start + 1
        while end < len(total) and same[end] and abs(total[end] / total[start] - 1.0) < overall:
            end += 1
        runs.append((start, end))
        start = end
    return runs
