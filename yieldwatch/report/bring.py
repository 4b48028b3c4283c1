"""
What a crew brings to a job and how much of it, as far as the data say, each with what it follows from.

Amounts that trade habit alone gives are marked as common practice; they have no source. What nothing says is left to the method.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from yieldwatch.constants import LOOKS
from yieldwatch.portfolio.model import Inverter, Site, String
from yieldwatch.report import words
from yieldwatch.report.words import number

#: Water that a wash takes by brush and hose. [l/m²] Common practice, no source.
WATER_L_M2 = (0.5, 2.0)
#: What a string's fuse is rated at, in times the module's short-circuit current. IEC 62548 (from memory).
FUSE_OVER_ISC = (1.5, 2.4)
#: Strings washed to see the dirt, and the step in which water for them is counted. [l]
_WASHED, _A_CAN = 2, 5.0
#: Strings on one input up to which they often have no fuse, since the others cannot feed back enough. IEC 62548 (from memory).
_UNFUSED = 2
#: Connector pairs brought for each string. Common practice, no source.
_PAIRS = 2
_PRACTICE = "common practice"


@dataclass(frozen=True)
class Brought:
    """What to bring, how much of it, and from what that follows."""

    what: str
    amount: str
    basis: str


def to_bring(site: Site, work: str, strings: Sequence[String], inverters: Sequence[Inverter],
             modules: float) -> tuple[Brought, ...]:
    """
    Parts and amounts of one job; nothing where the data say nothing.

    Parameters
    ----------
    site : Site
    work : str
        One of `constants.WORKS`.
    strings, inverters : sequence
        The job's scope.
    modules : float
        Modules that a replacement counts on; NaN where it has none or that is not known.
    """
    found: list[Brought] = []
    if work == "repair_string":
        # Where the dead string of an inverter is found on site, what is brought is for one of its like.
        strings = strings or [next(s for s in site.strings if s.inverter_id == i.inverter_id) for i in inverters]
        found = [*_fuses(site, strings), *_connectors(strings), *_cable(site, strings), *_spare_modules(strings)]
    elif work == "replace_modules":
        found = [*_modules(strings, modules), *_connectors(strings)]
    elif work in ("repair_inverter", "inspect"):
        of = [s for s in site.strings if s in strings or s.inverter_id in {i.inverter_id for i in inverters}]
        found = [*_locks(strings, inverters), *_insulation(of)]
    elif work == "clean":
        found = _water(site.strings)
    elif work == LOOKS["soiling"]:
        found = _water(sorted(site.strings, key=lambda s: -s.modules_in_series)[:_WASHED], _A_CAN)
    return tuple(found)


def _fuses(site: Site, strings: Sequence[String]) -> list[Brought]:
    """Two a string by rating where that is known, and as many spare; else what would be usual, to hold against the holder."""
    rated = Counter(s.fuse_a for s in strings if s.fuse_a is not None)
    found = [Brought("String fuses (gPV)", f"{4 * n} of {number(rating, 1).removesuffix('.0')} A",
                     f"fuse_a on record; one a pole and as many spare, {_PRACTICE}") for rating, n in sorted(rated.items())]
    for kind, n in Counter(s.module_type for s in strings if s.fuse_a is None).items():
        low, high = (number(x * kind.i_sc_a, 1) for x in FUSE_OVER_ISC)
        few = [s for s in strings if s.fuse_a is None and s.module_type == kind and _beside(site, s) <= _UNFUSED]
        may = f"; {words.listed([s.string_id for s in few[:6]])} may have none, with {_UNFUSED} strings or fewer on the input"
        found.append(Brought(
            "String fuses (gPV)", f"{4 * n}, rating as on the holder",
            f"not on record; IEC 62548 (from memory) has {low} to {high} A for Isc {number(kind.i_sc_a, 1)} A, and no more than "
            f"the module's label allows{may if few else ''}"))
    return found


def _beside(site: Site, string: String) -> float:
    """Strings on the same input; infinite where the input is not on record."""
    if string.mppt is None:
        return math.inf
    return sum((s.inverter_id, s.mppt) == (string.inverter_id, string.mppt) for s in site.strings)


def _connectors(strings: Sequence[String]) -> list[Brought]:
    what = "Connector pairs, make and type as fitted, never mixed"
    return [Brought(what, f"{_PAIRS * len(strings)}", f"{_PAIRS} a string, {_PRACTICE}")] if strings else []


def _cable(site: Site, strings: Sequence[String]) -> list[Brought]:
    """The way along the string itself: where the inverter stands is not on record."""
    lengths = [_along(site, s) for s in strings]
    if not lengths or any(math.isnan(x) for x in lengths):
        return []
    return [Brought("DC cable, size and type as fitted", f"up to {number(math.ceil(sum(lengths)))} m",
                    "one lead along each string, if its modules lie in one line; the way to the inverter is not on record: "
                    "measure it")]


def _along(site: Site, string: String) -> float:
    """Length of a string laid in one line; NaN where module or array does not say. [m]"""
    lies = next((a.module_orientation for a in site.arrays if a.id == string.array_id), None)
    side = {"portrait": string.module_type.width_m, "landscape": string.module_type.length_m}.get(lies or "")
    return math.nan if side is None else string.modules_in_series * side


def _spare_modules(strings: Sequence[String]) -> list[Brought]:
    return [Brought(f"Modules {words.plain(kind)}", "1 spare", f"if one is found broken; {_PRACTICE}")
            for kind in dict.fromkeys(s.module_type.module_type for s in strings)]


def _modules(strings: Sequence[String], counted: float) -> list[Brought]:
    kinds = list(dict.fromkeys(s.module_type.module_type for s in strings))
    if len(kinds) != 1 or math.isnan(counted):
        return [Brought(f"Modules {words.plain(kind)}", "count on site", "how many of them is not on record") for kind in kinds]
    return [Brought(f"Modules {words.plain(kinds[0])}", f"{number(counted)}, and 1 spare",
                    f"counted from the loss at the last test; the spare is {_PRACTICE}")]


def _locks(strings: Sequence[String], inverters: Sequence[Inverter]) -> list[Brought]:
    n = len({i.inverter_id for i in inverters} | {s.inverter_id for s in strings})
    return [Brought("Padlocks and tags", f"{2 * n}", f"for the DC and the AC side of each inverter, {_PRACTICE}")] if n else []


def _insulation(strings: Sequence[String]) -> list[Brought]:
    what = f"both poles of {words.count(len(strings), 'string')} on record"
    return [Brought("Insulation tests to plan for", f"{2 * len(strings)}", what)] if strings else []


def _water(strings: Sequence[String], step: float = 50.0) -> list[Brought]:
    """Water for the glass of these strings, in steps. [l]"""
    area = glass_m2(strings)
    if math.isnan(area):
        return []
    low, high = (number(math.ceil(x * area / step) * step) for x in WATER_L_M2)
    return [Brought("Water without lime", f"{low} to {high} l",
                    f"{number(area)} m² of glass by module sizes on record, {WATER_L_M2[0]:g} to {WATER_L_M2[1]:g} l/m² by brush "
                    f"and hose, {_PRACTICE}")]


def glass_m2(strings: Sequence[String]) -> float:
    """Glass to be washed; NaN where a module's size is not on record. [m²]"""
    kinds = [(s.modules_in_series, s.module_type) for s in strings]
    return sum(n * (kind.length_m or math.nan) * (kind.width_m or math.nan) for n, kind in kinds)
