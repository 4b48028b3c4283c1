"""
Inverters and inputs that lacked whole strings at the last clamp visit, after the last trace of their strings.

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
#: light and its method; and chance that a cloud, or a slip, made it anything. Common practice, no source.
_AGAINST_OTHERS, _SLIP = 0.03, 0.02
#: Fewest others of the visit that speak for its light.
_OTHERS = 2
#: Strings that may have died between the trace and the visit, and the chance below which nothing is told.
_MOST_DEAD, _TOLD = 4, 0.2


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
    chance: float
    seen: pd.Timestamp
    last_good: pd.Timestamp


def missing_at_clamps(site: Site, clamps: pd.DataFrame, findings: pd.DataFrame) -> list[Missing]:
    """
    Find parts whose last clamp reading is short by whole strings, and whose strings were not traced since.

    Parameters
    ----------
    clamps : DataFrame
        From `yieldwatch.gap.clamps.check_clamps`.
    findings : DataFrame
        Of strings: `string_id`, `last_round`.
    """
    if clamps.empty:
        return []
    last_trace = findings.set_index("string_id")["last_round"] if len(findings) else pd.Series(dtype=object)
    read = clamps[clamps["phase"].isna() & (clamps["limited"] == "") & clamps["current_ratio"].notna()]
    whole, inputs = read[read["mppt"].isna() & (read["current_ratio"] > 0.0)], read[read["mppt"].notna()]
    # An input without current on an inverter without any says that the inverter was off.
    most = inputs.groupby(["clamp_round", "inverter_id"])["current_ratio"].transform("max")
    inputs = inputs[most > 0.0]
    found = [part for rows in (inputs, whole) for part in _short(site, rows, last_trace)]
    named = {part.inverter_id for part in found if part.mppt is not None}
    return [part for part in found if part.mppt is not None or part.inverter_id not in named]


def _short(site: Site, rows: pd.DataFrame, last_trace: pd.Series) -> list[Missing]:
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
        traced = _midday(last_trace.reindex([s.string_id for s in strings]).dropna(), site)
        if not strings or (len(traced) and traced.max().date() >= last["time"].tz_convert(site.tz).date()):
            continue
        dead, chance = _against_others(last, rows, len(strings))
        if not dead or chance <= _TOLD:
            continue
        good = [row["time"] for _, row in own.iloc[:-1].iterrows() if _against_others(row, rows, len(strings))[1] <= _TOLD]
        # All of its strings were traced, or nobody can say that it had them.
        good += [traced.min()] if len(traced) == len(strings) else []
        last_good = max(good).tz_convert("UTC") if good else pd.NaT
        out.append(Missing(str(last["inverter_id"]), mppt, strings, dead, chance, last["time"].tz_convert("UTC"), last_good))
    return out


def _midday(dates: pd.Series, site: Site) -> pd.Series:
    return (pd.to_datetime(dates) + pd.Timedelta(hours=12)).dt.tz_localize(site.tz)


def _against_others(reading: pd.Series, rows: pd.DataFrame, strings: int) -> tuple[int, float]:
    """How many strings a reading is likeliest short of, and the chance that any is dead, by the others of its visit."""
    others = rows[(rows["clamp_round"] == reading["clamp_round"]) & (rows["part"] != reading["part"])]["current_ratio"]
    enough = len(others) >= _OTHERS
    ratio = reading["current_ratio"] / (others.median() if enough else 1.0)
    u = _AGAINST_OTHERS if enough else reading["current_ratio_u"]
    return _most_likely(ratio, u, strings, not pd.isna(reading["mppt"]))


def _most_likely(ratio: float, u: float, n: int, of_input: bool) -> tuple[int, float]:
    """
    How many of `n` strings are likeliest dead, and the chance that any is.

    Each is dead with the chance of an open string, and so are all of an input at once, by its fuse or isolator; the current is
    then short by their share, give or take `u`, or a slip.
    """
    dead = np.arange(min(_MOST_DEAD, n) + 1)
    prior = stats.binom.pmf(dead, n, FAULT_PRIOR["open"]) + FAULT_PRIOR["open"] * (of_input & (dead == n))
    weight = prior * ((1.0 - _SLIP) * stats.norm.pdf(ratio, 1.0 - dead / n, u) + _SLIP)
    return int(dead[1:][np.argmax(weight[1:])]), float(1.0 - weight[0] / weight.sum())
