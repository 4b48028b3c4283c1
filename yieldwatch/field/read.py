"""
Every table of one site -> a `SiteData`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import replace
from os import PathLike
from pathlib import Path

import pandas as pd

from yieldwatch.columns import TABLES
from yieldwatch.errors import FieldDataError, ended
from yieldwatch.field.agreement import check_daylight, check_energy_unit, note_last_days
from yieldwatch.field.credible import check_light_unit, without_dead_light, without_impossible_dc
from yieldwatch.field.events import read_costs, read_events, read_statements
from yieldwatch.field.ledger import ROW, VALUE_ONLY, Ledger
from yieldwatch.field.logs import read_power, read_string_current
from yieldwatch.field.meter import read_meter
from yieldwatch.field.rounds import read_clamp, read_iv, read_iv_curves
from yieldwatch.field.rows import Source, history_end
from yieldwatch.field.tables import SiteData
from yieldwatch.field.weather import read_series, read_weather
from yieldwatch.portfolio.files import note_strangers
from yieldwatch.portfolio.model import Site

#: What cannot be told without a table.
_LACKING = {
    "weather": "what should have been delivered cannot be modelled",
    "meter": "what was delivered is not measured at the boundary",
    "power": "inverters cannot be compared hour by hour",
    "iv": "the strings were never tested",
    "clamp": "the inverters were never measured by hand",
}
#: Values of one column, none like another, that cannot be: a logger writes one word for "no value".
_FEWEST_ODD = 20
_OTHERS = " The column's other values are used: if it is in another unit, or holds another quantity, they are wrong too."


def read_site_data(path: str | PathLike[str], site: Site, as_of: dt.date | None = None) -> SiteData:
    """
    Read what was measured at a site.

    Parameters
    ----------
    path : path
        The portfolio's folder.
    site : Site
        From `read_portfolio`.
    as_of : date, optional
        The day on which the history ends: nothing from its local midnight on is read. All history
        where it is None.

    Returns
    -------
    SiteData
        Bad rows are in `set_aside`, each with its reason, and missing tables in `notices`.

    Raises
    ------
    FieldDataError
        If a file cannot be used at all, with every such problem of the site.
    """
    root = Path(path)
    if not (root / "sites" / site.id).is_dir():
        raise FieldDataError(f"sites/{site.id}: is not there. Expected the site's folder. "
                             f"Check the path {root}.")
    ledger = Ledger()
    source = Source(root, site, history_end(as_of, site), ledger)
    weather, step = read_weather(source, "weather")
    weather_2, step_2 = read_weather(source, "weather_2")
    iv = read_iv(source)
    power, power_step = read_power(source)
    iv_curves, clamp, meter = read_iv_curves(source, iv), read_clamp(source), read_meter(source)
    string_current, events = read_string_current(source), read_events(source)
    prices, load = read_series(source, "prices"), read_series(source, "load")
    statements, costs = read_statements(source), read_costs(source)
    check_light_unit(ledger, site, "weather", weather)
    check_light_unit(ledger, site, "weather_2", weather_2)
    for place, table in (("weather", weather), ("weather_2", weather_2)):
        for column in ("ghi", "poa_global"):
            if table is not None and column in table:
                check_daylight(ledger, site, f"{place}: {column}_w_m2", table[column])
    if power is not None:
        ratings = {i.inverter_id: i.inverter_type.ac_rated_kw for i in site.inverters}
        per_kw = 1000.0 * power["ac_power_kw"] / power["inverter_id"].map(ratings).astype(float)
        check_daylight(ledger, site, "readings/power: ac_power_kw", per_kw.set_axis(power["time"]))
    check_energy_unit(ledger, site, meter, power, power_step)
    for place, table in (("readings/meter", meter), ("statements", statements)):
        if table is not None:
            note_last_days(ledger, f"sites/{site.id}/{place}", table, site)
    if ledger.problems:
        raise FieldDataError(ledger.problems)
    weather = without_dead_light(ledger, site, weather, step, weather_2, step_2, power, power_step)
    power = without_impossible_dc(ledger, site, power)
    data = SiteData(
        weather=weather, weather_2=weather_2, weather_step=step, iv=iv, iv_curves=iv_curves, clamp=clamp,
        meter=meter, power=power, power_step=power_step, string_current=string_current, events=events,
        prices=prices, load=load, statements=statements, costs=costs, set_aside=ledger.set_aside_table(),
        notices=(), files=ledger.file_table())
    notices = [*_strangers(root, site), *_missing(data, site), *_not_used(data, site, as_of)]
    return replace(data, notices=(*ledger.all_notices(), *notices))


def _strangers(root: Path, site: Site) -> list[str]:
    """Files that no table of the format is named after."""
    notices: list[str] = []
    places = [t.place.format(site=site.id).split("/") for t in TABLES.values() if "{site}" in t.place]
    home = f"sites/{site.id}"
    readings = {p[3]: f"{home}/readings/{p[3]}" for p in places if len(p) == 4}
    drawn = {d.file.split("/")[2] for d in site.drawings}
    note_strangers(root, home, {"job_costs", *(p[2] for p in places), *drawn}, notices, readings)
    if (root / home / "readings").is_dir():
        note_strangers(root, f"{home}/readings", readings, notices)
    return notices


def _missing(data: SiteData, site: Site) -> list[str]:
    """What the site has no rows of, and what cannot be told without."""
    lacks = {name for name in _LACKING if (rows := getattr(data, name)) is None or rows.empty}
    notices = [f"sites/{site.id}: has no {name} rows, so {why}."
               for name, why in _LACKING.items() if name in lacks]
    if {"iv", "clamp", "meter", "power"} <= lacks:
        notices.append(f"sites/{site.id}: has no readings at all, so nothing was measured to compare with.")
    # No events are an answer, no readings are none.
    notices += [f"{file}: has a header row and no rows below it. Expected readings. Export it again, or take the file away."
                for table, file, rows in data.files[["table", "file", "rows"]].itertuples(index=False)
                if not rows and table != "events"]
    notices += _outside_weather(data, site)
    notices += _visits_outside_weather(data, site)
    notices += _without_tariff(data, site)
    notices += _before_commissioning(data, site)
    if any(t.kind == "market" for t in site.tariffs) and (data.prices is None or data.prices.empty):
        notices.append(f"sites/{site.id}: a tariff is at market prices and there is no prices table, "
                       "so money is blank for its time.")
    return notices


def _outside_weather(data: SiteData, site: Site) -> list[str]:
    """Days with energy and without weather to be held against; a day of it, at either end, is a matter of labels."""
    if data.weather is None or data.weather.empty:
        return []
    first, last = data.weather.index[0], data.weather.index[-1] + (data.weather_step or pd.Timedelta(0))
    notices = []
    for name, table, start, end in (("meter", data.meter, "start", "end"), ("power", data.power, "time", "time")):
        if table is None or table.empty:
            continue
        begins, ends = table[start].min(), table[end].max()
        days = (max(first - begins, pd.Timedelta(0)) + max(ends - max(last, begins), pd.Timedelta(0))) / pd.Timedelta(days=1)
        if days > 1.0:
            from_, to, a, b = (t.tz_convert(site.tz).date() for t in (first, last, begins, ends))
            notices.append(f"sites/{site.id}: {name} has readings from {a} to {b} and weather only from {from_} to {to}: "
                           f"{days:,.0f} days of energy have no weather to be held against, and are left out. Add their weather.")
    return notices


def _visits_outside_weather(data: SiteData, site: Site) -> list[str]:
    """Traces and clamp readings of days without weather: nothing tells whether their dates are right."""
    if data.weather is None or data.weather.empty:
        return []
    first, last = data.weather.index[0] - pd.Timedelta(days=1), data.weather.index[-1] + pd.Timedelta(days=1)
    notices = []
    for table, what in ((data.iv, "traces"), (data.clamp, "clamp readings")):
        out = table[(table["time"] < first) | (table["time"] > last)]
        for file, own in out.groupby("file", sort=False):
            day = own["time"].iloc[0].tz_convert(site.tz).date()
            notices.append(f"{file}: {len(own):,} of its {what} lie on days without weather, first line {own['line'].iloc[0]}: "
                           f"{day}. Expected days of the record. Is the year, or the order of day and month, wrong? They are "
                           "used as dated.")
    return notices


def _without_tariff(data: SiteData, site: Site) -> list[str]:
    """Days of the record before the first tariff and after the last; those between two are told where tariffs are read."""
    if data.weather is None or data.weather.empty or not site.tariffs:
        return []
    begin = max(data.weather.index[0].tz_convert(site.tz).date(), site.commissioned)
    end = data.weather.index[-1].tz_convert(site.tz).date()
    first, last = site.tariffs[0].start, site.tariffs[-1].end
    spans = [(begin, first)] if first > begin else []
    spans += [(max(last, begin), end)] if last is not None and last < end else []
    return [f"sites/{site.id}/site.toml: no tariff from {a} to {b}; energy of that time has no price. Add one, or correct its "
            "`from` or `to`." for a, b in spans]


def _before_commissioning(data: SiteData, site: Site) -> list[str]:
    """Energy from before the first day of operation, which says that the day is wrong: ageing would be counted from it."""
    first = first_energy(data, site)
    if first is None or first >= site.commissioned:
        return []
    return [f"sites/{site.id}/site.toml: commissioned = {site.commissioned}, but there is energy from {first} on. Expected the "
            "first day of operation, from which ageing counts. Correct it."]


def first_energy(data: SiteData, site: Site) -> dt.date | None:
    """
    The first day on which the site surely delivered, in site time: of a meter's period that ended by then, or of the log. None
    where nothing was delivered.
    """
    tables = ((data.power, "ac_power_kw", "time", data.power_step), (data.meter, "energy_kwh", "end", pd.Timedelta(0)))
    days = []
    for table, value, time, spare in tables:
        if table is not None and (table[value] > 0.0).any():
            # An interval that ends with the day before is of that day, whatever its label.
            at = table.loc[table[value] > 0.0, time].min() + (spare or pd.Timedelta(0)) - pd.Timedelta("1s")
            days.append(at.tz_convert(site.tz).date())
    return min(days, default=None)


#: A line of `_not_used` on whole rows.
_ROWS_ASIDE = re.compile(r"^.+?: [\d,]+ of [\d,]+ rows (was|were) set aside, first line ", re.DOTALL)


def notices_beside_rows(notices: Iterable[str]) -> tuple[str, ...]:
    """The notices without those that count a file's rows set aside, for where these are listed anyway."""
    return tuple(n for n in notices if not _ROWS_ASIDE.match(n))


