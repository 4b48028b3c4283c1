"""
Inverters that lack whole strings at every hour, though no step in the log and no round says so.

Shade, and too few peers to compare with, can keep a lost string from being seen as a step or as a weak part. But shade leaves
some hours alone and most of the light of an overcast sky, and dirt and age take no third of one inverter: what it lacks in its
best hours, and under such a sky, against the best of its peers, is a part that is gone.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.action.remedies.look import Look
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.mechanisms.fault import Fault

#: Days looked at, and the share of their energy in which an inverter does best. Common practice, no source.
_DAYS, _BEST = 120, 0.1
#: Share of what is lacking that was lacking in the days before where it is the same loss. Common practice, no source.
_MOST = 0.6
#: What is lacking that counts, in strings, and as a share of the inverter: makers, dirt and model part inverters by less. On 313
#: inverters of drawn farms none that lacked no string was behind by six tenths of one; two that lacked one were.
_STRINGS, _SHARE = 0.7, 0.05
#: Inverters up to which the best peer counts; of more the very best is the luckiest. Common practice, no source.
_FEW = 4
#: Blocks below which nothing is told; share of beam in the light below which the sky is overcast, and the fewest such blocks
#: that count. Common practice, no source.
_LEAST_BLOCKS, _OVERCAST, _LEAST_OVERCAST = 50, 0.2, 20
#: Relative standard uncertainty of what is lacking: a peer's known fault is given back as large as it may be. Common practice, no
#: source.
_DOUBT = 0.25


def behind_at_best(look: Look) -> list[tuple[Fault, np.ndarray]]:
    """
    What inverters lack at their best hours beyond their known faults.

    Returns
    -------
    list of (Fault, ndarray of shape (n_draws,))
        A part that nobody has seen, with the first of `_DAYS` days from which it was lacking, and its size by draw as -ln of what
        it leaves.
    """
    out, end = [], len(look.state.blocks.dates)
    for k, name in enumerate(look.names):
        count = sum(s.inverter_id == name for s in look.site.strings)
        lost = -np.expm1(-_lacks(look, k, end))
        if lost > max(_STRINGS / max(count, 1), _SHARE):
            fault = Fault("string_fault", k, (), "unseen", _since(look, k, lost), end, lost, _DOUBT * lost, False)
            out.append((fault, -np.log1p(-np.clip(look.rng.normal(lost, _DOUBT * lost, look.n_draws), 0.0, 0.95))))
    return out


def _since(look: Look, k: int, lost: float) -> int:
    """Local day from which an inverter has lacked most of this share, by whole spans of `_DAYS`; -1 where that is the first."""
    end = len(look.state.blocks.dates)
    while end > _DAYS and -np.expm1(-_lacks(look, k, end - _DAYS)) > _MOST * lost:
        end -= _DAYS
    return end - _DAYS if end > _DAYS else -1


def _lacks(look: Look, k: int, end: int) -> float:
    """
    -ln of what an inverter gives at its best over what its best peer gives, or under an overcast sky if that is less, in `_DAYS`
    up to before local day `end`, known faults of all given back; nil if unknown.
    """
    state, blocks = look.state, look.state.blocks
    if len(state.ratio) < 2:
        return 0.0
    whole = state.ratio + np.stack([_known(look, j) for j in range(len(state.ratio))])
    others = np.delete(whole, k, axis=0)
    best = over_known(np.nanmax, others, axis=0) if len(state.ratio) <= _FEW else over_known(np.nanquantile, others, 0.75, axis=0)
    behind = best - whole[k]
    usable = (blocks.day < end) & (blocks.day >= end - _DAYS) & np.isfinite(behind) & (state.weight[k] > 0)
    if usable.sum() < _LEAST_BLOCKS:
        return 0.0
    order = np.argsort(behind[usable])
    energy = np.cumsum(state.weight[k, usable][order])
    least = float(behind[usable][order][np.searchsorted(energy, _BEST * energy[-1])])
    overcast = usable & (blocks.beam_share[k] < _OVERCAST)
    if overcast.sum() >= _LEAST_OVERCAST:
        least = min(least, float(np.median(behind[overcast])))
    return max(least, 0.0)


def _known(look: Look, k: int) -> np.ndarray:
    """-ln of what an inverter's known faults, and its conversion, leave in each block, shape (n_blocks,)."""
    out = np.zeros(look.state.blocks.n)
    now = {id(f) for f in look.outlook.faults}
    for column, size in zip(look.state.posterior.columns, look.state.posterior.estimate, strict=True):
        fault = bool(column.tag) and column.tag[0] == "fault" and column.tag[1].inverter == k and id(column.tag[1]) in now
        if fault or column.tag[:1] == ("efficiency",):
            shape = column.at(k)
            out += 0.0 if shape is None else size * shape
    return out
