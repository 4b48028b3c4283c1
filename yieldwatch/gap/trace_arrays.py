"""
Readings of a group of like strings as arrays, and the chance of each string's histories.
"""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import numpy as np
import pandas as pd

from yieldwatch.expected.module import Module
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.curves import Part, circuit_key_points
from yieldwatch.gap.signatures import QUANTITIES, Histories
from yieldwatch.portfolio.model import String

#: Chance that a fault ends between two readings without, and with, a recorded repair of the string or its
#: inverter.
_REPAIR_UNSEEN, _REPAIR_STRING, _REPAIR_INVERTER = 0.05, 0.9, 0.2
#: How much likelier a recorded repair of a string is where it had a fault than where it had none. Common practice, no source.
_REPAIR_HAD_CAUSE = 10.0
#: Rain of a day that washes modules of dust: Kimber et al. (WCPEC 2006) found 5 to 20. [mm]
_WASHES_MM = 10.0
#: The first four of `QUANTITIES`, in the table of rounds.
PEER_COLUMNS = ("v_oc_own_peer", "i_ratio_peer", "v_ratio_peer", "i_sc_peer")
#: What stands for them without peers.
PLATE_COLUMNS = ("v_oc_own", "i_ratio_plate", "v_ratio_plate", "i_sc_plate")
#: Standard uncertainty by `QUANTITIES` of a trace held against the peers of another round: temperature,
#: instrument and age count in full, light on the current only. Common practice, no source.
ALONE_DOUBT = np.array([0.010, 0.008, 0.012, 0.040, 0.01, 0.05, 0.0, 0.0])


def peers_of_the_nearest_round(mine: pd.DataFrame, dark: list) -> pd.DataFrame:
    """
    Ratios for traces that had no peers in their own round, such as the test after a repair.

    Their ratio to the plate is held against the median of it in the nearest round that has peers and is not one of the `dark`
    ones, in shade; `ALONE_DOUBT` is the price.
    """
    living, lit = ~mine["no_current"].astype(bool), ~mine["round_id"].isin(dark)
    whole = living & lit & ~mine["alone"]
    level = mine[whole if whole.any() else living & lit].groupby("round_id")[list(PLATE_COLUMNS)].median()
    out = mine.copy()
    for number, rows in mine[mine["alone"]].groupby("round_id"):
        nearest = int(np.argmin(np.abs(level.index.to_numpy(int) - int(str(number)))))
        ratio = rows[list(PLATE_COLUMNS)].to_numpy(float) / level.to_numpy(float)[nearest]
        out.loc[rows.index, list(PEER_COLUMNS)] = ratio
    return out


def arrays(
    strings: list[String], mine: pd.DataFrame, numbers: list, columns: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[dict[int, pd.Series]]]:
    """
    Lay traces out by string and round.

    Parameters
    ----------
    strings : list of String
    mine : DataFrame
        Their fit traces, one a string and round at most, from `assess_rounds`.
    numbers : list
        The rounds, in order.
    columns : tuple of str
        Ratios to compare.

    Returns
    -------
    y : ndarray, shape (n_strings, n_rounds, 8)
        Deviations by `QUANTITIES`, NaN where not read; all but the first four are left NaN.
    dead : ndarray of bool, shape (n_strings, n_rounds)
        No current.
    time : ndarray of datetime64[ns], same shape
        UTC; NaT where not read.
    rows : list of dict
        For each string the trace of each round it was read in.
    """
    shape = (len(strings), len(numbers))
    y = np.full((*shape, len(QUANTITIES)), np.nan)
    dead = np.zeros(shape, bool)
    time = np.full(shape, np.datetime64("NaT"), dtype="datetime64[ns]")
    rows: list[dict[int, pd.Series]] = [{} for _ in strings]
    place = {s.string_id: k for k, s in enumerate(strings)}
    column_of = {number: r for r, number in enumerate(numbers)}
    for _, row in mine.iterrows():
        k, r = place[row["string_id"]], column_of[row["round_id"]]
        rows[k][r] = row
        dead[k, r] = bool(row["no_current"])
        time[k, r] = row["time"].tz_convert("UTC").tz_localize(None).to_datetime64()
        if not dead[k, r]:
            with np.errstate(divide="ignore", invalid="ignore"):
                y[k, r, :4] = np.log(row[list(columns)].to_numpy(float))
    y[~np.isfinite(y)] = np.nan
    return y, dead, time, rows


