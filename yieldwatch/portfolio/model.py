"""
What is owned: the portfolio, its sites, their parts and their contracts.

Everything here is a frozen record that the reader has validated. Angles are
degrees, azimuth clockwise from north; shares that the files write in per cent
stay in per cent where the name ends in `_pct` and are fractions elsewhere.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class ModuleType:
    """A module's datasheet at 1000 W/m², 25 °C, AM1.5."""

    module_type: str
    technology: str
    p_mp_w: float
    i_sc_a: float
    v_oc_v: float
    i_mp_a: float
    v_mp_v: float
    alpha_i_sc_pct_per_c: float
    beta_v_oc_pct_per_c: float
    gamma_p_mp_pct_per_c: float
    cells_in_series: int
    bypass_diodes: int
    tolerance_minus_pct: float
    tolerance_plus_pct: float
    warranty_first_year_pct: float | None = None
    warranty_then_pct_per_year: float | None = None
    warranty_years: float | None = None
    length_m: float | None = None
    width_m: float | None = None
    half_cut: bool | None = None
    bifaciality: float | None = None
    max_system_voltage_v: float | None = None
    clamp_torque_nm: float | None = None


@dataclass(frozen=True)
class InverterType:
    """An inverter's datasheet; `efficiency` holds (share of rated AC power, fraction), rising in load."""

    inverter_type: str
    ac_rated_kw: float
    ac_rated_kva: float
    dc_max_kw: float | None
    mppt_inputs: int
    v_mppt_min_v: float | None
    v_mppt_max_v: float | None
    efficiency: tuple[tuple[float, float], ...]
    night_w: float = 0.0
    warranty_years: float | None = None
    dc_torque_nm: float | None = None
    ac_torque_nm: float | None = None


@dataclass(frozen=True)
class JobCost:
    """What a kind of job costs, in the portfolio's currency."""

    job_kind: str
    cost_per_visit: float
    cost_per_unit: float
    unit: str
    crew_hours_per_visit: float
    crew_hours_per_unit: float
    lead_days: float


@dataclass(frozen=True)
class Array:
    """A plane of modules, fixed or on a single axis."""

    id: str
    mount: str
    tilt_deg: float | None = None
    azimuth_deg: float | None = None
    axis_tilt_deg: float | None = None
    axis_azimuth_deg: float | None = None
    max_angle_deg: float | None = None
    backtrack: bool | None = None
    pitch_m: float | None = None
    collector_width_m: float | None = None
    albedo: float = 0.2
    module_orientation: str | None = None
    lower_edge_m: float | None = None


@dataclass(frozen=True)
class Inverter:
    inverter_id: str
    inverter_type: InverterType
    serial: str | None = None
    place: str | None = None
    x_m: float | None = None
    y_m: float | None = None


@dataclass(frozen=True)
class String:
    string_id: str
    inverter_id: str
    array_id: str
    module_type: ModuleType
    modules_in_series: int
    mppt: str | None = None
    x_m: float | None = None
    y_m: float | None = None
    row: str | None = None
    fuse_a: float | None = None
    cable_route: str | None = None

    @property
    def p_mp_w(self) -> float:
        """Nameplate power. [W]"""
        return self.module_type.p_mp_w * self.modules_in_series


@dataclass(frozen=True)
class TariffBand:
    """Days are 0 (Monday) to 6; `start` and `end` are local wall time, `end` "24:00" is midnight."""

    days: tuple[int, ...]
    start_minute: int
    end_minute: int
    price_per_kwh: float


@dataclass(frozen=True)
class Tariff:
    start: dt.date
    end: dt.date | None
    kind: str  # "fixed", "time_of_use" or "market"
    price_per_kwh: float | None
    index_pct_per_year: float = 0.0
    curtailment_paid_pct: float = 0.0
    import_price_per_kwh: float | None = None
    floor_price: float | None = None
    bands: tuple[TariffBand, ...] = ()


@dataclass(frozen=True)
class Guarantee:
    kind: str
    value_pct: float
    damages_per_pct: float
    cap: float | None
    excludes: tuple[str, ...]
    start: dt.date | None
    end: dt.date | None = None


@dataclass(frozen=True)
class Plan:
    """What was promised at purchase; monthly lists run January to December."""

    p50_kwh_by_month: tuple[float, ...] | None = None
    insolation_kwh_m2_by_month: tuple[float, ...] | None = None
    temp_air_c_by_month: tuple[float, ...] | None = None
    price_per_kwh_by_year: tuple[float, ...] | None = None
    p90_over_p50: float | None = None
    capital_cost: float | None = None
    operating_cost_per_year: float | None = None
    life_years: float | None = None
    degradation_pct_per_year: float | None = None


@dataclass(frozen=True)
class Assumption:
    """A default that the user replaced, or one that the tool used."""

    value: float
    source: str
    as_of: str | None = None


@dataclass(frozen=True)
class DaysOff:
    """Days on which no crew works, the last included."""

    first: dt.date
    last: dt.date
    why: str


@dataclass(frozen=True)
class Drawing:
    """A plan or map; `file` is below the portfolio's folder, with forward slashes, `shows` one of `keys.DRAWN`."""

    file: str
    shows: str
    as_of: dt.date | None = None
    note: str | None = None


@dataclass(frozen=True)
class Site:
    id: str
    name: str
    latitude: float
    longitude: float
    altitude_m: float
    timezone: str
    commissioned: dt.date
    arrays: tuple[Array, ...]
    inverters: tuple[Inverter, ...]
    strings: tuple[String, ...]
    tariffs: tuple[Tariff, ...] = ()
    guarantees: tuple[Guarantee, ...] = ()
    plan: Plan | None = None
    area_hectare: float | None = None
    hedge_metres: float | None = None
    address: str | None = None
    access: str | None = None
    contact: str | None = None
    directions: str | None = None
    gate_latitude: float | None = None
    gate_longitude: float | None = None
    isolation: str | None = None
    cables: str | None = None
    emergency: str | None = None
    drawings: tuple[Drawing, ...] = ()
    days_off: tuple[DaysOff, ...] = ()
    public_holidays: str | None = None
    interval_label: Mapping[str, str] = field(default_factory=dict)
    poa_array: str | None = None
    meter: str = "export"
    light_from: str | None = None
    export_limit_kw: float | None = None
    power_factor: float = 1.0
    dc_wiring_pct: float = 1.0
    ac_wiring_pct: float = 0.5
    transformer_pct: float = 0.8
    mismatch_pct: float = 1.0
    horizon_azimuth_deg: tuple[float, ...] = ()
    horizon_elevation_deg: tuple[float, ...] = ()
    job_costs: Mapping[str, JobCost] = field(default_factory=dict)
    assumptions: Mapping[str, Assumption] = field(default_factory=dict)

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)

    @property
    def pdc0_kw(self) -> float:
        """DC nameplate at standard test conditions. [kW]"""
        return sum(s.p_mp_w for s in self.strings) / 1000.0

    @property
    def pac0_kw(self) -> float:
        """AC rating of all inverters. [kW]"""
        return sum(i.inverter_type.ac_rated_kw for i in self.inverters)

    def assumed(self, name: str, default: float) -> float:
        """The site's own value for a default, or the default."""
        return self.assumptions[name].value if name in self.assumptions else default


@dataclass(frozen=True)
class Portfolio:
    name: str
    currency: str
    discount_rate: float
    works_budget: float | None
    crew_days: float | None
    horizon_months: int
    module_types: Mapping[str, ModuleType]
    inverter_types: Mapping[str, InverterType]
    sites: tuple[Site, ...]
    notices: tuple[str, ...] = ()
