"""
The station's light sensor before it is believed: stuck, at a ceiling, shaded, leaning, dirty.

What is plainly no light is taken out, and told. What only moves the level is corrected where a second source shows by how much;
else it is told, and the doubt goes into every interval by the light's bias.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.expected.sun import sun_position
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.light_values import above_ceiling, ceiling_of, stuck_light, sun_elevation
from yieldwatch.gap.light_view import LIGHT, Lean, SkyShade, clear_view, leans, shaded_sky
from yieldwatch.portfolio.model import Site

#: Share of a day's intervals that must be there, and how far two days' sums may part and still be of one sky, as a logarithm.
#: Common practice, no source.
_WHOLE, _SAME_SKY = 0.9, 0.4
#: Rain of a day that leaves 1/e of the dirt on a small glass dome, and the days after which more dirt makes no difference.
#: Common practice, no source.
_RAIN_MM, _MOST_DAYS = 4.0, 120.0
#: Days of both that a rate takes; standard uncertainties beyond which it counts, and the least that matters. [1/day] A sensor
#: gathers about four tenths of a module's dirt (36 to 48 %, second-hand), and modules of a clean farm 0.0005 a day. Common
#: practice, no source.
_LEAST_DAYS, _BEYOND, _LEAST_RATE = 120, 4.0, 0.0002
#: What a lean, and values put at the cloudless sky, leave in doubt of the level. [fraction] Common practice, no source.
_LEAN_DOUBT, _CEILING_DOUBT = 0.007, 0.02
#: Part of what falls in dry spells that may be haze and no dirt: haze takes light from the modules as well. Common practice, no
#: source.
_HAZE = 0.3


@dataclass(frozen=True)
class LightFault:
    """
    What is wrong with one light column.

    Attributes
    ----------
    column : str
    kind : str
        "stuck", "ceiling", "shade", "lean" or "dirt".
    size : float
        Intervals for "stuck" and "ceiling", sun height up to which it is shaded [°], lean west [°], loss on a dry day [1/day].
    corrected : bool
        Whether the data were changed.
    level_doubt : float
        What it leaves in doubt of the light's level, one standard uncertainty. [fraction]
    words : str
        The evidence, and what was done.
    """

    column: str
    kind: str
    size: float
    corrected: bool
    level_doubt: float
    words: str


def with_checked_light(site: Site, data: SiteData) -> tuple[SiteData, tuple[LightFault, ...]]:
    """
    Look at the weather's light sensors and take out or put right what is safe to.

    Returns
    -------
    data : SiteData
        With a notice for each fault.
    faults : tuple of LightFault
    """
    if data.weather is None or data.weather_step is None or data.weather.empty:
        return data, ()
    data, found = _sound_values(site, data)
    view = clear_view(site, data)
    for column in LIGHT if view is not None else ():
        assert view is not None
        shade = shaded_sky(view, column, None)
        lean = leans(view, site, column, shade)
        if lean is not None:
            found.append(_lean(column, lean))
            # A lean takes light from a low sun as well.
            shade = shaded_sky(view, column, lean)
        if shade is not None:
            data, fault = _without_shaded(site, data, column, shade)
            found.append(fault)
    data, dirt = _without_dirt(site, data)
    found += dirt
    notices = [f"sites/{site.id}/weather: {f.column}_w_m2 {f.words}" for f in found]
    return replace(data, notices=(*data.notices, *notices)), tuple(found)


def level_doubt(faults: tuple[LightFault, ...]) -> float:
    """What all faults leave in doubt of the light's level, one standard uncertainty. [fraction]"""
    return float(np.sqrt(sum(f.level_doubt**2 for f in faults)))