def add_slopes(
    y: np.ndarray,
    rows: list[dict[int, pd.Series]],
    features: pd.DataFrame,
    strings: list[String],
    conditions: list[tuple[float, float]],
    module: Module,
) -> None:
    """
    End slopes of traced curves against the sound circuit; the median of all takes the model's own error
    out.
    """
    for r, (poa, temp) in enumerate(conditions):
        sound = circuit_key_points(module, poa, temp, (
            Part(float(strings[0].modules_in_series * module.module_type.bypass_diodes)),))
        for k, own in enumerate(rows):
            trace = own[r]["trace_id"] if r in own else None
            if isinstance(trace, str) and trace in features.index and not own[r]["no_current"]:
                found = features.loc[trace]
                y[k, r, 4] = found["slope_sc"] - sound["slope_sc"][0]
                if found["slope_oc"] > 0:
                    y[k, r, 5] = np.log(found["slope_oc"] / sound["slope_oc"][0])
    for q in (4, 5):
        seen = np.isfinite(y[:, :, q])
        if seen.sum() >= 4:
            y[:, :, q] -= np.nanmedian(y[:, :, q])


def log_path_chance(string: String, past: Histories, time: np.ndarray, events: pd.DataFrame) -> np.ndarray:
    """
    Log chance of each span, (n_paths, 2): fault still there today, and mended after the last reading.
    """
    rounds = past.mean.shape[1]
    ends = np.full(rounds, _REPAIR_UNSEEN)
    ends[-1] = 0.0
    because = np.zeros(rounds)
    mended = events[events["kind"].isin(["repair", "replacement"])]
    for start, scope in zip(mended["start"], mended["scope"], strict=True):
        chance = _REPAIR_STRING if string.string_id in scope else (
            _REPAIR_INVERTER if string.inverter_id in scope else 0.0)
        before = np.flatnonzero(time < start.tz_convert("UTC").tz_localize(None).to_datetime64())
        if chance and len(before):
            ends[before[-1]] = max(ends[before[-1]], chance)
            if chance == _REPAIR_STRING:
                because[before[-1]] = np.log(_REPAIR_HAD_CAUSE)
    log = np.full((len(past.start), 2), -np.inf)
    for p, (s, e) in enumerate(zip(past.start, past.end, strict=True)):
        stays = np.sum(np.log1p(-ends[s:e - 1]))
        if e < rounds:
            log[p, 0] = -np.log(rounds) + stays + np.log(ends[e - 1]) + because[e - 1]
        else:
            log[p, 0] = -np.log(rounds) + stays + np.log1p(-ends[-1])
            log[p, 1] = -np.log(rounds) + stays + (np.log(ends[-1]) + because[-1] if ends[-1] > 0 else -np.inf)
    return log


def washed_between(strings: list[String], time: np.ndarray, data: SiteData, tz: dt.tzinfo) -> np.ndarray:
    """
    Whether rain or a recorded cleaning washed each string between its rounds, shape (n_strings, n_rounds - 1).

    Parameters
    ----------
    time : ndarray of datetime64[ns], shape (n_strings, n_rounds)
        UTC; NaT where not read: then the next reading counts for the rounds between.
    """
    rainy = np.array([], dtype="datetime64[ns]")
    if data.weather is not None and "precipitation" in data.weather:
        rain = data.weather["precipitation"].dropna().tz_convert(tz)
        rain = rain.groupby(rain.index.normalize()).sum()
        rainy = rain.index[rain.to_numpy() >= _WASHES_MM].tz_convert("UTC").tz_localize(None).to_numpy()
    cleaned = data.events[data.events["kind"] == "cleaning"] if len(data.events) else data.events
    out = np.zeros((len(strings), max(time.shape[1] - 1, 0)), dtype=bool)
    for k, string in enumerate(strings):
        own = [
            start.tz_convert("UTC").tz_localize(None).to_datetime64()
            for start, scope in zip(cleaned["start"], cleaned["scope"], strict=True)
            if {"site", string.inverter_id, string.string_id} & set(scope)
        ]
        washes = np.r_[rainy, np.array(own, dtype="datetime64[ns]")]
        seen = np.flatnonzero(~np.isnat(time[k]))
        for r, after in pairwise(seen):
            out[k, r:after] = ((washes > time[k, r]) & (washes < time[k, after])).any()
    return out
