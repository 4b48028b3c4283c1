"""
Readings before the work and after it, held against each other by part.

What follows the light is brought to 1000 W/m² in proportion, and with the module's temperature to 25 °C, so that a brighter day
is no repair. It is a look at two readings: what a job won back is proven from rounds and logs.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from yieldwatch.book.evidence import AFTER, BEFORE
from yieldwatch.book.facts import Evidence

_LIGHT, _WARMTH = "poa_global_w_m2", "temp_module_c"
#: By reading: whether it follows the light, and its change with module temperature, of crystalline silicon. [1/K]
#: Common practice, no source: a datasheet's own coefficients differ by a tenth.
_FOLLOWS = {
    "p_mp_w": (True, -0.0038), "i_sc_a": (True, 0.0005), "i_mp_a": (True, 0.0), "dc_current_a": (True, 0.0),
    "dc_power_kw": (True, -0.0038), "ac_power_kw": (True, -0.0038), "v_oc_v": (False, -0.0029), "v_mp_v": (False, -0.0038),
}
#: Standard uncertainty of one reading and of the light it was taken in, as fractions, and of a module's temperature, read and
#: not read. [K] Common practice, no source.
_READING, _IN_LIGHT, _READ_WARMTH, _UNREAD_WARMTH = 0.01, 0.02, 2.0, 10.0
#: Least light in which readings are brought to full light. [W/m²] Common practice, no source.
_LEAST_LIGHT = 400.0
#: Standard deviations to either side that hold 90 %.
_NINETY = 1.645


@dataclass(frozen=True)
class Pair:
    """
    One kind of reading at one part, before and after.

    Attributes
    ----------
    part : str
        Empty where none was named.
    name : str
        Of the reading.
    before, after : Evidence
        The last before and the first after.
    change, low, high : float
        After over before less one, like for like, and its 90 % interval. [1]
        NaN where light or kind do not allow it.
    why_not : str
        Why there is no change, in words.
    """

    part: str
    name: str
    before: Evidence
    after: Evidence
    change: float = math.nan
    low: float = math.nan
    high: float = math.nan
    why_not: str = ""


def pairs(found: Sequence[Evidence]) -> list[Pair]:
    """Readings of the same kind and part that stand on both sides of the work, but for the light and the temperature."""
    out = []
    kept = [e for e in found if not e.withdrawn]
    for part in dict.fromkeys(e.part or "" for e in kept):
        sides = [sorted((e for e in kept if e.kind == kind and (e.part or "") == part), key=_when) for kind in (BEFORE, AFTER)]
        names = dict.fromkeys(n for e in sides[0] for n in e.readings if n not in (_LIGHT, _WARMTH))
        for name in names:
            before, after = ([e for e in side if name in e.readings] for side in sides)
            if before and after:
                out.append(_pair(part, name, before[-1], after[0]))
    return out


def _when(found: Evidence) -> tuple[dt.datetime, int]:
    return found.at or dt.datetime.min.replace(tzinfo=dt.UTC), found.number


def _pair(part: str, name: str, before: Evidence, after: Evidence) -> Pair:
    if name not in _FOLLOWS:
        return Pair(part, name, before, after, why_not="side by side only")
    bright, per_k = _FOLLOWS[name]
    values, variance = [], 2 * _READING**2
    for found in (before, after):
        light, warmth = found.readings.get(_LIGHT), found.readings.get(_WARMTH)
        value = found.readings[name]
        if bright:
            if light is None or light < _LEAST_LIGHT:
                return Pair(part, name, before, after, why_not=f"needs {_LEAST_LIGHT:.0f} W/m² or more on both sides")
            value *= 1000.0 / light
            variance += _IN_LIGHT**2
        if warmth is not None:
            value /= 1.0 + per_k * (warmth - 25.0)
        variance += (per_k * (_UNREAD_WARMTH if warmth is None else _READ_WARMTH)) ** 2
        values.append(value)
    if not values[0] > 0:
        return Pair(part, name, before, after, why_not="nil before, so in no per cent")
    ratio, spread = values[1] / values[0], _NINETY * math.sqrt(variance)
    return Pair(part, name, before, after, ratio - 1.0, ratio * (1.0 - spread) - 1.0, ratio * (1.0 + spread) - 1.0)
