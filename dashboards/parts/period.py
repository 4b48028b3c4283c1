"""
Any run of months, and another to hold it against: read off the address, offered as links and a form, added up with intervals.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from dash import dcc, html

from dashboards.parts.still import still
from dashboards.parts.words import aria
from dashboards.store import Row, Store
from dashboards.visit import Visit
from yieldwatch.constants import LEFT_ON
from yieldwatch.cost.left_on import left_on_part
from yieldwatch.pictures.doubt import draws_of
from yieldwatch.report.runs import GROUP
from yieldwatch.report.totals import BOUNDS, IN_HAND_PARTS, Amount
from yieldwatch.report.words import month_name, months_span

_MONTH = re.compile(r"\d{4}-\d{2}")
_YEAR = 12
#: Causes that may be a gain.
_EITHER_WAY = ("degradation", "unexplained")


@dataclass(frozen=True)
class Period:
    """Months of the record from `first` to `last`."""

    months: tuple[str, ...]

    @property
    def first(self) -> str:
        return self.months[0]

    @property
    def last(self) -> str:
        return self.months[-1]

    @property
    def words(self) -> str:
        return months_span(self.months)

    def bounds(self, prefix: str = "month") -> dict[str, str]:
        """As conditions on a table's month."""
        return {f"{prefix}__from": self.first, f"{prefix}__to": self.last}

    def days(self) -> tuple[str, str]:
        """First day, and a text that sorts after the last."""
        return f"{self.first}-01", f"{self.last}-99"

    def query(self, other: Period | None) -> dict[str, str | None]:
        """As the address carries it."""
        return {
            "from": self.first,
            "to": self.last,
            "against_from": other.first if other else None,
            "against_to": other.last if other else None,
        }


@dataclass(frozen=True)
class Chosen:
    """
    What the visitor asked for: a period, and maybe another; `record` is all months that there are.

    `missed` says that the address asks for months that the record has not, and what is shown instead.
    """

    record: tuple[str, ...]
    period: Period
    against: Period | None
    missed: str = ""

    def query(self) -> dict[str, str | None]:
        return self.period.query(self.against)


def chosen(visit: Visit, months: Sequence[str]) -> Chosen:
    """The period of the address, else the last twelve months, within the months of the record; at least one."""
    record = tuple(sorted(months))
    ask = visit.query.get
    period, against = _asked(ask("from"), ask("to"), record), _asked(ask("against_from"), ask("against_to"), record)
    missed = ["the last twelve months are shown"] if ask("from") and period is None else []
    missed += ["nothing stands beside them"] if ask("against_from") and against is None else []
    said = f"The address asks for months outside the record, {Period(record).words}: {' and '.join(missed)}." if missed else ""
    return Chosen(record, period or Period(record[-_YEAR:]), against, said)


def _asked(first: str | None, last: str | None, record: tuple[str, ...]) -> Period | None:
    if not (first and last and _MONTH.fullmatch(first) and _MONTH.fullmatch(last)):
        return None
    first, last = min(first, last), max(first, last)
    months = tuple(m for m in record if first <= m <= last)
    return Period(months) if months else None


def picker(visit: Visit, picked: Chosen) -> html.Div:
    """Usual periods as links, and a form for any."""
    record, period = picked.record, picked.period
    offers = {"Last month": record[-1:], "Last twelve months": record[-_YEAR:], "All of the record": record}
    links: list = []
    for name, months in offers.items():
        here = Period(tuple(months))
        links += [" · "] if links else []
        links.append(
            html.B(name) if here == period and picked.against is None else dcc.Link(name, href=visit.here(**here.query(None)))
        )
    before = _before(picked)
    if before:
        links += [
            " · ",
            html.B("Against the year before")
            if before == picked.against
            else dcc.Link("Against the year before", href=visit.here(**period.query(before))),
        ]
    fields = [
        ("from", "From", period.first, False),
        ("to", "to", period.last, False),
        ("against_from", "against", picked.against.first if picked.against else "", True),
        ("against_to", "to", picked.against.last if picked.against else "", True),
    ]
    kept = [
        dcc.Input(type="hidden", name=k, value=v) for k, v in visit.query.items() if k not in dict.fromkeys(f[0] for f in fields)
    ]
    form = html.Form(
        [*(_field(*f, record) for f in fields), *kept, html.Button("Show", type="submit")],
        method="get",
        action=visit.path,
        className="period no-print",
    )
    return html.Div(
        [
            *([html.P(picked.missed, className="sorry", role="alert")] if picked.missed else []),
            html.P(links, className="no-print"),
            html.Details([html.Summary("Any other period"), still(form)], className="no-print", open=picked.against is not None),
        ]
    )


def _before(picked: Chosen) -> Period | None:
    """The same months a year earlier, if the record has them all."""
    moved = tuple(f"{int(m[:4]) - 1}{m[4:]}" for m in picked.period.months)
    return Period(moved) if set(moved) <= set(picked.record) else None


def _field(name: str, label: str, value: str, may_be_empty: bool, record: tuple[str, ...]) -> html.Label:
    options = [html.Option("nothing", value="", selected=not value or None)] if may_be_empty else []
    options += [html.Option(month_name(m), value=m, selected=m == value or None) for m in reversed(record)]
    said = {"against_to": "against, to"}.get(name, label)
    return html.Label([label, " ", html.Select(options, name=name, **aria(label=said))])


