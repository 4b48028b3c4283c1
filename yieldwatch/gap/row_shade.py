"""
Strings of a row that stands in shade, held against the others of their row: the shadow that all share falls out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.gap.batches import Batch
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.signatures import QUANTITIES

#: What shade moves.
_BY_SHADE = [QUANTITIES.index(name) for name in ("i_ratio", "v_ratio", "i_sc", "bright", "dim")]
_SLOPES = [QUANTITIES.index(name) for name in ("slope_sc", "slope_oc")]
#: Fewest others of a row that tell its shadow, how far below the peers it is one, in standard deviations of sound strings, and
#: by what share it differs from string to string beside what the others differ by. Common practice, no source.
_FEWEST, _IN_SHADE, _UNLIKE = 2, 4.0, 0.1


def against_rows(batch: Batch, rows: np.ndarray, which: np.ndarray) -> tuple[list[int], Batch] | None:
    """
    Some strings of a batch against the others of their row where these stand in shade.

    Parameters
    ----------
    batch : Batch
    rows : ndarray of str, shape (n_strings,)
        The row of each string.
    which : ndarray of bool, shape (n_strings,)
        Strings wanted.

    Returns
    -------
    tuple of (list of int, Batch) or None
        Those that have such others, and a batch of them with their readings less the row's; None where there are none.
    """
    read = batch.read
    y, doubt = read.y.copy(), read.doubt.copy()
    usual = _IN_SHADE * np.hypot(batch.spread.maker, batch.spread.noise)
    at = []
    for k in np.flatnonzero(which):
        others = np.where(read.dead[:, :, None], np.nan, read.y)[(rows == rows[k]) & (np.arange(len(rows)) != k)]
        shade, apart = over_known(np.nanmedian, others, axis=0), over_known(np.nanstd, others, axis=0)
        told = (np.isfinite(others).sum(axis=0) >= _FEWEST) & (shade < -usual)
        told &= np.isin(np.arange(len(QUANTITIES)), _BY_SHADE)
        if told.any():
            y[k][told] -= shade[told]
            doubt[k][told] += (_UNLIKE * shade[told]) ** 2 + apart[told] ** 2
            y[k, :, _SLOPES[0] : _SLOPES[1] + 1][told.any(axis=1)] = np.nan
            at.append(int(k))
    if not at:
        return None
    return at, replace(batch, compared_with="row").of(at, replace(read, y=y, doubt=doubt).of(at))
