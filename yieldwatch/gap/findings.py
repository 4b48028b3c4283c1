"""
What each string has, from all its rounds together.

A small Bayesian classification: every kind of fault, severity and history is held against the string's
deviations from its peers. Two kinds of light stand beside the faults, because they look like them: shade,
which changes from round to round, and a passing cloud, which moves the current of one trace only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.expected.module import fit_module
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.curves import trace_features
from yieldwatch.gap.likelihood import log_likelihood, log_likelihood_shaded, spread_of
from yieldwatch.gap.rounds import FEWEST_PEERS
from yieldwatch.gap.signatures import FAULT_PRIOR, QUANTITIES, Histories, histories, lasting_dirt, severities
from yieldwatch.gap.string_logs import BRIGHT_LIGHT, LOOKS, StringLog, string_log
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
#: Quantities that a sentence says.
_SAID = {
    "v_oc": "open-circuit voltage",
    "i_ratio": "i_mp/i_sc",
    "v_ratio": "v_mp/v_oc",
    "i_sc": "short-circuit current",
    "bright": "logged current in bright hours",
    "dim": "on overcast days",
}
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
        Its `iv_curves` sharpen the finding where a trace has one; its `string_current` looks at the string between the rounds;
        its `events` say what was repaired.

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

        A string without any trace fit for use and without a logged current is `not_tested` with NaN throughout.
    """
    features = trace_features(data.iv_curves) if len(data.iv_curves) else pd.DataFrame()
    log = string_log(site, data)
    sound = rounds[rounds["grade"] != "unfit"] if len(rounds) else rounds
    results: dict[str, dict[str, object]] = {}
    groups: dict[tuple[str, str], list[String]] = {}
    for s in site.strings:
        groups.setdefault((s.module_type.module_type, s.array_id), []).append(s)
    prepared = []
    for strings in groups.values():
        prepared.extend(_prepare(site, strings, sound, features, data, log))
    if prepared:
        results = _classify(site, prepared)
    if log is not None:
        for string, result in results.items():
            result |= _dated_by_log(log, string, result)
    rows = [
        {
            "site_id": site.id,
            "string_id": s.string_id,
            "finding": "not_tested",
            "compared_with": "",
            "why": "No trace of this string was fit for use, and no current of it is logged.",
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


def _prepare(site: Site, strings: list[String], sound: pd.DataFrame, features: pd.DataFrame, data: SiteData,
             log: StringLog | None) -> list[_Batch]:
    looks = _Looks.of(strings, log)
    ids = {s.string_id for s in strings}
    mine = sound[sound["string_id"].isin(ids)]
    if mine.empty and looks is None:
        return []
    # The last fit trace of a string in a round counts: a repeat is made because the first was doubted.
    mine = mine.drop_duplicates(["string_id", "round_id"], keep="last")
    # A string without current says nothing of the level that lone traces are held against.
    with_peers = mine.empty or bool((mine["i_sc_peer"].notna() & ~mine["no_current"].astype(bool)).any())
    columns = PEER_COLUMNS if with_peers else PLATE_COLUMNS
    mine = mine.assign(alone=mine["i_sc_peer"].isna() & with_peers)
    light_out = False
    if not with_peers:
        mine, light_out = _light_of_the_round_out(mine, sound)
    elif len(mine):
        mine = peers_of_the_nearest_round(mine)
    numbers = sorted(mine["round_id"].unique())[-(_MOST_ROUNDS - (LOOKS if looks else 0)):]
    recent = {s.string_id for s in strings} if looks else set(mine.loc[mine["round_id"] >= numbers[0], "string_id"])
    older = [s for s in strings if s.string_id not in recent]
    strings = [s for s in strings if s.string_id in recent]
    out = _prepare(site, older, mine, features, data, None) if older else []
    mine = mine[mine["round_id"].isin(numbers)]
    module = fit_module(strings[0].module_type)
    conditions = []
    for number in numbers:
        there = mine[mine["round_id"] == number]
        conditions.append((float(there["poa_global"].median()), float(there["temp_cell"].median())))
    y, dead, time, rows = arrays(strings, mine, numbers, columns)
    light = np.array([[own[r]["own_light"] / conditions[r][0] if r in own else np.nan
                       for r in range(len(numbers))] for own in rows]).reshape(dead.shape)
    doubt = np.array([[ALONE_DOUBT**2 * (r in own and bool(own[r]["alone"])) for r in range(len(numbers))]
                      for own in rows]).reshape(y.shape)
    add_slopes(y, rows, features, strings, conditions, module)
    if looks is not None:
        y, dead, time, light, doubt, rows, conditions = looks.among(y, dead, time, light, doubt, rows, conditions)
    spread = spread_of(y, dead, with_peers, light_out)
    alone = _alone(site)
    for length, own_input in sorted({(s.modules_in_series, s.string_id in alone) for s in strings}):
        at = [
            k
            for k, s in enumerate(strings)
            if s.modules_in_series == length and (s.string_id in alone) == own_input and not np.isnat(time[k]).all()
        ]
        if at:
            past = histories(severities(module, length, conditions, own_input))
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
                    lasting_dirt(past, washed_between(own, time[at], data, site.tz)),
                    log_likelihood(y[at], dead[at], light[at], doubt[at], past, spread),
                    log_likelihood_shaded(y[at], dead[at], doubt[at], spread),
                    "peers" if with_peers else "datasheet",
                )
            )
    return out