def _not_used(data: SiteData, site: Site, as_of: dt.date | None) -> list[str]:
    """A line for each file with rows that were not used."""
    notices = []
    for file, n_aside, n_rows in data.files[["file", "set_aside", "rows"]].itertuples(index=False):
        if n_aside:
            own = data.set_aside[(data.set_aside["file"] == file) & (data.set_aside["part"] == ROW)]
            first = own.iloc[0]
            stood = f"{first['column']} = {str(first['value'])[:40]}, " if first["column"] else ""
            notices.append(f"{file}: {n_aside:,} of {n_rows:,} rows {'was' if n_aside == 1 else 'were'} set aside, first line "
                           f"{first['line']}: {stood}{ended(first['reason'])}")
    values = data.set_aside[data.set_aside["part"] == VALUE_ONLY]
    for (file, column), own in values.groupby(["file", "column"], sort=False):
        first, n = own.iloc[0], len(own)
        what = "1 value was" if n == 1 else f"{n:,} values were"
        notices.append(f"{file}: {what} set aside, first line {first['line']}: {column} = {str(first['value'])[:40]}, "
                       f"{ended(first['reason'])}{_OTHERS if n >= _FEWEST_ODD and own['value'].nunique() >= _FEWEST_ODD else ''}")
    later = int(data.files["after_as_of"].sum())
    if later:
        notices.append(f"sites/{site.id}: {later} {'row lies' if later == 1 else 'rows lie'} on or after {as_of} and "
                       f"{'was' if later == 1 else 'were'} not read.")
    return notices
