"""
Inverter efficiency: AC over DC against the datasheet's curve, inverter by inverter, month by month.

The log's own DC and AC channels may each be a per cent off for good; their ratio's change over time, and against the
peers at the same load, is the evidence.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.ndimage import median_filter

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.conversion import above_curve
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION, Fault

#: A loss below this share is within what a log's two channels drift. Common practice, no source.
_MATTERS = 0.004
#: Standard uncertainty of a fall of AC over DC within one log, and the least and the most of it relative to the fall: the
#: instruments are the same before and after. Common practice, no source.
_RATIO_U, _SCALE_U = 0.001, (0.03, 0.15)
#: Quantile of an inverter's months that is its usual level: what falls later does not move it.
_USUAL = 0.85
#: A constant ratio this far below the peers' is a loss from before the history; less is the log's gain.
_FROM_THE_START = 0.02
#: Standard uncertainties that a fall between clamp rounds must exceed, given that the best of several cuts is taken.
_CLAMP_SIGNIFICANT = 2.2
#: Standard uncertainties that the best of several cuts of several inverters reaches by luck. Order statistics of about ten.
_LUCK = 1.7
#: Standard uncertainty of one clamp reading of AC over DC, and the least of one against the others. Common practice, no source.
#: [fraction]
_CLAMP_U, _CLAMP_LEAST = 0.013, 0.01
#: A loss that stays shows the same in every later round. Beyond this scatter it comes and goes, as shade and clouds do; the
#: current carries the error of the light laid beside it, AC over DC does not. About 2.5 standard uncertainties of a reading.
_STAYS = {"current_ratio": 0.05, "efficiency_log_ratio": 0.03}
#: Least readings after the fall: one low current is a passing cloud until a second says otherwise.
_READINGS_AFTER = {"current_ratio": 2, "efficiency_log_ratio": 1}

#: AC over DC that every round reads this far below the other inverters is no meter's error: the same pair of clamps reads them
#: all, each to 1.6 %. Two rounds at least, and what such a pair may still be off on one inverter. Common practice, no source.
_ALWAYS, _ALWAYS_ROUNDS, _ALWAYS_U = 0.05, 2, 0.01


def efficiency_columns(blocks: Blocks, log: InverterLog | None, faults: Sequence[Fault] = ()) -> list[Column]:
    """
    One column for each inverter whose AC over DC has fallen: the measured fall, to be scaled near one.

    What `faults` of the conversion took at once has columns of its own, and is given back before.
    """
    if log is None or not np.isfinite(log.dc).any():
        return []
    months = (blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month).to_numpy()
    months = months - months.min()
    excess = monthly_excess(blocks, log, months, faults)
    if len(excess) > 2:
        excess = _against_peers(excess)
    columns = []
    for k, row in enumerate(excess):
        known = np.flatnonzero(np.isfinite(row))
        if len(known) < 4:
            continue
        smooth = np.interp(np.arange(len(row)), known, row[known])
        # By medians, which leave a step where it was; the last month speaks for itself.
        smooth = median_filter(smooth, 3, mode="nearest")
        best = float(np.quantile(smooth, _USUAL))
        reference = best if best > -_FROM_THE_START else 0.0
        lost = np.clip(reference - smooth, 0.0, None)
        if lost[-6:].mean() < _MATTERS and lost.mean() < _MATTERS:
            continue
        middle = months + 0.0
        shape = np.interp(middle, np.arange(len(lost)), lost)
        columns.append(
            Column(
                "inverter_efficiency",
                f"AC over DC of {blocks.model.inverter_ids[k]} below its curve",
                shape,
                k,
                1.0,
                float(np.clip(_RATIO_U / lost.max(), *_SCALE_U)),
                0.0,
                2.0,
                ("efficiency", k),
            )
        )
    return columns


def _against_peers(excess: np.ndarray) -> np.ndarray:
    """
    Months of each inverter, (n_inverters, n_months), without what the others have in common: their median, of two the better.

    Each is first brought to its own usual level: of channels that are off for good by unlike amounts the middle one would change
    when one falls past the others, and take a part of the fall with it.
    """
    usual = over_known(np.nanquantile, excess, _USUAL, axis=1)
    from_usual = excess - usual[:, None]
    out = from_usual + (usual - np.nanmedian(usual))[:, None]
    for k in range(len(excess)):
        others = np.delete(from_usual, k, axis=0)
        best, middle = (over_known(pick, others, axis=0) for pick in (np.nanmax, np.nanmedian))
        out[k] -= np.nan_to_num(np.where(np.isfinite(others).sum(axis=0) > 2, middle, best))
    return np.asarray(out)


def monthly_excess(blocks: Blocks, log: InverterLog, months: np.ndarray, faults: Sequence[Fault] = ()) -> np.ndarray:
    """ln(AC/DC) less ln of the curve at that load, energy-weighted by month, shape (n_inverters, n_months)."""
    out = np.full((len(log.ac), months.max() + 1), np.nan)
    month_t, day_t = months[blocks.of], blocks.day[blocks.of]
    for k, dc in enumerate(log.dc):
        excess = above_curve(blocks.model, log, k)
        for fault in faults:
            if fault.kind == OF_CONVERSION and fault.inverter == k:
                excess += fault.share * ((day_t >= fault.start) & (day_t < fault.end))
        ok = np.isfinite(excess)
        if ok.sum() < 100:
            continue
        excess = np.clip(excess[ok], *np.quantile(excess[ok], (0.02, 0.98)))
        energy = np.bincount(month_t[ok], weights=dc[ok], minlength=out.shape[1])
        total = np.bincount(month_t[ok], weights=excess * dc[ok], minlength=out.shape[1])
        seen = energy > 0.05 * energy.max()
        out[k, seen] = total[seen] / energy[seen]
    return out


def clamp_columns(blocks: Blocks, clamps: pd.DataFrame, rounds: pd.DataFrame) -> list[Column]:
    """
    Columns from clamp rounds, for a farm without a log: a fall of one inverter against the others, from round to round.

    Two readings serve: DC current against what the rounds say the strings give (an input that does not track lacks current), and
    AC over DC against the curve, whatever held the inverter. Each is held against the middle of its round, and its rounds are
    cut in two where they differ most. What one clamp cannot prove, several rounds may. AC over DC that was far below the others
    in every round fell before the first of them.
    """
    if clamps.empty:
        return []
    out = []
    for column, what in (
        ("current_ratio", "DC current below what its strings give"),
        ("efficiency_log_ratio", "AC over DC below its curve"),
    ):
        table = clamps[clamps["mppt"].isna() & clamps["phase"].isna()]
        if column == "current_ratio":
            table = table[~table["limited"].astype(bool) & ~_not_yet_traced(table, rounds)]
        value = table[column].astype(float)
        if column == "current_ratio":
            value = np.log(value.where(value > 0.0))
        wide = pd.DataFrame({"round": table["clamp_round"], "inverter": table["inverter_id"], "value": value}).dropna()
        wide = wide.pivot_table(index="round", columns="inverter", values="value")
        # Of two, nobody knows which has fallen; but AC over DC has its curve.
        alone = wide.shape[1] < 3
        if len(wide) < 2 or (alone and column != "efficiency_log_ratio"):
            continue
        days = table.groupby("clamp_round")["time"].min().reindex(wide.index).map(blocks.day_of).to_numpy()
        # Who was read alone in a round has no others, but AC over DC has its curve.
        others = wide.notna().sum(axis=1) > 1
        by_itself = 0.0 if column == "efficiency_log_ratio" else np.nan
        against = wide if alone else wide.sub(wide.median(axis=1).where(others, by_itself), axis=0)
        noise = _CLAMP_U if alone or len(wide) < 3 else _CLAMP_LEAST
        # From one reading of an inverter to its next, in which a fall counts once; of two rounds, or two such changes, the fall
        # itself would be the scatter.
        changes = pd.concat([against[name].dropna().diff().dropna().abs() for name in against])
        if min(len(wide), len(changes)) > 2:
            noise = max(1.4826 * float(changes.median()) / np.sqrt(2.0), noise)
        for k, name in enumerate(blocks.model.inverter_ids):
            if name in against:
                values, said = against[name].to_numpy(), f"{what}: {name}"
                fell = _fall(blocks, values, days, noise, k, said, column)
                out += fell or (_always(blocks, values, days, noise, k, said) if column == "efficiency_log_ratio" else [])
    return out


def _not_yet_traced(table: pd.DataFrame, rounds: pd.DataFrame) -> np.ndarray:
    """
    Which clamp readings came before the first trace of their inverter, shape (n_readings,), bool.

    Their current is held against sound strings, and that of later ones against what the strings gave: the two are no pair.
    """
    first = rounds[rounds["grade"] != "unfit"].groupby("inverter_id")["time"].min() if len(rounds) else pd.Series()
    if first.empty:
        return np.zeros(len(table), dtype=bool)
    return np.asarray(table["time"] < pd.to_datetime(table["inverter_id"].map(first), utc=True))


def _always(blocks: Blocks, values: np.ndarray, days: np.ndarray, noise: float, inverter: int, name: str) -> list[Column]:
    """A loss that every round saw: it began on an unknown day before the first, taken as half way."""
    known = values[np.isfinite(values)]
    if len(known) < _ALWAYS_ROUNDS or known.max() > -_ALWAYS:
        return []
    on = (blocks.day >= max(int(days[0]), 0) // 2).astype(float)
    u = float(np.hypot(noise / np.sqrt(len(known)), _ALWAYS_U))
    return [Column("inverter_efficiency", name, on, inverter, -float(known.mean()), u, 0.0, 1.0, ("clamp", inverter))]


def _fall(blocks: Blocks, values: np.ndarray, days: np.ndarray, noise: float, inverter: int, name: str,
          ratio: str) -> list[Column]:
    best: tuple[float, float, float, int] | None = None
    for cut in range(1, len(values)):
        before, after = values[:cut][np.isfinite(values[:cut])], values[cut:][np.isfinite(values[cut:])]
        if not len(before) or len(after) < _READINGS_AFTER[ratio]:
            continue
        if max(np.abs(before - before.mean()).max(), np.abs(after - after.mean()).max()) > _STAYS[ratio]:
            continue
        drop = float(before.mean() - after.mean())
        u = noise * float(np.sqrt(1.0 / len(before) + 1.0 / len(after)))
        if best is None or drop / u > best[0]:
            best = (drop / u, drop, u, int((days[cut - 1] + days[cut]) // 2))
    if best is None or best[0] < _CLAMP_SIGNIFICANT:
        return []
    _, drop, u, day = best
    on = (blocks.day >= day).astype(float)
    # The best of several cuts of several inverters is partly luck, and luck alone gives about two standard uncertainties.
    believed = drop * max(0.0, 1.0 - (_LUCK * u / drop) ** 2)
    return [Column("inverter_efficiency", name, on, inverter, believed, u, 0.0, 1.0, ("clamp", inverter))]
