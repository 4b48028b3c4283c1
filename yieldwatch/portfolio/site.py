"""
One site's settings and asset tables -> a validated `Site`.
"""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from yieldwatch.columns import INTERVAL_TABLES, TABLES, Column
from yieldwatch.constants import ASSUMED_GROUND_COVER
from yieldwatch.errors import InputError, near_miss
from yieldwatch.portfolio import assets, keys
from yieldwatch.portfolio.cells import ID_PATTERN
from yieldwatch.portfolio.days_off import check_holidays, read_days_off
from yieldwatch.portfolio.drawings import read_drawings
from yieldwatch.portfolio.model import (
    Array,
    Assumption,
    Guarantee,
    Inverter,
    InverterType,
    JobCost,
    ModuleType,
    Plan,
    Site,
    String,
)
from yieldwatch.portfolio.settings import Settings, read_toml
from yieldwatch.portfolio.tariffs import read_tariffs
from yieldwatch.portfolio.unlikely import unlikely_settings

_OWN_JOB_COSTS = replace(TABLES["job_costs"], place="sites/{site}/job_costs")
#: Wrong rows of strings.csv that are told one by one: one renamed inverter can make hundreds of them.
_MOST_PROBLEMS = 20
#: Most that a place's clock is off its sun, summer time included: 3 h in the far west of China. Common practice, no source. [h]
_MOST_OFF_SUN_H = 4.0
_INTERVAL_KEYS = tuple(
    Column(name, "choice", f"Label of {name}'s intervals", choices=keys.LABELS) for name in INTERVAL_TABLES
)


@dataclass(frozen=True)
class Types:
    """The portfolio's types, and the names of all of them, unsound ones too."""

    modules: Mapping[str, ModuleType]
    module_names: set[str]
    inverters: Mapping[str, InverterType]
    inverter_names: set[str]
    job_costs: Mapping[str, JobCost]


def read_site(root: Path, site_id: str, types: Types, problems: list[str], notices: list[str]) -> Site | None:
    """
    Read `sites/<site_id>`: its settings, inverters, strings and own job costs.

    Returns
    -------
    Site or None
        None where anything was wrong; `problems` says what.
    """
    before = len(problems)
    file = f"sites/{site_id}/site.toml"
    try:
        raw = read_toml(root, file)
    except InputError as err:
        problems.extend(err.problems)
        raw = None
    parts = _settings(root, raw, file, site_id, problems, notices) if raw is not None else {}
    # An array whose own name is wrong is complained of once, not again for each string in it.
    array_ids = {a.id for a in parts["arrays"]} if parts and all(a.id for a in parts["arrays"]) else None
    inverters, inverter_names = _inverters(root, site_id, types, problems, notices)
    strings = _strings(root, site_id, types, inverters, inverter_names, array_ids, problems, notices)
    own_costs = assets.job_costs(root, _OWN_JOB_COSTS, site_id, problems, notices)
    if len(problems) > before:
        return None
    _note_unused(f"sites/{site_id}", parts["arrays"], inverters, strings, notices)
    site = Site(**parts, inverters=tuple(inverters.values()), strings=tuple(strings),
                job_costs={**types.job_costs, **own_costs})
    notices.extend(unlikely_settings(site))
    return site


