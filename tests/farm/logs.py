"""What the farm's fixed instruments log: weather, inverter power, string currents, meter; prices and load."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from .instruments import dc_voltage, drawn_dc, whole_grid
from .sensors import light_of, stuck_or_capped
from .shade import years_since
from .simulate import Farm, Truth
from .spec import StringFault
from .weather import drift, time_grid


def by_clock(times: pd.DatetimeIndex, clock: tuple[tuple[dt.date, int], ...]) -> pd.DatetimeIndex:
    """The stamps that a clock which is late by so many minutes from each day on gives to true times."""
    if not clock:
        return times
    late = np.zeros(len(times))
    for day, minutes in clock:
        late += np.where(times >= pd.Timestamp(day, tz="UTC"), minutes, 0)
    return times + pd.to_timedelta(late, unit="min")


def _hourly(wx: pd.DataFrame) -> pd.DataFrame:
    # Whole hours from the first interval on: where the zone is half an hour off UTC, hourly steps begin at half past.
    hours = wx.resample("60min", origin="start")
    mean = hours[["ghi", "dni", "dhi", "temp_air", "wind_speed", "clear", "zenith"]].mean()
    mean["precipitation"] = hours["precipitation"].sum()
    mean["snow_depth"] = hours["snow_depth"].mean()
    return mean


def modelled_weather(farm: Farm) -> pd.DataFrame:
    """Hourly modelled weather: biased, noisier under broken cloud, its rain from a coarse gauge."""
    spec, fit = farm.spec, farm.spec.instruments
    rng = spec.rng("modelled")
    true = _hourly(farm.wx)
    n = len(true)
    broken = 4 * (true["clear"] * (1 - true["clear"])).to_numpy()
    noise = np.exp((0.015 + 0.10 * broken) * drift(rng, n, 2.5) + 0.02 * drift(rng, n, 400))
    total = 1 + rng.normal(0, fit.modelled_bias)
    split = np.clip(1 + rng.normal(0, 0.03) + 0.06 * broken * drift(rng, n, 3), 0.7, 1.3)
    ghi = true["ghi"].to_numpy() * total * noise
    dhi = np.minimum(true["dhi"].to_numpy() * split * total, ghi)
    # The beam that the two leave, over the hour's mean height of the sun as the source reckons it.
    share = np.divide(ghi - dhi, np.maximum((true["ghi"] - true["dhi"]).to_numpy(), 1e-6))
    out = pd.DataFrame({"time": by_clock(true.index, fit.weather_clock if fit.weather == "modelled" else ())})
    out["ghi_w_m2"], out["dhi_w_m2"] = ghi.round(1), dhi.round(1)
    out["dni_w_m2"] = np.clip(true["dni"].to_numpy() * np.where(ghi > dhi, share, 0), 0, 1150).round(1)
    out["temp_air_c"] = (true["temp_air"].to_numpy() + rng.normal(0, 0.5) + 0.7 * drift(rng, n, 12)).round(1)
    out["wind_speed_m_s"] = (
        true["wind_speed"].to_numpy() * np.exp(rng.normal(0, 0.1) + 0.2 * drift(rng, n, 8))
    ).round(1)
    rain = true["precipitation"].to_numpy() * np.exp(
        rng.normal(0, fit.rain_gauge / 2) + fit.rain_gauge * drift(rng, n, 20)
    )
    out["precipitation_mm"] = rain.round(2)
    if "snow" in spec.causes:
        out["snow_depth_m"] = true["snow_depth"].to_numpy().round(3)
    return out


def station_weather(farm: Farm) -> pd.DataFrame:
    """The site's own station, at the log's interval; its light sensors are those of the `weather` kind."""
    spec, fit, wx = farm.spec, farm.spec.instruments, farm.wx
    rng = spec.rng("station")
    n, years = len(wx), years_since(wx.index, spec.start)
    first = farm.sensor_plane
    out = pd.DataFrame({"time": by_clock(wx.index, fit.weather_clock)})
    sources = light_of(farm, wx)
    kept = {"station": tuple(sources), "ghi": ("ghi_w_m2",), "poa": ("poa_global_w_m2",)}[fit.weather]
    bias = np.clip(rng.normal(0, fit.light_bias, 2), -0.03, 0.03)
    for k, name in enumerate(sources):
        read = (
            sources[name] * (1 + bias[k] - fit.light_drift_year * years) * rng.normal(1, fit.light_noise, n)
        )
        if name in kept:
            read = np.clip(read + rng.normal(0, 0.6, n), 0, None).round(1)
            out[name] = stuck_or_capped(farm, name, read)
    out["temp_air_c"] = (wx["temp_air"].to_numpy() + rng.normal(0, 0.3) + rng.normal(0, 0.15, n)).round(1)
    module = wx["temp_air"].to_numpy().copy()
    module[farm.lit] = first.temp_module
    out["temp_module_c"] = (module + rng.normal(0, 0.7) + rng.normal(0, 0.4, n)).round(1)
    out["wind_speed_m_s"] = np.clip(wx["wind_speed"].to_numpy() * rng.normal(1, 0.04, n), 0, None).round(1)
    rain = (wx["precipitation"].to_numpy() * rng.normal(1, 0.05)).round(1)
    if fit.station_gauge:
        out["precipitation_mm"] = rain
    if "snow" in spec.causes:
        out["snow_depth_m"] = wx["snow_depth"].to_numpy().round(3)
    return _lose(out, rng, fit.gaps_per_year / 2, years[-1])


def _lose(table: pd.DataFrame, rng: np.random.Generator, per_year: float, years: float) -> pd.DataFrame:
    """Drop runs of rows, as a logger does that was off."""
    keep = np.ones(len(table), bool)
    step = (table["time"].iloc[1] - table["time"].iloc[0]).total_seconds() / 3600
    for _ in range(rng.poisson(per_year * years)):
        begin = int(rng.integers(len(table)))
        keep[begin : begin + max(1, int(rng.exponential(14) / step))] = False
    return table[keep].reset_index(drop=True)


def _stick(
    values: np.ndarray, rng: np.random.Generator, per_year: float, years: float, step_hours: float
) -> None:
    """Hold a value for some hours, in place."""
    for _ in range(rng.poisson(per_year * years)):
        begin = int(rng.integers(values.shape[-1]))
        values[..., begin : begin + max(2, int(rng.exponential(3) / step_hours))] = values[
            ..., begin : begin + 1
        ]


def power_log(farm: Farm, truth: Truth) -> pd.DataFrame:
    """Interval log of every inverter, with the logger's gain, gaps, stuck values and repeated rows."""
    spec, fit = farm.spec, farm.spec.instruments
    times, step = time_grid(spec), spec.step_minutes / 60
    stamped = by_clock(times + pd.Timedelta(minutes=fit.log_clock_shift_min), fit.log_clock)
    years = len(times) * step / 8766
    ac, dc = whole_grid(farm, truth.actual.ac), whole_grid(farm, drawn_dc(farm, truth))
    volts = whole_grid(farm, dc_voltage(farm, truth))
    tables = []
    for k, name in enumerate(farm.inverters):
        rng = spec.rng(f"log{name}")
        gain = 1 + np.clip(rng.normal(0, fit.logger_gain, 2), -0.01, 0.01)
        noise = rng.normal(1, 0.002, (2, len(times)))
        values = np.stack(
            [
                ac[k] * gain[0] * noise[0],
                dc[k] * gain[1] * noise[1],
                volts[k] * rng.normal(1, 0.003, len(times)),
            ]
        )
        _stick(values, rng, fit.stuck_per_year, years, step)
        table = pd.DataFrame({"time": stamped, "inverter_id": name})
        table["ac_power_kw"], table["dc_power_kw"] = values[0].round(2), values[1].round(2)
        if fit.log_voltage:
            table["dc_voltage_v"] = np.where(values[1] > 0.005, values[2], 0.0).round(0)
        table = _lose(table, rng, fit.gaps_per_year, years)
        again = np.unique(rng.integers(0, len(table) - 4, rng.poisson(fit.repeats_per_year * years)))
        tables.append(pd.concat([table, *(table.iloc[a : a + 4] for a in again)], ignore_index=True))
    return pd.concat(tables, ignore_index=True)


