"""
What each string has, from all its rounds together.

A small Bayesian classification: every kind of fault, severity and history is held against the string's
deviations from its peers. Two kinds of light stand beside the faults, because they look like them: shade,
which changes from round to round, and a passing cloud, which moves the current of one trace only.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.expected.module import fit_module
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.curves import trace_features
from yieldwatch.gap.likelihood import log_likelihood, log_likelihood_shaded, spread_of
from yieldwatch.gap.rounds import FEWEST_PEERS
from yieldwatch.gap.signatures import FAULT_PRIOR, Histories, histories, lasting_dirt, severities
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

#: Chance that a string is shaded or dirty beyond its peers before any reading, and how many strings that
#: belief is worth against what the site's own strings say. Common practice, no source.
_LIGHT_PRIOR = {"shaded": 0.01, "soiled": 0.03}
_PRIOR_STRINGS, _PRIOR_STRINGS_ROW = 15.0, 4.0
#: Rounds looked at together; the histories of a fault grow with their square.
_MOST_ROUNDS = 8
_KINDS = ("ok", "shaded", "soiled", *FAULT_FINDINGS)
COLUMNS = (
    "site_id",
    "string_id",
    "last_round",
    "p_mp_stc_w",
    "p_mp_ratio",
    "i_sc_ratio",
    "v_oc_ratio",
    "fill_factor_ratio",
    "finding",
    "confidence",
    "share_lost",
    "share_lost_sd",
    "first_seen_bad",
    "last_seen_good",
    *(f"p_{k}" for k in _KINDS),
    "compared_with",
    "why",
)


def string_findings(site: Site, rounds: pd.DataFrame, data: SiteData) -> pd.DataFrame:
    """
    Say what is wrong with each string of a site.

    Parameters
    ----------
    site : Site
    rounds : DataFrame
        Result of `assess_rounds`.
    data : SiteData
        Its `iv_curves` sharpen the finding where a trace has one; its `events` say what was repaired.

    Returns
    -------
    DataFrame
        One row a string of the site, in its order. Besides the contract's columns:

        - `confidence`: probability that a fault (not dirt, not shade) is there now;
        - `share_lost`, `share_lost_sd`: share of the string's own power that the fault takes now, posterior
          mean and
          standard deviation: a doubtful or small deviation shrinks to zero [fraction];
        - `first_seen_bad`, `last_seen_good`: times of readings, NaT where there is none (UTC);
        - `p_*`: probability of each kind; they add up to 1;
        - `compared_with`: "peers", "datasheet" (too few peers), or "" where not tested;
        - `why`: one sentence with figures.

        A string without any trace fit for use is `not_tested` with NaN throughout.
    """
    features = trace_features(data.iv_curves) if len(data.iv_curves) else pd.DataFrame()
    sound = rounds[rounds["grade"] != "unfit"] if len(rounds) else rounds
    results: dict[str, dict[str, object]] = {}
    groups: dict[tuple[str, str], list[String]] = {}
    for s in site.strings:
        groups.setdefault((s.module_type.module_type, s.array_id), []).append(s)
    prepared = []
    for strings in groups.values():
        prepared.extend(_prepare(strings, sound, features, data, site.tz))
    if prepared:
        results = _classify(site, prepared)
    rows = [
        {
            "site_id": site.id,
            "string_id": s.string_id,
            "finding": "not_tested",
            "compared_with": "",
            "why": "No trace of this string was fit for use.",
            "first_seen_bad": pd.NaT,
            "last_seen_good": pd.NaT,
            "last_round": pd.NaT,
        }
        | results.get(s.string_id, {})
        for s in site.strings
    ]
    return pd.DataFrame(rows).reindex(columns=list(COLUMNS))


@dataclass(frozen=True, eq=False)
class _Batch:
    """Strings of one type, plane and length, with their readings as arrays (n_strings, n_rounds, ...)."""

    strings: list[String]
    y: np.ndarray
    dead: np.ndarray
    time: np.ndarray
    rows: list[dict[int, pd.Series]]
    past: Histories
    paths: np.ndarray
    dirt_lasts: np.ndarray
    likelihood: np.ndarray
    shaded: np.ndarray
    compared_with: str


def _prepare(strings: list[String], sound: pd.DataFrame, features: pd.DataFrame, data: SiteData,
             tz: dt.tzinfo) -> list[_Batch]:
    ids = {s.string_id for s in strings}
    mine = sound[sound["string_id"].isin(ids)]
    if mine.empty:
        return []
    # The last fit trace of a string in a round counts: a repeat is made because the first was doubted.
    mine = mine.drop_duplicates(["string_id", "round_id"], keep="last")
    # A string without current says nothing of the level that lone traces are held against.
    with_peers = bool((mine["i_sc_peer"].notna() & ~mine["no_current"].astype(bool)).any())
    columns = PEER_COLUMNS if with_peers else PLATE_COLUMNS
    mine = mine.assign(alone=mine["i_sc_peer"].isna() & with_peers)
    light_out = False
    if not with_peers:
        mine, light_out = _light_of_the_round_out(mine, sound)
    if with_peers:
        mine = peers_of_the_nearest_round(mine)
    numbers = sorted(mine["round_id"].unique())[-_MOST_ROUNDS:]
    recent = set(mine.loc[mine["round_id"] >= numbers[0], "string_id"])
    older = [s for s in strings if s.string_id not in recent]
    strings = [s for s in strings if s.string_id in recent]
    out = _prepare(older, mine, features, data, tz) if older else []
    mine = mine[mine["round_id"] >= numbers[0]]
    module = fit_module(strings[0].module_type)
    conditions = []
    for number in numbers:
        there = mine[mine["round_id"] == number]
        conditions.append((float(there["poa_global"].median()), float(there["temp_cell"].median())))
    y, dead, time, rows = arrays(strings, mine, numbers, columns)
    light = np.array([[own[r]["own_light"] / conditions[r][0] if r in own else np.nan
                       for r in range(len(numbers))] for own in rows])
    doubt = np.array([[ALONE_DOUBT**2 * (r in own and bool(own[r]["alone"])) for r in range(len(numbers))]
                      for own in rows])
    add_slopes(y, rows, features, strings, conditions, module)
    spread = spread_of(y, dead, with_peers, light_out)
    for length in sorted({s.modules_in_series for s in strings}):
        at = [k for k, s in enumerate(strings) if s.modules_in_series == length and rows[k]]
        if at:
            past = histories(severities(module, length, conditions))
            own = [strings[k] for k in at]
            paths = np.stack([log_path_chance(strings[k], past, time[k], data.events) for k in at])
            out.append(
                _Batch(
                    own,
                    y[at],
                    dead[at],
                    time[at],
                    [rows[k] for k in at],
                    past,
                    paths,
                    lasting_dirt(past, washed_between(own, time[at], data, tz)),
                    log_likelihood(y[at], dead[at], light[at], doubt[at], past, spread),
                    log_likelihood_shaded(y[at], dead[at], doubt[at], spread),
                    "peers" if with_peers else "datasheet",
                )
            )
    return out


def _light_of_the_round_out(mine: pd.DataFrame, sound: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """
    Current against the plate, held against the median of all strings of the round; and whether every round has enough of them.

    Too few of one type and plane to compare all of a curve; but the light sensor's bias and the dirt that all share move the
    current of every string alike.
    """
    living = sound[~sound["no_current"].astype(bool)]
    usual = living.groupby("round_id")["i_sc_plate"].agg(["median", "count"])
    level = mine["round_id"].map(usual.loc[usual["count"] > FEWEST_PEERS, "median"])
    if level.isna().any():
        return mine, False
    return mine.assign(i_sc_plate=mine["i_sc_plate"] / level), True


def _classify(site: Site, batches: list[_Batch]) -> dict[str, dict[str, object]]:
    """Posterior of every string, with the chance of shade and dirt learned from the site and the row."""
    strings = [s for b in batches for s in b.strings]
    chance = {name: np.full(len(strings), p) for name, p in _LIGHT_PRIOR.items()}
    rows = np.array([f"{s.array_id}/{s.row}" if s.row is not None else f"{s.array_id}/" for s in strings])
    # One pass only: with more, a string's own shade would come back to it from neighbours that it made
    # suspect.
    found = {name: np.zeros(len(strings)) for name in _LIGHT_PRIOR}
    at = 0
    for batch in batches:
        span = slice(at, at + len(batch.strings))
        weight = _posterior(batch, {name: c[span] for name, c in chance.items()})[0]
        found["shaded"][span] = weight[:, -1]
        found["soiled"][span] = weight[:, :-1][:, batch.past.kind == "soiled"].sum(axis=1)
        at += len(batch.strings)
    chance = {name: _learned(found[name], rows, _LIGHT_PRIOR[name]) for name in _LIGHT_PRIOR}
    out: dict[str, dict[str, object]] = {}
    at = 0
    for batch in batches:
        span = slice(at, at + len(batch.strings))
        weight, now = _posterior(batch, {name: c[span] for name, c in chance.items()})
        for k, string in enumerate(batch.strings):
            out[string.string_id] = _finding(batch, k, weight[k], now[k])
        at += len(batch.strings)
    return out


def _learned(found: np.ndarray, rows: np.ndarray, prior: float) -> np.ndarray:
    """Chance for each string from the other strings of the site and of its row."""
    site = (prior * _PRIOR_STRINGS + found.sum() - found) / (_PRIOR_STRINGS + len(found) - 1)
    own_row = np.array([found[rows == r].sum() for r in rows]) - found
    count = np.array([(rows == r).sum() for r in rows]) - 1
    return np.clip((site * _PRIOR_STRINGS_ROW + own_row) / (_PRIOR_STRINGS_ROW + count), 0.002, 0.8)


def _posterior(batch: _Batch, chance: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """
    Probability of each history, shade last, (n_strings, n + 1), and, of it, that the fault is there today.
    """
    past, rounds = batch.past, batch.past.mean.shape[1]
    light = chance["shaded"] + chance["soiled"]
    faults = sum(FAULT_PRIOR.values())
    scale = np.zeros((len(batch.strings), len(past.kind)))
    has_path = past.path >= 0
    scale[:, ~has_path] = np.log(np.maximum(1.0 - light - faults, 0.1))[:, None]
    scale[:, past.kind == "soiled"] = np.log(chance["soiled"])[:, None]
    still = np.zeros_like(scale)
    still[:, has_path] = batch.paths[:, past.path[has_path], 0]
    mended = np.full_like(scale, -np.inf)
    mended[:, has_path] = batch.paths[:, past.path[has_path], 1]
    # A wrong count has one history only: all the chance of the kind lies on it.
    still[:, past.kind == "wrong_count"] = 0.0
    mended[:, past.kind == "wrong_count"] = -np.inf
    log = np.logaddexp(still, mended) + batch.likelihood + past.log_prior + scale + batch.dirt_lasts
    log = np.concatenate([log, (batch.shaded + np.log(chance["shaded"]))[:, None]], axis=1)
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    open_ended = np.zeros(len(past.kind), bool)
    open_ended[has_path] = past.end[past.path[has_path]] == rounds
    with np.errstate(invalid="ignore"):
        today = np.exp(still - np.logaddexp(still, mended)) * open_ended
    return weight, np.nan_to_num(today)


def _finding(batch: _Batch, k: int, weight: np.ndarray, today: np.ndarray) -> dict[str, object]:
    past = batch.past
    histories_now = weight[:-1] * today
    p = {kind: float(histories_now[past.kind == kind].sum()) for kind in (*FAULT_FINDINGS, "soiled")}
    p["shaded"] = float(weight[-1])
    p["ok"] = max(0.0, 1.0 - sum(p.values()))
    confidence = float(sum(p[kind] for kind in FAULT_FINDINGS))
    finding = max(
        FAULT_FINDINGS if confidence >= 0.5 else ("ok", "soiled", "shaded"), key=lambda kind: p[kind]
    )
    is_fault = np.isin(past.kind, FAULT_FINDINGS)
    share = float(np.sum(histories_now * is_fault * past.share_lost))
    second = float(np.sum(histories_now * is_fault * past.share_lost**2))
    times = pd.to_datetime(batch.time[k]).tz_localize("UTC")
    seen = np.flatnonzero(times.notna())
    first_bad, last_good = pd.NaT, times[seen[-1]]
    if finding in FAULT_FINDINGS:
        likely = int(np.argmax(np.where(past.kind == finding, histories_now, -1.0)))
        bad = [r for r in seen if past.bad[likely, r]]
        good = [r for r in seen if bad and r < bad[0]]
        first_bad, last_good = (times[bad[0]] if bad else pd.NaT), (times[good[-1]] if good else pd.NaT)
    last = batch.rows[k][int(seen[-1])]
    return {
        "last_round": times[seen[-1]].date(),
        "p_mp_stc_w": last["p_mp_stc"],
        "p_mp_ratio": last["p_mp_peer"],
        "i_sc_ratio": last["i_sc_peer"],
        "v_oc_ratio": last["v_oc_peer"],
        "fill_factor_ratio": last["fill_factor_peer"],
        "finding": finding,
        "confidence": confidence,
        "share_lost": share,
        "share_lost_sd": float(np.sqrt(max(second - share**2, 0.0))),
        "first_seen_bad": first_bad,
        "last_seen_good": last_good,
        "compared_with": batch.compared_with,
        "why": _why(batch, k, seen, finding),
        **{f"p_{kind}": p[kind] for kind in _KINDS},
    }


def _why(batch: _Batch, k: int, seen: np.ndarray, finding: str) -> str:
    r = int(seen[-1])
    date = pd.Timestamp(batch.time[k, r]).date()
    if batch.dead[k, r]:
        return f"No current on {date}, while the light and its peers were there."
    names = ("open-circuit voltage", "i_mp/i_sc", "v_mp/v_oc", "short-circuit current")
    parts = [f"{name} {100 * np.expm1(batch.y[k, r, q]):+.1f} %" for q, name in enumerate(names)
             if np.isfinite(batch.y[k, r, q])]
    than = "its peers" if batch.compared_with == "peers" else "the datasheet"
    extra = f"; {len(seen)} rounds looked at together" if len(seen) > 1 else ""
    lead = "Within the spread" if finding == "ok" else "Away from the spread"
    return f"{lead} on {date} against {than}: {', '.join(parts)}{extra}."
