"""
What data a portfolio holds, and what they can and cannot tell apart. Nothing is estimated here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import Portfolio, Site

#: Years of energy data below which ageing cannot be read from them: two year-on-year steps at
#: least. Common practice, no source.
YEARS_FOR_AGEING = 3.0


@dataclass(frozen=True)
class Source:
    """
    One kind of data that a site has, or has not.

    `start` and `end` are the first and last time (UTC, None where there is nothing), or with `is_end` the last one's end;
    `coverage` is the share of the span that holds a value (NaN where the kind has no regular interval).
    """

    kind: str
    rows: int
    start: pd.Timestamp | None = None
    end: pd.Timestamp | None = None
    coverage: float = np.nan
    note: str = ""
    is_end: bool = False


@dataclass(frozen=True)
class SiteCheck:
    """What one site's data are, and which causes of loss they can and cannot tell."""

    site: Site
    data: SiteData
    sources: tuple[Source, ...]
    can_tell: tuple[str, ...]
    cannot_tell: tuple[str, ...]


@dataclass(frozen=True)
class PortfolioCheck:
    """Every site's check; `as_of` is the date at which the history was cut, or None."""

    portfolio: Portfolio
    as_of: dt.date | None
    sites: tuple[SiteCheck, ...]


def check_site(site: Site, data: SiteData) -> SiteCheck:
    """Describe one site's data."""
    told = [(need, need.met(site, data)) for need in NEEDS]
    return SiteCheck(
        site,
        data,
        sources(site, data),
        tuple(need.can for need, met in told if met),
        tuple(need.cannot for need, met in told if not met),
    )


def sources(site: Site, data: SiteData) -> tuple[Source, ...]:
    """Return a record for each kind of data, those that are missing included."""
    n_strings, n_inverters = len(site.strings), len(site.inverters)
    return (
        _weather("weather", data.weather, data.weather_step),
        _weather("second weather source", data.weather_2, None),
        _meter(data.meter),
        _log("inverter log", data.power, data.power_step, "inverter_id", n_inverters, "inverters"),
        _log("string current log", data.string_current, None, "string_id", n_strings, "strings"),
        _rounds("string IV traces", data.iv, "string_id", n_strings, "strings"),
        _rounds("clamp readings", data.clamp, "inverter_id", n_inverters, "inverters"),
        _rounds("events", data.events.rename(columns={"start": "time"}), None, 0, ""),
        _series("prices", data.prices),
        _series("load", data.load),
    )


def _weather(kind: str, table: pd.DataFrame | None, step: pd.Timedelta | None) -> Source:
    if table is None or table.empty:
        return Source(kind, 0)
    light = [c for c in ("ghi", "dni", "dhi", "poa_global") if c in table and table[c].notna().any()]
    names = ", ".join(str(c) for c in table if table[c].notna().any())
    # One light column is enough for an interval to be used.
    filled = int(table[light].notna().any(axis=1).sum()) if light else 0
    return Source(kind, len(table), table.index[0], table.index[-1], _share(filled, table.index, step), names)


def _share(filled: float, times: pd.Index, step: pd.Timedelta | None) -> float:
    """Share of the intervals from the first to the last time that hold a value."""
    spacing = pd.Timedelta(step if step is not None else pd.Series(times).diff().median())
    if len(times) < 2 or pd.isna(spacing) or not spacing > pd.Timedelta(0):
        return np.nan
    return min(1.0, filled / ((times[-1] - times[0]) / spacing + 1.0))


def _meter(table: pd.DataFrame | None) -> Source:
    if table is None or table.empty:
        return Source("revenue meter", 0)
    known = table[table["energy_kwh"].notna()]
    start, end = table["start"].min(), table["end"].max()
    covered = (known["end"] - known["start"]).sum()
    return Source("revenue meter", len(table), start, end, float(covered / (end - start)), is_end=True)


def _log(
    kind: str, table: pd.DataFrame | None, step: pd.Timedelta | None, key: str, n_owned: int, things: str
) -> Source:
    if table is None or table.empty:
        return Source(kind, 0)
    present = table[key].nunique()
    times = pd.Index(np.sort(table["time"].unique()))
    value = "ac_power_kw" if "ac_power_kw" in table else "dc_current_a"
    filled = table[table[value].notna()].drop_duplicates(["time", key])
    share = _share(len(filled) / present, times, step)
    return Source(kind, len(table), times[0], times[-1], share, f"{present} of {n_owned} {things}")


def _rounds(kind: str, table: pd.DataFrame, key: str | None, n_owned: int, things: str) -> Source:
    if table.empty:
        return Source(kind, 0)
    days = table["time"].dt.date.nunique()
    note = f"on {days} {'day' if days == 1 else 'days'}"
    if key is not None:
        note += f", {table[key].nunique()} of {n_owned} {things}"
    return Source(kind, len(table), table["time"].min(), table["time"].max(), np.nan, note)


def _series(kind: str, table: pd.DataFrame | None) -> Source:
    if table is None or table.empty:
        return Source(kind, 0)
    filled = int(table.iloc[:, 0].notna().sum())
    return Source(kind, len(table), table.index[0], table.index[-1], _share(filled, table.index, None))


def set_aside_kinds(rows: pd.DataFrame) -> pd.DataFrame:
    """
    Count the rows set aside by file and kind of reason, the most frequent first, with `line` and what `stood` there of the first.

    Two reasons that differ in their figures alone ("repeat of line 12") are one kind.
    """
    if rows.empty:
        return pd.DataFrame({"file": [], "reason": [], "n": [], "line": [], "stood": []})
    stood = [f"{column} = {str(value)[:40]}" if column else ""
             for column, value in rows[["column", "value"]].itertuples(index=False)]
    ordered = rows.assign(reason=reason_kinds(rows), stood=stood).sort_values("line", kind="stable")
    counts = ordered.groupby(["file", "reason"], dropna=False)
    kinds = counts.agg(n=("line", "size"), line=("line", "first"), stood=("stood", "first"))
    return kinds.reset_index().sort_values("n", ascending=False, kind="stable")


