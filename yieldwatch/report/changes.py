"""
The interval of what changed between any two runs of months, over all farms, from the draws.

What two periods share, such as the light sensor's level, cancels in their difference; their ends, added, would hold it twice. A
farm's draws are kept as a few patterns over the months, so that a page can weigh any months. Over farms ends are added, as in
`runs`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from yieldwatch.assess_site import SiteAssessment
from yieldwatch.pictures.doubt import patterns_of
from yieldwatch.report.runs import groups_of, measured_months, month_cells
from yieldwatch.report.totals import BOUNDS

#: The draws less their value are strengths @ patterns, and scatter of each month's own of a deviation of `rest`. [kWh]
COLUMNS = ("site_id", "cause", "strengths", "patterns", "rest", "fixed")


def change_table(sites: Sequence[SiteAssessment]) -> pd.DataFrame:
    """
    Prepare the draws of each farm's energy by cause, and by the group in hand, over the months of `month_sums`.

    Returns
    -------
    DataFrame
        `COLUMNS`, arrays as bytes: `strengths` int16 (k, n_draws), `patterns` float32 (k, n_months), `rest` float32 (n_months,),
        `fixed` float32 (2, n_months), which months without draws add below and above. Months that a farm lacks are nil.
    """
    months = measured_months(sites)
    rows = []
    for site in sites:
        for cause, kinds in groups_of(month_cells(site, months)).items():
            off, fixed = sum(c[0][0] for c in kinds), sum(c[0][1] for c in kinds)
            strengths, patterns, rest = patterns_of(off)  # type: ignore[arg-type]
            arrays = (strengths.T.astype("<i2"), patterns.astype("<f4"), rest.astype("<f4"), np.asarray(fixed, dtype="<f4"))
            rows.append((site.site.id, cause, *(np.ascontiguousarray(a).tobytes() for a in arrays)))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def change_bounds(rows: Sequence[Mapping], weights: np.ndarray) -> dict[str, tuple[float, float]]:
    """
    How far the interval of a weighted sum of months reaches below and above its value, over all farms, by cause.

    Parameters
    ----------
    rows : sequence of mapping
        Of `change_table`.
    weights : ndarray, shape (n_months,)
        Of the months of `month_sums`; for a change one period's are above nil and the other's below.

    Returns
    -------
    dict of str to (float, float)
        Distances of the 90 % interval's ends, nil or more [kWh] times the weights' unit; NaN where a bound is not known.
    """
    n = len(weights)
    alike: dict[tuple[str, int, int], list[Mapping]] = defaultdict(list)
    for row in rows:
        # Of one shape, so that all farms are weighed at once.
        alike[row["cause"], len(row["patterns"]), len(row["strengths"])].append(row)
    ends: dict[str, np.ndarray] = {}
    for (cause, *_), of in alike.items():
        patterns, rest, fixed = (np.frombuffer(b"".join(r[name] for r in of), "<f4").reshape(len(of), -1, n)
                                 for name in ("patterns", "rest", "fixed"))
        found = _fixed_ends(fixed, weights)
        if patterns.size:
            strengths = np.frombuffer(b"".join(r["strengths"] for r in of), "<i2").reshape(len(of), patterns.shape[1], -1)
            draws = np.einsum("fk,fkd->fd", (patterns @ weights).astype("f4"), strengths.astype("f4"))
            own = np.sqrt(((rest[:, 0] * weights) ** 2).sum(axis=1, keepdims=True))
            draws += own * np.random.default_rng(len(of)).standard_normal(draws.shape)
            low, high = np.percentile(draws, BOUNDS, axis=1)
            found += [-low, high]
        ends[cause] = ends.get(cause, 0.0) + np.maximum(found, 0.0).sum(axis=1)
    return {cause: (float(below), float(above)) for cause, (below, above) in ends.items()}


def _fixed_ends(fixed: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """What months without draws add below and above, shape (2, n_farms): a month that counts less turns its ends round."""
    # A month of no weight has no say, and its unknown bound neither.
    below, above = (np.where(weights == 0.0, 0.0, fixed[:, side]) for side in (0, 1))
    more, less = np.maximum(weights, 0.0), np.maximum(-weights, 0.0)
    return np.stack([below @ more + above @ less, above @ more + below @ less])
