"""
What each string has, from all its rounds together.

A small Bayesian classification: every kind of fault, severity and history is held against the string's
deviations from its peers. Two kinds of light stand beside the faults, because they look like them: shade,
which changes from round to round, and a passing cloud, which moves the current of one trace only.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.batches import Batch, batches_of
from yieldwatch.gap.curves import trace_features
from yieldwatch.gap.label_swaps import unswapped
from yieldwatch.gap.row_shade import against_rows
from yieldwatch.gap.signatures import FAULT_PRIOR, ON_GLASS, QUANTITIES
from yieldwatch.gap.string_logs import StringLog, string_log
from yieldwatch.portfolio.model import Site, String

#: Chance that a string is shaded or dirty beyond its peers before any reading, and how many strings that
#: belief is worth against what the site's own strings say. Common practice, no source.
_LIGHT_PRIOR = {"shaded": 0.01, "soiled": 0.03}
_PRIOR_STRINGS, _PRIOR_STRINGS_ROW = 15.0, 4.0
#: Chance that a whole row stands in shade, as of grass along its lower edge, and then that each of its strings does. Common
#: practice, no source.
_SHADED_ROW, _IN_SHADED_ROW = 0.03, 0.8
#: Chance that a string of such a row stands in shade that the others have not. Common practice, no source.
_BESIDE_THE_ROW = 0.2
#: The same for faults, which do not go by rows: a farm with several is worse built or worse kept. Common practice, no source.
_PRIOR_STRINGS_FAULT = 100.0
_ANY_FAULT = sum(FAULT_PRIOR.values())
#: Quantities that a sentence says.
_SAID = {
    "v_oc": "open-circuit voltage",
    "i_ratio": "current at the power point over short-circuit current",
    "v_ratio": "voltage at the power point over open-circuit voltage",
    "i_sc": "short-circuit current",
    "bright": "logged current in bright hours",
    "dim": "on overcast days",
}
_THAN = {
    "row": "the others of its row, in the same shade",
    "few peers": "the few strings that it can be held against",
    "datasheet": "the datasheet",
}
_KINDS = ("ok", "shaded", "soiled", *FAULT_FINDINGS)
#: Chance from which `why` names another kind of fault beside the likeliest, and how it names it. Common practice, no source.
_RIVAL = 0.2
_IN_WORDS = {
    "open": "an open string",
    "bypass_short": "shorted bypass diodes",
    "wrong_count": "a wrong count of modules",
    "series_resistance": "resistance in series",
    "shunt": "a shunt",
    "current_low": "some weak modules",
}
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
    "on_glass",
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

        - `confidence`: probability that a fault is there now (not shade, nor dirt that takes current), or what reads like one;
        - `on_glass`: where a fault is told, the chance that it is none, but what lies on the glass of a module or two [fraction];
        - `share_lost`, `share_lost_sd`: share of the string's own power that the fault takes now, posterior
          mean and
          standard deviation: a doubtful or small deviation shrinks to zero [fraction];
        - `first_seen_bad`, `last_seen_good`: times of readings, NaT where there is none (UTC);
        - `p_*`: probability of each kind; they add up to 1;
        - `compared_with`: "peers", "row" (the others of its row, in the same shade), "few peers" (under four of its like, or the
          round's other types), "datasheet" (none), or "" where not tested;
        - `why`: one sentence with figures, and one more where another kind of fault is nearly as likely.

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
        prepared.extend(batches_of(site, strings, sound, features, data, log))
    if prepared:
        results = _classify(prepared)
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


def _classify(batches: list[Batch]) -> dict[str, dict[str, object]]:
    """Posterior of every string, with the chance of shade and dirt learned from the site and the row."""
    swaps: dict[str, tuple[int, str]] = {}
    for n, batch in enumerate(batches):
        batches[n], found_swaps = unswapped(batch, _evidence)
        swaps |= found_swaps
    strings = [s for b in batches for s in b.strings]
    chance = _before_any_reading(len(strings))
    rows = np.array([f"{s.array_id}/{s.row}" if s.row is not None else f"{s.array_id}/" for s in strings])
    # One pass only: with more, a string's own shade would come back to it from neighbours that it made
    # suspect.
    found = {name: np.zeros(len(strings)) for name in chance}
    at = 0
    for batch in batches:
        span = slice(at, at + len(batch.strings))
        weight, in_shade = _posterior(batch, {name: c[span] for name, c in chance.items()})[:2]
        found["shaded"][span] = in_shade
        found["soiled"][span] = weight[:, :-1][:, batch.past.kind == "soiled"].sum(axis=1)
        found["fault"][span] = weight[:, :-1][:, np.isin(batch.past.kind, FAULT_FINDINGS)].sum(axis=1)
        at += len(batch.strings)
    chance = {name: _learned(found[name], rows, _LIGHT_PRIOR[name]) for name in _LIGHT_PRIOR}
    in_shade = _rows_in_shade(batches, rows)
    chance["shaded"] = np.maximum(chance["shaded"], _IN_SHADED_ROW * in_shade)
    # Only what is a fault by its own readings speaks of the others: many small doubts are one common error.
    sure = np.where(found["fault"] > 0.5, found["fault"] * (1.0 - in_shade), 0.0)
    others = sure.sum() - sure
    chance["fault"] = (_ANY_FAULT * _PRIOR_STRINGS_FAULT + others) / (_PRIOR_STRINGS_FAULT + len(strings) - 1)
    out: dict[str, dict[str, object]] = {}
    at = 0
    for batch in batches:
        span = slice(at, at + len(batch.strings))
        found_of = _posterior(batch, {name: c[span] for name, c in chance.items()})
        for k, string in enumerate(batch.strings):
            out[string.string_id] = _finding(batch, k, found_of, swaps.get(string.string_id))
        out |= _faulty_in_shade(batch, rows[span], found_of.in_shade > 0.5, chance["fault"][span])
        at += len(batch.strings)
    return out


def _faulty_in_shade(batch: Batch, rows: np.ndarray, shaded: np.ndarray, fault: np.ndarray) -> dict[str, dict[str, object]]:
    """Findings of strings taken for shaded that are faulty against the others of their row, which stand in the same shade."""
    again = against_rows(batch, rows, shaded)
    if again is None:
        return {}
    at, own = again
    chance = _before_any_reading(len(at)) | {"shaded": np.full(len(at), _BESIDE_THE_ROW), "fault": fault[at]}
    found = _posterior(own, chance)
    told = {s.string_id: _finding(own, k, found, None) for k, s in enumerate(own.strings)}
    return {name: finding for name, finding in told.items() if finding["finding"] in FAULT_FINDINGS}


def _before_any_reading(strings: int) -> dict[str, np.ndarray]:
    return {name: np.full(strings, p) for name, p in {**_LIGHT_PRIOR, "fault": _ANY_FAULT}.items()}


def _rows_in_shade(batches: list[Batch], rows: np.ndarray) -> np.ndarray:
    """Chance that each string's row stands in shade, by the row's other strings: one shadow is likelier than a fault in each."""

    def evidence(shaded: float) -> np.ndarray:
        chances = [_before_any_reading(len(b.strings)) | {"shaded": np.full(len(b.strings), shaded)} for b in batches]
        return np.concatenate([_of_all(b, chance) for b, chance in zip(batches, chances, strict=True)])

    gain = evidence(_IN_SHADED_ROW) - evidence(_LIGHT_PRIOR["shaded"])
    others = np.array([gain[rows == r].sum() for r in rows]) - gain
    return np.asarray(expit(np.log(_SHADED_ROW / (1.0 - _SHADED_ROW)) + others))


def _learned(found: np.ndarray, rows: np.ndarray, prior: float) -> np.ndarray:
    """Chance for each string from the other strings of the site and of its row."""
    site = (prior * _PRIOR_STRINGS + found.sum() - found) / (_PRIOR_STRINGS + len(found) - 1)
    own_row = np.array([found[rows == r].sum() for r in rows]) - found
    count = np.array([(rows == r).sum() for r in rows]) - 1
    return np.clip((site * _PRIOR_STRINGS_ROW + own_row) / (_PRIOR_STRINGS_ROW + count), 0.002, 0.8)


def _evidence(batch: Batch) -> np.ndarray:
    """Log probability of each string's readings over all that it may have, before the site's others are heard."""
    return _of_all(batch, _before_any_reading(len(batch.strings)))


def _of_all(batch: Batch, chance: dict[str, np.ndarray]) -> np.ndarray:
    log = _log_weights(batch, chance)[0]
    return np.asarray(np.logaddexp.reduce(log[:, np.append(batch.past.kind != ON_GLASS, True)], axis=1))


class _Posterior(NamedTuple):
    """
    What a batch's strings have.

    `weight`, (n_strings, n + 1), is the probability of each history, shade alone last; `in_shade`, (n_strings,), that of shade,
    with a fault or without; `today`, (n_strings, n), of each history, that its fault is there today; `on_glass`, (n_strings,),
    the chance that it lies on the glass where a fault is there, which stands for both.
    """

    weight: np.ndarray
    in_shade: np.ndarray
    today: np.ndarray
    on_glass: np.ndarray


def _posterior(batch: Batch, chance: dict[str, np.ndarray]) -> _Posterior:
    log, today, shaded = _log_weights(batch, chance)
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    now, kind = weight[:, :-1] * today, batch.past.kind
    glass, fault = (now[:, which].sum(axis=1) for which in (kind == ON_GLASS, np.isin(kind, FAULT_FINDINGS)))
    weight[:, :-1][:, kind == ON_GLASS] = 0.0
    weight /= weight.sum(axis=1, keepdims=True)
    in_shade = weight[:, -1] + (weight[:, :-1] * shaded).sum(axis=1)
    return _Posterior(weight, in_shade, today, glass / np.maximum(glass + fault, 1e-300))


def _log_weights(batch: Batch, chance: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Weight of each history as a logarithm, not yet of sum one.

    And, of it, the chance that the fault is there today, and that the string is in shade besides.
    """
    past, rounds = batch.past, batch.past.mean.shape[1]
    light = chance["shaded"] + chance["soiled"]
    scale = np.zeros((len(batch.strings), len(past.kind)))
    has_path = past.path >= 0
    scale[:, ~has_path] = np.log(np.maximum(1.0 - light - chance["fault"], 0.1))[:, None]
    scale[:, np.isin(past.kind, FAULT_FINDINGS)] = np.log(chance["fault"] / _ANY_FAULT)[:, None]
    scale[:, past.kind == "soiled"] = np.log(chance["soiled"])[:, None]
    still = np.zeros_like(scale)
    still[:, has_path] = batch.paths[:, past.path[has_path], 0]
    mended = np.full_like(scale, -np.inf)
    mended[:, has_path] = batch.paths[:, past.path[has_path], 1]
    # A wrong count has one history only: all the chance of the kind lies on it.
    still[:, past.kind == "wrong_count"] = 0.0
    mended[:, past.kind == "wrong_count"] = -np.inf
    # With a fault or dirt or without, a string may be in shade.
    scale[:, has_path] += np.log1p(-chance["shaded"])[:, None]
    shade = batch.faulty_in_shade - batch.likelihood + logit(chance["shaded"])[:, None]
    explained, shaded = batch.likelihood + np.logaddexp(0.0, shade), expit(shade)
    log = np.logaddexp(still, mended) + explained + past.log_prior + scale + batch.dirt_lasts
    log = np.concatenate([log, (batch.shaded + np.log(chance["shaded"]))[:, None]], axis=1)
    open_ended = np.zeros(len(past.kind), bool)
    open_ended[has_path] = past.end[past.path[has_path]] == rounds
    with np.errstate(invalid="ignore"):
        today = np.exp(still - np.logaddexp(still, mended)) * open_ended
    return log, np.nan_to_num(today), shaded


