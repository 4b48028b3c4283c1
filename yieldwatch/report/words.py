"""
Figures and findings as words: every number with its unit, every gap in the data said aloud.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pandas as pd

from yieldwatch import constants
from yieldwatch.constants import LOOK_WORDS
from yieldwatch.cost.amounts import MOST_DIGITS, money_decimals
from yieldwatch.report.totals import Amount

NOT_KNOWN = "not known"
NO_BREAK = "\u00a0"
NOT_ASSESSED = "not assessed"
_WRITTEN_DATE = re.compile(r"(?<![\w/-])\d{4}-\d\d-\d\d(?![\w/-]|\.\w| \d\d:\d\d:)")
_WRITTEN_MINUS = re.compile(r"(?<![\w-])-(?=\d)")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)

CAUSE_WORDS = {
    "soiling": "dirt on the glass",
    "shading": "shade from plants or obstacles",
    "snow": "snow",
    "string_fault": "string faults",
    "inverter_efficiency": "inverters below their curve",
    "inverter_outage": "inverters off",
    "grid_outage": "grid off",
    "curtailment": "output held down",
    "limit_left_on": "a limit left on",
    "reactive_power": "reactive power",
    "degradation": "ageing",
    "unexplained": "not explained",
    "clipping": "at the rating or the export limit (no loss)",
    "in_hand": "in our hands",
    "beyond": "not in our hands",
}
#: What is nobody's loss and may stand in for one.
RIVAL_WORDS = {
    "light_sensor": "the light sensor's own error",
    "model": "the model's error over season and sun position",
    "inverter_level": "the inverters' own levels",
    "round_sensor": "the light sensor used in the IV rounds",
}
BASIS_WORDS = {
    "measured": "the farm's own data",
    "prior": "published values, little evidence of the farm's own",
    "not_assessed": NOT_ASSESSED,
}


def plain(text: object) -> str:
    """Return user text on one line, without control or direction characters that could disguise it."""
    shown = (" " if unicodedata.category(c) in {"Cc", "Zl", "Zp"} else c for c in str(text))
    return " ".join("".join(c for c in shown if unicodedata.category(c) != "Cf").split())


def tied(value: object) -> Any:
    """Return text for the page with each figure tied to its unit or currency by a no-break space."""
    if type(value) is not str:
        return value
    held = re.sub(r"(?<=\d) (?=(?:%|kWh|MWh|months?|years?|W/m²|°C)(?!\w))", NO_BREAK, value)
    held = re.sub(r"(?<=\b[A-Z]{3}) (?=\d)|(?<=\b[A-Z][a-z]{2}) (?=\d{4}\b)", NO_BREAK, held)
    held = re.sub(rf"(?<=\d) (?=[A-Z][a-z]{{2}}{NO_BREAK}\d{{4}})", NO_BREAK, held)
    return re.sub(r"(?<=\d)(?<!\d{4}) to (?=−?\d)", f"{NO_BREAK}to{NO_BREAK}", held)


def cause_word(cause: object) -> str:
    return CAUSE_WORDS.get(str(cause), plain(cause))


def job_cause(cause: object) -> str:
    """The loss that a job is for; nothing where it is for no one loss, as a claim on a performance ratio is."""
    return "" if cause is None or str(cause) in ("", "unexplained") else cause_word(cause)


def in_brackets(word: str) -> str:
    return f" ({word})" if word else ""


def loss_word(row: Mapping[str, object]) -> str:
    """The cause of a row of `span_causes`, or of the part of one that it is."""
    part = str(row["part"] or "")
    return f"{cause_word(row['cause'])}: by instruction" if part == "instructed" else cause_word(part or row["cause"])


def job_word(kind: object, cause: object = None) -> str:
    """As of `constants.job_word`, for a page."""
    return plain(constants.job_word(kind, cause))


def looked_for(kind: object, cause: object) -> str:
    """` (inverters off)` after an inspection whose words do not say what it is for, for where no cause stands beside it."""
    return f" ({cause_word(cause)})" if str(kind) == "inspect" and cause and str(cause) not in LOOK_WORDS else ""


def number(value: object, decimals: int = 0) -> str:
    """Return a figure with thousands separated, a true minus sign, or the words that it is not known."""
    figure = _float(value)
    if not math.isfinite(figure):
        return NOT_KNOWN
    if abs(figure) >= MOST_DIGITS:
        return f"{'−' if figure < 0 else ''}{abs(figure):.2e}"
    # A half goes up, of the 15 figures that spreadsheets hold: cells and sentences show the same.
    text = f"{Decimal(f'{figure:.15g}').quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP):,f}"
    return text.replace("-", "−") if float(text.replace(",", "")) else text.lstrip("-")


def _float(value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


@dataclass(frozen=True)
class EnergyUnit:
    """The unit in which a table or sentence states energy, chosen once so that its figures compare."""

    name: str
    per_kwh: float
    decimals: int

    @classmethod
    def fitting(cls, *values_kwh: float) -> EnergyUnit:
        """kWh below ten thousand, MWh from there on."""
        finite = [abs(v) for v in values_kwh if math.isfinite(v)]
        return cls("MWh", 1e-3, 1) if finite and max(finite) >= 10_000 else cls("kWh", 1.0, 0)

    def bare(self, kwh: object) -> str:
        return number(_float(kwh) * self.per_kwh, self.decimals)

    def text(self, kwh: object) -> str:
        shown = self.bare(kwh)
        return shown if shown == NOT_KNOWN else f"{shown} {self.name}"

    def span(self, amount: Amount) -> str:
        """The interval alone, `14.0 to 25.0`."""
        if not (math.isfinite(amount.low) and math.isfinite(amount.high)):
            return NOT_KNOWN
        return f"{self.bare(amount.low)} to {self.bare(amount.high)}"


def money(value: object, currency: str, low: object = None, high: object = None) -> str:
    """
    `GBP 2,280`; with cents below ten so that small sums do not vanish.

    Parameters
    ----------
    value : number
    low, high : number, optional
        Its interval, where it is an estimate: it is stated no finer than that allows.
    """
    figure = _float(value)
    if not math.isfinite(figure):
        return NOT_KNOWN
    shown = number(figure, money_decimals(figure, _float(low), _float(high)))
    return f"−{currency} {shown[1:]}" if shown.startswith("−") else f"{currency} {shown}"


def money_of(row: Mapping[str, Any], name: str, currency: str) -> str:
    """A row's money, no finer than the interval in the columns beside it allows; see `bounds`."""
    return money(row.get(name), currency, *bounds(row, name))


