"""
The dirt to come: what lies on the modules now, how rain will take it, and what will fall on them.

The same daily law as `yieldwatch.gap.mechanisms.soiling`, run on from the as-of date under the rain of a past year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.action.comeback import kept
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.soiling import CLEANED
from yieldwatch.portfolio.model import Site

#: Years in which the lasting layer comes back by 63 % where it had reached all that it will be: lichen returns in 3 to 6 years.
#: Common practice, no source.
LASTING_YEARS = 4.0
#: The same of what lies on single strings: birds keep to their perches; a wash lasts 3 to 12 months. Common practice, no source.
DROPPINGS_YEARS = 0.5
#: Days by which past rains are shifted for what the season may bring. Common practice, no source.
SHIFTS = range(-28, 29, 7)


@dataclass(frozen=True, eq=False)
class DirtAhead:
    """
    Dirt of a site, now and in the years to come, as -ln of the light that it leaves.

    Attributes
    ----------
    loose, lasting : ndarray, shape (n_inverters,)
        On the modules as the outlook begins, most probable: what rain can wash off, and what it cannot.
    loose_draws, lasting_draws : ndarray, shape (n_draws, n_inverters)
    kept : dict of int to ndarray, shape (n_days,)
        By the replay's years back: share of today's loose dirt still there on each day to come.
    built : dict of int to ndarray, shape (n_days,)
        Loose dirt fallen since and still there, site's mean.
    washed : ndarray, shape (n_rains, n_days)
        -ln of what rain will have left of today's loose dirt, under more rains that the season may bring: those of the past
        years, each shifted by up to four weeks either way. Two or three years alone say little of when the next rain comes.
    fallen : ndarray, shape (n_rains, n_days)
        Loose dirt fallen before each day and still there, under the same rains, site's mean.
    rate_draws : ndarray, shape (n_draws,)
        How fast loose dirt falls, site's mean. [1/d]
    lasting_per_year : float
    share : ndarray, shape (n_inverters,)
        How much faster than the site's mean each inverter's modules get dirty.
    rain_known : bool
    """

    loose: np.ndarray
    lasting: np.ndarray
    loose_draws: np.ndarray
    lasting_draws: np.ndarray
    kept: dict[int, np.ndarray]
    built: dict[int, np.ndarray]
    washed: np.ndarray
    fallen: np.ndarray
    rate_draws: np.ndarray
    lasting_per_year: float
    share: np.ndarray
    rain_known: bool

    @property
    def rains(self) -> np.ndarray:
        """As `kept`, under the rains of `washed`, shape (n_rains, n_days)."""
        return np.exp(-self.washed)

    def left_alone(self, back: int, day: np.ndarray) -> np.ndarray:
        """Dirt on each day ahead (counted from 0) if nobody cleans, shape (n_inverters, n_days)."""
        loose = self.loose[:, None] * self.kept[back][day] + self.share[:, None] * self.built[back][day]
        return loose + self.lasting[:, None] + self.share[:, None] * self.lasting_per_year * day / 365.25

    def cleaned_less(self, site: Site, day: np.ndarray, loose: np.ndarray, lasting: np.ndarray,
                     droppings: np.ndarray) -> np.ndarray:
        """
        Dirt that a cleaning on day 0 saves on each day ahead, shape (n_inverters, n_days).

        What falls later falls on clean and dirty modules alike, and rain washes both: so the difference is today's dirt,
        less what each later rain would have taken of it anyway, in the mean of `rains`. What rain leaves: see `comeback`.
        """
        layer, drops = (kept(day / 365.25, years) for years in return_years(site))
        gone = loose[:, None] * self.rains.mean(axis=0)[day] + lasting[:, None] * layer + droppings[:, None] * drops
        return site.assumed("cleaning_takes_off_share", CLEANED) * gone


def return_years(site: Site) -> tuple[float, float]:
    """Years in which the lasting layer, and what lies on single strings, are back by 63 % at the fastest."""
    return (site.assumed("lasting_dirt_returns_years", LASTING_YEARS), site.assumed("droppings_return_years", DROPPINGS_YEARS))


def dirt_ahead(state: SiteState, draws: np.ndarray, windows: dict[int, np.ndarray], years: int) -> DirtAhead:
    """
    Parameters
    ----------
    draws : ndarray, shape (n_draws, n_columns)
        Of the posterior.
    windows : dict of int to ndarray, shape (n_days_of_year,)
        By years back: the history's day whose weather each day to come will have.
    years : int
        How many years ahead; each has the same weather again.
    """
    rain, wash = state.blocks.washing, state.wash
    keep = np.exp(-((rain / wash.depth) ** wash.sharpness))
    falls = _daily_rate(state) * (1.0 - np.exp(-_days_since(rain > 0.5 * wash.depth) / wash.damp))
    loose, lasting = _now(state, state.posterior.estimate[None, :])
    loose_draws, lasting_draws = _now(state, draws)

    def washed_off(days: np.ndarray) -> np.ndarray:
        ahead = np.tile(days % len(rain), years)
        return np.concatenate([[0.0], np.cumsum((rain[ahead] / wash.depth) ** wash.sharpness)[:-1]])

    kept = {back: np.exp(-washed_off(days)) for back, days in windows.items()}
    built = {}
    for back, days in windows.items():
        ahead = np.tile(days, years)
        built[back] = _build_up(falls[ahead], keep[ahead])
    shifted = [days + shift for days in windows.values() for shift in SHIFTS]
    washed = np.stack([washed_off(days) for days in shifted])
    fallen = np.stack([_before(falls, keep, np.tile(days % len(rain), years)) for days in shifted])
    growth = sum(v for c, v in _soiling(state, state.posterior.estimate) if c.name.startswith("lasting layer, growth"))
    return DirtAhead(loose[0], lasting[0], loose_draws, lasting_draws, kept, built, washed, fallen,
                     _rate_by_draw(state, draws), float(growth), _share(state), bool(np.isfinite(state.blocks.rain).any()))


def _soiling(state: SiteState, theta: np.ndarray) -> list[tuple]:
    return [(c, v) for c, v in zip(state.posterior.columns, theta, strict=True) if c.cause == "soiling"]


def _now(state: SiteState, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Loose and lasting dirt after the last day's rain, each of shape (n_draws, n_inverters)."""
    n = len(state.model.inverter_ids)
    parts = {"loose": np.zeros((len(theta), n)), "lasting": np.zeros((len(theta), n)), "own": np.zeros((len(theta), n))}
    for number, column in enumerate(state.posterior.columns):
        if column.cause != "soiling":
            continue
        part = "lasting" if column.name.startswith("lasting") else "own" if column.name.startswith("own") else "loose"
        at_end = np.array([0.0 if (shape := column.at(k)) is None else shape[-1] for k in range(n)])
        parts[part] += theta[:, number, None] * at_end[None, :]
    common = parts["loose"] + parts["lasting"]
    own = 1.0 + np.divide(parts["own"], common, out=np.zeros_like(common), where=common > 1e-6)
    last_rain = state.blocks.washing[state.blocks.day[-1]]
    washed = np.exp(-((last_rain / state.wash.depth) ** state.wash.sharpness))
    own = np.maximum(own, 0.0)
    return np.maximum(parts["loose"], 0.0) * own * washed, np.maximum(parts["lasting"], 0.0) * own


