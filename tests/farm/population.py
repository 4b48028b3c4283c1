"""Farms drawn at random: climates, mounts, instruments and causes in every mixture, some wholly healthy."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from .spec import (
    ArraySpec,
    Block,
    Curtailment,
    Degradation,
    FarmSpec,
    Grass,
    GridOutages,
    Hedge,
    Instruments,
    InverterEfficiency,
    InverterSpec,
    Makers,
    Mechanism,
    ModuleSpec,
    Outages,
    Paper,
    Pole,
    ReactivePower,
    Snow,
    Soiling,
    StringFault,
    WetMorningTrips,
)

# Name of the climate, latitudes, longitude and time zone.
PLACES = (
    ("maritime", (50.5, 57.0), -2.5, "Europe/London"),
    ("maritime", (-43.5, -41.0), 172.5, "Pacific/Auckland"),
    ("dry_summer", (36.5, 41.0), -4.0, "Europe/Madrid"),
    ("dry_summer", (-35.0, -32.0), 117.0, "Australia/Perth"),
    ("subtropical", (-29.0, -25.0), 152.5, "Australia/Brisbane"),
    ("subtropical", (24.0, 29.0), 80.5, "Asia/Kolkata"),
    ("continental", (47.0, 52.0), 18.5, "Europe/Warsaw"),
    ("continental", (41.0, 45.0), -90.0, "America/Chicago"),
)
FAULT_SIZE = {
    "open": (0.0, 0.0),
    "bypass_short": (1, 4),
    "wrong_count": (1, 2),
    "series_resistance": (2.0, 6.0),
    "shunt": (12.0, 40.0),
    "current_low": (0.06, 0.2),
}


def _pick(rng: np.random.Generator, options: tuple, weights: tuple[float, ...] | None = None):
    return options[int(rng.choice(len(options), p=weights))]


def _day(rng: np.random.Generator, start: date, end: date) -> date:
    return start + timedelta(days=int(rng.integers((end - start).days)))


def _module(rng: np.random.Generator, k: int) -> ModuleSpec:
    half = bool(rng.random() < 0.6)
    return ModuleSpec(
        f"PM-{k + 1}",
        cells=int(_pick(rng, (60, 72))),
        i_sc_a=round(rng.uniform(9.0, 13.9), 2),
        v_oc_cell_v=round(rng.uniform(0.655, 0.695), 3),
        ideality=round(rng.uniform(1.0, 1.12), 2),
        r_s_ohm=round(rng.uniform(0.18, 0.30), 3),
        r_sh_ohm=round(rng.uniform(250, 700)),
        half_cut=half,
    )


def _as_measured(module: ModuleSpec, rng: np.random.Generator) -> ModuleSpec:
    """
    Weak light, warmth and tolerance as modules differ in them.

    Centred between the module of De Soto 2006 (gap 1.121 eV, leak in proportion to light) and the measured one in tests/expected.
    """
    power = rng.uniform(0.3, 1.0)
    return replace(
        module,
        tolerance_plus_pct=float(_pick(rng, (1.0, 1.5, 2.0, 3.0, 5.0))),
        gap_ev=round(rng.uniform(0.98, 1.13), 3),
        leak_power=round(power, 2),
        r_sh_ohm=round(module.r_sh_ohm * (2.0 - power)),
    )


def _arrays(rng: np.random.Generator, latitude: float) -> tuple[ArraySpec, ...]:
    toward = 180.0 if latitude > 0 else 0.0
    lying = _pick(rng, ("portrait", "landscape"), (0.7, 0.3))
    kind = _pick(rng, ("field", "roof", "tracker", "two"), (0.5, 0.15, 0.2, 0.15))
    if kind == "tracker":
        return (
            ArraySpec(
                "T", "single_axis", pitch_m=round(rng.uniform(5.2, 7.0), 1), width_m=2.25, lower_edge_m=1.2
            ),
        )
    turn = float(round(rng.normal(0, 12)))
    tilt = float(round(rng.uniform(8, 32)))
    first = ArraySpec(
        "A",
        tilt=tilt,
        azimuth=(toward + turn) % 360,
        pitch_m=round(rng.uniform(5.5, 8.5), 1),
        orientation=lying,
        lower_edge_m=round(rng.uniform(0.5, 1.0), 2),
        rows=kind != "roof",
    )
    if kind != "two":
        return (first,)
    return (
        first,
        ArraySpec(
            "B", tilt=12.0, azimuth=(toward + _pick(rng, (-80.0, 60.0, 90.0))) % 360, pitch_m=6.0, width_m=3.2
        ),
    )


def _blocks(
    rng: np.random.Generator, arrays: tuple[ArraySpec, ...], modules: tuple[ModuleSpec, ...]
) -> tuple[tuple[InverterSpec, ...], tuple[Block, ...]]:
    inputs, per_input, series = (
        int(_pick(rng, (2, 3, 4))),
        int(_pick(rng, (1, 2, 3))),
        int(rng.integers(16, 23)),
    )
    count = int(rng.integers(2, 6))
    watt = modules[0].i_sc_a * modules[0].cells * modules[0].v_oc_cell_v * 0.79
    rated = round(inputs * per_input * series * watt / 1000 / rng.uniform(1.0, 1.4), 0)
    kva = round(rated * _pick(rng, (1.0, 1.0, 1.1)), 1)
    kind = InverterSpec(f"PI-{rated:.0f}", rated, kva, inputs)
    blocks = tuple(
        Block(
            f"INV{k + 1}",
            kind.name,
            arrays[k % len(arrays)].id,
            modules[k % len(modules)].name,
            inputs,
            per_input,
            series,
        )
        for k in range(count)
    )
    return (kind,), blocks


def _soiling(rng: np.random.Generator, climate: str, start: date, end: date, names: list[str]) -> Soiling:
    dry = climate in ("dry_summer", "subtropical")
    cleanings = []
    if rng.random() < (0.6 if dry else 0.2):
        for _ in range(int(rng.integers(1, 4))):
            scope = (
                "site"
                if rng.random() < 0.75
                else _pick(rng, tuple(dict.fromkeys(n.split(".")[0] for n in names)))
            )
            cleanings.append((_day(rng, start, end), scope, 500.0))
    # Dirt that rain leaves is a trace on most farms and much on some.
    lasting = rng.spawn(1)[0]
    much = lasting.random() < 0.25
    drops = tuple(
        (str(n), round(rng.uniform(2, 9), 1))
        for n in rng.choice(names, int(rng.integers(0, 3)), replace=False)
    )
    return Soiling(
        rng.uniform(0.03, 0.14) if dry else rng.uniform(0.005, 0.06),
        rng.uniform(1.0, 2.5) if dry else 1.0,
        rng.uniform(2, 8),
        rng.uniform(0.0, 0.8) * (2.0 if much else 0.3),
        rng.uniform(0.2, 4.0),
        lasting.uniform(0.5, 4.5) if much else 0.1,
        droppings=drops,
        cleanings=tuple(sorted(cleanings)),
        return_pace=lasting.uniform(0.0, 1 / 3),
        drop_pace=lasting.uniform(0.5, 3.0),
    )


def _vegetation(
    rng: np.random.Generator, latitude: float, arrays: tuple[ArraySpec, ...], start: date, end: date
) -> list[Mechanism]:
    found: list[Mechanism] = []
    toward = 180.0 if latitude > 0 else 0.0
    if rng.random() < 0.35:
        cuts = ((_day(rng, start, end), 2.0, 600.0),) if rng.random() < 0.4 else ()
        bearing = float((toward + _pick(rng, (0, 0, -80, 80))) % 360)
        found.append(
            Hedge(
                bearing,
                float(rng.uniform(70, 150)),
                rng.uniform(5, 12),
                rng.uniform(2.2, 4.5),
                rng.uniform(0.1, 0.8),
                cuts,
            )
        )
    if rng.random() < 0.3 and arrays[0].rows:
        row = "1" if len(arrays) == 1 else f"{arrays[0].id}1"
        mowings = tuple((_day(rng, start, end), 380.0) for _ in range(int(rng.integers(0, 3))))
        found.append(Grass((row,), rng.uniform(0.2, 0.5), rng.uniform(0.9, 1.5), mowings))
    if rng.random() < 0.2:
        found.append(Pole(rng.uniform(0, 40), -8.0 if latitude > 0 else 8.0, rng.uniform(6, 11)))
    return found


def _faults(rng: np.random.Generator, names: list[str], groups: int, start: date, end: date) -> list[Mechanism]:
    """Faults of some strings of so many bypass groups each."""
    found: list[Mechanism] = []
    count = int(_pick(rng, (0, 1, 2, 4), (0.4, 0.3, 0.2, 0.1)))
    for name in rng.choice(names, min(count, len(names)), replace=False):
        kind = str(_pick(rng, tuple(FAULT_SIZE), (0.35, 0.15, 0.1, 0.15, 0.15, 0.1)))
        low, high = FAULT_SIZE[kind]
        size = (
            float(rng.integers(low, high + 1))
            if kind in ("bypass_short", "wrong_count")
            else rng.uniform(low, high)
        )
        since = date(2016, 1, 1) if kind == "wrong_count" else _day(rng, start - timedelta(days=400), end)
        mended = None
        if since > start and (end - since).days > 200 and rng.random() < 0.25:
            mended = since + timedelta(days=int(rng.integers(40, 160)))
        part, grows = 1.0, 1.5 if kind in ("series_resistance", "shunt") else 0.0
        if kind == "current_low":
            # Cracked modules: the share of the string's groups that is lost once the diodes carry the current past them.
            part, size = max(1, round(size * groups)) / groups, 0.5
        found.append(StringFault(str(name), kind, since, size, mended, part=part, years_to_full=grows))
    return found


def _inverter_troubles(
    rng: np.random.Generator, inverters: list[str], start: date, end: date
) -> list[Mechanism]:
    found: list[Mechanism] = []
    if rng.random() < 0.25:
        kind = str(_pick(rng, ("ramp", "heat", "mppt")))
        low, high = {"ramp": (0.5, 2.5), "heat": (1.0, 4.0), "mppt": (10.0, 50.0)}[kind]
        found.append(
            InverterEfficiency(
                _pick(rng, tuple(inverters)), kind, _day(rng, start, end), rng.uniform(low, high)
            )
        )
    if rng.random() < 0.6:
        found.append(Outages(rng.uniform(0.3, 3.0), rng.uniform(3, 30), rng.uniform(0.2, 1.0)))
    if rng.random() < 0.15:
        found.append(
            WetMorningTrips(_pick(rng, tuple(inverters)), rng.uniform(0.2, 0.8), _day(rng, start, end))
        )
    if rng.random() < 0.4:
        found.append(GridOutages(rng.uniform(0.3, 3.0), rng.uniform(2, 10)))
    if rng.random() < 0.2:
        left_on = (
            ((_pick(rng, tuple(inverters)), rng.uniform(0.5, 0.85), _day(rng, start, end), None),)
            if rng.random() < 0.4
            else ()
        )
        found.append(Curtailment(rng.uniform(5, 30), rng.uniform(0.4, 1.0), left_on))
    if rng.random() < 0.08:
        found.append(ReactivePower(float(_pick(rng, (0.95, 0.98)))))
    return found


def _visits(
    rng: np.random.Generator, start: date, end: date, per_year: float, north: bool
) -> tuple[date, ...]:
    """Visits spread over the history, moved out of the dark months where they fall into them."""
    count = max(1, round(per_year * (end - start).days / 365))
    gap = (end - start).days / count
    dark = (11, 12, 1, 2) if north else (5, 6, 7, 8)
    found = []
    for k in range(count):
        day = start + timedelta(days=int(gap * (k + rng.uniform(0.5, 0.9))))
        while day.month in dark and day - timedelta(days=30) > start:
            day -= timedelta(days=30)
        found.append(day)
    return tuple(sorted(set(found)))


def _instruments(rng: np.random.Generator, start: date, end: date, north: bool) -> Instruments:
    bare = rng.random() < 0.25  # readings only
    minutes = None if bare else int(_pick(rng, (5, 15, 30, 60), (0.1, 0.5, 0.2, 0.2)))
    kinds = ("station", "ghi", "modelled", "poa")
    weather = "modelled" if bare and rng.random() < 0.7 else str(_pick(rng, kinds, (0.45, 0.2, 0.2, 0.15)))
    meter = "monthly" if bare or rng.random() < 0.3 else "half_hourly"
    return Instruments(
        weather,
        second_weather=bool(weather != "modelled" and rng.random() < 0.3),
        log_minutes=minutes,
        log_voltage=bool(rng.random() < 0.5),
        log_clock_shift_min=60 if rng.random() < 0.04 else 0,
        string_current=bool(minutes is not None and minutes >= 15 and rng.random() < 0.08),
        meter=meter if bare or rng.random() < 0.9 else "none",
        light_bias=rng.uniform(0.003, 0.02),
        light_drift_year=rng.uniform(-0.002, 0.006),
        modelled_bias=0.025,
        logger_gain=rng.uniform(0.001, 0.006),
        iv_rounds=_visits(rng, start, end, 2.0 if bare else _pick(rng, (0.5, 1.0)), north),
        iv_share=float(_pick(rng, (1.0, 1.0, 0.7))),
        iv_partial=True,
        curves=bool(rng.random() < 0.3),
        clamp_rounds=_visits(rng, start, end, 2.0 if bare else 0.5, north)
        if bare or rng.random() < 0.6
        else (),
    )


def _lacking(rng: np.random.Generator, fit: Instruments) -> Instruments:
    """Some stations have no rain gauge, and on some farms nobody has traced a string."""
    return replace(fit, station_gauge=bool(rng.random() > 0.2), iv_rounds=fit.iv_rounds if rng.random() > 0.1 else ())


def draw_farm(seed: int, years: int | None = None, healthy: bool = False) -> FarmSpec:
    """
    Draw one farm of the population.

    Parameters
    ----------
    seed : int
        The same seed gives the same farm, weather and readings.
    years : int, optional
        Length of the history; 1 or 2 at random if not given.
    healthy : bool, default False
        Nothing wrong but age and a trace of dirt, as some of the farms drawn otherwise have it too.
    """
    rng = np.random.default_rng([seed, 7919])
    climate, latitudes, longitude, timezone = _pick(rng, PLACES)
    latitude = round(float(rng.uniform(*latitudes)), 2)
    start = date(2022, int(rng.integers(1, 13)), 1)
    drawn = int(_pick(rng, (1, 2), (0.3, 0.7)))
    end = date(start.year + (years or drawn), start.month, 1)
    as_made = np.random.default_rng([seed, 6151])
    modules = tuple(_as_measured(_module(rng, k), as_made) for k in range(int(_pick(rng, (1, 2), (0.8, 0.2)))))
    arrays = _arrays(rng, latitude)
    inverters, blocks = _blocks(rng, arrays, modules)
    names = [
        f"{b.inverter}.{i + 1}.{k + 1}" for b in blocks for i in range(b.inputs) for k in range(b.per_input)
    ]
    units = list(dict.fromkeys(b.inverter for b in blocks))
    mechanisms: list[Mechanism] = [
        Degradation(rng.uniform(0.5, 2.5), max(0.1, rng.normal(0.55, 0.2)), 0.08),
        Makers(rng.normal(0, 0.7) + as_made.uniform(0, 1), 0.6),
    ]
    if rng.random() < 0.15 or healthy:
        mechanisms.append(Soiling(0.008, rain_mm=2.0, persistent_pct_year=0.0, start_pct=0.1))
    else:
        mechanisms.append(_soiling(rng, climate, start, end, names))
        mechanisms += _vegetation(rng, latitude, arrays, start, end)
        mechanisms += _faults(rng, names, 3 * blocks[0].series, start, end)
        mechanisms += _inverter_troubles(rng, units, start, end)
    if climate == "continental" and not healthy:
        mechanisms.append(Snow(rng.uniform(3, 9)))
    capacity = sum(inverters[0].kw for _ in units)
    return FarmSpec(
        f"farm-{seed}",
        f"Farm {seed}",
        seed,
        latitude,
        round(longitude + float(rng.uniform(-2, 2)), 2),
        timezone,
        climate,
        start,
        end,
        date(int(rng.integers(2012, 2022)), int(rng.integers(1, 13)), 15),
        arrays,
        modules,
        inverters,
        blocks,
        tuple(mechanisms),
        altitude_m=round(rng.uniform(5, 500)),
        strings_per_row=int(_pick(rng, (3, 4, 6))),
        u0=rng.uniform(22, 29),
        u1=rng.uniform(5.2, 7.2),
        cell_over_back_c=rng.uniform(0.5, 3.5),
        sky_model=str(_pick(rng, ("perez", "haydavies"))),
        instruments=_lacking(np.random.default_rng([seed, 4057]), _instruments(rng, start, end, latitude > 0)),
        paper=Paper(export_limit_kw=round(0.85 * capacity) if rng.random() < 0.15 else None),
    )
