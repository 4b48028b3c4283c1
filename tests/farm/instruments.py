"""
What a crew's testers read: string IV rounds, traced curves, clamp readings.

Every round has one light-sensor bias, so all its strings are off together;
a few traces are taken as a cloud passes.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from . import diode
from .causes import at_strength, strength
from .layout import StringUnit
from .simulate import Farm, Truth
from .spec import Soiling, StringFault
from .weather import time_grid

#: From one string's test to the next.
MINUTES_A_TRACE = 2.6


def best_window(farm: Farm, day: dt.date, slots: int) -> np.ndarray:
    """
    Lit intervals of the crew's visit: the brightest steady run within ten days of `day`.

    Crews wait for fine weather; where none comes they go on the brightest day there is.
    """
    local = farm.times.tz_convert(farm.spec.timezone)
    light = farm.sensor_plane.poa_global
    days = np.asarray((local.tz_localize(None).normalize() - pd.Timestamp(day)).days)
    best, best_score = np.arange(slots), -np.inf
    for d in range(-10, 11):
        at = np.flatnonzero((days == d) & (farm.ac.grid_up > 0))
        if at.size < slots:
            continue
        sums = np.convolve(light[at], np.ones(slots) / slots, "valid")
        worst = np.array([light[at[k : k + slots]].min() for k in range(sums.size)])
        k = int(np.argmax(worst + 0.2 * sums))
        if worst[k] + 0.2 * sums[k] > best_score:
            best, best_score = at[k : k + slots], worst[k] + 0.2 * sums[k]
    return best


def _curve_of(
    farm: Farm, unit: StringUnit, i: int, t: int, light: float, temp: float
) -> tuple[diode.Curve | diode.TwoPart, float]:
    """The module curve that stands for the string at lit interval `t`, and how many are in series."""
    spec, module = farm.spec, farm.spec.module(unit.module)
    light_left = 1.0
    for cause in ("soiling", "snow"):
        factor = farm.dc_factors.get(cause)
        light_left *= 1.0 if factor is None else float(factor[min(i, factor.shape[0] - 1), t])
    light_left /= 1 - _droppings(farm, unit)
    aged = farm.dc_factors.get("degradation")
    loss = 0.0 if aged is None else 1 - float(aged[i, t])
    current, voltage = unit.maker_current * (1 - 0.7 * loss), unit.maker_voltage * (1 - 0.3 * loss)
    count, extra = float(unit.series), {}
    weak = None
    for whole in spec.all_of(StringFault):
        size = float(strength(whole, farm.times[t : t + 1])[0]) if whole.string == unit.id else 0.0
        if size == 0.0:
            continue
        fault = at_strength(whole, size)
        if fault.kind == "current_low" and fault.part < 1:
            weak = fault
        elif fault.kind in ("open", "current_low"):
            current *= 0.0 if fault.kind == "open" else 1 - fault.size
        elif fault.kind == "series_resistance":
            extra["r_s_more"] = fault.size / unit.series
        elif fault.kind == "shunt":
            extra["shunt_ohm"] = fault.size
        else:
            count -= fault.size if fault.kind == "wrong_count" else fault.size / module.bypass
    seen = np.array([max(light * light_left * current, 0.0)])
    if weak is not None:
        return diode.weak_part(module, seen, np.array([temp]), 1 - weak.size, weak.part), count * voltage
    return diode.curve(module, seen, np.array([temp]), **extra), count * voltage


def _droppings(farm: Farm, unit: StringUnit) -> float:
    """Share of its power that a string loses to droppings, where they show as groups that are carried past."""
    soil = farm.spec.all_of(Soiling)
    if not farm.spec.instruments.iv_partial or not soil:
        return 0.0
    return dict(soil[0].droppings).get(unit.id, 0.0) / 100


def _shade_at(farm: Farm, i: int, t: int) -> float:
    shade = farm.dc_factors.get("shading")
    return 1.0 if shade is None else float(shade[i, t])


def _summary(farm: Farm, i: int, t: int, light: float, temp: float) -> dict[str, float]:
    """True summary values of string `i`, before the tester's errors."""
    unit = farm.units[i]
    curve, count = _curve_of(farm, unit, i, t, light, temp)
    found = {k: float(v[0]) for k, v in curve.points().items()}
    keep = _shade_at(farm, i, t)
    # A shadow takes current at the power point; short-circuit current is that of the best-lit part.
    deep = keep < 0.97
    lies = farm.spec.instruments.iv_partial and farm.spec.array(unit.array).orientation == "landscape"
    volts = (1 - _droppings(farm, unit)) * (keep if deep and lies else 1)
    out = {
        "i_sc": found["i_sc"] * (1 if deep else keep),
        "v_oc": found["v_oc"] * count,
        "i_mp": found["i_mp"] * (1 if deep and lies else keep),
        "v_mp": found["v_mp"] * count * volts,
    }
    return out if found["i_sc"] > 0.01 else {"i_sc": 0.0, "v_oc": 0.3 * unit.series, "i_mp": 0.0, "v_mp": 0.0}


