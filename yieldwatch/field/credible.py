"""
Whole columns held against what nature and the other tables allow: the light's unit, a dead light sensor, DC power against AC.

A single bad value is set aside where it is read. Here the column as a whole is wrong, or wrong for days, though each value is
possible.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.constants import IRRADIANCE_STC
from yieldwatch.field.ledger import Ledger
from yieldwatch.portfolio.model import Site

_LIGHT = ("ghi", "poa_global")
#: The brightest hour of any record lies far above 2 W/m², in kW/m² below it; under 0.2 the sensor has seen nothing.
_KILO = (0.2, 2.0)
#: A shorter record may have seen the night alone.
_UNIT_SPAN = pd.Timedelta(days=2)
#: Share of the light outside the atmosphere that a day keeps at the least under the darkest cloud. Common practice, no source.
_DEAD = 0.01
#: Share that a second sensor must have seen that day, or the inverters have delivered per kW of nameplate. Far above `_DEAD`, so
#: that neither a steep plane in low sun nor a modelled sky can make a dark day a dead sensor. Common practice, no source.
_ALIVE = 0.06
#: AC over DC power at load, the median of a month: no inverter gives more than it gets, and none in use loses a fifth all along;
#: one that began to is broken. The upper bound leaves room for two instruments. Common practice, no source.
_AC_OVER_DC = (0.8, 1.05)
#: Share of a day's intervals that must be there before its sum says anything. Common practice, no source.
_WHOLE_DAY = 0.9
#: Load above which AC over DC is compared, of the inverter's rating, and how many readings it takes.
_AT_LOAD, _FEWEST = 0.1, 20


def check_light_unit(ledger: Ledger, site: Site, name: str, weather: pd.DataFrame | None) -> None:
    """Add a problem for a light column that is in kW/m², or in kWh/m² of its interval."""
    if weather is None:
        return
    for column in _LIGHT:
        if column not in weather:
            continue
        values = weather[column].dropna()
        if values.empty or values.index[-1] - values.index[0] < _UNIT_SPAN:
            continue
        brightest = float(values.quantile(0.999))
        if _KILO[0] < brightest <= _KILO[1]:
            ledger.problems.append(
                f"sites/{site.id}/{name}: {column}_w_m2 never passes {float(values.max()):.2f}. Expected the interval's mean in "
                "W/m², up to about 1000; is it in kW/m² or kWh/m²? Convert it.")


def daily_extraterrestrial_kwh_m2(latitude: float, day_of_year: np.ndarray) -> np.ndarray:
    """
    Light of a day on a horizontal plane outside the atmosphere. [kWh/m²]

    Parameters
    ----------
    latitude : float
        North positive. [deg]
    day_of_year : ndarray of int, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        Zero where the sun does not rise.

    References
    ----------
    Duffie & Beckman, Solar Engineering of Thermal Processes, equation 1.10.3, with Cooper's declination (1.6.1).
    """
    declination = pvlib.solarposition.declination_cooper69(day_of_year)
    phi = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1.0, 1.0))
    normal = pvlib.irradiance.get_extra_radiation(day_of_year, solar_constant=1367.0, method="asce")
    height = np.cos(phi) * np.cos(declination) * np.sin(sunset) + sunset * np.sin(phi) * np.sin(declination)
    return 24.0 / np.pi * np.asarray(normal) / 1000.0 * np.maximum(height, 0.0)


def without_dead_light(
    ledger: Ledger,
    site: Site,
    weather: pd.DataFrame | None,
    step: pd.Timedelta | None,
    weather_2: pd.DataFrame | None,
    step_2: pd.Timedelta | None,
    power: pd.DataFrame | None,
    power_step: pd.Timedelta | None,
) -> pd.DataFrame | None:
    """
    The weather with the light of a dead sensor missing: days of no light on which something else saw the sun.

    The witness is another light column, the second source, or the inverters' own energy. A day without a witness keeps its
    values: it may have been dark. Each column's days are told in a notice.
    """
    if weather is None or step is None or weather.empty:
        return weather
    days = {c: _daily(weather[c], step, site) for c in _LIGHT if c in weather and weather[c].notna().any()}
    if not days:
        return weather
    index = next(iter(days.values())).index
    outside = pd.Series(daily_extraterrestrial_kwh_m2(site.latitude, index.day_of_year.to_numpy()), index=index)
    seen = {f"{c} of the same file": d for c, d in days.items()}
    if weather_2 is not None and step_2 is not None:
        for column in _LIGHT:
            if column in weather_2 and weather_2[column].notna().any():
                seen[f"{column} of weather_2"] = _daily(weather_2[column], step_2, site)
    if power is not None and power_step is not None and not power.empty:
        total = power.groupby("time")["ac_power_kw"].sum(min_count=1) / site.pdc0_kw * IRRADIANCE_STC
        seen["the inverters' log"] = _daily(total, power_step, site)
    out = weather
    for column, light in days.items():
        dark = (light < _DEAD * outside) & (outside > 0)
        told = {name: (other.reindex(index) > _ALIVE * outside) & dark for name, other in seen.items()
                if name != f"{column} of the same file"}
        witness = {name: int(days_seen.sum()) for name, days_seen in told.items() if days_seen.any()}
        if not witness:
            continue
        dead = np.logical_or.reduce([d.to_numpy(bool) for d in told.values()])
        day = pd.DatetimeIndex(weather.index).tz_convert(site.tz).normalize()
        gone = np.isin(index.get_indexer(day), np.flatnonzero(dead))
        out = out.assign(**{column: out[column].mask(gone)})
        first, last = index[dead][0].date(), index[dead][-1].date()
        names = ", ".join(f"{name} on {n}" for name, n in witness.items())
        ledger.notices.append(
            f"sites/{site.id}/weather: {column}_w_m2 shows no light on {int(dead.sum())} days from {first} to {last}, and there "
            f"was ({names}). These days are taken as not measured. Look at the sensor and its cable.")
    return out


def _daily(values: pd.Series, step: pd.Timedelta, site: Site) -> pd.Series:
    """Sum of each day of site time, NaN where a tenth of it or more is missing. [kWh/m² from W/m²]"""
    day = pd.DatetimeIndex(values.index).tz_convert(site.tz).normalize()
    groups = values.clip(lower=0.0).groupby(day)
    whole = groups.count() >= _WHOLE_DAY * (pd.Timedelta(days=1) / step)
    return groups.sum().where(whole) * (step / pd.Timedelta(hours=1)) / 1000.0


def without_impossible_dc(ledger: Ledger, site: Site, power: pd.DataFrame | None) -> pd.DataFrame | None:
    """
    The log without the DC power that cannot have made the AC power, with a notice for each: all of an inverter whose AC over DC
    was below bounds in every month, and the months of it that were above.
    """
    if power is None or power.empty or "dc_power_kw" not in power or not power["dc_power_kw"].notna().any():
        return power
    kinds = {i.inverter_id: i.inverter_type for i in site.inverters}
    part = power["mppt"].notna() if "mppt" in power else pd.Series(False, index=power.index)
    rating = power["inverter_id"].map({k: t.ac_rated_kw for k, t in kinds.items()}).astype(float)
    rating = rating.where(~part, rating / power["inverter_id"].map({k: t.mppt_inputs for k, t in kinds.items()}).astype(float))
    at_load = (power["ac_power_kw"] > _AT_LOAD * rating) & (power["dc_power_kw"] > 0)
    ratio = power["ac_power_kw"] / power["dc_power_kw"].where(at_load)
    month = power["time"].dt.tz_convert(site.timezone).dt.strftime("%Y-%m")
    by_month = ratio.groupby([power["inverter_id"], month]).agg(["median", "count"])
    known = by_month[by_month["count"] >= _FEWEST]
    above = known["median"] > _AC_OVER_DC[1]
    below = (known["median"] < _AC_OVER_DC[0]).groupby(level=0).transform("all")
    wrong = known[above | below]
    said: dict[str, list[str]] = {}
    for name, own in wrong.groupby(level=0):
        whole = len(own) == len(known.loc[[name]])
        when = "" if whole else f" in {', '.join(own.index.get_level_values(1))}"
        # A wrong unit is wrong for all alike, and is said once.
        said.setdefault(f"is {own['median'].median():.3g} at the middle of the readings at load{when}", []).append(str(name))
    for what, names in said.items():
        ledger.notices.append(
            f"sites/{site.id}/readings/power: AC over DC power of {', '.join(names)} {what}. Expected {_AC_OVER_DC[0]:g} to "
            f"{_AC_OVER_DC[1]:g}; this dc_power_kw is not used. Is it in another unit, or of one input alone?")
    bad = pd.MultiIndex.from_arrays([power["inverter_id"], month]).isin(wrong.index)
    return power.assign(dc_power_kw=power["dc_power_kw"].mask(bad)) if bad.any() else power
