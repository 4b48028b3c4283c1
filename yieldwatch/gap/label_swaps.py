"""
Traces that stand under each other's name: two strings whose histories cross over in one round.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from yieldwatch.gap.batches import Batch

#: Chance that two strings traced one after the other are written under each other's name. Common practice, no source.
_CHANCE = 0.002
#: Difference of two traces, in standard deviations of sound strings, from which an exchange could matter. Common practice, no
#: source.
_UNLIKE = 4.0
#: ln of the odds by which one round must be the wrong one. Common practice, no source.
_CLEARER = 2.0
#: Who trades two names leaves them against the order in which the crew walks; who trades the leads does not. Share of the first.
#: And pairs that "crews go by the list" is worth against what the rounds show, and how many of them do. Common practice, no
#: source.
_NAMES_TRADED, _LISTED_PAIRS, _BY_THE_LIST = 0.5, 10.0, 9.0


def unswapped(batch: Batch, evidence: Callable[[Batch], np.ndarray]) -> tuple[Batch, dict[str, tuple[int, str]]]:
    """
    Put right what was written under the wrong name, where both strings' other readings say so.

    Where they cannot say which of two rounds is the wrong one, the order of the traces may: names that stand against the order
    in which the crew walked are the likelier to have been traded.

    Parameters
    ----------
    batch : Batch
    evidence : callable
        From a batch to the log probability of each string's readings, over all that it may have.

    Returns
    -------
    batch : Batch
    swaps : dict of str to (int, str)
        By string: the round, and the name that its trace stood under.
    """
    gains: dict[tuple[int, int], dict[int, float]] = {}
    steps = [pair for r in range(batch.read.time.shape[1]) for pair in pairwise(_walk(batch, r))]
    forward, walked = sum(a < b for a, b in steps), len(steps)
    for r in range(batch.read.time.shape[1]):
        for a, b in _neighbours(batch, r):
            both = batch.of([a, b], batch.read.of([a, b]))
            gain = float((evidence(both.of([0, 1], both.read.swapped(0, 1, r))) - evidence(both)).sum())
            usual = (_BY_THE_LIST + forward - (a < b)) / (_LISTED_PAIRS + walked - 1)
            gain += np.log(_CHANCE) + (np.log(_NAMES_TRADED / (1.0 - usual)) if a > b else np.log((1.0 - _NAMES_TRADED) / usual))
            gains.setdefault((min(a, b), max(a, b)), {})[r] = gain
    swaps: dict[str, tuple[int, str]] = {}
    for (a, b), by_round in sorted(gains.items(), key=lambda item: -max(item[1].values())):
        r, gain = max(by_round.items(), key=lambda item: item[1])
        others = max((g for other, g in by_round.items() if other != r), default=-np.inf)
        names = batch.strings[a].string_id, batch.strings[b].string_id
        # Of two rounds either may be the wrong one: unless the order of traces tells, nothing is put right.
        if gain > 0.0 and gain > others + _CLEARER and not swaps.keys() & set(names):
            batch = batch.of(list(range(len(batch.strings))), batch.read.swapped(a, b, r))
            swaps |= {names[0]: (r, names[1]), names[1]: (r, names[0])}
    return batch, swaps


def _walk(batch: Batch, r: int) -> list[int]:
    """Strings in the order in which a round traced them."""
    return sorted((k for k, own in enumerate(batch.read.rows) if r in own), key=lambda k: batch.read.time[k, r])


def _neighbours(batch: Batch, r: int) -> list[tuple[int, int]]:
    """Pairs traced one after the other in a round, unlike in it, and both seen in another one."""
    read = batch.read
    scale = np.hypot(batch.spread.maker[:3], batch.spread.noise[:3])
    out = []
    for a, b in pairwise(_walk(batch, r)):
        apart = np.nan_to_num(np.abs(read.y[a, r, :3] - read.y[b, r, :3]) / scale)
        again = all((~np.isnat(read.time[k])).sum() > 1 for k in (a, b))
        if again and (read.dead[a, r] != read.dead[b, r] or apart.max() > _UNLIKE):
            out.append((a, b))
    return out