def _sound_values(site: Site, data: SiteData) -> tuple[SiteData, list[LightFault]]:
    """The data without stuck values, and with those at a ceiling put where the cloudless sky stands."""
    assert data.weather is not None
    assert data.weather_step is not None
    weather, step, found = data.weather, data.weather_step, []
    times = pd.DatetimeIndex(weather.index)
    elevation = sun_elevation(site, times, step)
    day = times.tz_convert(site.tz).normalize().asi8
    for column in LIGHT:
        if column not in weather or not weather[column].notna().any():
            continue
        ceiling = ceiling_of(weather[column].to_numpy(float), day)
        capped = (weather[column] >= ceiling).to_numpy()
        stuck = stuck_light(weather[column].to_numpy(float), elevation, step) & ~capped
        if stuck.any():
            days = times[stuck].tz_convert(site.tz)
            weather = weather.assign(**{column: weather[column].mask(stuck)})
            found.append(LightFault(column, "stuck", float(stuck.sum()), True, 0.0, (
                f"repeats one value while the sun moves, on {days.normalize().nunique()} days from {days[0].date()} to "
                f"{days[-1].date()}, {int(stuck.sum())} intervals. These are taken as not measured. Look at the logger.")))
        if capped.any():
            put = above_ceiling(site, column, weather[column], step, ceiling, weather["temp_air"])
            share, added = (float(x / put.sum()) for x in (put[capped].sum(), (put - weather[column]).sum()))
            weather = weather.assign(**{column: put})
            found.append(LightFault(column, "ceiling", float(capped.sum()), True, _CEILING_DOUBT * share, (
                f"never passes {ceiling:.0f} W/m²: {int(capped.sum())} readings stand at that value. They were put where the "
                f"cloudless sky stands, which adds {100.0 * added:.1f} % to its light. Look at the range of the sensor and its "
                "logger.")))
    return replace(data, weather=weather), found


def _lean(column: str, lean: Lean) -> LightFault:
    side = "west" if lean.west_deg > 0 else "east"
    return LightFault(column, "lean", lean.west_deg, False, _LEAN_DOUBT, (
        f"has its noon {abs(lean.late_min):.0f} min too {'late' if lean.late_min > 0 else 'early'} (standard uncertainty "
        f"{lean.doubt_min:.0f} min) on clear days, while all else has it right: the sensor leans about "
        f"{abs(lean.west_deg):.1f}° to the {side}. Nothing was changed; the level of the light is in doubt by another "
        f"{100.0 * _LEAN_DOUBT:.1f} %. Level the sensor."))


def _without_shaded(site: Site, data: SiteData, column: str, shade: SkyShade) -> tuple[SiteData, LightFault]:
    assert data.weather is not None
    assert data.weather_step is not None
    times = pd.DatetimeIndex(data.weather.index)
    sun = sun_position(times + data.weather_step / 2, site.latitude, site.longitude, site.altitude_m)
    gone = shade.behind(sun.elevation, sun.azimuth)
    where = ", ".join(f"{b:.0f} to {b + 10:.0f}° up to {t:.0f}°" for b, t in zip(shade.bearing, shade.top, strict=True))
    fault = LightFault(column, "shade", float(shade.top.max()), True, 0.0, (
        f"loses the sun's beam on clear days where nothing else does: bearing {where} of sun height. The "
        f"{int((gone & data.weather[column].notna()).sum())} intervals with the sun there are taken as not measured. Look along "
        "that bearing from the sensor."))
    weather = data.weather.assign(**{column: data.weather[column].mask(gone)})
    return replace(data, weather=weather), fault


def dry_days(rain: np.ndarray, cleaned: np.ndarray) -> np.ndarray:
    """Days' worth of dirt on a sensor at each day: one more each day, what rain leaves of it, none after it is cleaned. [d]"""
    out, now = np.zeros(len(rain)), 0.0
    for day, depth in enumerate(np.nan_to_num(rain)):
        now = 0.0 if cleaned[day] else now
        out[day] = now
        now = min(now + 1.0, _MOST_DAYS) * float(np.exp(-depth / _RAIN_MM))
    return out