#: Kinds of fault that lower a string's voltage at its power point.
_TAKES_VOLTS = ("bypass_short", "wrong_count", "series_resistance")


def hidden_from_log(farm: Farm) -> set[str]:
    """Strings whose fault takes volts only, and that have an input to themselves: their current shows nothing of it."""
    inputs = [(u.inverter, u.mppt) for u in farm.units]
    lone = {u.id for u in farm.units if inputs.count((u.inverter, u.mppt)) == 1}
    faults = farm.spec.all_of(StringFault)
    return lone & {f.string for f in faults if f.kind in _TAKES_VOLTS or (f.kind == "current_low" and f.part < 1)}


def string_currents(farm: Farm, truth: Truth) -> pd.DataFrame:
    """Interval log of each string's current, from its power and the inverter's voltage."""
    rng, times = farm.spec.rng("string_current"), time_grid(farm.spec)
    watts = farm.string_dc(frozenset(farm.spec.causes) & farm.dc_factors.keys()) * 1000
    hidden = hidden_from_log(farm)
    # A held inverter takes less from all of its strings alike.
    taken = drawn_dc(farm, truth) / np.maximum(truth.actual.dc, 1e-6)
    tables, which = [], farm.inverter_of()
    for i, unit in enumerate(farm.units):
        p = farm.planes[unit.place]
        if unit.id in hidden:
            # Alone on its input it works at its own, lower voltage, and its current is that of a sound one.
            watts[i] = farm.string_dc(frozenset(farm.spec.causes) & farm.dc_factors.keys() - {"string_fault"})[i] * 1000
        volts = np.maximum(
            np.interp(p.effective, (1, 30, 200, 1000), (0.7, 0.9, 0.98, 1.0))
            * unit.series
            * farm.spec.module(unit.module).cells
            * farm.spec.module(unit.module).v_oc_cell_v
            * 0.82
            * (1 - 0.0035 * (p.temp_cell - 25)),
            1.0,
        )
        amps = (
            watts[i] * taken[which[i]] / volts * (1 + rng.normal(0, 0.006)) * rng.normal(1, 0.004, volts.size)
        )
        read = whole_grid(farm, amps).round(2)
        tables.append(pd.DataFrame({"time": times, "string_id": unit.id, "dc_current_a": read}))
    return pd.concat(tables, ignore_index=True)


