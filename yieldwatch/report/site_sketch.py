"""
A farm's strings seen from above as a small picture, and where in its row each stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from markupsafe import Markup
from scipy.spatial import KDTree

from yieldwatch.portfolio.model import Inverter, String

_AIMED, _PALER, _OTHER = "#B4540A", "#E9B78A", "#D3D7DD"
#: Marked strings up to which each has its name, and rows up to which each has: more would lie over each other.
_MOST_NAMES, _MOST_ROWS = 12, 16
#: Room for the strings, and beside them for names. [units of the picture]
_WIDE, _HIGH, _LEFT, _RIGHT, _TOP, _BOTTOM = 150.0, 84.0, 20.0, 30.0, 4.0, 12.0
#: Height of a name, and by how much it may touch what lies beside it. [units of the picture]
_NAME_HIGH, _TOUCH = 6.0, 0.2
#: Strings whose positions differ by less stand in one line. [m]
_IN_LINE_M = 1.0

Placed = tuple[String, float, float]


def site_sketch(strings: Sequence[String], aimed: Collection[str], inverters: Sequence[Inverter] = ()) -> Markup:
    """
    Return the strings seen from above, those aimed at marked; nothing where positions are not known.

    Parameters
    ----------
    strings : sequence of String
    aimed : collection of str
        Identifiers of strings, and of inverters, whose strings are marked in a paler tone.
    inverters : sequence of Inverter
        Those of the strings aimed at are drawn where they stand, if that is known and the arrays keep their places.
    """
    placed = _placed(strings)
    under = set(aimed) | {s.inverter_id for s, _, _ in placed if s.string_id in aimed}
    if len(placed) < 2 or not any(p[0].inverter_id in under for p in placed):
        return Markup("")
    east, north = _footprint(placed)
    apart = _overlap(placed, east, north)
    if apart:
        placed = _one_below_another(placed, north)
    stands = [(i.inverter_id, i.x_m, i.y_m) for i in inverters
              if i.inverter_id in under and i.x_m is not None and i.y_m is not None and not apart]
    spots = [(x, y) for _, x, y in (*placed, *stands)]
    left, right = min(x for x, _ in spots), max(x for x, _ in spots)
    low, top = min(y for _, y in spots), max(y for _, y in spots)
    scale = min(_WIDE / (right - left + east), _HIGH / (top - low + north))
    wide, high = max(east * scale, 1.2), max(north * scale, 1.2)
    width = max(_LEFT + (right - left) * scale + wide + _RIGHT, 170.0 if apart else 112.0)
    height = _TOP + (top - low) * scale + high + _BOTTOM

    def at(place: Placed | tuple[str, float, float]) -> tuple[float, float]:
        return _LEFT + wide / 2 + (place[1] - left) * scale, _TOP + high / 2 + (top - place[2]) * scale

    def tone(place: Placed) -> int:
        return 2 if place[0].string_id in aimed else int(place[0].inverter_id in under)

    parts = []
    # What stands out comes last, so that nothing lies over it.
    for place in sorted(placed, key=tone):
        x, y = at(place)
        fill = (_OTHER, _PALER, _AIMED)[tone(place)]
        parts.append(Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}"/>').format(
            x - wide / 2, y - high / 2, wide, high, fill))
    parts += _row_names(placed, at, wide)
    marked = [p for p in placed if p[0].string_id in aimed]
    taken = [_Box(*at(p), wide, high) for p in marked]
    for place in marked if len(marked) <= _MOST_NAMES else []:
        box = _free(*at(place), wide, high, _name_width(place[0].string_id), taken, _Box(width / 2, height / 2, width, height))
        if box is not None:
            taken.append(box)
            parts.append(_name(box.x - box.wide / 2, box.y, place[0].string_id))
    for stand in stands[:_MOST_NAMES]:
        x, y = at(stand)
        parts.append(Markup('<rect x="{:.1f}" y="{:.1f}" width="3" height="3" fill="#111"/>').format(x - 1.5, y - 1.5))
        # Away from the strings, which most often lie on one side of it.
        parts.append(_name(x + 2.5 if stand[1] > (left + right) / 2 else x - 2.5 - _name_width(stand[0]), y, stand[0]))
    parts.append(_scale(scale, height, "; arrays drawn apart" if apart else ""))
    head = Markup('<svg class="layout" viewBox="0 0 {w:.1f} {h:.1f}" style="aspect-ratio: {w:.1f} / {h:.1f}" role="img" '
                  'font-family="Report" aria-label="The strings from above, north up.">').format(w=width, h=height)
    return head + Markup("").join(parts) + Markup("</svg>")


def place_in_row(strings: Sequence[String], string: String) -> str:
    """`3 of 6 from the west`; empty where its row is not named or positions in it are not known."""
    mates = [s for s in strings if string.row and (s.array_id, s.row) == (string.array_id, string.row)]
    placed = _placed(mates)
    if len(placed) < 2 or len(placed) < len(mates):
        return ""
    across = _spread(x for _, x, _ in placed) >= _spread(y for _, _, y in placed)
    order = sorted(placed, key=lambda p: p[1] if across else p[2])
    return f"{[p[0] for p in order].index(string) + 1} of {len(order)} from the {'west' if across else 'south'}"


def _placed(strings: Sequence[String]) -> list[Placed]:
    return [(s, s.x_m, s.y_m) for s in strings if s.x_m is not None and s.y_m is not None]


def _spread(values: Iterable[float]) -> float:
    known = list(values)
    return max(known) - min(known)


def _footprint(placed: Sequence[Placed]) -> tuple[float, float]:
    """How far a string reaches east and north, from how close strings of an array come that stand in one line. [m]"""
    arrays = [[p for p in placed if p[0].array_id == array] for array in dict.fromkeys(p[0].array_id for p in placed)]
    east = min(_pitch([(y, x) for _, x, y in of]) for of in arrays)
    north = min(_pitch([(x, y) for _, x, y in of]) for of in arrays)
    if math.isinf(east) and math.isinf(north):
        # No two in one line: a row that runs askew.
        east = north = min(math.dist(a[1:], b[1:]) for a, b in pairwise(sorted(placed, key=lambda p: p[1:]))) or 10.0
    # A single line of strings has no other beside it.
    east, north = (x if math.isfinite(x) else other / 3.0 for x, other in ((east, north), (north, east)))
    # Strings nearly meet along their row; between rows there is a way.
    return (0.9 * east, 0.55 * north) if east >= north else (0.55 * east, 0.9 * north)


def _pitch(places: Iterable[tuple[float, float]]) -> float:
    """Closest that two come along a line; `places` are (where the line lies, where along it). Infinite where none is shared."""
    lines: dict[int, list[float]] = {}
    for across, along in places:
        lines.setdefault(round(across / _IN_LINE_M), []).append(along)
    gaps = [b - a for line in lines.values() for a, b in pairwise(sorted(line)) if b - a > _IN_LINE_M]
    return min(gaps, default=math.inf)


def _overlap(placed: Sequence[Placed], east: float, north: float) -> bool:
    """Whether strings of different arrays lie on each other, as where each array has an origin of its own."""
    array = np.array([p[0].array_id for p in placed])
    near = KDTree([(x / east, y / north) for _, x, y in placed]).query_pairs(0.7, p=np.inf, output_type="ndarray")
    return bool((array[near[:, 0]] != array[near[:, 1]]).any())


def _one_below_another(placed: Sequence[Placed], north: float) -> list[Placed]:
    """Each array moved below the one before."""
    moved: list[Placed] = []
    for array in dict.fromkeys(p[0].array_id for p in placed):
        own = [p for p in placed if p[0].array_id == array]
        down = min((p[2] for p in moved), default=math.nan) - 2.0 * north - max(p[2] for p in own)
        moved += [(s, x, y + (0.0 if math.isnan(down) else down)) for s, x, y in own]
    return moved


def _row_names(placed: Sequence[Placed], at: Callable[[Placed], tuple[float, float]], wide: float) -> list[Markup]:
    """Each row's name at its west end; none where rows run north, or there are too many."""
    rows: dict[str, list[Placed]] = {}
    for place in placed:
        if place[0].row:
            rows.setdefault(place[0].row, []).append(place)
    if len(rows) > _MOST_ROWS or any(_spread(p[1] for p in of) < _spread(p[2] for p in of) for of in rows.values()):
        return []
    ends = {name: at(min(of, key=lambda p: p[1])) for name, of in rows.items()}
    heights = sorted(y for _, y in ends.values())
    if any(b - a < 4.5 for a, b in pairwise(heights)):
        return []
    return [Markup('<text x="{:.1f}" y="{:.1f}" font-size="4.6" fill="#555" text-anchor="end">{}</text>').format(
        x - wide / 2 - 1.5, y + 1.6, name if len(name) < 9 else f"{name[:8]}…") for name, (x, y) in ends.items()]