def visit(farm: Farm, number: int, day: dt.date) -> tuple[np.random.Generator, np.ndarray, np.ndarray]:
    """The round's random numbers, the places of the strings that are tested, and the lit intervals of the visit."""
    rng = farm.spec.rng(f"iv{number}")
    tested = np.flatnonzero(rng.random(len(farm.units)) < farm.spec.instruments.iv_share)
    slots = max(2, int(np.ceil(tested.size * MINUTES_A_TRACE / farm.spec.step_minutes)) + 1)
    return rng, tested, best_window(farm, day, slots)


def iv_round(farm: Farm, number: int, day: dt.date) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    One round of string tests, and some of its traced curves.

    Returns
    -------
    rows : DataFrame
        The columns of `readings/iv`.
    curves : DataFrame
        The columns of `readings/iv_curves`; empty where the farm keeps none.
    """
    spec, fit = farm.spec, farm.spec.instruments
    minutes = MINUTES_A_TRACE
    rng, tested, window = visit(farm, number, day)
    sensor = 1 + rng.normal(0, fit.iv_light_bias)
    temp_bias = rng.normal(0, 0.8)
    rows, curves = [], []
    for n, i in enumerate(tested):
        past = n * minutes + rng.uniform(0, 1.2)
        t = int(window[min(int(past // spec.step_minutes), window.size - 1)])
        at = farm.times[window[0]] + pd.Timedelta(seconds=round(60 * past))
        p = farm.planes[farm.units[i].place]
        wobble = rng.normal(1, 0.008)
        cloud = rng.uniform(0.45, 0.85) if rng.random() < fit.iv_bad_light else 1.0
        after = 1.0 if rng.random() < 0.4 else cloud  # gone again when the second reading was taken
        light = float(p.effective[t]) * wobble
        drift = rng.normal(0, 0.8)
        temp = float(p.temp_cell[t]) + drift
        true = _summary(farm, i, t, light * cloud, temp)
        # Where a cloud passes, the light sensor is read a moment before the trace, and again after it.
        poa = float(p.poa_global[t]) * wobble * sensor
        noise = rng.normal(0, (0.003, 0.002, 0.004, 0.003), 4)
        i_sc, v_oc, i_mp, v_mp = (true[k] * (1 + e) for k, e in zip(true, noise, strict=True))
        trace = f"R{number}-{n + 1:03d}"
        rows.append(
            (
                (at + pd.Timedelta(minutes=fit.iv_clock_min)).tz_convert(spec.timezone).isoformat(timespec="seconds"),
                farm.units[i].id,
                round(poa * rng.normal(1, 0.003), 1),
                round(float(p.temp_module[t]) + drift + temp_bias + rng.normal(0, 0.5), 1),
                round(i_sc, 3),
                round(v_oc, 1),
                round(min(i_mp, i_sc), 3),
                round(min(v_mp, v_oc), 1),
                round(min(i_mp, i_sc) * min(v_mp, v_oc), 1),
                round(poa * after * rng.normal(1, 0.004), 1),
                trace,
            )
        )
        if fit.curves and (n % 5 == 0 or any(f.string == farm.units[i].id for f in spec.all_of(StringFault))):
            curves.append(_trace(farm, i, t, light * cloud, temp, trace, rng))
    names = [
        "time",
        "string_id",
        "poa_global_w_m2",
        "temp_module_c",
        "i_sc_a",
        "v_oc_v",
        "i_mp_a",
        "v_mp_v",
        "p_mp_w",
        "poa_global_end_w_m2",
        "trace_id",
    ]
    if rng.random() < fit.iv_swaps and len(rows) > 1:
        n = int(rng.integers(len(rows) - 1))
        rows[n : n + 2] = [(a[0], b[1], *a[2:]) for a, b in ((rows[n], rows[n + 1]), (rows[n + 1], rows[n]))]
    points = (
        pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(columns=["trace_id", "v_v", "i_a"])
    )
    return pd.DataFrame(rows, columns=names), points


def _trace(
    farm: Farm, i: int, t: int, light: float, temp: float, trace: str, rng: np.random.Generator
) -> pd.DataFrame:
    curve, count = _curve_of(farm, farm.units[i], i, t, light, temp)
    v_oc = float(curve.points()["v_oc"][0])
    volts = np.linspace(0, v_oc, 36)
    amps = curve.current(volts)
    keep = _shade_at(farm, i, t)
    # The shaded part carries its own, lower, current; at low voltage the bypass diodes take over.
    amps = (
        np.minimum(amps, np.where(volts > 0.25 * v_oc, amps[0] * max(keep, 0.02) * 1.03, np.inf))
        if keep < 0.97
        else amps
    )
    read_v = volts * count * (1 + rng.normal(0, 0.001, volts.size)) + rng.normal(0, 0.3, volts.size)
    read_i = np.clip(amps, 0, None) * (1 + rng.normal(0, 0.002, volts.size)) + rng.normal(
        0, 0.004, volts.size
    )
    return pd.DataFrame({"trace_id": trace, "v_v": read_v.round(2), "i_a": read_i.round(3)})


def dc_voltage(farm: Farm, truth: Truth) -> np.ndarray:
    """Voltage at each inverter's DC terminals, (inverters, lit): above the power point where held. [V]"""
    out = np.zeros(truth.actual.ac.shape)
    for k, name in enumerate(farm.inverters):
        own = [u for u in farm.units if u.inverter == name]
        for unit in {(u.array, u.module, u.series): u for u in own}.values():
            p = farm.planes[unit.place]
            share = sum(
                (u.array, u.module, u.series) == (unit.array, unit.module, unit.series) for u in own
            ) / len(own)
            volts = diode.voltage(farm.spec.module(unit.module), p.effective, p.temp_cell)
            out[k] += share * volts * unit.series * 0.985
    return np.where(truth.actual.held & (truth.actual.ac > 0), out * 1.07, out)