def reason_kinds(rows: pd.DataFrame) -> pd.Series:
    """The reasons, those of a file that differ in their figures alone as one, with … for the figures."""
    reasons = rows["reason"].astype(str)
    kinds = reasons.str.replace(r"\d+(?:\.\d+)?", "…", regex=True)
    distinct = reasons.groupby([rows["file"], kinds]).transform("nunique")
    return kinds.where(distinct > 1, reasons)


@dataclass(frozen=True)
class _Need:
    """What it takes to tell one thing, and the sentence for either case."""

    met: Callable[[Site, SiteData], bool]
    can: str
    cannot: str


def _has(table: pd.DataFrame | None, *columns: str) -> bool:
    return (
        table is not None and len(table) > 0 and all(c in table and table[c].notna().any() for c in columns)
    )


def _any(table: pd.DataFrame | None, *columns: str) -> bool:
    return any(_has(table, c) for c in columns)


def _metered(site: Site, data: SiteData) -> bool:
    return _has(data.meter, "energy_kwh") or _has(data.power, "ac_power_kw")


def _dirt(site: Site, data: SiteData) -> bool:
    return _has(data.weather, "precipitation") and (
        _has(data.power, "ac_power_kw") or _has(data.meter, "energy_kwh") or _has(data.iv, "i_sc")
    )


def _two_inverters(site: Site, data: SiteData) -> bool:
    return data.power is not None and data.power["inverter_id"].nunique() > 1


def _efficiency(site: Site, data: SiteData) -> bool:
    logged = _has(data.power, "dc_power_kw", "ac_power_kw")
    return logged or (_has(data.clamp, "ac_power_kw") and _any(data.clamp, "dc_power_kw", "dc_current_a"))


def _reactive(site: Site, data: SiteData) -> bool:
    return _any(data.clamp, "ac_reactive_kvar", "power_factor", "ac_apparent_kva") or site.power_factor != 1.0


def _years(data: SiteData) -> float:
    spans = [0.0]
    if data.meter is not None and len(data.meter):
        spans.append((data.meter["end"].max() - data.meter["start"].min()).days / 365.25)
    if data.power is not None and len(data.power):
        spans.append((data.power["time"].max() - data.power["time"].min()).days / 365.25)
    return max(spans)


def _prices(site: Site, data: SiteData) -> bool:
    return bool(site.tariffs) and (
        all(t.kind != "market" for t in site.tariffs) or _has(data.prices, "price_per_kwh")
    )


#: In the order in which an owner asks. What a cause needs follows from what it leaves a trace in.
NEEDS = (
    _Need(
        _metered,
        "How much is missing in all: there is a meter or an inverter log to set against the weather.",
        "How much is missing in all: there is neither a meter nor an inverter log. Losses can only be "
        "inferred from field readings.",
    ),
    _Need(
        _dirt,
        "Dirt on the glass, by its fall in dry spells and its recovery with rain or a clean.",
        "Dirt on the glass, from the farm's own data: it takes rain amounts (precipitation_mm) and a log, a "
        "meter or string rounds.",
    ),
    _Need(
        lambda site, data: _has(data.power, "ac_power_kw") and _two_inverters(site, data),
        "Shade, by the sun positions at which it bites, and apart from dirt and ageing.",
        "Shade from dirt or ageing by sun position: it takes an interval log of inverters or strings. String "
        "rounds show it only at the hour of the test.",
    ),
    _Need(
        lambda site, data: (
            _any(data.weather, "snow_depth") or _has(data.weather, "precipitation", "temp_air")
        ),
        "Snow on the modules, from snow depth or from cold precipitation.",
        "Snow on the modules: there is no snow depth and no precipitation with air temperature.",
    ),
    _Need(
        lambda site, data: _has(data.iv, "string_id"),
        "Which string is at fault: single strings were measured.",
        "Which string is at fault: no string was measured by itself. A log shows at best that an inverter "
        "lost one string's share.",
    ),
    _Need(
        _efficiency,
        "An inverter below its curve: DC and AC were measured together.",
        "An inverter below its curve from a weak array: it takes DC and AC power measured together, logged "
        "or by clamp.",
    ),
    _Need(
        _two_inverters,
        "One inverter off from the grid off: inverters are logged one by one.",
        "One inverter off from the grid off: it takes a log of more than one inverter. Recorded outages are "
        "used as they are.",
    ),
    _Need(
        lambda site, data: _has(data.power, "ac_power_kw"),
        "Output held down (curtailment) from clipping at the rating, by level and simultaneity.",
        "Output held down (curtailment), beyond recorded instructions: it takes an interval log.",
    ),
    _Need(
        _reactive,
        "Real power given up for reactive power.",
        "Real power given up for reactive power: no reading holds kVAr, kVA or power factor.",
    ),
    _Need(
        lambda site, data: _years(data) >= YEARS_FOR_AGEING,
        "Ageing, year on year.",
        f"Ageing from a constant error of the light sensor: it takes {YEARS_FOR_AGEING:.0f} years of energy "
        "data. Published rates are used, with their interval.",
    ),
    _Need(
        _prices,
        "What the lost energy was worth.",
        "What the lost energy was worth: a tariff or its market prices are missing.",
    ),
    _Need(
        lambda site, data: bool(site.job_costs),
        "What work pays.",
        "What work pays: job_costs.csv, with what each kind of job costs, is missing.",
    ),
)
