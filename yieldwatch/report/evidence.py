"""
The evidence of a cause in words: one place for the report and for the terminal.
"""

from __future__ import annotations

from dataclasses import dataclass

from yieldwatch.gap.why import Figure, Reading, Rival, Why
from yieldwatch.report import words
from yieldwatch.report.totals import Amount
from yieldwatch.report.words import EnergyUnit, number, percentage

#: No readings make a finding surer than this.
_SURE = 0.99
_COUNTED = {"events", "rains", "spells", "strings"}


@dataclass(frozen=True)
class Said:
    """
    A cause's evidence as text; each empty where there is nothing to say.

    Attributes
    ----------
    cause, headline, pattern : str
    readings, could_also_be, turns : tuple of str
        Phrases, and sentences.
    settle, why_not : str
    """

    cause: str
    headline: str
    pattern: str = ""
    readings: tuple[str, ...] = ()
    could_also_be: tuple[str, ...] = ()
    settle: str = ""
    turns: tuple[str, ...] = ()
    why_not: str = ""


def in_words(why: Why) -> Said:
    """Put a cause's record into words; text that may hold identifiers is made plain."""
    cause = words.cause_word(why.cause)
    months = words.month_name(why.from_month)
    if why.to_month != why.from_month:
        months += f" to {words.month_name(why.to_month)}"
    if not why.assessed:
        return Said(cause, f"{words.NOT_ASSESSED} in {months}", why_not=words.in_day_words(why.why_not))
    amount = Amount(why.energy_kwh, why.low_kwh, why.high_kwh)
    unit = EnergyUnit.fitting(why.low_kwh, why.energy_kwh, why.high_kwh)
    rests = words.BASIS_WORDS.get(why.basis, words.plain(why.basis))
    return Said(
        cause=cause,
        headline=f"{unit.text(amount.value)} ({unit.span(amount)}) in {months}, {percentage(100.0 * why.share)} of expected; "
        f"rests on {rests}",
        pattern=words.in_day_words(why.pattern),
        readings=tuple(_reading(r) for r in why.readings),
        could_also_be=(*(_rival(r, unit) for r in why.rivals), *([words.plain(why.looks_like)] if why.looks_like else [])),
        settle=words.in_day_words(why.settle),
        turns=tuple(words.in_day_words(t.says) for t in why.turns),
        why_not=words.in_day_words(why.why_not),
    )


def figure_cells(figure: Figure) -> tuple[str, str, str, str]:
    """A figure as text: what, where, value with unit and interval, note."""
    sure = figure.unit == "probability" and figure.value > _SURE
    # A count's unit is a word in the plural.
    unit = figure.unit[:-1] if figure.value == 1 and figure.unit in _COUNTED else figure.unit
    value = f"over {_SURE:g}" if sure else f"{_number(figure.value)} {unit}".strip()
    if figure.low is not None and figure.high is not None:
        value += f" ({_number(figure.low)} to {_number(figure.high)})"
    return words.plain(figure.name), words.plain(figure.where), words.plain(value), words.in_day_words(figure.note)


def _number(value: float) -> str:
    """Three figures or more, none of them empty precision."""
    size = abs(value)
    return number(value, 0 if size >= 100 or float(value).is_integer() else 1 if size >= 10 else 2 if size >= 1 else 3)


def _reading(reading: Reading) -> str:
    unit = words.plain(reading.unit)
    told = f"{words.plain(reading.what)}: {words.count(reading.count, unit.removesuffix('s'), unit)}"
    if reading.first is None or reading.last is None:
        return told
    first, last = words.day(reading.first), words.day(reading.last)
    return f"{told}, {first}" if first == last else f"{told}, {first} to {last}"


def _rival(rival: Rival, unit: EnergyUnit) -> str:
    name = words.RIVAL_WORDS.get(rival.name) or words.cause_word(rival.name)
    r = f"{rival.correlation:+.2f}".replace("-", "−")
    how = "trades off with" if rival.correlation < 0 else "rises and falls with"
    return (
        f"It {how} {name} (correlation {r}): {unit.text(rival.moves_kwh)} move as that goes from its middle to an end of its "
        "interval."
    )