def drawn_dc(farm: Farm, truth: Truth) -> np.ndarray:
    """Power at each inverter's DC terminals: held off its power point it draws what it gives. [kW]"""
    held = truth.actual.ac / np.maximum(farm.ac.efficiency, 0.1) / 0.98
    return np.where(truth.actual.held, held, truth.actual.dc)


def clamp_round(farm: Farm, truth: Truth, number: int, day: dt.date) -> pd.DataFrame:
    """One round of clamp readings, a row an inverter; the columns of `readings/clamp`."""
    spec = farm.spec
    rng = spec.rng(f"clamp{number}")
    step = max(1, round(25 / spec.step_minutes))
    window = best_window(farm, day, step * len(farm.inverters))
    volts, drawn = dc_voltage(farm, truth), drawn_dc(farm, truth)
    sensor = 1 + rng.normal(0, spec.instruments.iv_light_bias)
    rows = []
    for k, name in enumerate(farm.inverters):
        t = int(window[k * step])
        # The crew lays its light sensor in the plane of the inverter's own strings.
        p = farm.planes[next(u.place for u in farm.units if u.inverter == name)]
        ac = float(truth.actual.ac[k, t])
        dc = float(drawn[k, t])
        at = farm.times[t] + pd.Timedelta(minutes=int(rng.integers(0, max(2, spec.step_minutes))))
        lag = float(farm.ac.power_factor[t]) if "reactive_power" in spec.causes else 0.998
        amps, line, e = dc * 1000 / max(volts[k, t], 1.0), 400 + rng.normal(0, 3), rng.normal(0, 0.008, 5)
        apparent = ac / lag
        rows.append(
            (
                at.tz_convert(spec.timezone).isoformat(timespec="seconds"),
                name,
                round(float(p.poa_global[t]) * sensor * rng.normal(1, 0.005), 1),
                round(float(p.temp_module[t]) + rng.normal(0, 1.2), 1),
                round(volts[k, t] * (1 + e[0] / 3), 1),
                round(amps * (1 + e[1]), 2),
                round(dc * (1 + e[2]), 2),
                round(line, 1),
                round(apparent * 1000 / line / np.sqrt(3) * (1 + e[3]), 2),
                round(ac * (1 + e[4]), 2),
                round(apparent * (1 + e[4]), 2),
                round(apparent * np.sqrt(1 - lag * lag) * (1 + 2 * e[3]), 2),
                round(lag, 3),
            )
        )
    names = [
        "time",
        "inverter_id",
        "poa_global_w_m2",
        "temp_module_c",
        "dc_voltage_v",
        "dc_current_a",
        "dc_power_kw",
        "ac_voltage_v",
        "ac_current_a",
        "ac_power_kw",
        "ac_apparent_kva",
        "ac_reactive_kvar",
        "power_factor",
    ]
    return pd.DataFrame(rows, columns=names)


def whole_grid(farm: Farm, lit_values: np.ndarray) -> np.ndarray:
    """Spread values of the lit intervals over all of them, zero at night."""
    out = np.zeros((*lit_values.shape[:-1], len(time_grid(farm.spec))))
    out[..., farm.lit] = lit_values
    return out
