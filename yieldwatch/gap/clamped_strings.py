"""
Inverters and inputs that lacked whole strings at the last clamp visit, of those that nobody traced since.

It is what tells a farm without a log that a string has died since, and a farm with one on which input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from yieldwatch.gap.signatures import FAULT_PRIOR
from yieldwatch.portfolio.model import Site, String

#: Standard uncertainty of a part's current over its strings' as traced against the others' of the visit, which share its
#: light and its method, or against one other, which errs as much; and chance that a cloud, or a slip, made it anything. Common
#: practice, no source.
_AGAINST_OTHERS, _AGAINST_ONE, _SLIP = 0.03, 0.045, 0.02
#: Strings that may have died between the trace and the visit; the chance from which a reading is no good one; and that from which
#: one is told, to be weighed by what else is known.
_MOST_DEAD, _NOT_GOOD, _TOLD = 4, 0.2, 0.05


@dataclass(frozen=True)
class Missing:
    """
    Strings that a clamp visit missed.

    Attributes
    ----------
    inverter_id : str
    mppt : str or None
        The input; None where the whole inverter was read.
    strings : tuple of String
        All of the part.
    dead : int
        How many of them are likeliest dead.
    dead_doubt : float
        Standard uncertainty of that number, if any is.
    chance : float
        That any is.
    seen : Timestamp
        When it was read, UTC.
    last_good : Timestamp
        When the part last had all of them, at a trace or at another visit, UTC; NaT where that was never seen.
    """

    inverter_id: str
    mppt: str | None
    strings: tuple[String, ...]
    dead: int
    dead_doubt: float
    chance: float
    seen: pd.Timestamp
    last_good: pd.Timestamp


def missing_at_clamps(site: Site, clamps: pd.DataFrame, findings: pd.DataFrame) -> list[Missing]:
    """
    Find parts whose last clamp reading is short by whole strings, beyond those that traces since have found sound or dead.

    Parameters
    ----------
    clamps : DataFrame
        From `yieldwatch.gap.clamps.check_clamps`.
    findings : DataFrame
        Of strings: `string_id`, `last_round`, `finding`, `first_seen_bad`.
    """
    if clamps.empty:
        return []
    traces = findings.set_index("string_id").reindex([s.string_id for s in site.strings])
    read = clamps[clamps["phase"].isna() & (clamps["limited"] == "") & clamps["current_ratio"].notna()]
    whole, inputs = read[read["mppt"].isna() & (read["current_ratio"] > 0.0)], read[read["mppt"].notna()]
    # An input without current on an inverter without any says that the inverter was off.
    most = inputs.groupby(["clamp_round", "inverter_id"])["current_ratio"].transform("max")
    inputs = inputs[most > 0.0]
    found = [part for rows in (inputs, whole) for part in _short(site, rows, traces)]
    named = {part.inverter_id for part in found if part.mppt is not None}
    return [part for part in found if part.mppt is not None or part.inverter_id not in named]


def _short(site: Site, rows: pd.DataFrame, traces: pd.DataFrame) -> list[Missing]:
    """Parts short at their last reading, of rows that are all of inputs or all of whole inverters."""
    out = []
    rows = rows.assign(part=[f"{r.inverter_id}\n{r.mppt}" for r in rows.itertuples()])
    for _, own in rows.groupby("part", sort=False):
        own = own.sort_values("time")
        last = own.iloc[-1]
        mppt = None if pd.isna(last["mppt"]) else str(last["mppt"])
        strings = tuple(
            s for s in site.strings if s.inverter_id == last["inverter_id"] and (mppt is None or str(s.mppt) == mppt)
        )
        day = last["time"].tz_convert(site.tz).normalize()
        traced = _midday(traces.loc[[s.string_id for s in strings], "last_round"].dropna(), site)
        since = {name for name, time in traced.items() if time >= day}
        # What a trace before the visit found dead is not in the current that is expected.
        gone = traces.loc[[name for name in traced.index if name not in since], "finding"] == "open"
        live = [s for s in strings if not gone.get(s.string_id, False)]
        among = tuple(s for s in live if s.string_id not in since)
        if not among:
            continue
        known = traces.loc[[name for name in traced.index if name in since]]
        known_dead = int(((known["finding"] == "open") & (pd.to_datetime(known["first_seen_bad"], utc=True) >= day)).sum())
        dead, doubt, chance = _against_others(last, rows, len(live), len(among), known_dead)
        if not dead or chance <= _TOLD:
            continue
        good = [row["time"] for _, row in own.iloc[:-1].iterrows()
                if _against_others(row, rows, len(strings), len(strings))[2] <= _NOT_GOOD]
        # All of them were traced, or nobody can say that they carried current.
        before = traced[[s.string_id for s in among if s.string_id in traced.index]]
        good += [before.min()] if len(before) == len(among) else []
        last_good = max(good).tz_convert("UTC") if good else pd.NaT
        seen = last["time"].tz_convert("UTC")
        out.append(Missing(str(last["inverter_id"]), mppt, strings, dead, doubt, chance, seen, last_good))
    return out


def _midday(dates: pd.Series, site: Site) -> pd.Series:
    return (pd.to_datetime(dates) + pd.Timedelta(hours=12)).dt.tz_localize(site.tz)


def _against_others(
    reading: pd.Series, rows: pd.DataFrame, strings: int, among: int, known_dead: int = 0
) -> tuple[int, float, float]:
    """
    How many of the strings `among` which it may be a reading is likeliest short of, the number's standard uncertainty if any is
    dead, and the chance of that, by the others of its visit; by its own strings as traced where no other carried current.
    """
    others = rows[(rows["clamp_round"] == reading["clamp_round"]) & (rows["part"] != reading["part"])]["current_ratio"]
    # One without current is dead or switched off and says nothing of the light.
    others = others[others > 0.0]
    ratio = reading["current_ratio"] / (others.median() if len(others) else 1.0)
    u = (reading["current_ratio_u"], _AGAINST_ONE, _AGAINST_OTHERS)[min(len(others), 2)]
    return _most_likely(ratio, u, strings, among, known_dead, not pd.isna(reading["mppt"]))


def _most_likely(ratio: float, u: float, n: int, among: int, known_dead: int, of_input: bool) -> tuple[int, float, float]:
    """
    How many of `among` strings of a part of `n` are likeliest dead, how sure that is, and the chance that any is.

    Each is dead with the chance of an open string, and so are all of an input at once, by its fuse or isolator; the current is
    then short by their share, give or take `u`, or a slip. Of those that a trace has found dead since, each number may have been
    so at the visit.
    """
    dead = np.arange(min(_MOST_DEAD, among) + 1)
    prior = stats.binom.pmf(dead, among, FAULT_PRIOR["open"]) + FAULT_PRIOR["open"] * (of_input & (dead == n))
    short = (dead[:, None] + np.arange(known_dead + 1)) / n
    weight = prior * ((1.0 - _SLIP) * stats.norm.pdf(ratio, 1.0 - short, u).mean(axis=1) + _SLIP)
    if_any, likeliest = weight[1:] / weight[1:].sum(), int(dead[1:][np.argmax(weight[1:])])
    return likeliest, float(np.sqrt(if_any @ (dead[1:] - likeliest) ** 2)), float(1.0 - weight[0] / weight.sum())
