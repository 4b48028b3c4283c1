"""
Steps of all inverters of a site, each against the peers that can show it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.mechanisms.fault_spans import paired_spans
from yieldwatch.gap.steps import Step, against_peers, also_in, find_steps, lost_lately, own_days, shown_by_own, without_echoes

#: Share of beam in the light up to which shade hardly shows. Common practice, no source.
_OVERCAST = 0.3
#: Days before a step over which its inverter's level is read. Common practice, no source.
_BEFORE_A_STEP = 40
#: Strings that a step under shade must be, and one of an inverter without a peer. Common practice, no source.
_UNDER_SHADE, _WHOLE = 0.4, 0.8
#: Days within which steps of one inverter against several peers are one. Common practice, no source.
_SAME = 3
#: Noise of a fall over its size up to which no shade made it: what grows changes the days around too. Common practice, no source.
_QUIET = 0.03


def site_steps(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray, shaded: np.ndarray) -> list[Step]:
    """
    Steps of the inverters' output, by inverter and day.

    Parameters
    ----------
    blocks : Blocks
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), and the expected energy behind it [kWh].
    shaded : ndarray of bool, shape (n_inverters,)

    Notes
    -----
    Under shade the level wanders with season and growth: a step there proves little. Shade takes little of the sky's light,
    though, so that a step which shows as large under overcast is of something broken; and what shades two inverters alike leaves
    one of them against the other as in the open.
    """
    if not np.isfinite(ratio).any():
        return []
    open_air = np.flatnonzero(~shaded)
    days = own_days(blocks, ratio, weight)
    dim = own_days(blocks, np.where(blocks.beam_share < _OVERCAST, ratio, np.nan), weight)
    n_strings = [sum(s.inverter_id == name for s in blocks.model.site.strings) for name in blocks.model.inverter_ids]
    out: list[Step] = []
    for k in np.flatnonzero(shaded):
        least = _UNDER_SHADE / max(n_strings[k], 1)
        peers = open_air if len(open_air) else slice(None)
        against, in_dim = (d[k] - over_known(np.nanmedian, d[peers], axis=0) for d in (days, dim))
        seen = [
            replace(s, sure=bool(len(open_air)) and (also_in(in_dim, s) or (s.size > 0.0 and _is_quiet(s))),
                    before=_level_before(against, s.day))
            for s in find_steps(against, int(k), least)]
        beside = [s for j in np.flatnonzero(shaded) if j != k for s in _beside(days[k] - days[j], dim[k] - dim[j], int(k), least)]
        out += _best_seen([*seen, *beside])
    if len(open_air):
        for k, row in zip(open_air, against_peers(days[open_air]), strict=True):
            # Alone against the model, weather makes steps as well: only a whole string's worth counts.
            whole = _WHOLE / max(n_strings[k], 1)
            own = find_steps(row, int(k), whole if len(open_air) == 1 else 0.005)
            out += own + (lost_lately(row, int(k), whole, own) if len(open_air) > 1 else [])
    return without_echoes(shown_by_own(out, days), days)


def _beside(against: np.ndarray, in_dim: np.ndarray, inverter: int, least: float) -> list[Step]:
    """
    Steps of a shaded inverter's days, (n_days,), against one that is shaded as well, where overcast days show the same, or
    between days as even as in the open. A rise as even as that may be a mowing: it is not sure.
    """
    steps = find_steps(against, inverter, least)
    seen = {s: also_in(in_dim, s) for s in steps}
    found = [s for s in steps if seen[s] or _is_quiet(s)]
    return [replace(s, sure=s.size > 0.0 or seen[s], before=_level_before(against, s.day)) for s in found]


def _is_quiet(step: Step) -> bool:
    return step.noise < _QUIET * abs(step.size)


def _best_seen(steps: list[Step]) -> list[Step]:
    """Of the steps of one inverter within a few days of each other the one that is sure and has the least noise."""
    out: list[Step] = []
    for step in sorted(steps, key=lambda s: (not s.sure, s.noise)):
        if all(abs(step.day - other.day) > _SAME for other in out):
            out.append(step)
    return sorted(out, key=lambda s: s.day)


def _level_before(against: np.ndarray, day: int) -> float:
    """How far an inverter's days, (n_days,), were behind in the weeks before one."""
    return -float(over_known(np.nanmedian, against[max(day - _BEFORE_A_STEP, 0) : day]))


def given_back(steps: list[Step], n_inverters: int, n_days: int) -> np.ndarray:
    """What sure steps took of each inverter by day, from a fall to the rise that undoes it, as ln, (n_inverters, n_days)."""
    out = np.zeros((n_inverters, n_days))
    for span in paired_spans([step for step in steps if step.sure], n_days):
        out[span.inverter, max(span.start, 0):span.end] += span.size
    return out