def _without_dirt(site: Site, data: SiteData) -> tuple[SiteData, list[LightFault]]:
    """
    Dirt on the sensors: light that falls in dry spells and comes back with rain or when the record says that the sensor was
    cleaned, against a second source or the inverters.

    The inverters gather dirt themselves, so against them it shows only where the sensor gathers more.
    """
    assert data.weather is not None
    assert data.weather_step is not None
    weather, found = data.weather, []
    wet = weather["precipitation"] if "precipitation" in weather else pd.Series(np.nan, weather.index)
    rain = wet.groupby(pd.DatetimeIndex(weather.index).tz_convert(site.tz).normalize()).sum(min_count=1)
    events = data.events.loc[data.events["kind"] == "sensor_cleaned", "start"] if len(data.events) else []
    cleaned = rain.index.isin([time.tz_convert(site.tz).normalize() for time in events])
    if not rain.notna().any() and not cleaned.any():
        return data, []
    dry = pd.Series(dry_days(rain.to_numpy(float), cleaned), rain.index)
    power = _power_by_day(site, data)
    for column in LIGHT:
        if column not in weather or not weather[column].notna().any():
            continue
        light = _by_day(weather[column], site, data.weather_step)
        second = data.weather_2
        if second is not None and column in second and second[column].notna().any():
            step_2 = pd.Series(second.index).diff().median()
            seen = _rate(light, _by_day(second[column], site, step_2), dry)
            if seen is not None and seen[0] < -max(_BEYOND * seen[1], _LEAST_RATE):
                dirt = -seen[0] * dry.reindex(light.index)
                day = pd.DatetimeIndex(weather.index).tz_convert(site.tz).normalize()
                weather = weather.assign(**{column: weather[column] * np.exp(dirt.reindex(day).fillna(0.0).to_numpy())})
                mean, most = float(dirt.mean()), float(dirt.max())
                doubt = float(np.hypot(seen[1] * dry.mean(), _HAZE * mean))
                found.append(LightFault(column, "dirt", -seen[0], True, doubt, (
                    f"{_falls(seen, 'weather_2')}: dirt on the sensor, or haze that weather_2 does not know. It was raised by "
                    f"{100.0 * mean:.1f} % in the mean, up to {100.0 * most:.1f} %. Clean the sensor when the modules are looked "
                    "at, and more often.")))
                continue
        seen = None if power is None else _rate(light, power, dry)
        if seen is not None and seen[0] < -max(_BEYOND * seen[1], _LEAST_RATE):
            mean = -seen[0] * float(dry.mean())
            found.append(LightFault(column, "dirt", -seen[0], False, mean, (
                f"{_falls(seen, 'the energy of the inverters')}: the sensor gathers more dirt than the modules. Nothing was "
                f"changed; it hides dirt on the modules, and the level of the light is in doubt by another {100.0 * mean:.1f} %. "
                "Clean the sensor.")))
    return replace(data, weather=weather), found


def _falls(seen: tuple[float, float], against: str) -> str:
    return (f"falls by {-100.0 * seen[0]:.3f} % a dry day against {against} (standard uncertainty {100.0 * seen[1]:.3f}) and "
            "comes back with rain or a cleaning")


def _rate(light: pd.Series, witness: pd.Series, dry: pd.Series) -> tuple[float, float] | None:
    """Change of the light over the witness for each dry day [1/day] and its standard uncertainty, clear of trend and season."""
    both = pd.DataFrame({"light": light, "witness": witness, "dry": dry}).dropna()
    both = both[(both[["light", "witness"]] > 0).all(axis=1)]
    ratio = np.log(both["light"] / both["witness"])
    both, ratio = both[(ratio - ratio.median()).abs() < _SAME_SKY], ratio[(ratio - ratio.median()).abs() < _SAME_SKY]
    if len(both) < _LEAST_DAYS or both["dry"].std() < 1.0:
        return None
    years = np.asarray((both.index - both.index[0]) / pd.Timedelta(days=365.25))
    turn = 2.0 * np.pi * years
    design = np.column_stack([np.ones(len(years)), both["dry"], years, np.cos(turn), np.sin(turn), np.cos(2 * turn),
                              np.sin(2 * turn)])
    weight = np.ones(len(years))
    for _ in range(10):
        found, *_ = np.linalg.lstsq(design * weight[:, None], ratio.to_numpy(float) * weight, rcond=None)
        rest = ratio.to_numpy(float) - design @ found
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = np.sqrt(5.0 / (4.0 + (rest / scale) ** 2))
    # A model's error and the modules' own dirt last for days: each day holds part of the day before.
    lasting = float(np.clip(np.corrcoef(rest[:-1], rest[1:])[0, 1], 0.0, 0.95))
    lasting = (1.0 + lasting) / (1.0 - lasting)
    inverse = np.linalg.inv((design * weight[:, None] ** 2).T @ design)
    return float(found[1]), float(np.sqrt(scale**2 * lasting * inverse[1, 1]))


def _by_day(values: pd.Series, site: Site, step: pd.Timedelta) -> pd.Series:
    """Mean of each local day; NaN where a tenth of it or more is missing."""
    groups = values.groupby(pd.DatetimeIndex(values.index).tz_convert(site.tz).normalize())
    return groups.mean().where(groups.count() >= _WHOLE * (pd.Timedelta(days=1) / step))


def _power_by_day(site: Site, data: SiteData) -> pd.Series | None:
    if data.power is None or not len(data.power) or data.power_step is None:
        return None
    table = data.power.groupby(["time", "inverter_id"])["ac_power_kw"].sum(min_count=1).unstack()
    by_day = [_by_day(table[name], site, data.power_step) for name in table]
    return pd.concat(by_day, axis=1).median(axis=1, skipna=True)