def _settings(root: Path, raw: dict[str, Any], file: str, site_id: str, problems: list[str],
              notices: list[str]) -> dict[str, Any]:
    """Every field of `Site` that site.toml gives; what was wrong is None there."""
    top = Settings(raw, keys.SITE, file, problems)
    if top["id"] is not None and top["id"] != site_id:
        top.refuse(f'id = "{top["id"]}", but the folder is "{site_id}". Expected the same name. Rename one')
    if top["timezone"] is not None and not _is_zone(top["timezone"]):
        hint = near_miss(top["timezone"], zoneinfo.available_timezones())
        top.refuse(f'timezone = "{top["timezone"]}", not an IANA time zone.{hint} '
                   "Expected one such as Europe/Madrid. Correct it")
    elif top["timezone"] is not None and top["longitude"] is not None:
        _note_clock(file, top["timezone"], top["longitude"], notices)
    check_holidays(top)
    if (top["gate_latitude"] is None) != (top["gate_longitude"] is None):
        top.refuse("has one of gate_latitude and gate_longitude. Expected both, or neither")
    arrays = _arrays(top, file, notices)
    losses = _part(top, "assumed_losses_pct", keys.ASSUMED_LOSSES)
    grid = _part(top, "grid", keys.GRID)
    return {
        **{name: top[name] for name in (
            "id", "name", "latitude", "longitude", "altitude_m", "timezone", "commissioned",
            "area_hectare", "hedge_metres", "address", "access", "contact", "directions", "gate_latitude", "gate_longitude",
            "isolation", "cables", "emergency", "public_holidays")},
        "drawings": read_drawings(root, site_id, top, notices),
        "days_off": read_days_off(top["days_off"] or [], file, problems),
        **_data(top, arrays),
        **_horizon(top),
        "arrays": arrays,
        "export_limit_kw": grid["export_limit_kw"],
        "power_factor": grid.get("power_factor", 1.0),
        "dc_wiring_pct": losses.get("dc_wiring", 1.0),
        "ac_wiring_pct": losses.get("ac_wiring", 0.5),
        "transformer_pct": losses.get("transformer", 0.8),
        "mismatch_pct": losses.get("mismatch", 1.0),
        "tariffs": read_tariffs(top["tariffs"] or [], file, problems, notices),
        "guarantees": _guarantees(top),
        "plan": _plan(top),
        "assumptions": _assumptions(top, notices),
    }


def _part(top: Settings, name: str, columns: tuple[Column, ...]) -> Settings:
    return Settings(top.get(name, {}), columns, f"{top.where}, [{name}]", top.problems)


def _note_clock(file: str, timezone: str, longitude: float, notices: list[str]) -> None:
    """A zone whose clock is hours off the sun is another place's, or the longitude is."""
    offset = dt.datetime(2024, 1, 1, tzinfo=zoneinfo.ZoneInfo(timezone)).utcoffset()
    hours = (offset.total_seconds() / 3600.0 if offset else 0.0) - longitude / 15.0
    off = (hours + 12.0) % 24.0 - 12.0
    if abs(off) > _MOST_OFF_SUN_H:
        side = "ahead of" if off > 0 else "behind"
        notices.append(f"{file}: timezone = {timezone} is {abs(off):.1f} h {side} the sun at longitude {longitude:g}°. Expected "
                       f"{_MOST_OFF_SUN_H:g} h at most, as all civil time is. If one of them is wrong, correct it: what is "
                       "written in local time would be taken for another hour.")


def _is_zone(name: str) -> bool:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _arrays(top: Settings, file: str, notices: list[str]) -> tuple[Array, ...]:
    arrays: list[Array] = []
    for number, raw in enumerate(top["arrays"] or [], 1):
        label = raw["id"] if re.fullmatch(ID_PATTERN, str(raw.get("id", ""))) else number
        settings = Settings(raw, keys.ARRAY, f"{file}, [[arrays]] {label}", top.problems)
        if settings["id"] in {a.id for a in arrays}:
            settings.refuse(f'id = "{settings["id"]}" is there twice. Expected each once. Rename one')
        _check_mount(settings, raw)
        _check_rows(settings)
        values = {c.name: settings[c.name] for c in keys.ARRAY}
        values["albedo"] = settings.get("albedo", 0.2)
        if settings["mount"] == "single_axis":
            _axis_defaults(values, settings.where, notices)
        arrays.append(Array(**values))
    if top["arrays"] is not None and not arrays:
        top.refuse("has no [[arrays]]. Expected at least one")
    return tuple(arrays)


def _check_mount(settings: Settings, raw: Mapping[str, Any]) -> None:
    if settings["mount"] is None:
        return
    fixed = settings["mount"] == "fixed"
    needed = keys.FIXED_ONLY if fixed else ("axis_azimuth_deg", "max_angle_deg")
    foreign = keys.AXIS_ONLY if fixed else keys.FIXED_ONLY
    for name in needed:
        if name not in raw:
            settings.refuse(f"{name} is missing. Expected a number, since mount = {settings['mount']}")
    for name in foreign:
        if name in raw:
            settings.refuse(f"{name} has no meaning where mount = {settings['mount']}. "
                            f"Expected {', '.join(needed)}. Remove it")


