"""
Dirt: clean the modules.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.dirt_ahead import UNKNOWN_RAIN_DAYS
from yieldwatch.action.outlook import Relief
from yieldwatch.action.remedies.look import Look, percent, relative
from yieldwatch.action.replay import Replay

#: Dirt below this share of the light cannot be told from the light sensor's own. Common practice, no source.
_TOLD = 0.003


def clean(look: Look) -> list[Candidate]:
    """Clean the whole site, whether it pays or not: "do not clean" is an answer too."""
    dirt = look.outlook.dirt
    loose, lasting = dirt.loose_draws.mean(axis=0), dirt.lasting_draws.mean(axis=0)
    if (loose + lasting).max() < 1e-5:
        return []
    everywhere, nothing = tuple(range(len(loose))), np.zeros_like(loose)
    power = look.state.blocks.expected.sum(axis=1)
    by_draw = [draws @ (power / power.sum()) for draws in (dirt.loose_draws, dirt.lasting_draws)]
    # Loose dirt and the lasting layer go at their own pace, and each has its own doubt.
    parts = [
        (look.outlook.gain(Relief(everywhere, dc=_saved(look, loose, nothing))), relative(by_draw[0])[:, None] * _rain(look)),
        (look.outlook.gain(Relief(everywhere, dc=_saved(look, nothing, lasting))), relative(by_draw[1])),
    ]
    now = by_draw[0] + by_draw[1]
    low, high = np.quantile(now, [0.05, 0.95])
    why = (
        f"On {look.outlook.as_of} dirt takes {percent(now.mean())} of the light (90 % interval {percent(low)} to "
        f"{percent(high)}); rain will not take off the layer that makes {percent(by_draw[1].mean())}.")
    there = float((now > _TOLD).mean())
    return [look.job("clean", "soiling", ("site",), parts, there, why, _comes_back(look))]


def _saved(look: Look, loose: np.ndarray, lasting: np.ndarray) -> Callable[[Replay, int], np.ndarray]:
    def saved(replay: Replay, year: int) -> np.ndarray:
        day = year * 365 + np.minimum(replay.day, 364)
        return look.outlook.dirt.cleaned_less(look.site, day, loose, lasting)

    return saved


def _rain(look: Look) -> np.ndarray:
    """Loose dirt still there in each month over its mean, under a rain drawn for each draw, (n_draws, n_months)."""
    rains = look.outlook.dirt.rains
    month = np.minimum((np.arange(rains.shape[1]) / (365.25 / 12)).astype(int), look.outlook.months - 1)
    by_month = np.stack([np.bincount(month, weights=r, minlength=look.outlook.months) for r in rains])
    mean = by_month.mean(axis=0)
    ratio = np.divide(by_month, mean, out=np.ones_like(by_month), where=mean > 1e-9)
    return ratio[look.rng.integers(len(rains), size=look.n_draws)]


def _comes_back(look: Look) -> str:
    dirt = look.outlook.dirt
    if not dirt.rain_known:
        look.notices.append(
            f"The weather has no rain, so today's loose dirt is taken to be gone or back by 63 % in "
            f"{UNKNOWN_RAIN_DAYS:.0f} days, cleaned or not.")
        return f"Without a rain record, loose dirt is taken to return by 63 % in {UNKNOWN_RAIN_DAYS:.0f} days."
    halved = np.mean([int(np.argmax(k < 0.5)) if (k < 0.5).any() else len(k) for k in dirt.rains])
    return (
        f"Rain would have halved today's loose dirt after {halved:.0f} days anyway (mean of the past years "
        "replayed), and new dirt falls at the site's own rate; the layer that rain leaves returns over about "
        "four years.")
