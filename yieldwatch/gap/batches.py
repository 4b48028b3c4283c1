"""
Like strings, with all their readings laid out for classification: rounds, and looks at the strings' log among them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.module import fit_module
from yieldwatch.expected.sun import sun_position
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.likelihood import Spread, log_likelihood, spread_of
from yieldwatch.gap.references import against_few, light_of_the_round_out, rounds_in_shade
from yieldwatch.gap.shaded_strings import log_likelihood_faulty_in_shade, log_likelihood_shaded
from yieldwatch.gap.signatures import LOGGED_LIGHT, LOGGED_TEMP, QUANTITIES, Histories, histories, lasting_dirt, severities
from yieldwatch.gap.string_logs import LOOKS, StringLog
from yieldwatch.gap.trace_arrays import (
    ALONE_DOUBT,
    PEER_COLUMNS,
    PLATE_COLUMNS,
    add_slopes,
    arrays,
    log_path_chance,
    peers_of_the_nearest_round,
    washed_between,
)
from yieldwatch.portfolio.model import Site, String

#: Rounds looked at together; the histories of a fault grow with their square.
_MOST_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Readings:
    """
    What was read of some strings, arrays (n_strings, n_rounds, ...).

    Attributes
    ----------
    y : ndarray, shape (n_strings, n_rounds, 8)
        Deviations by `QUANTITIES`, NaN where not read.
    dead : ndarray of bool
        No current.
    time : ndarray of datetime64[ns]
        UTC, NaT where not read.
    light : ndarray
        On the string, over that at which the round's signatures are drawn up.
    elevation : ndarray
        Of the sun, NaN for a look at the log. [°]
    doubt : ndarray, shape (n_strings, n_rounds, 8)
        Variance beside the usual noise.
    rows : list of dict
        For each string the trace of each round it was read in.
    """

    y: np.ndarray
    dead: np.ndarray
    time: np.ndarray
    light: np.ndarray
    elevation: np.ndarray
    doubt: np.ndarray
    rows: list[dict[int, pd.Series]]

    def of(self, at: list[int]) -> Readings:
        """Those of the strings at these places."""
        y, dead, time, light, elevation, doubt = (x[at] for x in self._arrays)
        return Readings(y, dead, time, light, elevation, doubt, [self.rows[k] for k in at])

    def swapped(self, a: int, b: int, r: int) -> Readings:
        """With the readings of two strings in one round exchanged."""
        y, dead, time, light, elevation, doubt = (x.copy() for x in self._arrays)
        for x in (y, dead, time, light, elevation, doubt):
            x[[a, b], r] = x[[b, a], r]
        rows = [dict(own) for own in self.rows]
        rows[a][r], rows[b][r] = rows[b][r], rows[a][r]
        return Readings(y, dead, time, light, elevation, doubt, rows)

    @property
    def _arrays(self) -> tuple[np.ndarray, ...]:
        return self.y, self.dead, self.time, self.light, self.elevation, self.doubt


@dataclass(frozen=True, eq=False)
class Batch:
    """
    Strings of one type, plane and length, their readings, and how well each history explains them.

    Attributes
    ----------
    strings : list of String
    read : Readings
    past : Histories
    spread : Spread
    paths : ndarray, shape (n_strings, n_paths, 2)
        From `log_path_chance`.
    dirt_lasts, likelihood : ndarray, shape (n_strings, n_histories)
    shaded : ndarray, shape (n_strings,)
    faulty_in_shade : ndarray, shape (n_strings, n_histories)
        -inf where shade alone explains the string no better than nothing.
    compared_with : str
    """

    strings: list[String]
    read: Readings
    past: Histories
    spread: Spread
    paths: np.ndarray
    dirt_lasts: np.ndarray
    likelihood: np.ndarray
    shaded: np.ndarray
    faulty_in_shade: np.ndarray
    compared_with: str

    def of(self, at: list[int], read: Readings) -> Batch:
        """Some of the strings, with other readings."""
        past, spread = self.past, self.spread
        likelihood = log_likelihood(read.y, read.dead, read.light, read.doubt, past, spread)
        shaded = log_likelihood_shaded(read.y, read.dead, read.doubt, read.elevation, spread)
        both = log_likelihood_faulty_in_shade(
            read.y, read.dead, read.light, read.doubt, read.elevation, past, spread, shaded > likelihood[:, 0]
        )
        return Batch(
            [self.strings[k] for k in at],
            read,
            past,
            spread,
            self.paths[at],
            self.dirt_lasts[at],
            likelihood,
            shaded,
            both,
            self.compared_with,
        )


def batches_of(
    site: Site, strings: list[String], sound: pd.DataFrame, features: pd.DataFrame, data: SiteData, log: StringLog | None
) -> list[Batch]:
    """
    Lay out what was read of the strings of one type and plane.

    Parameters
    ----------
    strings : list of String
    sound : DataFrame
        Fit traces of the site, from `assess_rounds`.
    features : DataFrame
        From `trace_features`.
    log : StringLog or None

    Returns
    -------
    list of Batch
        One for each length of string, strings alone on their input apart.
    """
    ids = {s.string_id for s in strings}
    mine = sound[sound["string_id"].isin(ids)]
    looks = None if log is None else _looks_of(strings, log)
    if mine.empty and looks is None:
        return []
    # The last fit trace of a string in a round counts: a repeat is made because the first was doubted.
    mine = mine.drop_duplicates(["string_id", "round_id"], keep="last")
    mine, columns, compared_with, light_out = _with_references(mine, sound)
    numbers = sorted(mine["round_id"].unique())[-(_MOST_ROUNDS - (LOOKS if looks else 0)) :]
    recent = ids if looks else set(mine.loc[mine["round_id"] >= numbers[0], "string_id"])
    older = [s for s in strings if s.string_id not in recent]
    strings = [s for s in strings if s.string_id in recent]
    out = batches_of(site, older, sound, features, data, None) if older else []
    mine = mine[mine["round_id"].isin(numbers)]
    conditions = []
    for number in numbers:
        there = mine[mine["round_id"] == number]
        conditions.append((float(there["poa_global"].median()), float(there["temp_cell"].median())))
    module = fit_module(strings[0].module_type)
    read = _readings(site, strings, mine, numbers, columns, conditions)
    add_slopes(read.y, read.rows, features, strings, conditions, module)
    if looks is not None:
        read, conditions = _among(read, conditions, *looks)
    light = log.light if log is not None and np.isfinite(log.light).all() else LOGGED_LIGHT
    spread = spread_of(read.y, read.dead, compared_with != "datasheet", light_out)
    alone = _alone_on_input(site)
    for length, own_input in sorted({(s.modules_in_series, s.string_id in alone) for s in strings}):
        at = [
            k
            for k, s in enumerate(strings)
            if s.modules_in_series == length and (s.string_id in alone) == own_input and not np.isnat(read.time[k]).all()
        ]
        if not at:
            continue
        past = histories(severities(module, length, conditions, own_input, light))
        own, part = [strings[k] for k in at], read.of(at)
        paths = np.stack([log_path_chance(s, past, time, data.events) for s, time in zip(own, part.time, strict=True)])
        dirt = lasting_dirt(past, washed_between(own, part.time, data, site.tz))
        none = np.empty((len(at), 0))
        out.append(Batch(own, part, past, spread, paths, dirt, none, none, none, compared_with).of(list(range(len(at))), part))
    return out


def _with_references(mine: pd.DataFrame, sound: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...], str, bool]:
    """
    Traces with what they are held against: their peers, few of them, or the datasheet.

    Returns
    -------
    traces : DataFrame
        With a column `doubt` of arrays by `QUANTITIES`, variances.
    columns : tuple of str
        Ratios to compare.
    compared_with : str
    light_out : bool
        Against the datasheet: whether the light sensor's bias is taken out of the current all the same.
    """
    nothing = pd.Series([np.zeros(len(QUANTITIES))] * len(mine), mine.index, dtype=object)
    # A string without current says nothing of the level that lone traces are held against.
    if mine.empty or (mine["i_sc_peer"].notna() & ~mine["no_current"].astype(bool)).any():
        dark, unevenly = rounds_in_shade(mine)
        mine = mine.assign(alone=mine["i_sc_peer"].isna() | mine["round_id"].isin(unevenly), doubt=nothing)
        if len(mine):
            mine = peers_of_the_nearest_round(mine, dark)
        mine["doubt"] = [ALONE_DOUBT**2 * alone for alone in mine["alone"]]
        return mine, PEER_COLUMNS, "peers", False
    few = against_few(mine, sound)
    if few is not None:
        return few, PLATE_COLUMNS, "few peers", False
    mine, light_out = light_of_the_round_out(mine, sound)
    return mine.assign(doubt=nothing), PLATE_COLUMNS, "datasheet", light_out


def _readings(
    site: Site,
    strings: list[String],
    mine: pd.DataFrame,
    numbers: list,
    columns: tuple[str, ...],
    conditions: list[tuple[float, float]],
) -> Readings:
    y, dead, time, rows = arrays(strings, mine, numbers, columns)
    light, elevation, doubt = np.full(dead.shape, np.nan), np.full(dead.shape, np.nan), np.zeros(y.shape)
    for k, own in enumerate(rows):
        for r, row in own.items():
            light[k, r], doubt[k, r] = row["own_light"] / conditions[r][0], row["doubt"]
    seen = ~np.isnat(time)
    if seen.any():
        at = pd.DatetimeIndex(time[seen]).tz_localize("UTC")
        elevation[seen] = sun_position(at, site.latitude, site.longitude, site.altitude_m or 0.0).elevation
    return Readings(y, dead, time, light, elevation, doubt, rows)


def _looks_of(strings: list[String], log: StringLog) -> tuple[np.ndarray, np.ndarray] | None:
    """Times of the looks at the strings' log, and what they show, (n_strings, n_looks, 2); None where nothing."""
    time, value = log.looks()
    place = {name: n for n, name in enumerate(log.strings)}
    own = np.full((len(strings), *value.shape[1:]), np.nan)
    for k, s in enumerate(strings):
        if s.string_id in place:
            own[k] = value[place[s.string_id]]
    return (time, own) if (~np.isnan(own)).any() else None