def bounds(row: Mapping[str, Any], name: str) -> tuple[float, float]:
    """A row's interval of a column: `gain_low` of `gain`, `gain_low_per_year` of `gain_per_year`; NaN where it has none."""
    stem, per, rest = name.partition("_per_")
    low, high = (_float(row.get(f"{stem}_{end}{per}{rest}")) for end in ("low", "high"))
    return low, high


def decimals_of(row: Mapping[str, Any], name: str) -> int:
    """Decimals of a row's money; a bound, as `gain_low`, is stated as finely as the sum that it bounds."""
    whole = next((n for end in ("_low", "_high") if end in name and (n := name.replace(end, "", 1)) in row), name)
    value = _float(row.get(whole))
    return money_decimals(value, *bounds(row, whole)) if math.isfinite(value) else 0


def money_with_span(amount: Amount, currency: str) -> str:
    """`GBP 2,280 (1,900 to 2,700)`, all three as finely."""
    said = money(amount.value, currency, amount.low, amount.high)
    span = bare_span(amount)
    return said if NOT_KNOWN in (said, span) else f"{said} ({span})"


def bare_span(amount: Amount) -> str:
    """The interval of a sum of money without its currency, as finely as the sum is stated."""
    if not (math.isfinite(amount.low) and math.isfinite(amount.high)):
        return NOT_KNOWN
    decimals = money_decimals(amount.value, amount.low, amount.high)
    return f"{number(amount.low, decimals)} to {number(amount.high, decimals)}"


