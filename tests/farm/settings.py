"""The farm on paper: `site.toml`, the datasheets and what jobs cost."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from . import logs
from .diode import datasheet
from .simulate import Farm
from .spec import ArraySpec, FarmSpec, InverterSpec, ModuleSpec

JOB_COSTS = (
    ("clean", 300.0, 0.42, "module", 2, 0.012, 10),
    ("cut_vegetation", 260.0, 230.0, "visit", 2, 6.0, 14),
    ("repair_string", 190.0, 85.0, "string", 2, 1.5, 7),
    ("replace_modules", 240.0, 130.0, "module", 2, 0.6, 30),
    ("repair_inverter", 220.0, 760.0, "inverter", 2, 4.0, 21),
    ("fix_settings", 90.0, 40.0, "inverter", 1, 0.5, 3),
    ("inspect", 150.0, 60.0, "visit", 1, 3.0, 5),
    ("claim", 0.0, 90.0, "visit", 0, 2.0, 60),
)

_LIFE_YEARS = 30


@dataclass(frozen=True)
class PortfolioSpec:
    name: str
    farms: tuple[FarmSpec, ...]
    currency: str = "EUR"
    discount_rate: float = 0.07
    works_budget: float | None = 9000.0
    crew_days: float | None = None


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(value)


def section(head: str, values: Mapping[str, object]) -> str:
    lines = [f"{k} = {_value(v)}" for k, v in values.items() if v is not None]
    return "\n".join(([head] if head else []) + lines) + "\n"


def _array(spec: FarmSpec, array: ArraySpec) -> dict[str, object]:
    common = {
        "pitch_m": array.pitch_m if array.rows else None,
        "collector_width_m": array.width_m,
        "albedo": array.albedo,
        "module_orientation": array.orientation,
        "lower_edge_m": array.lower_edge_m,
    }
    if array.mount == "fixed":
        return {
            "id": array.id,
            "mount": "fixed",
            "tilt_deg": array.tilt,
            "azimuth_deg": array.azimuth,
        } | common
    return {
        "id": array.id,
        "mount": array.mount,
        "axis_azimuth_deg": 0.0 if spec.latitude > 0 else 180.0,
        "axis_tilt_deg": 0.0,
        "max_angle_deg": array.max_angle,
        "backtrack": True,
    } | common


def dc_kw(spec: FarmSpec) -> float:
    """Nameplate by the datasheets. [kW]"""
    return (
        sum(
            b.inputs * b.per_input * b.series * round(datasheet(spec.module(b.module))["p_mp"], 1)
            for b in spec.blocks
        )
        / 1000
    )


def site_toml(farm: Farm, expected: dict[str, float]) -> str:
    spec, paper = farm.spec, farm.spec.paper
    wiring, ac_wiring, transformer, mismatch = spec.losses_pct
    kw = dc_kw(spec)
    parts = [
        section(
            "",
            {
                "id": spec.id,
                "name": spec.name,
                "latitude": spec.latitude,
                "longitude": spec.longitude,
                "altitude_m": spec.altitude_m,
                "timezone": spec.timezone,
                "commissioned": spec.commissioned,
                "area_hectare": spec.area_hectare,
                "hedge_metres": spec.hedge_metres,
            }
            | spec.crews.keys,
        ),
        section("[data]", {"poa_array": spec.arrays[0].id, "meter": paper.meter_at}),
    ]
    if paper.export_limit_kw:
        parts.append(section("[grid]", {"export_limit_kw": paper.export_limit_kw}))
    parts.append(
        section(
            "[assumed_losses_pct]",
            {"dc_wiring": wiring, "ac_wiring": ac_wiring, "transformer": transformer, "mismatch": mismatch},
        )
    )
    parts.append(
        section(
            "[plan]",
            {
                "p50_kwh_by_month": logs.usual_months(farm, expected),
                "price_per_kwh_by_year": _planned_prices(paper.plan_price),
                "p90_over_p50": 0.92,
                "capital_cost": int(round(paper.capital_per_kw * kw, -3)),
                "operating_cost_per_year": int(round(14 * kw, -2)),
                "life_years": _LIFE_YEARS,
                "degradation_pct_per_year": 0.5,
            },
        )
    )
    parts += [section("[[arrays]]", _array(spec, a)) for a in spec.arrays]
    if spec.horizon:
        parts.append(
            section(
                "[horizon]",
                {"azimuth_deg": [a for a, _ in spec.horizon], "elevation_deg": [e for _, e in spec.horizon]},
            )
        )
    parts += [section("[[tariffs]]", {"from": spec.commissioned} | t) for t in paper.tariffs]
    parts += [section("[[guarantees]]", g) for g in paper.guarantees]
    return "\n".join(parts)


def _planned_prices(first_and_rise: tuple[float, float] | None) -> list[float] | None:
    if first_and_rise is None:
        return None
    first, rise = first_and_rise
    return [round(first * (1 + rise / 100) ** k, 4) for k in range(_LIFE_YEARS)]


def module_row(m: ModuleSpec) -> dict[str, object]:
    """The datasheet as printed; the module itself is exactly the unrounded one."""
    d = datasheet(m)
    return {
        "module_type": m.name,
        "technology": "mono-Si",
        "p_mp_w": round(d["p_mp"], 1),
        "i_sc_a": round(d["i_sc"], 2),
        "v_oc_v": round(d["v_oc"], 2),
        "i_mp_a": round(d["i_mp"], 2),
        "v_mp_v": round(d["v_mp"], 2),
        "alpha_i_sc_pct_per_c": round(d["alpha"], 3),
        "beta_v_oc_pct_per_c": round(d["beta"], 3),
        "gamma_p_mp_pct_per_c": round(d["gamma"], 3),
        "cells_in_series": m.cells,
        "bypass_diodes": m.bypass,
        "tolerance_minus_pct": 0.0,
        "tolerance_plus_pct": m.tolerance_plus_pct,
        "warranty_first_year_pct": m.first_year_pct,
        "warranty_then_pct_per_year": m.then_pct,
        "warranty_years": 25,
        "length_m": m.length_m,
        "width_m": m.width_m,
        "half_cut": str(m.half_cut).lower(),
        "max_system_voltage_v": 1500 if m.cells >= 72 else 1000,
    } | ({} if m.clamp_torque_nm is None else {"clamp_torque_nm": m.clamp_torque_nm})


def inverter_row(i: InverterSpec) -> dict[str, object]:
    row: dict[str, object] = {
        "inverter_type": i.name,
        "ac_rated_kw": i.kw,
        "ac_rated_kva": i.kva,
        "dc_max_kw": 1.5 * i.kw,
        "mppt_inputs": i.inputs,
        "v_mppt_min_v": 200,
        "v_mppt_max_v": 1300,
    }
    row |= {f"eff_{at}_pct": e for at, e in zip((5, 10, 20, 30, 50, 75, 100), i.efficiency_pct, strict=True)}
    torque = {} if i.torque_nm is None else dict(zip(("dc_torque_nm", "ac_torque_nm"), i.torque_nm, strict=True))
    return row | {"night_w": i.night_w, "warranty_years": 10} | torque