def _among(
    read: Readings, conditions: list[tuple[float, float]], time: np.ndarray, value: np.ndarray
) -> tuple[Readings, list[tuple[float, float]]]:
    """The rounds' readings with the looks at the log as rounds of their own, in order of time."""
    n, many = value.shape[:2]
    none, seen = np.isneginf(value[:, :, 0]), ~np.isnan(value).all(axis=2)
    y = np.full((n, many, len(QUANTITIES)), np.nan)
    y[:, :, [QUANTITIES.index("bright"), QUANTITIES.index("dim")]] = np.where(np.isinf(value), np.nan, value)
    own = np.where(seen, time[None, :], np.datetime64("NaT", "ns"))
    first = [np.min(column[~np.isnat(column)]) for column in read.time.T]
    order = np.argsort(np.r_[np.array(first, "datetime64[ns]"), time], kind="stable")
    place = {int(old): new for new, old in enumerate(order)}
    blank = np.full((n, many), np.nan)
    pairs = (
        (read.y, y),
        (read.dead, none),
        (read.time, own),
        (read.light, np.ones((n, many))),
        (read.elevation, blank),
        (read.doubt, np.zeros_like(y)),
    )
    both, empty, when, lit, sun, unsure = (np.concatenate(pair, axis=1)[:, order] for pair in pairs)
    rows = [{place[r]: row for r, row in traces.items()} for traces in read.rows]
    at = [*conditions, *[(LOGGED_LIGHT[0], LOGGED_TEMP[0])] * many]
    return Readings(both, empty, when, lit, sun, unsure, rows), [at[k] for k in order]


def _alone_on_input(site: Site) -> set[str]:
    """Strings that have a tracker input to themselves; where inputs are not told, those alone on their inverter."""
    inputs: dict[tuple[str, str | None], list[str]] = {}
    for s in site.strings:
        inputs.setdefault((s.inverter_id, s.mppt), []).append(s.string_id)
    return {names[0] for names in inputs.values() if len(names) == 1}
