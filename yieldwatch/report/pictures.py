"""
Pictures as SVG, for paper and page alike: tables in, markup out, no script and no browser.

Every text is escaped. Colours are the report's; on a dark page what is black on paper takes the page's ink.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

from markupsafe import Markup

from yieldwatch.portfolio.model import String

_AIMED, _PALER, _OTHER = "#B4540A", "#E9B78A", "#D3D7DD"
#: Marked strings up to which each has its name; more would lie over each other.
_MOST_NAMES = 12


def layout(strings: Sequence[String], aimed: Collection[str]) -> Markup:
    """
    Return the farm's strings seen from above, those aimed at marked; nothing where positions are not known.

    Parameters
    ----------
    strings : sequence of String
    aimed : collection of str
        Identifiers of strings, and of inverters, whose strings are marked in a paler tone.
    """
    placed = [(s, s.x_m, s.y_m) for s in strings if s.x_m is not None and s.y_m is not None]
    marked = [p for p in placed if p[0].string_id in aimed]
    paler = [p for p in placed if p[0].inverter_id in aimed or p[0].inverter_id in {m[0].inverter_id for m in marked}]
    if not (marked or paler) or len(placed) < 2:
        return Markup("")
    left, right = min(x for _, x, _ in placed), max(x for _, x, _ in placed)
    low, top = min(y for _, _, y in placed), max(y for _, _, y in placed)
    across, along = _pitch([x for _, x, _ in placed]), _pitch([y for _, _, y in placed])
    scale = min(150.0 / (right - left + across), 62.0 / (top - low + along))
    wide, high = min(0.85 * across * scale, 24.0), min(0.6 * along * scale, 6.0)
    width, height = max((right - left) * scale + wide + 44.0, 100.0), (top - low) * scale + high + 20.0

    def at(x: float, y: float) -> tuple[float, float]:
        return 6.0 + wide / 2 + (x - left) * scale, 8.0 + high / 2 + (top - y) * scale

    parts = [Markup('<svg class="layout" viewBox="0 0 {w:.1f} {h:.1f}" style="aspect-ratio: {w:.1f} / {h:.1f}" role="img" '
                    'aria-label="The strings from above, north up.">').format(w=width, h=height)]
    for place in placed:
        x, y = at(place[1], place[2])
        fill = _AIMED if place in marked else _PALER if place in paler else _OTHER
        parts.append(Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}"/>').format(
            x - wide / 2, y - high / 2, wide, high, fill))
    for string, x_m, y_m in marked if len(marked) <= _MOST_NAMES else []:
        x, y = at(x_m, y_m)
        parts.append(Markup(
            '<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="6" fill="#fff" fill-opacity="0.8"/>'
            '<text x="{t:.1f}" y="{b:.1f}" font-size="5.5" font-weight="bold">{name}</text>').format(
                x=x + wide / 2, y=y - 3.0, w=1.5 + 3.3 * len(string.string_id), t=x + wide / 2 + 0.8, b=y + 1.9,
                name=string.string_id))
    length = next((m for m in (500, 200, 100, 50, 20, 10, 5) if m * scale <= 40), 1)
    parts.append(Markup(
        '<path d="M6 {y:.1f} h{w:.1f}" stroke="#555" stroke-width="0.7"/><text x="{x:.1f}" y="{t:.1f}" font-size="5">{m} m</text>'
        '<text x="{n:.1f}" y="{t:.1f}" font-size="5">north is up</text>'
    ).format(y=height - 4.0, w=length * scale, x=8.0 + length * scale, t=height - 2.4, m=length, n=26.0 + length * scale))
    return Markup("").join([*parts, Markup("</svg>")])


def _pitch(values: Sequence[float]) -> float:
    """The closest that two of the positions come along an axis. [m]"""
    ordered = sorted(set(values))
    return min((b - a for a, b in pairwise(ordered)), default=10.0)