def meter(farm: Farm, truth: Truth) -> pd.DataFrame:
    """The revenue meter: half-hours, or the site's calendar months."""
    spec, fit = farm.spec, farm.spec.instruments
    rng = spec.rng("meter")
    gain = 1 + float(np.clip(rng.normal(0, fit.meter_gain), -0.005, 0.005))
    energy = pd.Series(whole_grid(farm, truth.actual.meter) * spec.step_minutes / 60 * gain, time_grid(spec))
    if fit.meter == "monthly":
        local = energy.tz_convert(spec.timezone).resample("MS").sum()
        start = pd.DatetimeIndex(local.index)
        return pd.DataFrame(
            {"start": start, "end": start + pd.offsets.MonthBegin(1), "energy_kwh": local.to_numpy().round(0)}
        )
    step = f"{max(30, spec.step_minutes)}min"
    half = energy.resample(step).sum()
    start = by_clock(pd.DatetimeIndex(half.index), fit.meter_clock)
    end = start + pd.Timedelta(step)
    return pd.DataFrame({"start": start, "end": end, "energy_kwh": half.to_numpy().round(2)})


def prices(farm: Farm) -> pd.DataFrame:
    """Hourly market prices: dear evenings, cheap sunny noons that now and then fall below zero."""
    spec = farm.spec
    rng = spec.rng("prices")
    ghi = farm.wx["ghi"].resample("60min", origin="start").mean()
    local = ghi.index.tz_convert(spec.timezone)
    hour, weekend = np.asarray(local.hour), np.asarray(local.day_of_week >= 5)
    shape = 0.062 + 0.030 * np.exp(-(((hour - 20) / 2.2) ** 2)) + 0.016 * np.exp(-(((hour - 8) / 1.8) ** 2))
    level = shape - 0.045 * ghi.to_numpy() / 900 - 0.010 * weekend + 0.014 * drift(rng, len(ghi), 40)
    return pd.DataFrame(
        {"time": ghi.index, "price_per_kwh": (level + 0.004 * rng.normal(size=len(ghi))).round(5)}
    )


def load(farm: Farm) -> pd.DataFrame:
    """Hourly power the site draws: a base and the working day."""
    spec = farm.spec
    rng = spec.rng("load")
    times = pd.date_range(farm.wx.index[0], farm.wx.index[-1], freq="60min")
    local = times.tz_convert(spec.timezone)
    hour, work = np.asarray(local.hour), np.asarray(local.day_of_week < 5)
    busy = ((hour >= 7) & (hour < 17)) * np.where(work, 1.0, 0.25)
    draw = spec.paper.load_kw * (0.45 + 1.3 * busy) * np.exp(0.18 * drift(rng, len(times), 5))
    return pd.DataFrame({"time": times, "load_kw": draw.round(2)})


def usual_months(farm: Farm, expected: dict[str, float]) -> list[int]:
    """The promise at purchase: the expected calendar months, less usual losses. [kWh]"""
    by_month: dict[int, list[float]] = {}
    for label, kwh in expected.items():
        by_month.setdefault(int(label[5:7]), []).append(kwh)
    rng = farm.spec.rng("plan")
    level = 0.955 * (1 + rng.normal(0, 0.015))
    return [int(round(level * float(np.mean(by_month.get(m, [0.0]))), -2)) for m in range(1, 13)]
