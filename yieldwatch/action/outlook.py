"""
The coming months' energy: the site as it is now, in the weather of its own past years.

What is wrong on the as-of date stays as it is, or goes on as it went: faults keep their size, dirt builds up and is washed by
the replayed rain, plants and ageing go on, a limit left on stays on. One-off outages do not come back. A job's gain is this chain
run again without what the job takes off, through ratings and limits, so that energy that would be clipped counts as nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import optimize

from yieldwatch.action.conversion_ahead import Slope, conversion_slope
from yieldwatch.action.dirt_ahead import DirtAhead, dirt_ahead
from yieldwatch.action.replay import Replay, months_from, past_years
from yieldwatch.expected.power import SiteModel
from yieldwatch.expected.sun import sun_position
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.fault import SINCE_READ, Fault, full_shape

#: Draws of the posterior carried through to the money.
N_DRAWS = 200
#: Share of a month's light that the history must hold before the month stands for itself.
_ENOUGH = 0.3
#: Growth of the energy that shade takes from one year to the next, and over all years, that the outlook believes; and how many
#: times as deep shade may become for it. Common practice, no source.
_GROWTH, _MOST_GROWTH, _MOST_DEEPER = (0.8, 1.6), 2.0, 8.0
#: The same where one year alone is known: half a metre a year on plants that stand 2 to 3 m above the glass, and what they shade
#: grows faster than their height. Common practice, no source.
_USUAL_GROWTH = 1.3
#: Growth of shade in a year from which plants have surely not reached their height: weather moves it by less. Common practice, no
#: source.
_STILL_GROWS = 0.15


@dataclass(frozen=True, eq=False)
class Relief:
    """
    What a job takes off some inverters.

    Attributes
    ----------
    inverters : tuple of int
    dc, ac : callable or None
        From (replay, year ahead from 0) to -ln of the power given back, shape (len(inverters), n_blocks of the
        replay), before and behind the conversion.
    heat, setting : bool
        Whether heat derating, and a limit left on, go.
    """

    inverters: tuple[int, ...]
    dc: Callable[[Replay, int], np.ndarray] | None = None
    ac: Callable[[Replay, int], np.ndarray] | None = None
    heat: bool = False
    setting: bool = False


@dataclass(frozen=True, eq=False)
class Gain:
    """Energy at the meter by month ahead, shape (n_months,) [kWh], and its profile over the replayed intervals."""

    kwh: np.ndarray
    profile: pd.Series


class Outlook:
    """
    The site as it will be if nothing is done.

    Parameters
    ----------
    state : SiteState
    as_of : date
        First day ahead.
    months : int
        How far to look, 12 or more.
    regrowing : bool
        Whether plants were cut in the last two years: less shade than the year before is then the cut, and no sign that it
        goes on shrinking.

    Raises
    ------
    NotEnoughData
        If the history holds none of the three years before `as_of`.

    Attributes
    ----------
    replays : list of Replay
        Past years, the last first; part of one where there is no full year.
    notices : tuple of str
    draws : ndarray, shape (n_draws, n_columns)
        Of the posterior, thinned.
    dirt : DirtAhead
    shade_growth : float
        Ratio of one year's shade to that of the year before.
    day_month, day_share : ndarray, shape (n_days,)
        Month ahead of each day to come, and its share of the month's light outside the atmosphere.
    """

    def __init__(self, state: SiteState, as_of: dt.date, months: int, regrowing: bool = False) -> None:
        self.state, self.as_of, self.months, self.regrowing = state, as_of, months, regrowing
        self.years = -(-months // 12)
        every = max(1, len(state.posterior.draws) // N_DRAWS)
        self.draws = state.posterior.draws[::every]
        self.replays, self.notices = past_years(state, as_of)
        self.dirt: DirtAhead = dirt_ahead(state, self.draws, self._windows(), self.years)
        shape = state.blocks.expected.shape
        self.shade = state.posterior.loss("shading", shape[0], shape[1], self._rare_by_mean())
        self.shade_growth = self._shade_growth()
        self._grown: dict[tuple[int, int], float] = {}
        # What broke on one of several inverters since they were read has a job of its own, which weighs them all.
        self.faults = [f for f in state.faults if f.end >= len(state.blocks.dates) and f.kind != SINCE_READ]
        self._steady = state.posterior.loss("level", *shape) + state.posterior.loss("snow", *shape)
        for fault in self.faults:
            if fault.cause == "string_fault":
                self._steady[fault.inverter] += full_shape(state.blocks, fault) * self.fault_size(fault)[0] * fault.chance
        age = (state.posterior.loss("degradation", *shape) * state.blocks.expected).sum(axis=0) / np.maximum(
            state.blocks.expected.sum(axis=0), 1e-9)
        rate = sum(v for c, v in zip(state.posterior.columns, state.posterior.estimate, strict=True)
                   if c.cause == "degradation" and c.name == "rate per year")
        self._age = Slope(float(age[-1]), float(rate))
        self.conversion = [conversion_slope(state, k) for k in range(shape[0])]
        self.heat = _heat_caps(state)
        self.setting = _settings_on(state)
        self.day_month, light = self._light_by_day()
        self.day_share = light / np.maximum(np.bincount(self.day_month, weights=light)[self.day_month], 1e-9)
        self._outside = np.bincount(self.day_month, weights=light)[:12], self._light_held()

    def _rare_by_mean(self) -> np.ndarray:
        """The estimate with unknowns that are rare at their mean: their middle is nil up to even odds, their worth is not."""
        rare = np.array([c.rare is not None for c in self.state.posterior.columns], dtype=bool)
        return np.where(rare, self.draws.mean(axis=0), self.state.posterior.estimate)

    # ---- what each interval ahead will have --------------------------------------------------

    def losses(self, replay: Replay, year: int) -> tuple[np.ndarray, np.ndarray]:
        """-ln of what is left of DC and AC power by inverter and block, if nothing is done."""
        ahead = year + replay.day / 365.25
        day = year * 365 + np.minimum(replay.day, 364)
        dc = (self._steady[:, replay.blocks] + self._age.at(ahead)[None, :] + self.dirt.left_alone(replay.back, day)
              + self.shade_ahead(replay, year))
        ac = np.stack([slope.at(ahead) for slope in self.conversion])
        for fault in self.faults:
            if fault.cause == "inverter_efficiency":
                ac[fault.inverter] += self.fault_size(fault)[0]
        return dc, ac

    def shade_ahead(self, replay: Replay, year: int) -> np.ndarray:
        """Shade of the last twelve months, its energy grown on, in the light of the replay."""
        if not self.shade.any():
            return np.zeros((len(self.shade), len(replay.blocks)))
        if (replay.back, year) not in self._grown:
            own, last = self._mean_shade(replay), self._mean_shade(self.replays[0])
            level = np.clip(last / own, 0.5, 2.0) if own > 1e-6 else 1.0
            wanted = own * level * min(self.shade_growth ** (year + 1), _MOST_GROWTH)
            # Deep shade can take little more: what grows is the sky that plants cover, and so the energy.
            most = self._mean_shade(replay, _MOST_DEEPER)
            self._grown[replay.back, year] = 1.0 if own <= 1e-6 else _MOST_DEEPER if wanted >= most else optimize.brentq(
                lambda times: self._mean_shade(replay, times) - wanted, 0.0, _MOST_DEEPER)
        shade = self.shade[:, replay.blocks]
        return np.where(shade > 0.0, shade * self._grown[replay.back, year], shade)

    def fault_size(self, fault: Fault) -> tuple[float, np.ndarray]:
        """Present size of a fault, most probable and by draw, shape (n_draws,): what was at the start and what grew since."""
        which = [n for n, c in enumerate(self.state.posterior.columns) if c.tag and c.tag[0] == "fault" and c.tag[1] == fault]
        return float(self.state.posterior.estimate[which].sum()), self.draws[:, which].sum(axis=1)

    # ---- gains --------------------------------------------------------------------------------

    def gain(self, relief: Relief) -> Gain:
        """Energy that a job returns by month ahead, mean over the replayed years."""
        by_month = np.zeros((self.years, 12))
        profiles = []
        for replay in self.replays:
            limit = self._site_limit(replay)
            for year in range(self.years):
                losses = self.losses(replay, year)
                total = self._rows(range(len(self.shade)), replay, losses).sum(axis=0)
                before = self._rows(relief.inverters, replay, losses)
                after = self._rows(relief.inverters, replay, self._relieved(losses, relief, replay, year), relief)
                more = np.minimum(total + (after - before).sum(axis=0), limit) - np.minimum(total, limit)
                by_month[year] += np.bincount(replay.month, weights=more, minlength=12)
                if year == 0:
                    profiles.append(pd.Series(more, self.state.model.times[replay.where]))
        return Gain(_filled(by_month, *self._outside)[: self.months], pd.concat(profiles).sort_index())

    def by_day(self, gain: Gain) -> np.ndarray:
        """A gain spread over the days of its months by the light outside the atmosphere, shape (n_days,). [kWh]"""
        return gain.kwh[self.day_month] * self.day_share

    def generation(self) -> pd.Series:
        """Energy at the meter of the replayed intervals if nothing is done, index UTC. [kWh]"""
        parts = []
        for replay in self.replays:
            rows = self._rows(range(len(self.shade)), replay, self.losses(replay, 0)).sum(axis=0)
            parts.append(pd.Series(np.minimum(rows, self._site_limit(replay)), self.state.model.times[replay.where]))
        return pd.concat(parts).sort_index()

    def gain_of(self, lost: np.ndarray, inverter: int, chance: np.ndarray, since: pd.Timestamp) -> Gain:
        """
        Energy of one inverter that comes back where it was off in the last twelve months.

        Parameters
        ----------
        lost : ndarray, shape (n_times of the history,)
            Share of its output that was lost.
        chance : ndarray, same shape
            What the loss goes with (the light of wet days, say). Months before the trouble began get the other months' loss
            in proportion to it.
        since : Timestamp
            When the trouble began, UTC.
        """
        replay = self.replays[0]
        times = self.state.model.times[replay.where]
        seen = np.asarray(times >= since)
        by_month = np.zeros((self.years, 12))
        profile = pd.Series(0.0, times)
        for year in range(self.years):
            losses = self.losses(replay, year)
            total = self._rows(range(len(self.shade)), replay, losses).sum(axis=0)
            without = total - self._rows((inverter,), replay, losses)[0] * lost[replay.where] * seen
            limit = self._site_limit(replay)
            more = np.minimum(total, limit) - np.minimum(without, limit)
            by_month[year] = np.bincount(replay.month, weights=more, minlength=12)
            profile = pd.Series(more, times) if year == 0 else profile
        ahead, held = (np.bincount(replay.month, weights=chance[replay.where] * on, minlength=12) for on in (1.0, seen))
        return Gain(_filled(by_month, ahead, held)[: self.months], profile)

    def _relieved(self, losses: tuple[np.ndarray, np.ndarray], relief: Relief, replay: Replay,
                  year: int) -> tuple[np.ndarray, np.ndarray]:
        dc, ac = (x.copy() for x in losses)
        at = list(relief.inverters)
        if relief.dc is not None:
            dc[at] -= relief.dc(replay, year)
        if relief.ac is not None:
            ac[at] -= relief.ac(replay, year)
        return dc, ac

    def _rows(self, inverters: range | tuple[int, ...], replay: Replay, losses: tuple[np.ndarray, np.ndarray],
              relief: Relief | None = None) -> np.ndarray:
        """Energy of some inverters before the site's limits, shape (len(inverters), n_times). [kWh]"""
        at = list(inverters)
        model = _part(self.state.model, at)
        dc, ac = (np.exp(-x[at][:, replay.of]) for x in losses)
        cap = np.full(dc.shape, np.inf)
        if relief is None or not relief.heat:
            cap = np.minimum(cap, self.heat[at][:, replay.where])
        if relief is None or not relief.setting:
            cap = np.minimum(cap, self.setting[at][:, None])
        if model.site.power_factor < 1.0:
            kva = np.array([[i.inverter_type.ac_rated_kva] for i in model.site.inverters])
            cap = np.minimum(cap, kva * model.site.power_factor)
        return model.output(dc, ac, cap, where=replay.where)

    def _site_limit(self, replay: Replay) -> np.ndarray:
        """Energy an interval that may leave the site: the standing limit, and instructions as they came that year. [kWh]"""
        model = self.state.model
        standing = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
        return np.minimum(self.state.limits.site_cap[replay.where], standing) * model.weather.hours

    def _light_by_day(self) -> tuple[np.ndarray, np.ndarray]:
        """Month ahead of each day to come, and its light outside the atmosphere on level ground, (n_days,). [Wh/m²]"""
        model = self.state.model
        bounds = months_from(self.as_of, self.months)
        hours = pd.date_range(bounds[0], bounds[-1], freq="h", inclusive="left").tz_localize("UTC")
        sun = sun_position(hours + pd.Timedelta(minutes=30), model.site.latitude, model.site.longitude, model.site.altitude_m)
        light = np.maximum(sun.dni_extra * sun.cos_zenith, 0.0).reshape(-1, 24).sum(axis=1)
        month = bounds.searchsorted(hours[::24].tz_localize(None), side="right") - 1
        return np.asarray(month), np.maximum(light, 1e-6)

    def _light_held(self) -> np.ndarray:
        """What of the light outside the atmosphere the replays hold, by month ahead, shape (12,). [Wh/m²]"""
        model = self.state.model
        outside = np.maximum(model.sun.dni_extra * model.sun.cos_zenith, 0.0) * model.weather.hours
        return np.sum([np.bincount(r.month, weights=outside[r.where], minlength=12) for r in self.replays], axis=0)

    def _windows(self) -> dict[int, np.ndarray]:
        """The history's day for each day ahead; days that it lacks take one from the days there are, in turn."""
        n_days = len(self.state.blocks.dates)
        out = {}
        for replay in self.replays:
            first = (pd.Timestamp(self.as_of) - pd.DateOffset(years=replay.back) - self.state.blocks.dates[0]).days
            out[replay.back] = (first + np.arange(365)) % n_days
        return out

    def _mean_shade(self, replay: Replay, times: float = 1.0) -> float:
        """Share of the energy that shade takes, so many times as deep."""
        energy = self.state.blocks.expected[:, replay.blocks]
        return float(-(np.expm1(-times * self.shade[:, replay.blocks]) * energy).sum() / max(energy.sum(), 1e-9))

    @property
    def shade_still_grows(self) -> float:
        """How surely what shades is still growing, 0 to 1, by its growth from one year to the next; 0 where one year is known."""
        return float(np.clip((self.shade_growth - 1.0) / _STILL_GROWS, 0.0, 1.0)) if len(self.replays) > 1 else 0.0

    def _shade_growth(self) -> float:
        if len(self.replays) < 2:
            return _USUAL_GROWTH
        last, before = (self._mean_shade(r) for r in self.replays[:2])
        growth = float(np.clip(last / before, *_GROWTH)) if before > 1e-4 else 1.0
        return max(growth, 1.0) if self.regrowing else growth


