"""
The doubt of each cause's monthly energy, kept so that any months can be added up with the interval of their sum.

Months share most of their doubt, so that the posterior's draws are few patterns over the months, each in a strength that differs
by draw: the leading singular vectors. What they leave is kept as each month's own scatter. Draws keep their place from cause to
cause, so that sums over causes, and differences of periods, have their interval as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from yieldwatch.pictures.base import Picture, Subject

#: Share of the draws' squares that the patterns hold, and most patterns.
_HELD, _MOST = 0.9995, 10
#: Strengths are written as whole hundredths of their own size.
_STEPS = 100.0


def prepare(subject: Subject) -> Iterator[Picture]:
    """One picture a cause: its draws as strengths, a column a pattern; the patterns themselves [kWh] are in `about`."""
    months = list(subject.gap.months)
    energy = subject.losses.pivot(index="month", columns="cause", values="energy_kwh").reindex(months)
    for cause, draws in subject.gap.draws.items():
        if cause not in energy:
            continue  # nothing was measured, so that nothing is unexplained
        off = draws - energy[cause].to_numpy(float)[None, :]
        known = np.isfinite(off).all(axis=0)
        if not known.any():
            continue
        strengths, patterns, rest = patterns_of(off[:, known])
        columns = {f"p{k}": [int(v) for v in column] for k, column in enumerate(strengths.T)}
        yield Picture(
            "doubt",
            cause,
            columns,
            {
                "unit": "kWh",
                "months": [m for m, here in zip(months, known, strict=True) if here],
                "patterns": [[float(f"{v:.4g}") for v in row] for row in patterns],
                "rest": [float(f"{v:.3g}") for v in rest],
            },
        )


def patterns_of(off: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Strengths (n_draws, k) in whole steps, patterns (k, n_months) by step, and the rest's standard deviation (n_months,)."""
    left, size, right = np.linalg.svd(off, full_matrices=False)
    held = np.cumsum(size**2)
    k = 0 if held[-1] <= 0 else min(_MOST, int(np.searchsorted(held, _HELD * held[-1])) + 1)
    scale = np.sqrt(len(off)) * _STEPS
    strengths = np.round(left[:, :k] * scale)
    patterns = size[:k, None] * right[:k] / scale
    return strengths, patterns, (off - strengths @ patterns).std(axis=0)


def draws_of(columns: Mapping[str, Sequence[float]], about: Mapping[str, Sequence], weights: Mapping[str, float]) -> np.ndarray:
    """
    Draws of a weighted sum of months, less its estimate.

    Parameters
    ----------
    columns, about : mapping
        Of a picture of this kind.
    weights : mapping of str to float
        Weight of each month, such as one, or its price; months that the picture lacks are left out.

    Returns
    -------
    ndarray, shape (n_draws,), or (1,) of nil where the cause has no doubt
        [kWh] times the weights' unit.
    """
    if not columns:
        return np.zeros(1)  # a cause without doubt, such as one that never acted
    weight = np.array([weights.get(m, 0.0) for m in about["months"]])
    strengths = np.array([columns[f"p{k}"] for k in range(len(columns))], dtype=float)
    pattern = np.array(about["patterns"], dtype=float).reshape(len(columns), len(weight)) @ weight
    own = float(np.sqrt(((np.array(about["rest"]) * weight) ** 2).sum()))
    out = pattern @ strengths
    # The months' own scatter is each cause's own too: a stream of random numbers of its own, the same every time.
    stream = np.random.default_rng(int(1e3 * sum(about["rest"])))
    return out + own * stream.standard_normal(len(out))
