"""
Inverters that lack a part of their output at every hour, though no step in the log and no round says so.

Shade, and too few peers to compare with, can keep a fault from being seen as a step or as a weak part. But shade leaves some
hours alone and most of the light of an overcast sky, and makers, dirt and age part inverters by little: what one lacks beyond
that in its best hours, and under such a sky, against the best of its peers, is a part that is gone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.infer import Posterior
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.string_fault import unnamed_part

#: Days looked at, and the share of their energy in which an inverter does best. Common practice, no source.
_DAYS, _BEST = 120, 0.1
#: Share of what is lacking that was lacking in the days before where it is the same loss. Common practice, no source.
_MOST = 0.6
#: Share of an inverter that counts: makers, dirt and model part inverters by less. On 64 drawn farms the farthest of 168
#: inverters without a fault lacked 0.042, and but for three before grass or a hedge 0.021; all six that lacked more had a fault.
_SHARE = 0.045
#: Inverters up to which the best peer counts; of more the very best is the luckiest. Common practice, no source.
_FEW = 4
#: Blocks below which nothing is told; share of beam in the light below which the sky is overcast, and the fewest such blocks
#: that count. Common practice, no source.
_LEAST_BLOCKS, _OVERCAST, _LEAST_OVERCAST = 50, 0.2, 20
#: Relative standard uncertainty of what is lacking: a peer's known fault is given back as large as it may be. Common practice, no
#: source.
_DOUBT = 0.25


def behind_at_best(
    blocks: Blocks, ratio: np.ndarray, weight: np.ndarray, posterior: Posterior, findings: pd.DataFrame, rounds: pd.DataFrame
) -> list[Fault]:
    """
    What inverters lack at their best hours beyond their known faults, as faults from the first of `_DAYS` days of which it is so.

    Parameters
    ----------
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy behind it. [kWh]
    posterior : Posterior
        For what known faults take.
    findings, rounds : DataFrame
        As in `find_faults`.
    """
    if len(ratio) < 2:
        return []
    whole = ratio + np.stack([_known(blocks, posterior, k) for k in range(len(ratio))])
    out, end = [], len(blocks.dates)
    for k in range(len(blocks.model.inverter_ids)):
        lost = _lacks(blocks, whole, weight, k, end)
        if -np.expm1(-lost) > _SHARE:
            since = _since(blocks, whole, weight, k, lost)
            out.append(unnamed_part(blocks, findings, rounds, k, since, lost, _DOUBT * lost))
    return out


def _since(blocks: Blocks, whole: np.ndarray, weight: np.ndarray, k: int, lost: float) -> int:
    """Local day from which an inverter has lacked most of this, by whole spans of `_DAYS`; -1 where that is the first of them."""
    end = len(blocks.dates)
    while end > _DAYS and _lacks(blocks, whole, weight, k, end - _DAYS) > _MOST * lost:
        end -= _DAYS
    return end - _DAYS if end > 1.5 * _DAYS else -1


def _lacks(blocks: Blocks, whole: np.ndarray, weight: np.ndarray, k: int, end: int) -> float:
    """
    -ln of what an inverter gives at its best over what its best peer gives, or under an overcast sky if that is less, in `_DAYS`
    up to before local day `end`, known faults of all given back in `whole`; nil if unknown.
    """
    others = np.delete(whole, k, axis=0)
    best = over_known(np.nanmax, others, axis=0) if len(whole) <= _FEW else over_known(np.nanquantile, others, 0.75, axis=0)
    behind = best - whole[k]
    usable = (blocks.day < end) & (blocks.day >= end - _DAYS) & np.isfinite(behind) & (weight[k] > 0)
    if usable.sum() < _LEAST_BLOCKS:
        return 0.0
    order = np.argsort(behind[usable])
    energy = np.cumsum(weight[k, usable][order])
    least = float(behind[usable][order][np.searchsorted(energy, _BEST * energy[-1])])
    overcast = usable & (blocks.beam_share[k] < _OVERCAST)
    if overcast.sum() >= _LEAST_OVERCAST:
        least = min(least, float(np.median(behind[overcast])))
    return max(least, 0.0)


def _known(blocks: Blocks, posterior: Posterior, k: int) -> np.ndarray:
    """-ln of what an inverter's known faults, and its conversion, leave in each block, shape (n_blocks,)."""
    out = np.zeros(blocks.n)
    for column, size in zip(posterior.columns, posterior.estimate, strict=True):
        fault = column.tag[:1] == ("fault",) and column.tag[1].inverter == k and column.tag[1].end >= len(blocks.dates)
        if fault or column.tag[:1] == ("efficiency",):
            shape = column.at(k)
            out += 0.0 if shape is None else size * shape
    return out
