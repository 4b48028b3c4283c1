"""
Dirt from day to day, with the rain and the cleanings that take it off.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.blocks import Blocks
from yieldwatch.pictures.base import Picture, Subject, rounded

#: Days of history up to which every day is kept; a longer one is kept by the week.
_MOST_DAYS = 1100
_WEEK = 7
#: Share of a usual day's energy below which a day says nothing of its own.
_LEAST = 0.3


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    One picture: share of output that dirt takes by the fit with its 90 % interval, the same as measured once all other causes
    are taken off (NaN where the log says nothing) [%], and rain [mm].
    """
    state, blocks = subject.state, subject.state.blocks
    fitted, low, high = _fitted(state)
    measured = _measured(state)
    step = 1 if len(blocks.dates) <= _MOST_DAYS else _WEEK
    table = pd.DataFrame({"dirt": fitted, "low": low, "high": high, "measured": measured}, index=blocks.dates)
    rain = pd.Series(blocks.rain, index=blocks.dates)
    if step > 1:
        table = table.resample(f"{step}D").mean()
        rain = rain.resample(f"{step}D").apply(lambda part: part.sum(skipna=False))
    events = subject.data.events
    cleaned = events[events["kind"] == "cleaning"] if len(events) else events
    yield Picture(
        "dirt",
        "",
        {
            # A figure that is rounded twice, here and on the page, differs from the same figure in the evidence.
            "dirt_pct": rounded(table["dirt"], 4),
            "low_pct": rounded(table["low"], 4),
            "high_pct": rounded(table["high"], 4),
            "measured_pct": rounded(table["measured"], 2),
            "rain_mm": rounded(rain, 1),
        },
        {
            "unit": "% of output",
            "from": table.index[0].date(),
            "to": blocks.dates[-1].date(),
            "step_days": step,
            "coverage": float(np.isfinite(measured).mean()),
            "rain_coverage": float(np.isfinite(blocks.rain).mean()),
            "rain_that_cleans_mm": state.wash.depth,
            "cleanings": [blocks.dates[0].date() + pd.Timedelta(days=blocks.day_of(t)) for t in cleaned["start"].dropna()],
            "cleaned": [", ".join(map(str, scope)) for scope in cleaned.loc[cleaned["start"].notna(), "scope"]],
        },
    )


def _by_day(blocks: Blocks, values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Mean of (n_inverters, n_blocks) over each day, weighted; NaN where the day's weight is too little."""
    n = len(blocks.dates)
    total = np.bincount(blocks.day, weights=weight.sum(axis=0), minlength=n)
    summed = np.bincount(blocks.day, weights=(np.where(weight > 0, values, 0.0) * weight).sum(axis=0), minlength=n)
    some = total > _LEAST * np.median(total[total > 0]) if (total > 0).any() else np.zeros(n, dtype=bool)
    return np.where(some, summed / np.where(total > 0, total, 1.0), np.nan)


def _fitted(state: SiteState) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Dirt of each day by the fit, and its interval. [%]"""
    blocks, posterior = state.blocks, state.posterior
    which = [j for j, c in enumerate(posterior.columns) if c.cause == "soiling"]
    n = len(blocks.dates)
    total = np.bincount(blocks.day, weights=blocks.expected.sum(axis=0), minlength=n)
    shape = np.zeros((n, len(which)))
    for place, j in enumerate(which):
        for k, expected in enumerate(blocks.expected):
            values = posterior.columns[j].at(k)
            if values is not None:
                shape[:, place] += np.bincount(blocks.day, weights=values * expected, minlength=n)
    shape = np.where(total[:, None] > 0, shape / np.where(total > 0, total, 1.0)[:, None], np.nan)
    value = -100.0 * np.expm1(-(shape @ posterior.estimate[which]))
    draws = -100.0 * np.expm1(-(shape @ posterior.draws[:, which].T))
    low, high = np.quantile(draws, (0.05, 0.95), axis=1)
    return value, np.fmin(low, value), np.fmax(high, value)


def _measured(state: SiteState) -> np.ndarray:
    """Share of each day's output that is missing beyond all causes but dirt. [%]"""
    blocks = state.blocks
    causes = ("shading", "string_fault", "degradation", "inverter_efficiency", "level")
    others = sum(state.posterior.loss(c, *state.ratio.shape) for c in causes)
    missing = -np.expm1(state.ratio - state.light_correction + others)
    return 100.0 * _by_day(blocks, missing, np.where(np.isfinite(state.ratio), state.weight, 0.0))
