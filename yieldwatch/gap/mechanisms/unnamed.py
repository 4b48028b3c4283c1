"""
What a part that an inverter lacks, and that nobody has named, may be: dead strings, a part of one, an input that does not track,
or no fault at all.

Each of them takes losses of its own sizes. Dead strings take their own share, give or take what make, age and dirt part strings
by; an input any share of itself; what is wrong inside a string mostly little. A string that gave current since is not dead.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.fault import ReadSince
from yieldwatch.gap.signatures import FAULT_PRIOR
from yieldwatch.portfolio.model import Site

#: Chance in a year that a string dies, that an input stops tracking, and that something inside a string breaks at once, of one.
#: Common practice, no source.
DIES, STOPS_TRACKING, BREAKS_INSIDE = 0.006, 0.006, 0.006
#: How many strings have something wrong inside that was there before, for each that is dead: as rounds are read.
_BUILT_IN = sum(FAULT_PRIOR.values()) / FAULT_PRIOR["open"] - 1.0
#: Chances that one string died, two, or three; and any number, as of a combiner box. Common practice, no source.
_AT_ONCE, _GROUP = (0.8, 0.1, 0.05), 0.05
#: Relative scatter of dead strings' share, and of one case in ten, where more is wrong besides. Common practice, no source.
_SCATTER, _WIDER, _OFTEN = 0.04, 0.15, 0.1
#: Mean share of a string that shorted diodes, cracks or leaks take at once. Common practice, no source.
_INSIDE = 0.1
#: How often what looks like a lasting loss is none, of an inverter and year: shade, or the log's. Common practice, no source.
_NO_FAULT = 0.005
#: Chance that a reading of a string is another's, or wrong. Common practice, no source.
_MISREAD = 0.002
#: Chance of a fault below which a string counts as sound, and the share of its plate that it must have given. Common practice, no
#: source.
_SOUND, _ALIVE = 0.1, 0.5


class PartOf(NamedTuple):
    """Chances that a part is of whole strings, of what is inside one, and of an input; what is left is no fault."""

    dead: float
    inside: float
    of_input: float

    @property
    def of_strings(self) -> float:
        return self.dead + self.inside

    @property
    def input_rather(self) -> float:
        """Chance that it is of an input, where it is a fault."""
        return self.of_input / max(self.of_input + self.of_strings, 1e-12)


def strings_and_inputs(site: Site, inverter: str) -> tuple[list[str], int]:
    """Strings of an inverter, and how many of its inputs they are on; where the inputs are not told, all that its type has."""
    own = [s for s in site.strings if s.inverter_id == inverter]
    told = {s.mppt for s in own}
    has = next((i.inverter_type.mppt_inputs for i in site.inverters if i.inverter_id == inverter), 1)
    return [s.string_id for s in own], len(told) if told and None not in told else max(1, min(has, len(own)))


def read_since(
    blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, strings: Collection[str], start: int, end: int
) -> ReadSince:
    """
    How many of an inverter's strings gave current, and were sound, by trace or logged current from local day `start` up to before
    `end`; a string that is dead by a finding of its own is not in question either.

    Parameters
    ----------
    findings : DataFrame
        Result of `string_findings`; its logged currents count where the span goes on to the end.
    rounds : DataFrame
        One row a trace, as in `find_faults`.
    """
    own = findings[findings["string_id"].isin(strings)] if len(findings) else findings
    faulty = set(own.loc[own["confidence"] >= _SOUND, "string_id"]) if len(own) else set()
    alive = set(own.loc[own["finding"] == "open", "string_id"]) if len(own) else set()
    sound = set(alive)
    if len(rounds):
        day = np.array([blocks.day_of(t) for t in rounds["time"]])
        inside = rounds["string_id"].isin(strings).to_numpy() & (day >= start) & (day < end)
        fit = rounds[inside & (rounds["grade"] != "unfit").to_numpy() & (rounds["p_mp_plate"] > _ALIVE).to_numpy()]
        alive |= set(fit["string_id"])
        sound |= set(fit["string_id"]) - faulty
    if end >= len(blocks.dates) and len(own):
        good = [pd.notna(t) and blocks.day_of(t) >= start for t in own["last_seen_good"]]
        alive |= set(own.loc[good, "string_id"])
        sound |= set(own.loc[good, "string_id"]) - faulty
    return ReadSince(len(alive), len(sound))


def part_of(
    share: float, doubt: float, left: float, strings: int, inputs: int, read: ReadSince, at_once: bool = True
) -> PartOf:
    """
    Weigh what a lasting loss of an inverter may be.

    Parameters
    ----------
    share, doubt : float
        Share of its output that is lacking, and its standard uncertainty [fraction].
    left : float
        Share of its strings that earlier faults left [fraction].
    strings, inputs : int
        Of the inverter.
    read : ReadSince
        Since the loss began.
    at_once : bool
        Whether it began within a day; else it was there when the record began, with all that was built in or crept in before.
    """
    count, u = share * left * strings, doubt * left * strings
    unread = strings - read.alive
    dead = 0.0
    for k, chance in enumerate(_AT_ONCE, 1):
        none_alive = max(stats.hypergeom.pmf(k, strings, unread, k), _MISREAD) if k <= strings else 0.0
        dead += chance * none_alive * sum(
            often * stats.norm.pdf(count, k, np.hypot(scatter * k, u))
            for often, scatter in ((1.0 - _OFTEN, _SCATTER), (_OFTEN, _WIDER)))
    dead += _GROUP / strings * (0.5 < count < unread + 0.5)
    each, inside = strings / inputs, BREAKS_INSIDE if at_once else _BUILT_IN * DIES
    density = np.array([
        DIES * strings * dead,
        inside * strings * max(1.0 - read.sound / strings, _MISREAD) * stats.expon.pdf(count, scale=_INSIDE),
        STOPS_TRACKING * inputs * stats.uniform.cdf(each - count, -2.0 * u, 4.0 * u + 1e-9) / each,
        _NO_FAULT / strings,
    ])
    chances = density / density.sum()
    return PartOf(*(float(p) for p in chances[:3]))
