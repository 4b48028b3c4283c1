"""
The series in which a job's effect shows: what the treated inverters give against untouched peers, or the site against the model.

Peers see the same sun, rain and sensor, so that all these cancel. Without peers the model stands in for them, with the doubt of
its light.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.split import output_with

#: Causes whose modelled loss is taken out of the series, unless the job is to mend them.
_CAUSES = ("soiling", "shading", "string_fault", "inverter_efficiency", "degradation", "level")
#: Days with less than this share of a bright day's energy say nothing. As for the inference's days.
_LEAST_DAY = 0.05
#: Loss to shade from which an hour says nothing of other work, and the share of the energy that must be left without such hours.
#: Common practice, no source.
_IN_SHADE, _LEAST_OPEN = 0.02, 0.2
#: Days before the work over which a peer's own level is taken.
_NEAR_DAYS = 60
#: A day further off from its neighbours than this, in robust standard deviations, is drawn in: snow left, a late log.
_FARTHEST = 5.0


@dataclass(frozen=True, eq=False)
class Series:
    """
    Relative output, one row a day or a period of the meter.

    Attributes
    ----------
    first, last : ndarray of int, shape (n,)
        Local days of each row, end exclusive.
    value : ndarray, shape (n,)
        Output over that of the peers, or over the model: 1 for alike.
    weight : ndarray, shape (n,)
        Relative precision.
    peers : tuple of str
        Inverters that serve as control; empty where the model does.
    """

    first: np.ndarray
    last: np.ndarray
    value: np.ndarray
    weight: np.ndarray
    peers: tuple[str, ...]

    def only(self, keep: np.ndarray) -> Series:
        """Some of the rows."""
        return Series(self.first[keep], self.last[keep], self.value[keep], self.weight[keep], self.peers)


def log_series(state: SiteState, treated: Iterable[int], control: Iterable[int], strings: Collection[str], cause: str, day: int,
               dirt: np.ndarray | None) -> Series:
    """
    Daily output of treated inverters over that of the control.

    Parameters
    ----------
    treated, control : iterable of int
        Numbers of inverters; without control the model serves.
    strings : collection of str
        Strings of the job.
    cause : str
        What the job is to mend.
    day : int
        Local day of the work.
    dirt : ndarray, shape (n_inverters, n_days), or None
        -ln of what dirt would have left without the job, taken out where there is no control.
    """
    treated, control, blocks = list(treated), list(control), state.blocks
    names = tuple(state.model.inverter_ids[k] for k in control)
    if cause in ("inverter_efficiency", "inverter_outage", "curtailment"):
        return _whole_days(state, treated, control, names)
    # Peers need little of the model: what it took for an inverter's own level may hold part of the job. So may dirt hold a cut's.
    rest = other_loss(state, cause, strings, treated, ("string_fault",) if control or cause == "shading" else _CAUSES)
    if cause == "soiling" and dirt is not None and not control:
        rest = rest + dirt[:, blocks.day]
    state = _in_the_open(state, [*treated, *control])
    own, energy = _mean_ratio(state, rest, treated)
    peer = _peers(state, rest, control, day) if control else np.ones(blocks.n)
    weight = np.where(np.isfinite(own) & np.isfinite(peer), energy * np.nan_to_num(peer), 0.0)
    relative = np.where(weight > 0, own / peer, 0.0)
    n_days = len(blocks.dates)
    total = np.bincount(blocks.day, weights=weight, minlength=n_days)
    value = np.bincount(blocks.day, weights=weight * relative, minlength=n_days) / np.maximum(total, 1e-12)
    return _rows(value, total, names, drawn_in=True)


def other_loss(state: SiteState, cause: str, strings: Collection[str], treated: Collection[int],
               causes: Collection[str] = _CAUSES) -> np.ndarray:
    """
    -ln of what the modelled losses that are not the job's leave, shape (n_inverters, n_blocks).

    The job's are its cause's, but for faults of other strings; and any fault of the treated inverters that no round has seen.
    """
    out = np.zeros(state.blocks.expected.shape)
    for column, value in zip(state.posterior.columns, state.posterior.estimate, strict=True):
        fault = column.tag[1] if column.tag and column.tag[0] == "fault" else None
        if fault is None:
            own = column.cause == cause
        else:
            own = fault.inverter in treated and (not fault.strings or bool(set(fault.strings) & set(strings)))
        if not own and column.cause in causes and value != 0.0:
            if column.inverter is None:
                out += column.values * value
            else:
                out[column.inverter] += column.values * value
    return out


def shade_free(state: SiteState, which: list[int]) -> np.ndarray:
    """Blocks in which no obstacle takes light from these inverters, shape (n_blocks,); all where too little would be left."""
    if not state.shaded[which].any():
        return np.ones(state.blocks.n, dtype=bool)
    # The beam alone: what an obstacle takes of the sky's light goes slowly, and is there at all hours.
    taken = sum((c.values * size for c, size in zip(state.posterior.columns, state.posterior.estimate, strict=True)
                 if c.cause == "shading" and c.tag[0] == "beam" and c.inverter in which), np.zeros(state.blocks.n))
    free = taken < _IN_SHADE
    energy = state.weight[which].sum(axis=0)
    return free if energy[free].sum() > _LEAST_OPEN * energy.sum() else np.ones_like(free)


def _in_the_open(state: SiteState, which: list[int]) -> SiteState:
    free = shade_free(state, which)
    return replace(state, ratio=np.where(free, state.ratio, np.nan), weight=np.where(free, state.weight, 0.0))


def _mean_ratio(state: SiteState, rest: np.ndarray, which: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Measured over expected of several inverters by block, other losses taken out; NaN where none is known; and the energy."""
    known = np.isfinite(state.ratio[which])
    weight = np.where(known, state.weight[which], 0.0)
    energy = weight.sum(axis=0)
    level = np.exp(np.where(known, state.ratio[which] + rest[which], 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(energy > 0, (weight * level).sum(axis=0) / energy, np.nan), energy


def _peers(state: SiteState, rest: np.ndarray, control: list[int], day: int) -> np.ndarray:
    """
    What the control gives of what is expected of it, by block.

    Of three peers or more, each at its own level before the work, the middle one: a part lost in one of them moves nothing.
    """
    if len(control) < 3:
        return _mean_ratio(state, rest, control)[0]
    each = np.stack([_mean_ratio(state, rest, [k])[0] for k in control])
    near = (np.abs(state.blocks.day - day) <= _NEAR_DAYS) & (state.blocks.day < day)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        level = np.nanmedian(np.where(near, each, np.nan), axis=1)
        level = np.where(np.isfinite(level), level, np.nanmedian(each, axis=1))
        return np.nanmedian(each / level[:, None], axis=0) * np.nanmean(level)


def _whole_days(state: SiteState, treated: list[int], control: list[int], names: tuple[str, ...]) -> Series:
    """Daily energy with the treated inverters' own downtime and derating in it, over that of the running control."""
    assert state.log is not None
    blocks, hours = state.blocks, state.model.weather.hours
    expected = state.model.output()
    measured = state.log.ac * hours * state.model.to_meter
    usable = np.isfinite(measured) & (state.off.grid >= 1.0) & ~np.isfinite(state.limits.site_cap)[None, :]
    usable &= shade_free(state, [*treated, *control])[blocks.of]

    def by_day(which: list[int], use: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        day, n_days = blocks.day[blocks.of], len(blocks.dates)
        kept = (np.where(use, x, 0.0)[which].sum(axis=0) for x in (measured, expected))
        got, could = (np.bincount(day, weights=x, minlength=n_days) for x in kept)
        return got, could

    got, could = by_day(treated, usable)
    value = got / np.maximum(could, 1e-12)
    if control:
        peer, peer_could = by_day(control, usable & state.off.running)
        known = peer > _LEAST_DAY * np.maximum(peer_could, 1e-12)
        value = value * np.where(known, peer_could / np.where(known, peer, 1.0), 0.0)
        could = np.where(known, could, 0.0)
    return _rows(value, could, names, drawn_in=False)


def meter_series(state: SiteState, data: SiteData, treated: Collection[int], strings: Collection[str], cause: str,
                 dirt: np.ndarray | None) -> Series | None:
    """The meter's periods over the model with all that is known but the job's cause; None without a meter."""
    blocks = state.blocks
    periods = meter_by_day(blocks, data.meter)
    if not periods:
        return None
    kept = output_with(state.model, [e for e in state.effects if e.cause != cause])
    kept = kept * np.exp(-other_loss(state, cause, strings, treated, (cause,)))[:, blocks.of]
    if dirt is not None:
        kept = kept * np.exp(-dirt[:, blocks.day[blocks.of]])
    by_day = np.r_[0.0, np.cumsum(np.bincount(blocks.day[blocks.of], weights=kept.sum(axis=0), minlength=len(blocks.dates)))]
    first, last, kwh = (np.array(x) for x in zip(*periods, strict=True))
    energy = by_day[last] - by_day[first]
    good = (energy > _LEAST_DAY * np.quantile(energy, 0.9)) & (kwh > 0)
    first, last, value, energy = first[good], last[good], (kwh / np.maximum(energy, 1e-12))[good], energy[good]
    return Series(first.astype(int), last.astype(int), value, _relative(energy), ())


def over_rows(by_day: np.ndarray, energy: np.ndarray, rows: Series) -> np.ndarray:
    """Mean of daily values over each row's days, weighted by energy."""
    total = np.r_[0.0, np.cumsum(energy)]
    part = np.r_[0.0, np.cumsum(energy * by_day)]
    return (part[rows.last] - part[rows.first]) / np.maximum(total[rows.last] - total[rows.first], 1e-9)


def _rows(value: np.ndarray, energy: np.ndarray, peers: tuple[str, ...], drawn_in: bool) -> Series:
    some = energy[energy > 0]
    days = np.flatnonzero((energy > _LEAST_DAY * np.quantile(some, 0.9)) & (value > 0)) if len(some) else np.array([], dtype=int)
    kept = value[days]
    if drawn_in and len(days):
        near = pd.Series(kept).rolling(15, center=True, min_periods=1).median().to_numpy()
        reach = _FARTHEST * 1.4826 * max(float(np.median(np.abs(kept - near))), 1e-4)
        kept = np.clip(kept, near - reach, near + reach)
    return Series(days, days + 1, kept, _relative(energy[days]), peers)


def _relative(energy: np.ndarray) -> np.ndarray:
    """Precision of a row relative to an ordinary one: weak light is noisier."""
    ordinary = np.median(energy) if len(energy) else 1.0
    return 2.0 / (1.0 + ordinary / np.maximum(energy, 1e-3 * ordinary))