class Losses:
    """A site's losses by month and cause, to be added up over any months with the interval of the sum."""

    def __init__(self, store: Store, site_id: str) -> None:
        self.rows = store.rows("losses", {"site_id": site_id})
        self.yields = {r["month"]: r for r in store.rows("yields", {"site_id": site_id}, ["month"])}
        self._by = {(r["cause"], r["month"]): r for r in self.rows}
        # A limit left on is a part of output held down, and so in the account twice: by its own name it is in no list of causes.
        self._by |= {(LEFT_ON, r["month"]): part for r in self.rows
                     if r["cause"] == "curtailment" and r["energy_kwh"] is not None and (part := left_on_part(r))}
        self._drawn = cache(lambda cause: store.picture(site_id, "doubt", "curtailment" if cause == LEFT_ON else cause))
        self.causes = list(dict.fromkeys(r["cause"] for r in self.rows))
        self._known = _known_sums(store, site_id)

    def row(self, cause: str, month: str) -> Row | None:
        return self._by.get((cause, month))

    def energy(self, causes: Sequence[str], *terms: tuple[Period, float]) -> Amount:
        """
        Energy lost to causes over periods, each with a factor: one, or for a difference one and minus one. [kWh]

        Months in which a cause was not assessed are left out; NaN if there is none other.
        """
        return self._as_reported(self._sum(causes, terms, "energy_kwh", lambda row: 1.0), causes, terms, "energy")

    def money(self, causes: Sequence[str], *terms: tuple[Period, float]) -> Amount:
        """The same in money; NaN where a month has no price."""
        return self._as_reported(self._sum(causes, terms, "revenue_lost", _price), causes, terms, "money")

    def share(self, causes: Sequence[str], period: Period) -> Amount:
        """As a fraction of the energy expected in the months in the sum."""
        amount = self.energy(causes, (period, 1.0))
        whole = self.expected(period)
        return Amount(*(v / whole for v in (amount.value, amount.low, amount.high))) if whole > 0 else Amount(np.nan)

    def expected(self, period: Period) -> float:
        return float(sum(self.yields[m]["expected_kwh"] or 0.0 for m in period.months if m in self.yields))

    def measured(self, period: Period) -> float:
        """NaN if no month was measured."""
        known = [self.yields[m]["measured_kwh"] for m in period.months if m in self.yields]
        known = [v for v in known if v is not None]
        return float(sum(known)) if known else float("nan")

    def coverage(self, period: Period) -> float:
        """Share of the expected energy that was really measured; NaN if nothing is known of it."""
        rows = [self.yields[m] for m in period.months if m in self.yields]
        rows = [r for r in rows if r["coverage"] is not None]
        whole = self.expected(period)
        return sum(r["coverage"] * r["expected_kwh"] for r in rows) / whole if whole > 0 and rows else float("nan")

    def _as_reported(self, found: Amount, causes: Sequence[str], terms: Sequence[tuple[Period, float]], kind: str) -> Amount:
        """The same sum with the ends that reports state, by all draws: those worked out here, by patterns, differ in a digit."""
        (period, factor), *more = terms
        name = causes[0] if len(causes) == 1 else GROUP if tuple(causes) == IN_HAND_PARTS else ""
        stated = None if more or factor != 1.0 else self._known.get((period.first, period.last, name, kind))
        # losses.csv is written to a thousandth; reports leave out months that were not measured.
        return stated if stated is not None and abs(stated.value - found.value) < 0.1 else found

    def _sum(self, causes: Sequence[str], terms: Sequence[tuple[Period, float]], column: str, weight) -> Amount:
        value, seen, off = 0.0, False, np.zeros(1)
        for cause in causes:
            weights: dict[str, float] = {}
            own = floor = 0.0
            for period, factor in terms:
                for month in period.months:
                    row = self._by.get((cause, month))
                    if row is None or row["energy_kwh"] is None:
                        continue
                    if row[column] is None:
                        return Amount(np.nan)
                    seen = True
                    own += factor * row[column]
                    floor += factor * min(row[column], 0.0)
                    weights[month] = weights.get(month, 0.0) + factor * weight(row) * row.get("share", 1.0)
            value += own
            drawn = self._drawn(cause)
            if drawn is None:
                continue
            drawn_off = draws_of(drawn.columns, drawn.about, weights)
            if cause not in _EITHER_WAY and min(weights.values(), default=0.0) >= 0.0:
                # The patterns leave some scatter to chance; a loss does not go below nil for that.
                drawn_off = np.maximum(drawn_off, floor - own)
            off = off + drawn_off
        if not seen:
            return Amount(np.nan)
        low, high = np.percentile(value + off, BOUNDS)
        return Amount(value, min(low, value), max(high, value))


def _known_sums(store: Store, site_id: str) -> dict[tuple[str, str, str, str], Amount]:
    """The sums of the spans that reports state: by first and last month, cause or group in hand, and "energy" or "money"."""
    if not store.has("span_farms"):
        return {}
    found = {}
    farms = {r["span"]: r for r in store.rows("span_farms", {"site_id": site_id})}
    whole = store.rows("span_causes", {"site_id": site_id, "part": ""})
    rows = [(r["span"], r["cause"], r, "energy_{}kwh", "money{}") for r in whole]
    rows += [(span, GROUP, r, "in_hand_{}kwh", "in_hand_money{}") for span, r in farms.items()]
    for span, name, row, energy, money in rows:
        for kind, column, ends in (("energy", energy, ("", "low_", "high_")), ("money", money, ("", "_low", "_high"))):
            amount = [row[column.format(end)] for end in ends]
            if None not in amount:
                found[farms[span]["from_month"], farms[span]["to_month"], name, kind] = Amount(*amount)
    return found


def _price(row: Mapping) -> float:
    """Money a kWh of this cause in this month, from the widths: a month's energy may be next to nil and its money not."""
    width = row["energy_high_kwh"] - row["energy_low_kwh"]
    if width > 1e-6:
        return (row["revenue_lost_high"] - row["revenue_lost_low"]) / width
    return row["revenue_lost"] / row["energy_kwh"] if abs(row["energy_kwh"]) > 1e-6 else 0.0
