"""
What IV rounds before and after the work say: each treated string against untouched strings of the same round.

The reading that led to the job is not taken at its word. Of many strings, the worst owes part of its place to chance, and would
read better the next time untouched. It is drawn from what such readings mean: with most strings sound and a few at fault.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.portfolio.model import Site

#: Fewest untouched strings read in both rounds, from which the noise is learnt.
_FEWEST = 4
#: Noise of one string against its peers, at least, and true spread of sound strings at least. As fractions. Common practice.
_LEAST_NOISE, _LEAST_SPREAD = 0.004, 0.003
#: Share of strings at fault, before any reading. Common practice, no source.
_FAULTY = 0.03
#: A loss read in bright light against its mean over a year's light: fuses keep it, joints lose less in weak light, shunts more.
#: Standard uncertainty as a fraction. Common practice, no source.
_LIGHT_DOUBT = 0.12
#: Days before the work that a reading may be old, and after it that it may be late.
_OLDEST, _LATEST = 400, 400


@dataclass(frozen=True)
class StringGain:
    """Share of its own sound output that a string won back; draws of shape (n_draws,), and whether the reading was discounted."""

    string_id: str
    draws: np.ndarray
    discounted: bool
    before: dt.date
    after: dt.date


def string_gains(site: Site, rounds: pd.DataFrame, treated: Collection[str], touched: Collection[str], done_on: dt.date,
                 n_draws: int, seed: int = 0) -> list[StringGain]:
    """
    What each treated string won back, as far as it was read before and after.

    Parameters
    ----------
    rounds : DataFrame
        From `gap.rounds.assess_rounds`.
    treated : collection of str
        Strings of the job.
    touched : collection of str
        Other strings that cannot serve as control.
    done_on : date
        Readings of that day could be from before or after, and are left out.
    """
    table = _levels(site, rounds, frozenset(treated) | frozenset(touched))
    rng, found = np.random.default_rng(seed), []
    for name in sorted(treated):
        own = table[table["string_id"] == name]
        earlier = own[[0 < (done_on - d).days <= _OLDEST for d in own["day"]]]
        later = own[[0 < (d - done_on).days <= _LATEST for d in own["day"]]]
        if earlier.empty or later.empty:
            continue
        before, after = earlier.iloc[-1], later.iloc[0]
        noise = _noise(table, name, before["round_id"], after["round_id"])
        if noise is None:
            continue
        low = earlier["level"].to_numpy()[:-1] < 1.0 - 3.0 * noise
        fresh = bool(low.any())
        was = before["level"] + noise * rng.standard_normal(n_draws) if fresh else _discounted(
            table, before, noise, n_draws, rng)
        now = after["level"] + noise * rng.standard_normal(n_draws)
        light = 1.0 + (_LIGHT_DOUBT if before["level"] > 0.0 else 0.0) * rng.standard_normal(n_draws)
        found.append(StringGain(name, (now - was) * light, not fresh, before["day"], after["day"]))
    return found


def _levels(site: Site, rounds: pd.DataFrame, not_control: frozenset[str]) -> pd.DataFrame:
    """Power over plate of each good trace over the median of the untouched strings of its round, type and plane."""
    if rounds.empty:
        return pd.DataFrame(columns=["round_id", "string_id", "day", "level", "control"])
    # Where the string's own current says another light than was noted, a cloud passed: its power tells nothing.
    in_doubt = rounds["flags"].fillna("").str.contains("at this light")
    table = rounds[(rounds["grade"].isin(["good", "usable"]) & ~in_doubt) | rounds["no_current"].astype(bool)].copy()
    table["power"] = table["p_mp_plate"].where(~table["no_current"].astype(bool), 0.0)
    table["control"] = ~table["string_id"].isin(not_control) & (table["power"] > 0.5)
    keys = ["round_id", "module_type", "array_id"]
    middle = table[table["control"]].groupby(keys)["power"].median().rename("middle")
    table = table.join(middle, on=keys).dropna(subset=["power", "middle"])
    table["level"] = table["power"] / table["middle"]
    table["day"] = table["time"].dt.tz_convert(site.tz).dt.date
    return table.sort_values("time", kind="stable")


def _noise(table: pd.DataFrame, name: str, one: int, two: int) -> float | None:
    """Noise of one reading of a string, from what untouched strings changed between the two rounds; None if too few tell."""
    kind = table.loc[table["string_id"] == name, ["module_type", "array_id"]].iloc[0]
    peers = table[table["control"] & (table["module_type"] == kind["module_type"]) & (table["array_id"] == kind["array_id"])]
    levels = [peers[peers["round_id"] == r].groupby("string_id")["level"].last() for r in (one, two)]
    change = (levels[1] - levels[0]).dropna()
    if len(change) < _FEWEST:
        return None
    off = (change - change.median()).to_numpy()
    reach = 3.0 * 1.4826 * float(np.median(np.abs(off)))
    # The spread of few differences is itself uncertain.
    wider = np.sqrt(1.0 + 2.0 / len(change))
    return max(float(np.clip(off, -reach, reach).std(ddof=1)) / np.sqrt(2.0), _LEAST_NOISE) * wider


def _discounted(table: pd.DataFrame, reading: pd.Series, noise: float, n_draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draws of the true level behind a reading: of a sound string near its peers, or of one at fault anywhere below them."""
    peers = table[table["control"] & (table["round_id"] == reading["round_id"])]["level"]
    spread = np.sqrt(max(float(peers.var(ddof=1)) - noise**2 if len(peers) > 2 else 0.0, _LEAST_SPREAD**2))
    whole = np.hypot(spread, noise)
    lost = 1.0 - float(reading["level"])
    sound = (1.0 - _FAULTY) * np.exp(-0.5 * (lost / whole) ** 2) / (whole * np.sqrt(2.0 * np.pi))
    fault = _FAULTY if lost > 0.0 else _FAULTY * np.exp(-0.5 * (lost / noise) ** 2)
    is_fault = rng.random(n_draws) < fault / (sound + fault)
    share = spread**2 / whole**2
    as_sound = share * lost + noise * np.sqrt(share) * rng.standard_normal(n_draws)
    as_fault = lost + noise * rng.standard_normal(n_draws)
    return 1.0 - np.where(is_fault, as_fault, as_sound)
