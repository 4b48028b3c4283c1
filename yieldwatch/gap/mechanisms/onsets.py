"""
When faults and limits began that no log dates, as the meter has it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from yieldwatch.gap.mechanisms.fault import Fault

#: Chance that what was there at the first reading of it began before the history. Common practice, no source.
BEFORE = 0.5
#: Days of start tried for a fault that no log dates, evenly over what is possible.
_STARTS_TRIED = 9


def date_faults(faults: list[Fault], misfit: Callable[[list[Fault]], float]) -> list[Fault]:
    """
    Let the meter say when faults began that no log dates.

    Parameters
    ----------
    faults : list of Fault
    misfit : callable
        From a list of faults to -2 ln of the posterior's height with them.

    Returns
    -------
    list of Fault
        With an `onset` that weighs each start tried by how well it fits.
    """
    out = list(faults)
    undated = sorted((n for n in range(len(out)) if out[n].onset), key=lambda n: -out[n].share)
    # Twice where there are several: the first are dated while the others' starts are still open.
    for n in undated * min(len(undated), 2):

        def with_start(day: int, n: int = n) -> float:
            return misfit([*out[:n], replace(out[n], start=day, onset=()), *out[n + 1 :]])

        def without(n: int = n) -> float:
            return misfit([*out[:n], *out[n + 1 :]])

        out[n] = replace(out[n], onset=weighed_onset(faults[n].onset, with_start, without))
    return out


def weighed_onset(onset: tuple[tuple[int, float], ...], misfit: Callable[[int], float],
                  without: Callable[[], float] | None = None) -> tuple[tuple[int, float], ...]:
    """
    When something began, each start tried weighed by how well it fits.

    Parameters
    ----------
    onset : tuple of (int, float)
        Days, and the chance that it had begun by each, linear between; the last is the chance that it is there at all.
    misfit : callable
        From a first day to -2 ln of the posterior's height with it.
    without : callable, optional
        The same where it is not there.
    """
    days, chance = (np.array(x, float) for x in zip(*onset, strict=True))
    # The middle of equal slices of the prior chance; the slice that lies before the history stands at its beginning.
    there = chance[-1]
    middle = np.interp(there * (np.arange(_STARTS_TRIED) + 0.5) / _STARTS_TRIED, chance, days)
    fits, prior = [misfit(int(start)) for start in middle], [there / _STARTS_TRIED] * _STARTS_TRIED
    if there < 1.0 and without is not None:
        fits.append(without())
        prior.append(1.0 - there)
    weight = np.array(prior) * np.exp(-0.5 * (np.array(fits) - min(fits)))
    total = np.r_[0.0, np.cumsum(weight / weight.sum())[:_STARTS_TRIED]]
    edges = np.interp(there * np.arange(_STARTS_TRIED + 1) / _STARTS_TRIED, chance, days)
    # Slices that begin before the history share its first day: the last of them says how much lies before.
    return tuple({int(day): (int(day), float(c)) for day, c in zip(edges, total, strict=True)}.values())
