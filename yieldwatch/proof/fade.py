"""
How an effect runs on after the work: what is mended stays, what is washed off would in part have gone with the next rain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.soiling import loose_dust, rain_states, soiling_states
from yieldwatch.proof.done import SAME_VISIT_DAYS, DoneJob

#: Falls of an inverter's rating by degree of air above 25 °C that are tried. [1/°C] Common practice, no source.
_FALLS = (0.01, 0.02, 0.04)
#: Days before the work over which a loss that creeps is taken to have grown; it would have gone on. Common practice, no source.
_CREPT_DAYS = (90, 180, 360, 720)
#: Doubt of how a loss that was not even would have gone on, and one of a few hot hours. Standard uncertainties as fractions.
#: Common practice, no source.
_GOES_ON, _HEAT_GOES_ON = 0.3, 0.6
#: Of a wash: the rain that takes its lead away, over the rain that was found to wash this site, and the part that rain leaves
#: alone. All are tried. Common practice, no source.
_DEPTHS, _STAYING = (0.4, 1.0, 2.5), (0.0, 0.1, 0.25, 0.5, 0.75)
#: Mean over all these ways of the part that no rain takes.
LASTING = (1.0 + len(_DEPTHS) * sum(_STAYING)) / (1.0 + len(_DEPTHS) * len(_STAYING))


#: Chances that a string's loss keeps its share, grows with the light (a joint) or falls with it (a shunt); and the share of the
#: string's output from which it is out altogether, and keeps its share. Common practice, no source.
_BY_LIGHT, _OUT = (0.4, 0.4, 0.2), 0.7


@dataclass(frozen=True, eq=False)
class RunOn:
    """
    One way for an effect to act, by day.

    Attributes
    ----------
    shows : ndarray, shape (n_days,)
        How it moves the series: up after the work, or down before it where what it mends did not act evenly.
    gain : ndarray, shape (n_days,)
        What it wins back on each day after the work; 0 before.
    doubt : float
        Standard uncertainty of how the gain goes on, as a fraction of it.
    """

    shows: np.ndarray
    gain: np.ndarray
    doubt: float = 0.0


def run_on(state: SiteState, job: DoneJob, day: int) -> list[RunOn]:
    """
    The ways in which the effect may run on.

    The lead of a washed module over one left as it was goes with rain, because rain takes from the dirty one what the clean one
    no longer has; a layer that rain does not take stays away. How much of the dirt is of either kind is not known. An inverter
    may have lost the same share always, or have been held down in heat, or have crept.
    """
    stays = (np.arange(len(state.blocks.dates)) > day).astype(float)
    if job.cause == "inverter_efficiency":
        days = np.arange(len(stays))
        grown = [np.clip((days - day) / long + 1.0, 0.0, None) for long in _CREPT_DAYS]
        uneven = [*((loss, _HEAT_GOES_ON) for loss in _held_by_heat(state)), *((loss, _GOES_ON) for loss in grown)]
        return [RunOn(stays, stays), *(RunOn(-loss * (1.0 - stays), loss * stays, doubt) for loss, doubt in uneven)]
    if job.cause != "soiling":
        return [RunOn(stays, stays)]
    shapes = [stays]
    for depth in _DEPTHS:
        left = np.exp(-((state.blocks.washing / (depth * state.wash.depth)) ** state.wash.sharpness))
        left[: day + 1] = 1.0
        fades = stays * np.r_[1.0, np.cumprod(left)[:-1]]
        shapes += [part * stays + (1.0 - part) * fades for part in _STAYING]
    return [RunOn(shape, shape) for shape in shapes]


def by_light(draws: np.ndarray, share: float, brighter: float, rng: np.random.Generator) -> np.ndarray:
    """
    A mended string's effect over the days after, from the step that showed.

    Parameters
    ----------
    draws : ndarray
        The step, as a share of the output.
    share : float
        The mended strings' own share.
    brighter : float
        Light in which the gain is made over that in which the step showed: of another season, and without the hours near a
        rating, in which nothing shows.
    """
    factor = rng.choice([1.0, brighter, 1.0 / brighter], len(draws), p=_BY_LIGHT)
    return np.where(draws > _OUT * share, draws, draws * factor)


def _held_by_heat(state: SiteState) -> list[np.ndarray]:
    """Share of each day's output above a rating that falls with the heat of the air, one for each fall; shape (n_days,)."""
    blocks, model = state.blocks, state.model
    temp = np.nan_to_num(model.weather.table["temp_air"].to_numpy(float)[model.at], nan=15.0)
    output = model.output()
    full = model.rating * model.to_meter * model.weather.hours
    day, n_days = blocks.day[blocks.of], len(blocks.dates)
    energy = np.bincount(day, weights=output.sum(axis=0), minlength=n_days)
    held = (np.clip(output - full * (1.0 - fall * np.clip(temp - 25.0, 0.0, None)), 0.0, None).sum(axis=0) for fall in _FALLS)
    return [np.bincount(day, weights=lost, minlength=n_days) / np.maximum(energy, 1e-9) for lost in held]


def dirt_without(state: SiteState, data: SiteData, job: DoneJob) -> np.ndarray:
    """-ln of what dirt would have left had this cleaning not been, shape (n_inverters, n_days); rain falls all the same."""
    if len(data.events):
        local = data.events["start"].dt.tz_convert(state.model.site.tz).dt.date
        near = np.array([abs((d - job.done_on).days) <= SAME_VISIT_DAYS for d in local])
        same = (data.events["kind"] == "cleaning").to_numpy() & near
        data = replace(data, events=data.events[~same])
    size = state.posterior.sizes("soiling")
    states = soiling_states(state.blocks, data, state.wash)
    states += rain_states(state.blocks, data, state.wash, loose_dust(states, size))
    return np.asarray(sum(s.values * size.get(s.name, 0.0) for s in states))
