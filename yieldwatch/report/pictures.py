"""
Pictures as SVG, for paper and page alike: tables in, markup out, no script and no browser.

Every text is escaped. Colours are the report's; on a dark page what is black on paper takes the page's ink.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

#: `Report` is what paper is set in; a page takes what the reader's machine has.
_FONT = "Report, system-ui, sans-serif"

#: What is in our hands (hatched too), what is not, and a whole; in every picture of the portfolio, on paper and in a browser.
MINE, OTHERS, WHOLE = "#C77700", "#2F80C2", "#6B7280"
_WIDTH, _ROW, _LABEL, _FIGURE = 640.0, 17.5, 190.0, 132.0
#: From one line of the hatching to the next.
_HATCH = 4.0


@dataclass(frozen=True)
class Step:
    """
    A row of a bridge.

    `total` rows stand on the axis, others lead from the sum so far; `shown` is the figure as text; `mine` is in our hands.
    """

    label: str
    value: float
    shown: str
    low: float = math.nan
    high: float = math.nan
    total: bool = False
    mine: bool = False


def bridge(steps: Sequence[Step], alternative: str) -> Markup:
    """
    Return a bridge read downwards: each step from where the one above left off.

    The axis begins near the smallest total, not at nil, so that steps can be seen.
    """
    level, levels = 0.0, []
    for step in steps:
        before = 0.0 if step.total else level
        level = step.value if step.total else level + step.value
        levels.append((before, level))
    ends = [v for pair in levels for v in pair if v]
    ends += [b + v for step, (b, _) in zip(steps, levels, strict=True) for v in (step.low, step.high) if math.isfinite(v)]
    least, most = min(ends), max(ends)
    least -= 0.12 * (most - least or most or 1.0)
    room = _WIDTH - _LABEL - _FIGURE - 20.0

    def at(value: float) -> float:
        return _LABEL + room * min(max((value - least) / (most - least), 0.0), 1.0)

    parts = []
    for row, (step, (before, after)) in enumerate(zip(steps, levels, strict=True)):
        top = row * _ROW
        ends_at = (_LABEL, at(after)) if step.total else (at(before), at(after))
        colour = WHOLE if step.total else MINE if step.mine else OTHERS
        parts.append(_label(step.label, top, step.total) + _bar(min(ends_at), top, abs(ends_at[1] - ends_at[0]), colour))
        if math.isfinite(step.low) and math.isfinite(step.high):
            parts.append(_whisker(at(before + step.low), at(before + step.high), top))
        parts.append(_text(_WIDTH, top, step.shown, "end", step.total))
    return _picture(parts, len(steps) * _ROW, alternative)


@dataclass(frozen=True)
class Bars:
    """
    A row of bars: values a month with the bounds of their intervals, NaN where not known, and the sum as text.

    `mine` is how much of each value is in our hands, from the line up; without it nothing is.
    """

    label: str
    values: Sequence[float]
    lows: Sequence[float]
    highs: Sequence[float]
    shown: str
    mine: Sequence[float] = ()


def bars_by_month(rows: Sequence[Bars], months: Sequence[str], alternative: str) -> Markup:
    """
    Return one band of bars a row, all to one scale, so that no colour has to be told from another.

    Parameters
    ----------
    rows : sequence of Bars
        A month that is not known is a gap; one without bounds has a ring at its end.
    months : sequence of str
        Labels of the months.
    alternative : str
    """
    values = [v for row in rows for v in (*row.values, *row.lows, *row.highs) if math.isfinite(v)]
    most, least = max([0.0, *values]), min([0.0, *values])
    high = 38.0
    room = _WIDTH - _LABEL - _FIGURE - 20.0
    wide = room / max(len(months), 1)
    scale = (high - 8.0) / ((most - least) or 1.0)
    parts = []
    for place, row in enumerate(rows):
        base = place * high + 4.0 + most * scale
        parts.append(_label(row.label, base - 13.0, False) + _text(_WIDTH, base - 13.0, row.shown, "end", False, 10.0))
        parts.append(_line(f"M{_LABEL:.1f} {base:.1f} h{room:.1f}", 0.45))
        for n, (value, bottom, top) in enumerate(zip(row.values, row.lows, row.highs, strict=True)):
            if math.isfinite(value):
                own = row.mine[n] if row.mine and math.isfinite(row.mine[n]) else 0.0
                for start, part, colour in ((0.0, own, MINE), (own, value - own, OTHERS)):
                    if part:
                        y, tall = base - max(start, start + part) * scale, abs(part) * scale
                        parts.append(_rect(_LABEL + n * wide + 0.12 * wide, y, 0.76 * wide, tall, colour))
            if math.isfinite(value) and not (math.isfinite(bottom) and math.isfinite(top)):
                parts.append(Markup('<circle cx="{:.1f}" cy="{:.1f}" r="2.2" fill="none" stroke="currentColor"/>').format(
                    _LABEL + (n + 0.5) * wide, base - value * scale))
            elif top > bottom:
                x, ends = _LABEL + (n + 0.5) * wide, (base - top * scale, base - bottom * scale)
                parts.append(_line(f"M{x - 1.5:.1f} {ends[0]:.1f} h3 m-1.5 0 V{ends[1]:.1f} m-1.5 0 h3", 1.0))
    end = len(rows) * high
    parts += [_text(_LABEL + (n + 0.5) * wide, end - 2.0, month, "middle", False, 9.5) for n, month in enumerate(months)]
    return _picture(parts, end + _ROW, alternative)


def span(value: float, low: float, high: float, least: float, most: float, mark: float = math.nan) -> Markup:
    """
    Return a figure with its interval on a scale from `least` to `most`, and a mark to hold it against; blank where not known.
    """
    if not math.isfinite(value) or not most > least:
        return Markup("")

    def at(x: float) -> float:
        return 3.0 + 114.0 * min(max((x - least) / (most - least), 0.0), 1.0)

    parts = [_line("M3 8 h114", 0.25)]
    if least < 0 < most:
        parts.append(_line(f"M{at(0.0):.1f} 1 v14", 0.6))
    if math.isfinite(low) and math.isfinite(high):
        parts.append(_rect(at(low), 5.5, max(at(high) - at(low), 0.5), 5.0, OTHERS, 0.45))
    parts.append(Markup('<circle cx="{:.1f}" cy="8" r="3" fill="{}"/>').format(at(value), OTHERS))
    if math.isfinite(mark):
        parts.append(Markup('<path d="M{:.1f} 2 v12" stroke="currentColor" stroke-width="2"/>').format(at(mark)))
    return Markup('<svg class="span" viewBox="0 0 120 16" aria-hidden="true">') + Markup("").join(parts) + Markup("</svg>")


def _picture(parts: Sequence[Markup], height: float, alternative: str) -> Markup:
    head = Markup('<svg class="picture" viewBox="0 0 {:.0f} {:.0f}" font-family="{}" role="img" aria-label="{}">').format(
        _WIDTH, height + 4, _FONT, alternative)
    return head + Markup("").join(parts) + Markup("</svg>")


def _label(text: str, top: float, strong: bool) -> Markup:
    return _text(_LABEL - 8.0, top, text if len(text) <= 34 else text[:33] + "…", "end", strong)


def _text(x: float, top: float, text: str, anchor: str, strong: bool, size: float = 11.0) -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" font-size="{}" fill="currentColor" text-anchor="{}"{}>{}</text>').format(
        x, top + 12.5, size, anchor, Markup(' font-weight="bold"') if strong else "", text)


def _bar(x: float, top: float, width: float, colour: str) -> Markup:
    return _rect(x, top + 4.0, max(width, 0.8), _ROW - 8.0, colour)


def _rect(x: float, y: float, width: float, height: float, colour: str, opacity: float = 1.0) -> Markup:
    """A bar; what is in our hands is hatched, by slanting lines cut off at its edges."""
    if colour == MINE:
        return _outlined(x, y, width, height) + _hatched(x, y, width, height)
    return _filled(x, y, width, height, colour, opacity)


def _outlined(x: float, y: float, width: float, height: float) -> Markup:
    return Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" fill-opacity="0.35" stroke="{}" '
                  'stroke-width="0.5"/>').format(x, y, width, height, MINE, MINE)


def _hatched(x: float, y: float, width: float, height: float) -> Markup:
    lines, reach = [], _HATCH
    while reach < width + height:
        # Up to the right: where across and down are `reach` together.
        left, right = max(0.0, reach - height), min(width, reach)
        lines.append(f"M{x + left:.1f} {y + reach - left:.1f} L{x + right:.1f} {y + reach - right:.1f}")
        reach += _HATCH
    return Markup('<path d="{}" fill="none" stroke="{}" stroke-width="0.9"/>').format(" ".join(lines), MINE)


def _filled(x: float, y: float, width: float, height: float, colour: str, opacity: float) -> Markup:
    return Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" fill-opacity="{}"/>').format(
        x, y, width, height, colour, opacity)


def _whisker(left: float, right: float, top: float) -> Markup:
    middle = top + _ROW / 2
    return _line(f"M{left:.1f} {middle:.1f} H{right:.1f} M{left:.1f} {middle - 3:.1f} v6 M{right:.1f} {middle - 3:.1f} v6", 1.0)


def _line(path: str, opacity: float) -> Markup:
    return Markup('<path d="{}" fill="none" stroke="currentColor" stroke-opacity="{}" stroke-width="0.9"/>').format(path, opacity)
