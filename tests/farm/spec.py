"""What an invented farm is. Angles are degrees, azimuth clockwise from north; heights above the ground."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

CAUSES = (
    "soiling", "shading", "snow", "string_fault", "degradation", "unexplained",
    "inverter_efficiency", "inverter_outage", "grid_outage", "curtailment", "reactive_power",
)  # fmt: skip


@dataclass(frozen=True)
class ModuleSpec:
    """A module by its physics; its datasheet follows from it (see `diode.datasheet`)."""

    name: str
    cells: int = 72
    i_sc_a: float = 11.4
    v_oc_cell_v: float = 0.684
    ideality: float = 1.05
    r_s_ohm: float = 0.24
    r_sh_ohm: float = 450.0
    alpha_pct: float = 0.048
    gap_ev: float = 1.121  # what the voltage's fall with warmth amounts to
    leak_power: float = 1.0  # the leak goes as light to this power: 1 of De Soto 2006, 0 of a plain resistor
    bypass: int = 3
    tolerance_plus_pct: float = 3.0
    first_year_pct: float = 98.0
    then_pct: float = 0.55
    length_m: float = 2.1
    width_m: float = 1.05
    half_cut: bool = True
    clamp_torque_nm: float | None = None


@dataclass(frozen=True)
class InverterSpec:
    name: str
    kw: float = 60.0
    kva: float = 60.0
    inputs: int = 4
    efficiency_pct: tuple[float, ...] = (93.5, 96.4, 97.8, 98.2, 98.4, 98.3, 98.0)  # at 5 ... 100 %
    night_w: float = 5.0
    torque_nm: tuple[float, float] | None = None  # of its DC and its AC terminals


@dataclass(frozen=True)
class ArraySpec:
    id: str
    mount: str = "fixed"
    tilt: float = 20.0
    azimuth: float = 180.0
    pitch_m: float = 7.0
    width_m: float = 3.4
    albedo: float = 0.2
    orientation: str = "portrait"
    lower_edge_m: float = 0.8
    max_angle: float = 55.0
    rows: bool = True  # False on a roof: no row in front


@dataclass(frozen=True)
class Block:
    """Strings of one inverter in one plane: `inputs` by `per_input` strings of `series` modules."""

    inverter: str
    inverter_type: str
    array: str
    module: str
    inputs: int
    per_input: int
    series: int
    first_input: int = 1


# ---- what can be wrong -------------------------------------------------------------------------


@dataclass(frozen=True)
class Soiling:
    """Dust that rain takes away by its depth, and a part that only a cleaning takes away."""

    rate_pct_day: float = 0.05
    dry_season_factor: float = 1.0
    rain_mm: float = 4.0  # depth that leaves 1/e of the dust
    persistent_pct_year: float = 0.2
    start_pct: float = 0.3  # dust when the history begins
    start_persistent_pct: float = 0.1
    row_factors: tuple[tuple[str, float], ...] = ()
    droppings: tuple[tuple[str, float], ...] = ()  # string, loss %
    return_pace: float = 0.0  # of what a cleaning took of the rain-proof part, 1/a: plants on glass grow to a limit, then stop
    drop_pace: float = 0.0  # the same of droppings, 1/a: birds keep to their perches
    taken_pct: float = 0.0  # rain-proof dirt and, as a share, droppings that a cleaning takes off as the history begins
    drops_taken: float = 0.0
    cleanings: tuple[tuple[dt.date, str, float], ...] = ()  # date, scope, cost


@dataclass(frozen=True)
class Hedge:
    """A straight hedge `distance_m` from the nearest string in the direction `bearing`."""

    bearing: float = 180.0
    spread: float = 140.0  # degrees of bearing it covers
    distance_m: float = 8.0
    height_m: float = 3.0
    growth_m_year: float = 0.5
    cuts: tuple[tuple[dt.date, float, float], ...] = ()  # date, height left, cost


@dataclass(frozen=True)
class Pole:
    x_m: float
    y_m: float
    height_m: float = 9.0
    width_m: float = 0.4


@dataclass(frozen=True)
class Grass:
    rows: tuple[str, ...] = ("1",)
    growth_m_month: float = 0.35
    highest_m: float = 1.4
    mowings: tuple[tuple[dt.date, float], ...] = ()  # date, cost
    height_m: float = 0.3  # when the history begins


@dataclass(frozen=True)
class StringFault:
    """
    `size` means: bypass_short, groups; wrong_count, modules missing; series_resistance, ohm of the string;
    shunt, ohm of each module; current_low, share of the current lost. None for open. A `part` of the string's bypass groups
    below 1 has the low current alone, so that diodes may carry the rest past it. With `years_to_full` the size grows from
    three tenths of it.
    """

    string: str
    kind: str
    start: dt.date
    size: float = 0.0
    repaired: dt.date | None = None
    repair_cost: float = 265.0
    part: float = 1.0
    years_to_full: float = 0.0


@dataclass(frozen=True)
class InverterEfficiency:
    """`kind`: ramp (% a year), heat (% of rating per °C of air above 25), mppt (% of one input's power)."""

    inverter: str
    kind: str
    start: dt.date
    size: float
    repaired: dt.date | None = None


@dataclass(frozen=True)
class Outages:
    per_year: float = 2.0  # an inverter
    mean_hours: float = 8.0
    recorded: float = 0.6
    planned: tuple[tuple[str, dt.datetime, float], ...] = ()  # inverter, start UTC, hours; all recorded


@dataclass(frozen=True)
class WetMorningTrips:
    inverter: str
    chance: float = 0.6
    start: dt.date = dt.date(2000, 1, 1)


@dataclass(frozen=True)
class GridOutages:
    per_year: float = 2.0
    mean_hours: float = 5.0
    recorded: float = 0.7


@dataclass(frozen=True)
class Curtailment:
    """Network instructions at noon, and inverters left at a limit (id, share of rating, from, to)."""

    per_year: float = 20.0
    recorded: float = 0.75
    left_on: tuple[tuple[str, float, dt.date, dt.date | None], ...] = ()


@dataclass(frozen=True)
class ReactivePower:
    power_factor: float = 0.95
    start: dt.date = dt.date(2000, 1, 1)


@dataclass(frozen=True)
class Snow:
    slide_hours: float = 5.0  # of thaw, to clear the glass


@dataclass(frozen=True)
class Degradation:
    first_year_pct: float = 1.4
    pct_year: float = 0.5
    spread_pct_year: float = 0.08


@dataclass(frozen=True)
class Makers:
    """Modules against their plate: a bias all share and a spread from string to string, %."""

    bias_pct: float = 0.3
    spread_pct: float = 0.5


Mechanism = (
    Soiling | Hedge | Pole | Grass | StringFault | InverterEfficiency | Outages | WetMorningTrips
    | GridOutages | Curtailment | ReactivePower | Snow | Degradation | Makers
)  # fmt: skip

CAUSE_OF = {
    Soiling: "soiling", Hedge: "shading", Pole: "shading", Grass: "shading", Snow: "snow",
    StringFault: "string_fault", Degradation: "degradation", Makers: "unexplained",
    InverterEfficiency: "inverter_efficiency", Outages: "inverter_outage", WetMorningTrips: "inverter_outage",
    GridOutages: "grid_outage", Curtailment: "curtailment", ReactivePower: "reactive_power",
}  # fmt: skip


# ---- instruments and paper ---------------------------------------------------------------------


@dataclass(frozen=True)
class SensorFault:
    """
    What is wrong with one light sensor of the station, `column` ghi_w_m2 or poa_global_w_m2.

    `size` means: dirt, % of light lost on each dry day; tilt, degrees by which it leans; shade, elevation up to which something
    stands in front; stuck, spells a year; ceiling, W/m² above which it reads no more. `toward` is the bearing it leans to, or at
    which the thing stands.
    """

    kind: str
    size: float
    column: str = "ghi_w_m2"
    toward: float = 90.0
    width: float = 25.0  # degrees of bearing that the thing covers
    rain_mm: float = 4.0  # depth that leaves 1/e of the dirt
    cleaned: tuple[dt.date, ...] = ()


@dataclass(frozen=True)
class Instruments:
    """Errors of what reads the farm: one-sigma shares where random, plain values where not."""

    weather: str = "station"  # "station" (poa + ghi), "ghi", "poa", "modelled"
    second_weather: bool = False
    station_gauge: bool = True  # the station reads rain
    sensor_faults: tuple[SensorFault, ...] = ()
    log_minutes: int | None = 15
    unlogged_minutes: int = 15  # interval of the simulation where there is no log
    log_voltage: bool = True
    string_current: bool = False
    meter: str = "half_hourly"  # "half_hourly", "monthly", "none"
    light_bias: float = 0.01
    light_drift_year: float = 0.002
    light_noise: float = 0.008
    modelled_bias: float = 0.02
    rain_gauge: float = 0.25
    logger_gain: float = 0.004
    meter_gain: float = 0.0025
    gaps_per_year: float = 4.0
    stuck_per_year: float = 3.0
    repeats_per_year: float = 1.0
    log_clock_shift_min: int = 0
    log_clock: tuple[tuple[dt.date, int], ...] = ()  # from each day on stamps are late by so many minutes more
    weather_clock: tuple[tuple[dt.date, int], ...] = ()
    meter_clock: tuple[tuple[dt.date, int], ...] = ()
    iv_rounds: tuple[dt.date, ...] = ()
    iv_share: float = 1.0
    iv_light_bias: float = 0.015
    iv_bad_light: float = 0.04
    iv_swaps: float = 0.0  # chance a round that two strings stand under each other's name
    iv_partial: bool = False  # droppings, and shade on modules that lie, take voltage and leave the current
    iv_clock_min: int = 0  # by which the sheets' times are late
    curves: bool = False
    clamp_rounds: tuple[dt.date, ...] = ()


@dataclass(frozen=True)
class Paper:
    """Contracts: tables as they stand in `site.toml`."""

    tariffs: tuple[dict[str, object], ...] = ({"kind": "fixed", "price_per_kwh": 0.08},)
    guarantees: tuple[dict[str, object], ...] = ()
    export_limit_kw: float | None = None
    meter_at: str = "export"
    load_kw: float = 0.0  # mean own use; 0 for none
    market: bool = False
    statements: bool = False  # and costs
    capital_per_kw: float = 850.0
    plan_price: tuple[float, float] | None = None  # first year's per kWh, and its rise in % a year


@dataclass(frozen=True)
class ForCrews:
    """What the owner tells crews."""

    keys: dict[str, object] = field(default_factory=dict)  # of `site.toml`, as they stand there
    stands: dict[str, tuple[str, float | None, float | None]] = field(default_factory=dict)  # by inverter: where, east, north
    cable_route: str = ""  # with {row} and {inverter}
    cable_plan: str = ""  # file to draw it to, below the site's folder
    single_line: str = ""  # the same
    fuse_a: float | None = None


@dataclass(frozen=True)
class FarmSpec:
    id: str
    name: str
    seed: int
    latitude: float
    longitude: float
    timezone: str
    climate: str  # a key of weather.CLIMATES
    start: dt.date
    end: dt.date
    commissioned: dt.date
    arrays: tuple[ArraySpec, ...]
    modules: tuple[ModuleSpec, ...]
    inverters: tuple[InverterSpec, ...]
    blocks: tuple[Block, ...]
    mechanisms: tuple[Mechanism, ...] = (Degradation(), Makers())
    altitude_m: float = 60.0
    strings_per_row: int = 6
    u0: float = 26.0
    u1: float = 6.2
    cell_over_back_c: float = 2.0  # at 1000 W/m²
    sky_model: str = "perez"
    horizon: tuple[tuple[float, float], ...] = ()  # azimuth, elevation
    losses_pct: tuple[float, float, float, float] = (
        1.0,
        0.5,
        0.8,
        1.0,
    )  # dc wiring, ac wiring, transformer, mismatch
    instruments: Instruments = field(default_factory=Instruments)
    paper: Paper = field(default_factory=Paper)
    area_hectare: float | None = None
    hedge_metres: float | None = None
    crews: ForCrews = field(default_factory=ForCrews)
    draw: int = 0  # another drawing of the weather and of chance, for the same farm

    @property
    def step_minutes(self) -> int:
        """Interval of the simulation: the log's where there is one."""
        return self.instruments.log_minutes or self.instruments.unlogged_minutes

    def rng(self, stream: str) -> np.random.Generator:
        """Independent random numbers for one purpose, so that a new use moves no other."""
        # What the farm is made of stays the same whichever weather is drawn for it.
        draw = 0 if stream == "makers" else self.draw
        return np.random.default_rng([self.seed, draw, *stream.encode()])

    def all_of(self, kind: type) -> list:
        """The mechanisms of one kind."""
        return [m for m in self.mechanisms if isinstance(m, kind)]

    def array(self, array_id: str) -> ArraySpec:
        return next(a for a in self.arrays if a.id == array_id)

    def module(self, name: str) -> ModuleSpec:
        return next(m for m in self.modules if m.name == name)

    @property
    def causes(self) -> tuple[str, ...]:
        """The causes that are present, in the contract's order."""
        present = {CAUSE_OF[type(m)] for m in self.mechanisms}
        return tuple(c for c in CAUSES if c in present)