def _check_rows(settings: Settings) -> None:
    pitch, width = settings["pitch_m"], settings["collector_width_m"]
    if pitch is not None and width is not None and width >= pitch:
        settings.refuse(f"collector_width_m = {width:g} m, not below pitch_m. Expected less than {pitch:g} m")


def _axis_defaults(values: dict[str, Any], where: str, notices: list[str]) -> None:
    if values["axis_tilt_deg"] is None:
        values["axis_tilt_deg"] = 0.0
        notices.append(f"{where}: axis_tilt_deg is not given; a level axis (0°) is assumed.")
    if values["backtrack"] is None:
        values["backtrack"] = values["pitch_m"] is not None and values["collector_width_m"] is not None
        notices.append(f"{where}: backtrack is not given; {str(values['backtrack']).lower()} is assumed, "
                       "as pitch_m and collector_width_m are "
                       f"{'known' if values['backtrack'] else 'not both known'}.")
    elif values["backtrack"] and (values["pitch_m"] is None or values["collector_width_m"] is None):
        notices.append(f"{where}: backtrack = true, and pitch_m and collector_width_m are not both given; rows that cover "
                       f"{ASSUMED_GROUND_COVER:.2g} of the ground are assumed. Add both: low sun depends on them.")


def _data(top: Settings, arrays: tuple[Array, ...]) -> dict[str, Any]:
    data = _part(top, "data", keys.DATA)
    labels = Settings(data.get("interval_label", {}), _INTERVAL_KEYS, f"{top.where}, [data] interval_label",
                      top.problems)
    ids = [a.id for a in arrays if a.id is not None]
    if data["poa_array"] is not None and arrays and data["poa_array"] not in ids:
        data.refuse(f'poa_array = "{data["poa_array"]}", not an array of this site. '
                    f"Expected one of {', '.join(sorted(ids))}")
    return {
        "interval_label": {name: labels.get(name, "start") for name in INTERVAL_TABLES},
        "poa_array": data["poa_array"] or (ids[0] if ids else None),
        "meter": data.get("meter", "export"),
        "light_from": data["light_from"],
    }


def _horizon(top: Settings) -> dict[str, Any]:
    if top["horizon"] is None:
        return {}
    horizon = _part(top, "horizon", keys.HORIZON)
    azimuth, elevation = horizon["azimuth_deg"], horizon["elevation_deg"]
    if azimuth is None or elevation is None:
        return {}
    if len(azimuth) != len(elevation):
        horizon.refuse(f"has {len(azimuth)} azimuths and {len(elevation)} elevations. "
                       "Expected as many of each")
        return {}
    if len(set(azimuth)) != len(azimuth):
        horizon.refuse("names an azimuth twice. Expected each direction once")
    pairs = sorted(zip(azimuth, elevation, strict=True))
    return {"horizon_azimuth_deg": tuple(a for a, _ in pairs),
            "horizon_elevation_deg": tuple(e for _, e in pairs)}


def _guarantees(top: Settings) -> tuple[Guarantee, ...]:
    found = []
    for number, raw in enumerate(top["guarantees"] or [], 1):
        item = Settings(raw, keys.GUARANTEE, f"{top.where}, [[guarantees]] {number}", top.problems)
        if item["from"] and item["to"] and item["to"] <= item["from"]:
            item.refuse(f"to = {item['to']}, not after from = {item['from']}. Expected a later day")
        found.append(Guarantee(item["kind"], item["value_pct"], item["damages_per_pct"], item["cap"],
                               item.get("excludes", ()), item["from"], item["to"]))
    return tuple(found)


def _plan(top: Settings) -> Plan | None:
    if top["plan"] is None:
        return None
    plan = _part(top, "plan", keys.PLAN)
    for name in ("p50_kwh_by_month", "insolation_kwh_m2_by_month", "temp_air_c_by_month"):
        if plan[name] is not None and len(plan[name]) != 12:
            plan.refuse(f"{name} has {len(plan[name])} values. Expected 12, January to December")
    return Plan(**{c.name: plan[c.name] for c in keys.PLAN})