def _share(state: SiteState) -> np.ndarray:
    """Each inverter's dirt over the site's mean, from the whole history."""
    whole = state.posterior.loss("soiling", *state.blocks.expected.shape)
    mean = (whole * state.blocks.expected).sum(axis=1) / np.maximum(state.blocks.expected.sum(axis=1), 1e-9)
    site = float(mean.mean())
    return mean / site if site > 1e-6 else np.ones(len(mean))


def _daily_rate(state: SiteState) -> np.ndarray:
    """Build-up on a dry day of each day of the history, monthly rates joined by lines. [1/d]"""
    dates = state.blocks.dates
    rates = [v for c, v in _soiling(state, state.posterior.estimate) if c.tag and c.tag[0] == "rate"]
    if not rates:
        return np.zeros(len(dates))
    position = np.asarray((dates.year - dates.year[0]) * 12 + dates.month - dates.month[0] + (dates.day - 15.5) / 30.4)
    centres = np.floor(position.min()) + np.arange(len(rates))
    return np.interp(position, centres, rates)


def _rate_by_draw(state: SiteState, draws: np.ndarray) -> np.ndarray:
    rates = [n for n, c in enumerate(state.posterior.columns) if c.cause == "soiling" and c.tag and c.tag[0] == "rate"]
    return draws[:, rates].mean(axis=1) if rates else np.zeros(len(draws))


def _days_since(rained: np.ndarray) -> np.ndarray:
    day = np.arange(len(rained))
    return (day - np.maximum.accumulate(np.where(rained, day, -1000))).astype(float)


def _build_up(falls: np.ndarray, keep: np.ndarray) -> np.ndarray:
    out, level = np.zeros(len(falls)), 0.0
    for day, (more, left) in enumerate(zip(falls, keep, strict=True)):
        level += more
        out[day] = level
        level *= left
    return out


def _before(falls: np.ndarray, keep: np.ndarray, days: np.ndarray) -> np.ndarray:
    """What has fallen before each day, and that rain has left."""
    return np.concatenate([[0.0], (_build_up(falls[days], keep[days]) * keep[days])[:-1]])