def money_span(amount: Amount, currency: str) -> str:
    span = bare_span(amount)
    return span if span == NOT_KNOWN else f"{currency} {span}"


def per_cent(fraction: object, decimals: int = 1) -> str:
    """A fraction as per cent."""
    shown = number(_float(fraction) * 100.0, decimals)
    return shown if shown == NOT_KNOWN else f"{shown} %"


def percentage(value: object, decimals: int = 1) -> str:
    """A figure that is per cent already."""
    return per_cent(_float(value) / 100.0, decimals)


#: What a mark or bar beside its interval is, where the interval is of a loss.
WHAT_A_MARK_IS = ("The mark is what the evidence shows. Its interval holds what may have gone unseen too, which can only add, so "
                  "the mark often stands below the middle.")

#: Chance of paying back below which it is said that a job does not: a few hundred draws tell no smaller one.
LEAST_CHANCE = 0.01
#: In place of a payback, of a job that is done whatever it returns.
FOR_SAFETY = "for safety, not for its return"


def chance_word(share: object) -> str:
    """A chance in per cent; a few hundred draws cannot make anything certain. Empty where it is not known."""
    chance = _float(share)
    if math.isnan(chance):
        return ""
    return "over 99 %" if chance > 1.0 - LEAST_CHANCE else "under 1 %" if chance < LEAST_CHANCE else per_cent(chance, 0)


def months_word(value: object) -> str:
    """A payback of `value` months; blank means never."""
    figure = _float(value)
    if not math.isfinite(figure):
        return "never"
    # 0.96 months stand as 1.0 in tables.
    if round(figure, 1) < 1.0:
        return "under a month"
    if figure < 24:
        count = f"{figure:.0f}"
        return f"{count} month" if count == "1" else f"{count} months"
    return f"{figure / 12:.1f} years"


def payback(job: dict) -> str:
    """`6 months (4 to 14 months)`; a slow end that is blank never comes. If the middle draw never does, the chance is said."""
    likely, low, high = (job.get(f"payback_{part}months") for part in ("", "low_", "high_"))
    if is_look(job):
        return look_worth(job)
    if not math.isfinite(_float(likely)):
        # What a measurement or a claim returns may not be known; that is not the same as nothing.
        if not math.isfinite(_float(job.get("gain_per_year"))):
            return NOT_KNOWN
        if bool(job.get("safety")) and pd.notna(job.get("safety")):
            return FOR_SAFETY
        chance = _float(job.get("chance_of_payback"))
        if not chance >= LEAST_CHANCE:
            return "does not pay back"
        quick = f" ({months_word(low)} to never)" if math.isfinite(_float(low)) else ""
        return f"{chance_word(chance)} chance{quick}"
    quick, slow = months_word(low), months_word(high)
    if quick == slow == months_word(likely):
        return f"{quick}, at both ends of the interval"
    unit = slow.rpartition(" ")[2]
    quick = quick.removesuffix(f" {unit}") if unit in ("months", "years") else quick
    return f"{months_word(likely)} ({quick} to {slow})"


def is_look(job: Mapping[str, object]) -> bool:
    """An inspection that is not made for safety: it returns nothing by itself, and betters a decision."""
    return job.get("job_kind") == "inspect" and not (pd.notna(job.get("safety")) and bool(job.get("safety")))


def look_worth(job: Mapping[str, object]) -> str:
    """What stands for a look where other work has its payback."""
    worth, cost = _float(job.get("worth_of_look")), _float(job.get("cost"))
    if not (math.isfinite(worth) and cost > 0.0):
        return NOT_KNOWN
    return f"betters a decision by {number(worth / cost, 1)} times its cost"


