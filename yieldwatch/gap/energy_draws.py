"""
From doubt in the unknowns to doubt in energy, draw by draw, and which doubts move together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.constants import CAUSES
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.basis import fault_blur
from yieldwatch.gap.fit import DC_CAUSES
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import full_shape
from yieldwatch.gap.split import Split, output_with
from yieldwatch.gap.why import Rival

#: Causes whose energy follows unknowns of the posterior; the others are read off.
WITH_UNKNOWNS = (*DC_CAUSES, "inverter_efficiency")
#: What is nobody's loss and may stand in for one.
NOT_LOSSES = ("light_sensor", "model", "inverter_level", "round_sensor")
#: Correlation by draw beyond which two are said to trade off: of 400 draws, chance alone gives 0.05. Common practice, no source.
TRADES_OFF = 0.3
#: Relative standard uncertainty of one month's shade beyond the year's, without a log. Set on drawn farms.
_OUTLINE_BY_MONTH = 0.35
#: Standard deviations from the middle to the end of a 90 % interval, Gaussian.
TO_THE_END = 1.645


def moved_energy(state: SiteState, split: Split, month: np.ndarray, n_months: int) -> dict[str, np.ndarray]:
    """
    How far each draw takes monthly energy off the estimate.

    A cause's energy follows its unknowns linearly around the estimate, in each block at the rate energy / loss that the exact
    split gave (where the cause took nothing, at the state's own output, none of it where a limit took the rest).

    Parameters
    ----------
    month : ndarray of int, shape (n_times,)
        Place of each daylight interval's month, -1 outside the period.

    Returns
    -------
    dict of str to ndarray, shape (n_draws, n_months)
        For `WITH_UNKNOWNS` and `NOT_LOSSES`, without those that have no unknowns at this site. [kWh]
    """
    blocks, posterior = state.blocks, state.posterior
    block_month = np.full(blocks.n, -1)
    block_month[blocks.of] = month
    shift = posterior.draws - posterior.estimate[None, :]
    output = open_output(state, split)
    names = [_group(c) for c in posterior.columns]
    out = {}
    for name in (*WITH_UNKNOWNS, *NOT_LOSSES):
        which = [k for k, group in enumerate(names) if group == name]
        if not which:
            continue
        if name == "round_sensor":
            # It acts on rounds and on no energy: told as what the mean of the rounds would be in energy.
            by_month = _by_month(output.sum(axis=0), block_month, n_months)
            out[name] = shift[:, which].mean(axis=1)[:, None] * by_month[None, :]
            continue
        rate = _rate(state, split, name, output) if name in CAUSES else output
        rates = [_by_month(_column_energy(posterior.columns[k], rate), block_month, n_months) for k in which]
        out[name] = shift[:, which] @ np.stack(rates)
    return out


def fault_doubt(
    state: SiteState, split: Split, month: np.ndarray, n_months: int, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """
    What the faults' forms and starts may be off by, and whether they are faults of strings, draw by draw.

    Each fault by itself: a dead string takes what it gave, and when it died is the doubt; how a shunt's loss follows the light is
    only about right; what may have another cause is all of it that cause's or none.

    Parameters
    ----------
    month : ndarray of int, shape (n_times,)
        Place of each daylight interval's month, -1 outside the period.

    Returns
    -------
    dict of str to ndarray, shape (n_draws, n_months)
        For string faults and the causes that may stand for them, off what the account tells of them. [kWh]
    """
    blocks, posterior = state.blocks, state.posterior
    block_month = np.full(blocks.n, -1)
    block_month[blocks.of] = month
    inside = block_month >= 0
    rate = _rate(state, split, "string_fault", open_output(state, split))
    n_draws, n_days = len(posterior.draws), len(blocks.dates)
    causes = ("string_fault", *dict.fromkeys(c for f in state.faults for c in f.instead))
    out = {cause: np.zeros((n_draws, n_months)) for cause in causes}
    for fault in dict.fromkeys(f for f in state.faults if f.cause == "string_fault"):
        own = [c.tag == ("fault", fault) for c in posterior.columns]
        energy = full_shape(blocks, fault) * rate[fault.inverter] * float(posterior.estimate[own].sum())
        daily = np.zeros((n_months, n_days + 1))
        np.add.at(daily, (block_month[inside], blocks.day[inside] + 1), energy[inside])
        mean = daily[:, 1:] @ fault.begun(np.arange(n_days))
        off = rng.standard_normal((n_draws, 1)) * fault_blur(fault.kind) * mean[None, :]
        if fault.onset:
            days, chance = zip(*fault.onset, strict=True)
            stop = int(np.clip(fault.end, 0, n_days))
            first = np.clip(np.ceil(np.interp(rng.random(n_draws), chance, days, right=n_days)), 0, stop).astype(int)
            before = np.cumsum(daily, axis=1)
            off += (before[:, stop][:, None] - before[:, first]).T - mean[None, :]
        chances = {**fault.instead, "string_fault": 1.0 - sum(fault.instead.values())}
        drawn = rng.random((n_draws, 1)) if fault.instead else np.ones((n_draws, 1))
        upto = 0.0
        for cause, p in chances.items():
            is_it = (drawn >= upto) & ((drawn < upto + p) | (cause == "string_fault"))
            out[cause] += np.where(is_it, off + (1.0 - p) * mean[None, :], -p * mean[None, :])
            upto += p
    return out


def limit_doubt(
    state: SiteState, split: Split, month: np.ndarray, n_months: int, n_draws: int, rng: np.random.Generator
) -> np.ndarray:
    """
    What the unknown first days of limits left on may move, draw by draw, shape (n_draws, n_months). [kWh]

    Parameters
    ----------
    month : ndarray of int, shape (n_times,)
        Place of each daylight interval's month, -1 outside the period.
    """
    out = np.zeros((n_draws, n_months))
    day = state.blocks.day[state.blocks.of]
    n_days = len(state.blocks.dates)
    for limit in state.limits.left_on:
        k = limit.inverter
        open_to = output_with(state.model, [replace(e, cap=None) if e.cause == "curtailment" else e for e in state.effects])[k]
        most = limit.level * state.model.weather.hours * state.model.to_meter
        inside = (month >= 0) & (day < limit.end)
        daily = np.zeros((n_months, n_days + 1))
        np.add.at(daily, (month[inside], day[inside] + 1), np.maximum(open_to - most, 0.0)[inside])
        before = np.cumsum(daily, axis=1)
        days, chance = zip(*limit.onset, strict=True)
        first = np.clip(np.ceil(np.interp(rng.random(n_draws), chance, days)), 0, n_days).astype(int)
        out += (before[:, [max(limit.start, 0)]] - before[:, first]).T
    return out


def outline_doubt(
    state: SiteState, told: np.ndarray, n_draws: int, rng: np.random.Generator
) -> np.ndarray:
    """
    What each month's shade may be off by where no log shows when it falls, draw by draw, shape (n_draws, n_months). [kWh]

    A shadow's edge is passed within weeks: one month has more, the next less.

    Parameters
    ----------
    told : ndarray, shape (n_months,)
        Shade told of each month. [kWh]
    """
    if state.log is not None:
        return np.zeros((n_draws, len(told)))
    return _OUTLINE_BY_MONTH * rng.standard_normal((n_draws, len(told))) * np.abs(told)[None, :]


def snow_energy_doubt(
    state: SiteState, split: Split, month: np.ndarray, n_months: int, n_draws: int, rng: np.random.Generator
) -> np.ndarray:
    """
    What snow that no log shows may have taken more or less, draw by draw, shape (n_draws, n_months); each month by itself. [kWh]

    Parameters
    ----------
    month : ndarray of int, shape (n_times,)
        Place of each daylight interval's month, -1 outside the period.
    """
    if state.snow_doubt is None:
        return np.zeros((n_draws, n_months))
    bare = output_with(state.model, [e for e in state.effects if e.cause != "snow"])
    kept = month >= 0
    off = np.bincount(month[kept], weights=(bare * state.snow_doubt).sum(axis=0)[kept], minlength=n_months)
    return rng.standard_normal((n_draws, n_months)) * off[None, :]


def level_energy(state: SiteState, split: Split, inside: np.ndarray) -> dict[str, float]:
    """
    Energy that the fit gives to what is nobody's loss; it stands in the unexplained. [kWh]

    Parameters
    ----------
    inside : ndarray of bool, shape (n_times,)
        Daylight intervals that count.

    Returns
    -------
    dict of str to float
        By name, of `NOT_LOSSES` without the rounds' sensors; positive where it lowers what is measured.
    """
    output = (
        state.blocks.total(np.where(inside, 1.0, 0.0)) / np.maximum(np.bincount(state.blocks.of), 1) * open_output(state, split)
    )
    out = dict.fromkeys(NOT_LOSSES[:3], 0.0)
    for column, value in zip(state.posterior.columns, state.posterior.estimate, strict=True):
        group = _group(column)
        if group in out:
            out[group] += float(value * _column_energy(column, output).sum())
    return out


def rivals(name: str, energy: dict[str, np.ndarray], least_kwh: float = 0.0) -> tuple[Rival, ...]:
    """
    What a cause trades off with, the strongest first.

    Parameters
    ----------
    name : str
    energy : dict of str to ndarray, shape (n_draws,)
        Energy of a period by draw. [kWh]
    least_kwh : float
        Less that moves is not worth a word.

    Returns
    -------
    tuple of Rival
        Those with a correlation beyond `TRADES_OFF`; empty where the cause has no unknowns.
    """
    own = energy.get(name)
    if own is None or not own.std() > 0:
        return ()
    found = []
    for other, values in energy.items():
        if other == name or not values.std() > 0:
            continue
        r = float(np.corrcoef(own, values)[0, 1])
        moves = abs(r) * TO_THE_END * float(own.std())
        if abs(r) > TRADES_OFF and moves >= least_kwh:
            found.append(Rival(other, r, moves))
    return tuple(sorted(found, key=lambda rival: -abs(rival.correlation)))


def _group(column: Column) -> str:
    """The cause of a column, or which of `NOT_LOSSES` it is."""
    if column.cause == "round":
        return "round_sensor"
    if column.cause != "level":
        return column.cause
    return "light_sensor" if column.name.startswith("light ") else "inverter_level" if column.inverter is not None else "model"


def _rate(state: SiteState, split: Split, cause: str, output: np.ndarray) -> np.ndarray:
    loss = state.posterior.loss(cause, *state.blocks.expected.shape)
    taken = state.blocks.total(split.energy[cause]) if cause in split.energy else np.zeros(loss.shape)
    return np.where(loss > 1e-3, taken / np.maximum(loss, 1e-3), output)


def open_output(state: SiteState, split: Split) -> np.ndarray:
    """Output of the state by inverter and block, without the intervals in which a limit would have taken any more. [kWh]"""
    limited = (state.model.unlimited() > split.expected * (1.0 + 1e-9)).any(axis=0) & (split.state >= 0.98 * split.expected).all(
        axis=0
    )
    return state.blocks.total(np.where(limited, 0.0, split.state))


def _column_energy(column: Column, rate: np.ndarray) -> np.ndarray:
    """Energy by block that an unknown of one moves, shape (n_blocks,). [kWh]"""
    return column.values * rate[column.inverter] if column.inverter is not None else (column.values * rate).sum(axis=0)


def _by_month(values: np.ndarray, block_month: np.ndarray, n_months: int) -> np.ndarray:
    inside = block_month >= 0
    return np.bincount(block_month[inside], weights=values[inside], minlength=n_months)
