"""
Soiling: dirt that builds up in dry spells, and goes with rain and with cleaning.

The state of each inverter's modules follows, from day to day,
    s(d+1) = (s(d) + rate(month) x dusty(d)) x (1 - washed(d))
    washed = 1 - exp(-(rain / depth)^sharpness),   dusty = 1 - exp(-days since rain / damp)
and is nearly zero after a cleaning. With the wash given, the loss is linear in the rates and in the state at the start; the
wash is chosen by how well the inference then fits. Sharpness 1 is rain that cleans in proportion, 3 is close to a threshold;
a day of rain, and damp ground for some days after, raises no dust. After Kimber et al. (WCPEC 2006: linear build-up, reset by
rain above a threshold, grace period) and Coello & Boyle (IEEE J. Photovolt. 9 (2019) 1382). Rain falls on a day that is still
dirty: its effect is seen from the next day. What a rain left may depart from that law, as a gauge is coarse and may stand far
off: else one rain that did less than it should would lower all rates. A second layer that rain does not wash off (lichen,
cemented dust) grows by the year and goes with a cleaning alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import optimize, sparse

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column, Rare

#: Yearly mean build-up, per day: fleet means run from 0.0005 (Mejia & Kleissl, Solar Energy 95 (2013) 357) to
#: 0.0015 (Kimber 2006); the prior's standard deviation lets the farm's own dry spells speak.
_RATE_MEAN, _RATE_SD = 0.0003, 0.0010
#: A month's departure from the farm's usual build-up, and one month's from the next. Without the farm's own, every month of a
#: dusty farm would be drawn to a clean one's. Common practice, no source.
_RATE_OFF, _RATE_CHANGE = 0.0008, 0.0004
#: What a month may have before the others are heard.
_RATE_WIDE = 0.004
#: Share of the dirt that a cleaning takes off. Common practice, no source.
CLEANED = 0.97
#: Layer that rain does not wash off. Most farms have a trace of it at most, some have much, and a constant layer looks like age
#: and light bias: a prior between the two would tell dirt of every clean farm and too little of every dirty one. So it is rare:
#: one farm in four has more than a trace. Growth per year and state at the start. Common practice, no source.
_LASTING = Rare("dirt that rain leaves", 0.25)
_LASTING_SD, _LASTING_START_SD, _LASTING_TRACE = 0.01, 0.025, 0.001
_START_SD = 0.02
#: Logarithm of a rain on the modules over the gauge's, and what else moves what is left of the dirt. Common practice, no source.
_RAIN_SD, _LEFT_SD = 0.5, 0.03
#: The latter for a rain that no gauge saw. Common practice, no source.
_GUESSED_SD = 0.15
#: Rains that may depart from the law: the strongest in doubt, and the least that one may be off by to count. [fraction]
_MOST_RAINS, _LEAST_OFF = 24, 0.0005
#: Most inverters that get a share of dirt of their own; beyond, each is too small to matter.
_MOST_OWN = 24


@dataclass(frozen=True)
class Wash:
    """
    How rain acts on dirt.

    Attributes
    ----------
    depth : float
        Rain of a day that takes 63 % off. [mm] Thresholds of 1 to 20 mm appear in published models.
    sharpness : float
    damp : float
        Days over which wet ground holds its dust. [d]
    """

    depth: float
    sharpness: float
    damp: float


#: Starting points of the search.
_STARTS = tuple(Wash(depth, sharpness, 0.5) for sharpness in (1.0, 2.5) for depth in (1.5, 4.0, 10.0))
#: Logarithms of depth [mm], sharpness and damp [d], and their standard deviations: 19 in 20 published thresholds lie between 1
#: and 20 mm (Kimber 2006; Coello & Boyle 2019). Without it, seasons of the light pass for dirt that
#: hardly any rain takes off. Sharpness and damp: common practice, no source.
_USUAL, _USUAL_SD = np.log([4.5, 1.5, 0.7]), np.array([0.75, 0.4, 1.2])
_BOUNDS = ((np.log(0.5), np.log(30.0)), (np.log(0.7), np.log(4.0)), (np.log(0.1), np.log(15.0)))
WASH_UNKNOWN = Wash(5.0, 1.0, 0.5)


@dataclass(frozen=True, eq=False)
class State:
    """Shape of one unknown of soiling by day, shape (n_inverters, n_days), with its prior."""

    name: str
    values: np.ndarray
    mean: float
    sd: float
    tag: tuple = ()
    rare: Rare | None = None
    lower: float = 0.0
    upper: float = np.inf


def soiling_states(blocks: Blocks, data: SiteData, wash: Wash) -> list[State]:
    """The rate of each month, the dirt at the start, and the lasting layer, for one wash."""
    cleaned = _cleaned(blocks, data)
    left = 1.0 - CLEANED * cleaned
    rain = blocks.washing
    keep = np.broadcast_to(_left_by(rain, wash), cleaned.shape)
    dusty = 1.0 - np.exp(-_days_since(rain > 0.5 * wash.depth) / wash.damp)
    months = month_weights(blocks.dates)
    gains = [*(months * dusty), np.full(len(rain), 1.0 / 365.25)]
    keeps = [keep] * len(months) + [np.ones_like(left)]
    built = _accumulate(np.stack(gains)[:, None, :], np.stack(keeps), left)
    states = [State(f"dry-spell rate in month {m}", built[m], _RATE_MEAN, _RATE_WIDE, ("rate", m)) for m in range(len(months))]
    states.append(State("usual dry-spell rate", np.zeros_like(built[0]), _RATE_MEAN, _RATE_SD, ("usual rate",)))
    before_rain = np.concatenate([np.ones((len(left), 1)), np.cumprod(keep, axis=1)[:, :-1]], axis=1)
    lasting = np.cumprod(left, axis=1)
    return [
        *states,
        State("dirt at the start", lasting * before_rain, 0.0, _START_SD),
        State("lasting layer, growth per year", built[-1], 0.0, _LASTING_SD, rare=_LASTING),
        State("lasting layer at the start", lasting, 0.0, _LASTING_START_SD, rare=_LASTING),
    ]


def soiling_columns(blocks: Blocks, states: list[State]) -> list[Column]:
    """States by day as columns by block."""
    return [
        Column("soiling", s.name, s.values[:, blocks.day], None, s.mean, s.sd, s.lower, s.upper, s.tag, s.rare, _LASTING_TRACE)
        for s in states
    ]


def loose_dust(states: list[State], size: Mapping[str, float]) -> np.ndarray:
    """-ln of what the dirt that rain washes off leaves, shape (n_inverters, n_days), for `size` of each state by name."""
    return np.asarray(sum(s.values * size.get(s.name, 0.0) for s in states if s.rare is None))


def rain_states(blocks: Blocks, data: SiteData, wash: Wash, dust: np.ndarray) -> list[State]:
    """
    What single rains left beyond the law, as a share of the dust they fell on.

    Parameters
    ----------
    dust : ndarray, shape (n_inverters, n_days)
        Loose dirt of an earlier fit, as -ln of what it leaves.
    """
    rain = blocks.washing
    keep = _left_by(rain, wash)
    left_sd = np.where(np.isnan(blocks.rain), _GUESSED_SD, _LEFT_SD)
    off = np.where(rain > 0.0, np.hypot(_RAIN_SD * wash.sharpness * keep * -np.log(np.maximum(keep, 1e-12)), left_sd), 0.0)
    moves = off * dust.mean(axis=0)
    days = np.argsort(-moves, kind="stable")[:_MOST_RAINS]
    cleaned = 1.0 - CLEANED * _cleaned(blocks, data)
    states = []
    for day in np.sort(days[moves[days] > _LEAST_OFF]):
        later = np.zeros_like(dust)
        before = np.concatenate([np.ones(1), np.cumprod(keep[day + 1:])[:-1]])[: dust.shape[1] - day - 1]
        later[:, day + 1:] = dust[:, [day]] * before * np.cumprod(cleaned[:, day + 1:], axis=1)
        name = f"left by the rain of {blocks.dates[day]:%Y-%m-%d}"
        states.append(State(name, later, 0.0, float(off[day]), lower=-float(keep[day]), upper=1.0 - float(keep[day])))
    return states


def _left_by(rain: np.ndarray, wash: Wash) -> np.ndarray:
    """Share of the dirt that each day's rain leaves."""
    return np.asarray(np.exp(-((rain / wash.depth) ** wash.sharpness)))