def _finding(batch: Batch, k: int, found: _Posterior, swap: tuple[int, str] | None) -> dict[str, object]:
    past, read, weight = batch.past, batch.read, found.weight[k]
    histories_now = weight[:-1] * found.today[k]
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
    times = pd.to_datetime(read.time[k]).tz_localize("UTC")
    seen = np.flatnonzero(times.notna())
    first_bad, last_good, on_glass = pd.NaT, times[seen[-1]], 0.0
    if finding in FAULT_FINDINGS:
        on_glass = float(found.on_glass[k])
        likely = int(np.argmax(np.where(past.kind == finding, histories_now, -1.0)))
        bad = [r for r in seen if past.bad[likely, r]]
        good = [r for r in seen if bad and r < bad[0]]
        first_bad, last_good = (times[bad[0]] if bad else pd.NaT), (times[good[-1]] if good else pd.NaT)
    traced = max(read.rows[k], default=None)
    last = {} if traced is None else read.rows[k][traced]
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
        "on_glass": on_glass,
        "first_seen_bad": first_bad,
        "last_seen_good": last_good,
        "compared_with": batch.compared_with,
        "why": _why(batch, k, seen, finding) + _of_rivals(p, finding, on_glass) + _of_swap(batch, k, swap),
        **{f"p_{kind}": p[kind] for kind in _KINDS},
    }