def _assumptions(top: Settings, notices: list[str]) -> dict[str, Assumption]:
    known = {c.name: c for c in keys.ASSUMPTIONS}
    found = {}
    for name, raw in sorted((top["assumptions"] or {}).items()):
        where = f"{top.where}, [assumptions] {name}"
        if name not in known:
            notices.append(f"{where}: is no assumption of this tool and is ignored.{near_miss(name, known)}")
            continue
        value, *rest = keys.ASSUMPTION
        own = replace(value, unit=known[name].unit, low=known[name].low, high=known[name].high)
        item = Settings(raw, (own, *rest), where, top.problems)
        as_of = item["as_of"].isoformat() if item["as_of"] else None
        found[name] = Assumption(item["value"], item["source"], as_of)
    return found


def _inverters(root: Path, site_id: str, types: Types, problems: list[str],
               notices: list[str]) -> tuple[dict[str, Inverter], set[str]]:
    before = len(problems)
    read = assets.needed_rows(root, "inverters", site_id, problems, notices)
    inverters = {}
    for row, where in zip(read.rows, read.where, strict=True):
        name = row["inverter_type"]
        if name in types.inverters:
            inverter_id = row["inverter_id"]
            inverters[inverter_id] = Inverter(**{**row, "inverter_type": types.inverters[name]})
        elif name not in types.inverter_names:
            problems.append(_unknown(where, "inverter_type", name, types.inverter_names, "inverter_types"))
    if read.found and not read.names and len(problems) == before:
        problems.append(f"sites/{site_id}/inverters: has no rows. Expected at least one inverter. Add it.")
    return inverters, read.names


def _unknown(where: str, column: str, name: str, known: set[str], table: str) -> str:
    return (f"{where}: {column} = {name}, not in {table}.{near_miss(name, known)} "
            f"Expected one of {_listed(known)}. Correct it or add the row.")


def _listed(names: set[str]) -> str:
    first = sorted(names)[:20]
    more = f" and {len(names) - len(first)} more" if len(names) > len(first) else ""
    return (", ".join(first) or "none, as the table is empty") + more


def _strings(root: Path, site_id: str, types: Types, inverters: Mapping[str, Inverter],
             inverter_names: set[str], array_ids: set[str] | None, problems: list[str],
             notices: list[str]) -> list[String]:
    before = len(problems)
    read = assets.needed_rows(root, "strings", site_id, problems, notices)
    strings: list[String] = []
    refused: list[str] = []
    for row, where in zip(read.rows, read.where, strict=True):
        checks = [("inverter_id", inverter_names, "inverters"),
                  ("module_type", types.module_names, "module_types")]
        if array_ids:
            checks.append(("array_id", array_ids, "[[arrays]] of site.toml"))
        wrong = [_unknown(where, column, row[column], known, table)
                 # An empty table is a problem of its own, told once.
                 for column, known, table in checks if known and row[column] not in known]
        wrong += _mppt_problem(row, where, inverters)
        refused.extend(wrong)
        module = types.modules.get(row["module_type"])
        if not wrong and module is not None:
            strings.append(String(**{**row, "module_type": module}))
    problems.extend(refused[:_MOST_PROBLEMS])
    if len(refused) > _MOST_PROBLEMS:
        problems.append(f"sites/{site_id}/strings: {len(refused) - _MOST_PROBLEMS} more problems like these.")
    if read.found and not read.names and len(problems) == before:
        problems.append(f"sites/{site_id}/strings: has no rows. Expected at least one string. Add it.")
    return strings


def _mppt_problem(row: Mapping[str, Any], where: str, inverters: Mapping[str, Inverter]) -> list[str]:
    mppt, inverter = row.get("mppt"), inverters.get(row["inverter_id"])
    if mppt is None or inverter is None or not mppt.isdigit():
        return []
    inputs = inverter.inverter_type.mppt_inputs
    if 1 <= int(mppt) <= inputs:
        return []
    return [f"{where}: mppt = {mppt}, not an input of {inverter.inverter_id}. Expected 1 to {inputs} "
            f"(mppt_inputs of {inverter.inverter_type.inverter_type}). Correct one of them."]


def _note_unused(place: str, arrays: tuple[Array, ...], inverters: Mapping[str, Inverter],
                 strings: list[String], notices: list[str]) -> None:
    idle = sorted(set(inverters) - {s.inverter_id for s in strings})
    if idle:
        notices.append(f"{place}: no string feeds {', '.join(idle)}, so nothing is expected of it.")
    bare = sorted({a.id for a in arrays} - {s.array_id for s in strings})
    if bare:
        notices.append(f"{place}: no string lies in array {', '.join(bare)}.")