def choose_wash(blocks: Blocks, misfit: Callable[[Wash], float]) -> Wash:
    """
    The wash with the least misfit, by Nelder-Mead from the best of a few starts.

    Parameters
    ----------
    misfit : callable
        From a wash to the misfit of the whole inference with it.
    """
    if blocks.washing.sum() <= 0:
        return WASH_UNKNOWN

    def at(x: np.ndarray) -> float:
        x = np.clip(x, [b[0] for b in _BOUNDS], [b[1] for b in _BOUNDS])
        return misfit(Wash(*np.exp(x))) + float((((x - _USUAL) / _USUAL_SD) ** 2).sum())

    start = min((np.log([s.depth, s.sharpness, s.damp]) for s in _STARTS), key=at)
    simplex = start + np.array([[0, 0, 0], [0.4, 0, 0], [0, 0.4, 0], [0, 0, 1.5]])
    found = optimize.minimize(
        at, start, method="Nelder-Mead", options={"initial_simplex": simplex, "maxfev": 45, "xatol": 0.03, "fatol": 0.5}
    )
    return Wash(*np.exp(np.clip(found.x, [b[0] for b in _BOUNDS], [b[1] for b in _BOUNDS])))


def alike_rows(columns: list[Column]) -> list[Rows]:
    """
    The rate of a month is like the farm's usual one, like that of the next month, and like that of the same month a year on.

    Prior knowledge, given as rows: each difference is zero to within `_RATE_OFF` or `_RATE_CHANGE`.
    """
    rates = [j for j, c in enumerate(columns) if c.tag and c.tag[0] == "rate"]
    usual = [j for j, c in enumerate(columns) if c.tag and c.tag[0] == "usual rate"]
    off = [(rate, u) for rate in rates for u in usual]
    near = list(pairwise(rates)) + list(zip(rates, rates[12:], strict=False))
    if not off:
        return []
    design = sparse.lil_matrix((len(off) + len(near), len(columns)))
    for row, (a, b) in enumerate([*off, *near]):
        design[row, a], design[row, b] = 1.0, -1.0
    precision = np.r_[np.full(len(off), (_RATE_CHANGE / _RATE_OFF) ** 2), np.ones(len(near))]
    return [Rows("rates alike", design.tocsr(), np.zeros(len(precision)), precision, _RATE_CHANGE, 1.0)]


