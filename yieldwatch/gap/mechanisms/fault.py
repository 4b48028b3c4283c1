"""
A fault of one part of an inverter, and its shape over time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column

#: Kinds that grow with time.
_CREEPING = ("shunt", "series_resistance", "current_low")
#: Kinds that take voltage at the power point alone.
ALIKE = ("series_resistance", "current_low")
#: Kind of a loss that AC over DC shares: of the inverter's conversion, which fell at once.
OF_CONVERSION = "conversion fallen"
#: Kind of a part that gave less than its like all along.
WEAK = "weak from the first day"
#: Kind of what broke since all was read, as the meter alone tells, and on one of several inverters.
SINCE_READ = "fallen since it was last read"
#: Chance of one form of a fault below which it is left out.
_UNLIKELY = 0.02


class ReadSince(NamedTuple):
    """Of an inverter's strings, how many gave current since a day, and how many were sound then."""

    alive: int = 0
    sound: int = 0


NOT_READ = ReadSince()


@dataclass(frozen=True)
class Fault:
    """
    A loss of one part of an inverter over a span of days.

    Attributes
    ----------
    cause : str
        "string_fault" or "inverter_efficiency".
    inverter : int
    strings : tuple of str
        Empty where only the log saw it.
    kind : str
        The finding; "unseen" where no round has seen it.
    start, end : int
        Local days, end exclusive; outside the history where it began before or goes on.
    share, share_sd : float
        ln of what is left of the inverter's output, negated, with its standard uncertainty.
    dated : bool
        Whether the log dates the start.
    onset : tuple of (int, float)
        Where no log dates it: days, and the chance that it had begun by each, linear between; the last is the chance that it is
        there at all. Empty where the start is known.
    on_glass : float
        Chance that it is no fault, but what lies on the glass of a module or two.
    of_input : float
        Chance that it is no string's, but of an input that does not track.
    mppt : str or None
        Input that lacks it, by a clamp.
    in_series : float or None
        Chance that it takes voltage in proportion to current, so that its share follows the light; None for what the kind says.
    read : ReadSince
        Of a part that nobody has named: which strings of its inverter were read since it began.
    among : tuple of str
        Inverters of which one has it, where nothing says which; `inverter` is then the likeliest.
    """

    cause: str
    inverter: int
    strings: tuple[str, ...]
    kind: str
    start: int
    end: int
    share: float
    share_sd: float
    dated: bool
    onset: tuple[tuple[int, float], ...] = ()
    on_glass: float = 0.0
    of_input: float = 0.0
    mppt: str | None = None
    in_series: float | None = None
    read: ReadSince = NOT_READ
    among: tuple[str, ...] = ()

    @property
    def follows_light(self) -> float:
        """`in_series`, or what the kind says."""
        return float(self.kind == "series_resistance") if self.in_series is None else self.in_series

    @property
    def instead(self) -> dict[str, float]:
        """Chances of the causes that it may have instead, of those that have any."""
        return {c: p for c, p in (("soiling", self.on_glass), ("inverter_efficiency", self.of_input)) if p > 0.0}

    @property
    def chance(self) -> float:
        """Chance that it is there today."""
        return self.onset[-1][1] if self.onset else 1.0

    def begun(self, day: np.ndarray) -> np.ndarray:
        """Chance that the fault was there on each day, by what is known of its start and end."""
        if not self.onset:
            return ((day >= self.start) & (day < self.end)).astype(float)
        days, chance = zip(*self.onset, strict=True)
        return np.interp(day, days, chance) * (day < self.end)


def fault_columns(blocks: Blocks, faults: list[Fault]) -> list[Column]:
    """
    Columns of each fault: its inverter, its span, its size with the prior from the rounds.

    Kinds that creep (shunts, series resistance, cracks) get two: what was there from the start, and what grew since, so
    that the last round's size is not taken for the whole span. So do steps that no round has seen: a share at all light, and what
    a shunt takes beyond it in weak light.
    """
    out = []
    for fault in faults:
        on = fault.begun(blocks.day)
        if not on.any():
            continue
        label = " ".join(fault.strings) or f"a part that no round has seen{f', input {fault.mppt}' if fault.mppt else ''}"
        name = f"{fault.kind} of {label} on {blocks.model.inverter_ids[fault.inverter]}"
        shape = full_shape(blocks, fault) * on
        if fault.kind in ("unseen", WEAK):
            # Nobody has named it: what a leak takes beyond its share in good light is left to the log.
            leak = np.clip(800.0 / np.maximum(_mean_light(blocks, fault.inverter), 50.0), 1.0, 4.0) - 1.0
            out.append(
                Column(fault.cause, name + ", more in weak light", leak * on, fault.inverter, 0.0, 0.5 * fault.share, 0.0, 5.0,
                       ("fault", fault))
            )
        if fault.kind not in _CREEPING:
            out.append(Column(fault.cause, name, shape, fault.inverter, fault.share, fault.share_sd, 0.0, 5.0, ("fault", fault)))
            continue
        first, last = max(fault.start, 0), blocks.day[-1]
        grown = np.clip((blocks.day - first) / max(last - first, 1), 0.0, 1.0)
        forms = [(replace(fault, in_series=form), chance, words) for form, chance, words in (
            (0.0, 1.0 - fault.follows_light, ""), (1.0, fault.follows_light, ", in proportion to current"))]
        forms = [(one, chance, words) for one, chance, words in forms if chance >= _UNLIKELY]
        for one, chance, words in forms if fault.kind in ALIKE else [(fault, 1.0, "")]:
            # The log tells by the light whether a fault takes its share or follows the current.
            shape, mean = full_shape(blocks, one) * on, 0.5 * chance * fault.share
            spread = max(fault.share_sd, 0.5 * fault.share) * np.sqrt(chance)
            out += [
                Column(fault.cause, name + words + part, shape * over, fault.inverter, mean, spread, 0.0, 5.0, ("fault", fault))
                for part, over in ((", from the start", np.ones(blocks.n)), (", grown since", grown))
            ]
    return out


def full_shape(blocks: Blocks, fault: Fault) -> np.ndarray:
    """
    Loss of a fault of size one in each block, as if it had been there all the time, shape (n_blocks,).

    The share lost follows the light; it is one at 800 W/m², about where rounds are taken.

    A shunt takes a fixed current, so its share grows as the light falls; a series resistance's share falls with the
    current; the other kinds keep theirs. Slopes after the module model of the design tables (check: shunted string -6.5 % at
    1000, -12.6 at 600, -20.5 at 300 W/m²; 2 ohm in series -2.3 % at 1000, -0.7 % at 300 W/m²).
    """
    light = np.maximum(_mean_light(blocks, fault.inverter), 50.0) / 800.0
    if fault.kind == "shunt":
        return np.clip(1.0 / light, 0.7, 4.0)
    return np.asarray(1.0 + fault.follows_light * (np.clip(light, 0.05, 1.4) - 1.0))


def _mean_light(blocks: Blocks, inverter: int) -> np.ndarray:
    """In-plane light of each block on the inverter's arrays. [W/m²]"""
    model = blocks.model
    poa = sum(light.poa_global * model.plane_share[a][inverter] for a, light in model.planes.items())
    count = np.maximum(np.bincount(blocks.of, minlength=blocks.n), 1)
    return np.bincount(blocks.of, weights=np.nan_to_num(poa), minlength=blocks.n) / count
