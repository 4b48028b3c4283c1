"""
Steps of the log paired to spans: a loss from its day to the day on which it came back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from yieldwatch.gap.steps import Step

#: How many times a loss a rise may be to be what undoes it, and where shade may have made the rise alone. Common practice, no
#: source.
_ALIKE, _ALIKE_IN_SHADE = (0.6, 1.6), (0.9, 1.1)
#: Part of a finding that the inverter lacked before a step for the step not to have begun it. Common practice, no source.
_LACKED = 0.6


@dataclass(frozen=True)
class Span:
    """A loss of an inverter from local day `start` to before `end`, `size` as a difference of ln; the rest as in `Step`."""

    inverter: int
    start: int
    end: int
    size: float
    noise: float
    sure: bool
    before: float = float("nan")


def paired_spans(steps: list[Step], n_days: int) -> list[Span]:
    """Pair each rise with the earlier drop of its inverter that it undoes; drops without a rise go on."""
    spans: list[Span] = []
    open_drops: dict[int, list[Step]] = {}
    for step in sorted(steps, key=lambda s: s.day):
        drops = open_drops.setdefault(step.inverter, [])
        if step.size > 0:
            drops.append(step)
            continue
        alike = [d for d in drops if _undoes(step, d)]
        if alike:
            drop = min(alike, key=lambda d: abs(d.size + step.size))
            drops.remove(drop)
            spans.append(
                Span(
                    step.inverter,
                    drop.day,
                    step.day,
                    (drop.size - step.size) / 2.0,
                    max(drop.noise, step.noise),
                    drop.sure,  # a rise that is not is its equal to a tenth
                    drop.before,
                )
            )
        elif -step.size > 0.03 and not drops:
            # A part that was already lost when the history began.
            spans.append(Span(step.inverter, -1, step.day, -step.size, step.noise, step.sure))
    for drops in open_drops.values():
        spans += [Span(d.inverter, d.day, n_days, d.size, d.noise, d.sure, d.before) for d in drops]
    return sorted(spans, key=lambda s: (s.inverter, s.start))


def _undoes(rise: Step, drop: Step) -> bool:
    """Whether a rise is of like size; shade that goes does not mend what broke."""
    least, most = _ALIKE if rise.sure or not drop.sure else _ALIKE_IN_SHADE
    return least < -rise.size / drop.size < most


def matching_span(spans: list[Span], used: set[int], inverter: int, size: float, earliest: int, latest: int,
                  others: float = 0.0, swings: bool = False) -> int | None:
    """
    The span that can be this finding: same inverter, begun between the good and the bad reading, of like size.

    A round's size is shrunk and can be half of the truth, so of several the largest is taken: it most needs a cause. Of a loss
    that `swings` with the light, and so with the season, it is the first: the later steps are its own. A step that shade may have
    made comes after those that it cannot have, and begins nothing that was lacking before it, unless `others`, what the
    inverter's other findings take that no step began, were lacking then.
    """
    alike = [
        n
        for n, span in enumerate(spans)
        if n not in used
        and span.inverter == inverter
        and earliest - 3 <= span.start <= latest + 3
        and span.end > latest
        and abs(np.log(span.size / size)) < np.log(2.5)
        and (span.sure or not span.before > _LACKED * size + others)
    ]
    return max(alike, key=lambda n: (spans[n].sure, -spans[n].start if swings else spans[n].size)) if alike else None


def going_on(spans: list[Span], used: set[int], number: int, seen: int) -> list[Span]:
    """
    The spans with one of them made to last beyond a local day on which its loss was seen, where another can end in its place.

    Of two losses of like size the log does not tell which one came back; a string that was read faulty afterwards does.
    """
    span = spans[number]
    others = [
        n for n, other in enumerate(spans)
        if n not in used and other.inverter == span.inverter and other.start < span.end <= seen < other.end
        and _ALIKE[0] < other.size / span.size < _ALIKE[1]
    ]
    if not others:
        return spans
    out, other = list(spans), min(others, key=lambda n: abs(spans[n].size - span.size))
    out[number], out[other] = replace(span, end=spans[other].end), replace(spans[other], end=span.end)
    return out