def own_share_columns(blocks: Blocks, common: np.ndarray) -> list[Column]:
    """
    Each inverter's departure from the common soiling, in shape like the common one.

    Parameters
    ----------
    common : ndarray, shape (n_inverters, n_blocks)
        Soiling loss of the first fit.
    """
    if not 2 <= len(common) <= _MOST_OWN or common.max() < 1e-6:
        return []
    n = len(common)
    # Centred: what all have more or less of belongs to the common rates.
    return [
        Column("soiling", f"own share of {name}", common * ((np.arange(n) == k) - 1.0 / n)[:, None], None, 0.0, 0.15, -0.6, 3.0)
        for k, name in enumerate(blocks.model.inverter_ids)
    ]


def month_weights(dates: pd.DatetimeIndex) -> np.ndarray:
    """Tent-shaped months of the history that add up to one on each day, shape (n_months, n_days)."""
    position = (dates.year - dates.year[0]) * 12 + dates.month - dates.month[0] + (dates.day - 15.5) / 30.4
    centres = np.arange(int(np.floor(position.min())), int(np.ceil(position.max())) + 1)
    return np.clip(1.0 - np.abs(np.asarray(position)[None, :] - centres[:, None]), 0.0, 1.0)


def _days_since(rained: np.ndarray) -> np.ndarray:
    """Days since the last day that rained, 1 on the day after; large where none is known."""
    day = np.arange(len(rained))
    last = np.maximum.accumulate(np.where(rained, day, -1000))
    return (day - last).astype(float)


def cleaning_days(blocks: Blocks, data: SiteData) -> list[int]:
    """Local days on which anything was cleaned, by the record."""
    events = data.events[data.events["kind"] == "cleaning"] if len(data.events) else data.events
    return [blocks.day_of(start) for start in events["start"]] if len(events) else []


def cleaned_in_part(blocks: Blocks, data: SiteData) -> bool:
    """Whether some inverters were cleaned on a day of the history, by the record, and others not."""
    return bool((np.ptp(_cleaned(blocks, data), axis=0) > 0.0).any())


def _cleaned(blocks: Blocks, data: SiteData) -> np.ndarray:
    """Share of each inverter's strings cleaned on each day, shape (n_inverters, n_days)."""
    out = np.zeros((blocks.expected.shape[0], len(blocks.dates)))
    ids = blocks.model.inverter_ids
    strings = {name: [s.string_id for s in blocks.model.site.strings if s.inverter_id == name] for name in ids}
    events = data.events[data.events["kind"] == "cleaning"] if len(data.events) else data.events
    for event in events.itertuples():
        day = blocks.day_of(event.start)
        if not 0 <= day < out.shape[1]:
            continue
        for k, name in enumerate(ids):
            if "site" in event.scope or name in event.scope:
                out[k, day] = 1.0
            elif strings[name]:
                out[k, day] = max(out[k, day], len(set(strings[name]) & set(event.scope)) / len(strings[name]))
    return out


def _accumulate(gain: np.ndarray, keep: np.ndarray, left: np.ndarray) -> np.ndarray:
    """State during each day, along the last axis: s(d) = s'(d-1) x left(d) + gain(d); after its rain s'(d) = s(d) x keep(d)."""
    state: np.ndarray = np.zeros(np.broadcast_shapes(gain.shape, keep.shape))
    level: np.ndarray = np.zeros_like(state[..., 0])
    for day in range(state.shape[-1]):
        level = level * left[:, day] + gain[..., day]
        state[..., day] = level
        level = level * keep[..., day]
    return state