def _filled(by_month: np.ndarray, ahead: np.ndarray, held: np.ndarray) -> np.ndarray:
    """
    Sums over what is known to one usual year each, months in a row.

    Parameters
    ----------
    by_month : ndarray, shape (n_years, 12)
        [kWh]
    ahead, held : ndarray, shape (12,)
        What the energy goes with (the light outside the atmosphere, say): in a whole year, and in what is known. Months
        known in small part, or not at all, get the others' energy in proportion.
    """
    own = (held > _ENOUGH * ahead) | (ahead <= 0)
    out = by_month * own * (ahead / np.where(held > 0, held, 1.0))
    if not own.all():
        out[:, ~own] = (by_month.sum(axis=1) / held.sum())[:, None] * ahead[~own]
    return out.ravel()


def _heat_caps(state: SiteState) -> np.ndarray:
    """
    AC power that heat will allow, shape (n_inverters, n_times), inf where it does not bind. [kW]

    A line through the held power over air temperature, so that it holds for every replayed year, whenever the
    trouble began; only where it was still there in the last twelve months.
    """
    heat, model = state.limits.heat, state.model
    air = model.weather.table["temp_air"].to_numpy(float)[model.at]
    recent = np.asarray(model.times > model.times[-1] - pd.Timedelta(days=365))
    out = np.full(heat.shape, np.inf)
    for k in np.flatnonzero((np.isfinite(heat) & recent).any(axis=1)):
        hot = np.isfinite(heat[k])
        slope, start = np.polyfit(air[hot], heat[k, hot], 1) if np.ptp(air[hot]) > 3.0 else (0.0, np.median(heat[k, hot]))
        if slope > 0:
            slope, start = 0.0, float(np.median(heat[k, hot]))
        line = np.maximum(start + slope * air, 0.1 * model.rating[k, 0])
        out[k] = np.where(air >= np.quantile(air[hot], 0.02), line, np.inf)
    return out


def _settings_on(state: SiteState) -> np.ndarray:
    """AC limit still on in each inverter at the end of the history, shape (n_inverters,); inf where there is none. [kW]"""
    out = np.full(len(state.limits.setting), np.inf)
    for k, setting in enumerate(state.limits.setting):
        held = np.flatnonzero(np.isfinite(setting))
        if not len(held):
            continue
        level = setting[held[-1]]
        # Power above the level after the last held interval means that somebody took the limit off; a clamp reading of it ends
        # the limit by itself.
        off = held[-1] < len(setting) - 1 if state.log is None else (state.log.ac[k, held[-1] + 1:] > 1.03 * level).any()
        if not off:
            out[k] = level
    return out


def _part(model: SiteModel, inverters: list[int]) -> SiteModel:
    """Some inverters of a site, without its export limit."""
    site = replace(model.site, inverters=tuple(model.site.inverters[k] for k in inverters), export_limit_kw=None)
    return replace(model, site=site, dc=model.dc[inverters])
