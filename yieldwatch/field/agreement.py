"""
A site's tables held against each other and the sun: another unit, times of another zone, ends that are last days.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.field.ledger import Ledger
from yieldwatch.portfolio.model import Site

_HOUR, _DAY = pd.Timedelta(hours=1), pd.Timedelta(days=1)
#: Sun's height in the middle of an hour below which it is down all through that hour, wherever the hour's label lies. [deg]
_DOWN = -8.0
#: Share of the light or energy of a month's median day in such hours that shows stamps of another zone: three hours off the sun,
#: which is as far as clocks are told by the data, bring a tenth. Common practice, no source.
_AT_NIGHT = 0.1
#: Part of the months from which it is the table's, and not a clock's that was wrong for a while.
_MOST_MONTHS = 0.5
#: Light, or power for each kW of rating, above which a value is more than a sensor's zero offset, 30 W/m² in the lowest class of
#: ISO 9060, from memory. [W/m², W/kW]
_LEAST_LIGHT = 50.0
#: Days with light or energy that a month must have before it is judged.
_FEWEST_DAYS = 10
#: Factor between log and meter over the same days, or of either below what a farm makes, that only a wrong unit makes. The
#: nearest unit is a thousand away. Common practice, no source.
_UNIT_APART = 50.0
#: Share of its rating that a farm delivers in the mean of a month, at the very least. Common practice, no source.
_LEAST_LOAD, _MONTH = 0.001, pd.Timedelta(days=28)
#: Periods whose end looks like a last day before it is said.
_FEWEST_ENDS = 2


def check_daylight(ledger: Ledger, site: Site, place: str, values: pd.Series | None) -> None:
    """
    Add a problem where light or power falls in the night on most days of most months, and a notice where it does in fewer.

    A sensor or logger that is stuck for a week shines at night too, and is set aside for that week elsewhere.

    Parameters
    ----------
    ledger : Ledger
    site : Site
    place : str
        The table and column, for the message.
    values : Series, shape (n,), or None
        Light, or power for each kW of rating, by time (UTC); several rows may share a time. [W/m² or W/kW]
    """
    if values is None or values.empty:
        return
    bright = values[values > _LEAST_LIGHT]
    energy = bright.groupby(pd.DatetimeIndex(bright.index).floor("h")).sum()
    if energy.empty:
        return
    sun = pvlib.solarposition.get_solarposition(energy.index + _HOUR / 2, site.latitude, site.longitude, site.altitude_m)
    down = (sun["elevation"] < _DOWN).to_numpy()
    local = pd.DatetimeIndex(energy.index).tz_convert(site.tz)
    by_day = energy.where(down, 0.0).groupby(local.date).sum() / energy.groupby(local.date).sum()
    of_month = by_day.groupby(pd.DatetimeIndex(by_day.index).strftime("%Y-%m"))
    share = of_month.median()[of_month.size() >= _FEWEST_DAYS]
    wrong = share[share > _AT_NIGHT]
    if wrong.empty:
        return
    span = wrong.index[0] if len(wrong) == 1 else f"{len(wrong)} months from {wrong.index[0]} to {wrong.index[-1]}"
    most = len(wrong) > _MOST_MONTHS * len(share)
    (ledger.problems if most else ledger.notices).append(
        f"sites/{site.id}/{place}: on most days {100.0 * wrong.max():.0f} % of it falls into hours in which the sun is down at "
        f"{site.latitude:g}°, {site.longitude:g}° ({span}). Expected times with their offset, or wall time of {site.tz.key}. Are "
        "they of another zone, such as UTC, or is it another quantity? Write the offset, or correct timezone, latitude and "
        f"longitude, or the column's name.{'' if most else ' These months are used as they stand.'}")


def check_energy_unit(ledger: Ledger, site: Site, meter: pd.DataFrame | None, power: pd.DataFrame | None,
                      power_step: pd.Timedelta | None) -> None:
    """
    Add a problem where log and meter of the same days are further apart than any fault, and a notice where either alone shows
    next to nothing in a month or more.
    """
    metered = _mean_load(meter, site)
    logged = _logged_load(power, power_step, site)
    for place, load, unit in (("meter: energy_kwh", metered, "kWh; is it in MWh"),
                              ("power: ac_power_kw", logged, "kW; is it in MW")):
        if load is not None and 0.0 < load < _LEAST_LOAD:
            ledger.notices.append(
                f"sites/{site.id}/readings/{place} is {100.0 * load:.2g} % of the inverters' rating in the mean. Expected 5 to "
                f"30 % of a farm, in {unit}? If so, convert it.")
    if meter is None or meter.empty or power is None or power.empty or power_step is None:
        return
    begins, ends = (f(a, b) for f, a, b in (
        (max, meter["start"].min(), power["time"].min()), (min, meter["end"].max(), power["time"].max() + power_step)))
    both = meter[(meter["start"] >= begins) & (meter["end"] <= ends)]
    metered, logged = _mean_load(both, site), _logged_load(power[power["time"].between(begins, ends)], power_step, site)
    if not metered or not logged or 1.0 / _UNIT_APART < metered / logged < _UNIT_APART:
        return
    a, b = begins.tz_convert(site.tz).date(), ends.tz_convert(site.tz).date()
    ledger.problems.append(
        f"sites/{site.id}/readings: from {a} to {b} the meter shows {100.0 * metered:.2g} % of the inverters' rating in the mean "
        f"and the inverters' log {100.0 * logged:.2g} %. Expected nearly the same, energy_kwh in kWh and ac_power_kw in kW. Is "
        "one of them in another unit? Convert it.")


def _mean_load(meter: pd.DataFrame | None, site: Site) -> float | None:
    """Mean power at the meter over the inverters' rating; None under a month of it."""
    if meter is None or meter.empty or not site.pac0_kw:
        return None
    covered = (meter["end"] - meter["start"]).sum()
    return float(meter["energy_kwh"].sum() / (covered / _HOUR) / site.pac0_kw) if covered >= _MONTH else None


def _logged_load(power: pd.DataFrame | None, step: pd.Timedelta | None, site: Site) -> float | None:
    """Mean power of the logged inverters over their rating; None under a month of it."""
    if power is None or power.empty or step is None:
        return None
    whole = power[power["mppt"].isna() & power["ac_power_kw"].notna()]
    rating = whole["inverter_id"].map({i.inverter_id: i.inverter_type.ac_rated_kw for i in site.inverters}).astype(float)
    if whole["time"].nunique() * step < _MONTH:
        return None
    return float(whole["ac_power_kw"].sum() / rating.sum())


def note_last_days(ledger: Ledger, place: str, periods: pd.DataFrame, site: Site) -> None:
    """Notice periods that end one day before the next begins, as where `end` was taken for the last day."""
    ordered = periods.sort_values("start")
    # By the wall clock: a day is 23 or 25 hours where it changes.
    start, end = (pd.DatetimeIndex(ordered[name]).tz_convert(site.tz).tz_localize(None) for name in ("start", "end"))
    a_day_short = np.asarray(end[:-1] + _DAY == start[1:]) & np.asarray(end[:-1] - start[:-1] > _DAY)
    n = int(a_day_short.sum())
    if n < _FEWEST_ENDS or n < 0.5 * (len(ordered) - 1):
        return
    first = int(np.flatnonzero(a_day_short)[0])
    ledger.notices.append(
        f"{place}: {n} of {len(ordered)} periods end a day before the next begins, the first on {end[first].date()}. Expected in "
        "`end` the day after the last. If it is the last day itself, write the day after; those days are without energy now.")