def _why(batch: Batch, k: int, seen: np.ndarray, finding: str) -> str:
    read, r = batch.read, int(seen[-1])
    date = pd.Timestamp(read.time[k, r]).date()
    looks = len(seen) - len(read.rows[k])
    if read.dead[k, r]:
        return f"No current on {date}, while the light and its peers were there."
    said = [
        f"{name} {100 * np.expm1(read.y[k, r, QUANTITIES.index(q)]):+.1f} %"
        for q, name in _SAID.items()
        if np.isfinite(read.y[k, r, QUANTITIES.index(q)])
    ]
    than = "its peers"
    if batch.compared_with == "row" or (batch.compared_with != "peers" and r in read.rows[k]):
        than = _THAN[batch.compared_with]
    of = ((len(read.rows[k]), "round", ""), (looks, "span", " of its logged current"))
    together = [f"{n} {one}{'' if n == 1 else 's'}{more}" for n, one, more in of if n]
    extra = f"; {' and '.join(together)} looked at together" if len(seen) > 1 else ""
    lead = "Within the spread" if finding == "ok" else "Away from the spread"
    return f"{lead} on {date} against {than}: {', '.join(said)}{extra}."


def _of_rivals(p: dict[str, float], finding: str, on_glass: float) -> str:
    if finding not in FAULT_FINDINGS:
        return ""
    near = {kind: p[kind] for kind in _IN_WORDS if kind != finding and p[kind] >= _RIVAL}
    rivals = [f"{_IN_WORDS[kind]} ({100.0 * chance:.0f} %)" for kind, chance in near.items()]
    said = f" It may be {' or '.join(rivals)} instead." if rivals else ""
    glass = f" Dirt on the glass of a module or two reads like it ({100.0 * on_glass:.0f} %)." if on_glass >= _RIVAL else ""
    return said + glass


def _of_swap(batch: Batch, k: int, swap: tuple[int, str] | None) -> str:
    if swap is None:
        return ""
    r, other = swap
    date = pd.Timestamp(batch.read.time[k, r]).date()
    said = f" The traces of {date} of this string and {other} are taken to stand under each other's name"
    return f"{said}: their other readings, or the order of the traces, say so."


def _dated_by_log(log: StringLog, string: str, result: dict[str, object]) -> dict[str, object]:
    """The day on which a fault began, read off the string's own log between the last good and the first bad reading."""
    good, bad = result["last_seen_good"], result["first_seen_bad"]
    if string not in log.strings or pd.isna(good) or pd.isna(bad):
        return {}
    day = log.change(string, pd.Timestamp(good), pd.Timestamp(bad))
    if day is None:
        return {}
    good, start = pd.Timestamp(good), log.dates[day].tz_convert("UTC")
    return {"first_seen_bad": max(start, good), "last_seen_good": max(start - pd.Timedelta(hours=12), good)}