def pays_back(job: dict) -> str:
    """`payback` as a clause: `pays back in 6 months (4 to 14 months)`, `pays back with 44 % chance (3 months to never)`."""
    text = payback(job)
    if text in (NOT_KNOWN, FOR_SAFETY) or text.startswith("does not") or is_look(job):
        return text
    return f"pays back {'in' if math.isfinite(_float(job.get('payback_months'))) else 'with'} {text}"


def listed(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def count(n: int, one: str, many: str | None = None) -> str:
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def month_name(month: str) -> str:
    """`2025-03` as `Mar 2025`."""
    return dt.date(int(month[:4]), int(month[5:7]), 1).strftime("%b %Y")


def months_span(months: Sequence[str]) -> str:
    """`Jan 2025 to Jun 2025`, with the number of months where some between are missing."""
    if not months:
        return "no month"
    first, last = min(months), max(months)
    if first == last:
        return month_name(first)
    spanned = (int(last[:4]) - int(first[:4])) * 12 + int(last[5:7]) - int(first[5:7]) + 1
    text = f"{month_name(first)} to {month_name(last)}"
    return text if spanned == len(set(months)) else f"{len(set(months))} months of {text}"


def months_in_words(text: str | None) -> str:
    """Month names of "1 2 10 11 12", runs of three or more as "Oct to Feb", round the turn of the year."""
    known = sorted({int(n) for n in re.findall(r"\d+", str(text or "")) if 1 <= int(n) <= 12})
    if len(known) == 12:
        return "all months"
    runs: list[list[int]] = []
    for n in known:
        if runs and runs[-1][-1] == n - 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    if len(runs) > 1 and runs[0][0] == 1 and runs[-1][-1] == 12:
        runs[0] = runs.pop() + runs[0]
    names = [[dt.date(2000, n, 1).strftime("%b") for n in run] for run in runs]
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in names)


def day(date: object) -> str:
    """A date as `4 Mar 2025`, or an empty string."""
    if isinstance(date, str) and _DATE.fullmatch(date):
        # Pages say dates by the hundred, and reading any other way of writing them takes a hundred times as long.
        with suppress(ValueError):
            date = dt.date.fromisoformat(date)
    if type(date) is dt.date:
        return f"{date.day} {date.strftime('%b %Y')}"
    stamp = pd.to_datetime(date, errors="coerce")  # type: ignore[call-overload]
    return "" if pd.isna(stamp) else f"{stamp.day} {stamp.strftime('%b %Y')}"


def last_read(as_of: dt.date) -> str:
    """The last day whose readings an assessment as of a day has read: it reads nothing from that day on."""
    return day(as_of - dt.timedelta(days=1))


def reason_words(text: object) -> str:
    """Why a cause could not be told, with the cause in words: `inverter outage: ...` as `inverters off: ...`."""
    code, colon, rest = in_day_words(text).partition(": ")
    return CAUSE_WORDS.get(code.replace(" ", "_"), code) + colon + rest


def position(latitude: float, longitude: float) -> str:
    """Latitude and longitude to about ten metres, `53.2000° N, 7.6000° W`."""
    north, east = ("N" if latitude >= 0 else "S"), ("E" if longitude >= 0 else "W")
    return f"{abs(latitude):.4f}° {north}, {abs(longitude):.4f}° {east}"


def place(latitude: float, longitude: float) -> str:
    """The same, and as an address that maps open (RFC 5870), to about a metre."""
    return f"{position(latitude, longitude)}; geo:{latitude:.5f},{longitude:.5f}"


def in_day_words(text: object) -> str:
    """A sentence with its dates and minus signs as people write them; those of files and jobs, and stamps to the second, stay."""
    return _WRITTEN_MINUS.sub("−", _WRITTEN_DATE.sub(lambda found: day(found[0]), plain(text)))