def _alone(site: Site) -> set[str]:
    """Strings that have a tracker input to themselves; where inputs are not told, those alone on their inverter."""
    inputs: dict[tuple[str, str | None], list[str]] = {}
    for s in site.strings:
        inputs.setdefault((s.inverter_id, s.mppt), []).append(s.string_id)
    return {names[0] for names in inputs.values() if len(names) == 1}


@dataclass(frozen=True, eq=False)
class _Looks:
    """What the strings' log says of a group of strings, in their order: arrays (n_strings, n_looks, ...)."""

    time: np.ndarray
    value: np.ndarray

    @classmethod
    def of(cls, strings: list[String], log: StringLog | None) -> _Looks | None:
        if log is None:
            return None
        time, value, _ = log.looks()
        place = {name: n for n, name in enumerate(log.strings)}
        own = np.full((len(strings), *value.shape[1:]), np.nan)
        for k, s in enumerate(strings):
            if s.string_id in place:
                own[k] = value[place[s.string_id]]
        return cls(time, own) if (~np.isnan(own)).any() else None

    def among(
        self,
        y: np.ndarray,
        dead: np.ndarray,
        time: np.ndarray,
        light: np.ndarray,
        doubt: np.ndarray,
        rows: list[dict[int, pd.Series]],
        conditions: list[tuple[float, float]],
    ) -> tuple[
        np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, list[dict[int, pd.Series]], list[tuple[float, float]]
    ]:
        """The rounds' arrays with the looks as rounds of their own, in order of time."""
        n, many = len(self.value), len(self.time)
        none = np.isneginf(self.value[:, :, 0])
        seen = ~np.isnan(self.value[:, :, 0])
        more = np.full((n, many, len(QUANTITIES)), np.nan)
        more[:, :, [QUANTITIES.index("bright"), QUANTITIES.index("dim")]] = np.where(np.isinf(self.value), np.nan, self.value)
        own = np.where(seen, self.time[None, :], np.datetime64("NaT", "ns"))
        counted = (~np.isnat(time)).any(axis=0)
        middle = np.array([np.sort(time[:, r][~np.isnat(time[:, r])])[0] for r in np.flatnonzero(counted)], "datetime64[ns]")
        order = np.argsort(np.r_[middle, self.time], kind="stable")
        place = {int(old): new for new, old in enumerate(order)}
        return (
            np.concatenate([y, more], axis=1)[:, order],
            np.concatenate([dead, none], axis=1)[:, order],
            np.concatenate([time, own], axis=1)[:, order],
            np.concatenate([light, np.ones((n, many))], axis=1)[:, order],
            np.concatenate([doubt, np.zeros_like(more)], axis=1)[:, order],
            [{place[r]: row for r, row in own_rows.items()} for own_rows in rows],
            [[*conditions, *[(BRIGHT_LIGHT, 45.0)] * many][k] for k in order],
        )


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
    traced = max(batch.rows[k], default=None)
    last = {} if traced is None else batch.rows[k][traced]
    return {
        "last_round": pd.NaT if traced is None else times[traced].date(),
        "p_mp_stc_w": last.get("p_mp_stc", np.nan),
        "p_mp_ratio": last.get("p_mp_peer", np.nan),
        "i_sc_ratio": last.get("i_sc_peer", np.nan),
        "v_oc_ratio": last.get("v_oc_peer", np.nan),
        "fill_factor_ratio": last.get("fill_factor_peer", np.nan),
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
    looks = len(seen) - len(batch.rows[k])
    if batch.dead[k, r]:
        return f"No current on {date}, while the light and its peers were there."
    said = [
        f"{name} {100 * np.expm1(batch.y[k, r, QUANTITIES.index(q)]):+.1f} %"
        for q, name in _SAID.items()
        if np.isfinite(batch.y[k, r, QUANTITIES.index(q)])
    ]
    than = "its peers" if batch.compared_with == "peers" or r not in batch.rows[k] else "the datasheet"
    together = [f"{n} {what}" for n, what in ((len(batch.rows[k]), "rounds"), (looks, "spans of its logged current")) if n]
    extra = f"; {' and '.join(together)} looked at together" if len(seen) > 1 else ""
    lead = "Within the spread" if finding == "ok" else "Away from the spread"
    return f"{lead} on {date} against {than}: {', '.join(said)}{extra}."


def _dated_by_log(log: StringLog, string: str, result: dict[str, object]) -> dict[str, object]:
    """The day on which a fault began, read off the string's own log between the last good and the first bad reading."""
    good, bad = result["last_seen_good"], result["first_seen_bad"]
    if string not in log.strings or pd.isna(good) or pd.isna(bad):
        return {}
    day = log.change(string, pd.Timestamp(good), pd.Timestamp(bad))
    if day is None:
        return {}
    start = log.dates[day].tz_convert("UTC")
    return {"first_seen_bad": max(start, pd.Timestamp(good)), "last_seen_good": max(start - pd.Timedelta(hours=12), pd.Timestamp(good))}