class _Box(NamedTuple):
    """A rectangle about its middle. [units of the picture]"""

    x: float
    y: float
    wide: float
    high: float

    def meets(self, other: _Box) -> bool:
        return (2 * abs(self.x - other.x) < self.wide + other.wide - _TOUCH
                and 2 * abs(self.y - other.y) < self.high + other.high - _TOUCH)

    def holds(self, other: _Box) -> bool:
        return (2 * abs(self.x - other.x) <= self.wide - other.wide + _TOUCH
                and 2 * abs(self.y - other.y) <= self.high - other.high + _TOUCH)


def _free(x: float, y: float, wide: float, high: float, length: float, taken: Sequence[_Box], picture: _Box) -> _Box | None:
    """Where the name of a mark at (x, y) lies over no other mark or name; None where there is no such place beside it."""
    across, down = (wide + length) / 2 + 1.0, (high + _NAME_HIGH) / 2 + 0.3
    for right, below in ((1, 0), (0, -1), (0, 1), (-1, 0)):
        box = _Box(x + right * across, y + below * down, length, _NAME_HIGH)
        if picture.holds(box) and not any(box.meets(other) for other in taken):
            return box
    return None


def _name(x: float, y: float, name: str) -> Markup:
    return Markup(
        '<rect x="{x:.1f}" y="{t:.1f}" width="{w:.1f}" height="{h:g}" fill="#fff" fill-opacity="0.85"/>'
        '<text x="{s:.1f}" y="{b:.1f}" font-size="5.5" font-weight="bold">{n}</text>').format(
            x=x, t=y - _NAME_HIGH / 2, w=_name_width(name), h=_NAME_HIGH, s=x + 0.8, b=y + 1.9, n=name)


def _name_width(name: str) -> float:
    return 1.5 + 3.3 * len(name)


def _scale(scale: float, height: float, more: str) -> Markup:
    length = next((m for m in (500, 200, 100, 50, 20, 10, 5) if m * scale <= 40), 1)
    across = length * scale
    return Markup(
        '<path d="M{l:.1f} {y:.1f} h{w:.1f}" stroke="#555" stroke-width="0.7"/>'
        '<text x="{x:.1f}" y="{t:.1f}" font-size="5">{m} m; north is up{more}</text>').format(
            l=_LEFT, y=height - 4.0, w=across, x=_LEFT + across + 2.0, t=height - 2.4, m=length, more=more)
