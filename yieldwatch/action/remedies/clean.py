"""
Dirt: clean the modules.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.comeback import against_mean, kept, paces
from yieldwatch.action.dirt_ahead import return_years
from yieldwatch.action.outlook import Gain, Relief
from yieldwatch.action.readings import HOW, NOISE
from yieldwatch.action.remedies.first_look import first_look
from yieldwatch.action.remedies.look import Look, percent, relative
from yieldwatch.action.remedies.on_glass import lies_on_glass, seen_on_strings
from yieldwatch.action.replay import Replay
from yieldwatch.action.starts import START_DAYS, by_month, to_scale
from yieldwatch.gap.mechanisms.soiling import CLEANED

#: Dirt below this share of the light cannot be told from the light sensor's own. Common practice, no source.
_TOLD = 0.003
#: Dirt, as -ln of the light left, at which the worth of a unit of it is read off the chain.
_UNIT = 0.02


def clean(look: Look) -> list[Candidate]:
    """Clean the whole site, whether it pays or not: "do not clean" is an answer too. In doubt, a look before it."""
    dirt, of_strings = look.outlook.dirt, lies_on_glass(look)
    by_inverter = (dirt.loose_draws, np.maximum(dirt.lasting_draws, seen_on_strings(look)), of_strings)
    mean = [draws.mean(axis=0) for draws in by_inverter]
    if max(sum(mean).max(), dirt.fallen.mean(axis=0).max() - _TOLD) < 1e-5:
        return []
    power = look.state.blocks.expected.sum(axis=1)
    by_draw = [draws @ (power / power.sum()) for draws in by_inverter]
    rain = look.rng.integers(len(dirt.washed), size=look.n_draws)
    # Loose dirt, the lasting layer and what lies on single strings go at their own pace, and each has its own doubt.
    left = [_rain(look)[rain], *(against_mean(paces(years, look.n_draws, look.rng), years, look.outlook.months)
                                 for years in return_years(look.site))]
    parts = [(_gain_of(look, mean, n), relative(by_draw[n])[:, None] * left[n]) for n in range(len(mean))]
    now = sum(by_draw)
    low, high = np.quantile(now, [0.05, 0.95])
    why = (
        f"On {look.outlook.as_of} dirt takes {percent(now.mean())} of the light, the mean of what it may be (90 % interval "
        f"{percent(low)} to {percent(high)}); rain will not take off the layer that makes {percent((now - by_draw[0]).mean())}.")
    there = float((now > _TOLD).mean())
    total = sum(float((sizes.reshape(look.n_draws, -1) * gain.kwh).sum(axis=1).mean()) for gain, sizes in parts)
    later = _later(look, by_draw, rain)
    cleaning = look.job("clean", "soiling", ("site",), parts, there, why, _comes_back(look),
                        later=(later[0], to_scale(later[1], 0.0, total)), size=now)
    return first_look(look, cleaning, HOW["wash_witness"], now, NOISE["wash_witness"])


def _later(look: Look, now: list[np.ndarray], rain: np.ndarray) -> tuple[Gain, np.ndarray]:
    """
    Energy that a cleaning on each of `START_DAYS` returns: what lies there by then, until rain would have taken it.

    Parameters
    ----------
    now : list of ndarray, shape (n_draws,)
        On the modules: loose, lasting, and on single strings.
    rain : ndarray of int, shape (n_draws,)
        Which of the rains each draw has.

    Returns
    -------
    Gain
        Of a unit of light given back every day.
    ndarray, shape (n_starts, n_draws, n_months)
        [kWh]
    """
    outlook, dirt = look.outlook, look.outlook.dirt
    whole = outlook.gain(Relief(tuple(range(len(look.names))), dc=lambda r, y: np.full((len(look.names), len(r.blocks)), _UNIT)))
    day = np.minimum(np.arange(len(outlook.day_month)), dirt.washed.shape[1] - 1)
    since = day - START_DAYS[:, None]
    per_unit = outlook.by_day(whole) / np.expm1(_UNIT) * (since >= 0)
    washed, fallen = dirt.washed[:, day], dirt.fallen[:, START_DAYS]
    then = np.stack([by_month(per_unit * np.exp(-w), outlook.day_month) for w in washed])
    since_then = np.stack([
        by_month(per_unit * np.exp(-np.maximum(w - w[START_DAYS, None], 0.0)), outlook.day_month) for w in washed])
    new = relative(dirt.rate_draws)[:, None] * fallen[rain]
    layer = now[1] + dirt.lasting_per_year * START_DAYS[:, None] / 365.25
    stay, drops = (by_month(per_unit * kept(np.maximum(since, 0) / 365.25, years), outlook.day_month)
                   for years in return_years(look.site))
    saved = (then[rain].swapaxes(0, 1) * now[0][:, None] + since_then[rain].swapaxes(0, 1) * new.T[:, :, None]
             + stay[:, None, :] * layer[:, :, None] + drops[:, None, :] * now[2][:, None])
    return whole, look.site.assumed("cleaning_takes_off_share", CLEANED) * saved


def _gain_of(look: Look, mean: list[np.ndarray], part: int) -> Gain:
    """What cleaning off one part of the dirt returns; `mean` has each of shape (n_inverters,)."""
    alone = [dirt if n == part else np.zeros_like(dirt) for n, dirt in enumerate(mean)]

    def saved(replay: Replay, year: int) -> np.ndarray:
        day = year * 365 + np.minimum(replay.day, 364)
        return look.outlook.dirt.cleaned_less(look.site, day, *alone)

    return look.outlook.gain(Relief(tuple(range(len(mean[0]))), dc=saved))


def _rain(look: Look) -> np.ndarray:
    """Loose dirt still there in each month over its mean, under each of the rains, shape (n_rains, n_months)."""
    rains = look.outlook.dirt.rains
    month = np.minimum((np.arange(rains.shape[1]) / (365.25 / 12)).astype(int), look.outlook.months - 1)
    sums = np.stack([np.bincount(month, weights=r, minlength=look.outlook.months) for r in rains])
    mean = sums.mean(axis=0)
    return np.divide(sums, mean, out=np.ones_like(sums), where=mean > 1e-9)


def _comes_back(look: Look) -> str:
    dirt = look.outlook.dirt
    if not dirt.rain_known:
        look.notices.append(
            "The weather has no rain: on which days of the past years dirt was washed off is read off the output, or, "
            "without a log, taken from dull days.")
    halved = np.mean([int(np.argmax(k < 0.5)) if (k < 0.5).any() else len(k) for k in dirt.rains])
    return (
        f"Rain would have halved today's loose dirt after {halved:.0f} days anyway (mean of the past years "
        "replayed), and new dirt falls at the site's own rate; the layer that rain leaves is back over about "
        f"{return_years(look.site)[0]:.0f} years where it had come to its end, and stays "
        "behind by what was washed off where it was still growing.")
