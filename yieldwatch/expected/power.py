"""
The chain from light to the revenue meter, for every inverter of a site at once.

`SiteModel` holds what does not change when something breaks: the DC power that each inverter would
have in this weather. `SiteModel.output` runs the rest of the chain with any set of causes
switched on, as factors and caps; the split and the work list run it many times.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.expected.inverter import InverterCurve, inverter_curve
from yieldwatch.expected.irradiance import (
    PlaneLight,
    across_axis,
    beam_from_two_planes,
    plane_light,
    reference_array,
    sky_light,
)
from yieldwatch.expected.module import fit_module
from yieldwatch.expected.sun import Sun, sun_position
from yieldwatch.expected.temperature import cell_temperature
from yieldwatch.expected.weather import GridWeather
from yieldwatch.portfolio.model import Site

#: Sun height below which an interval counts as night. [°] Twilight carries under 0.01 % of a year's energy.
_NIGHT_BELOW = -1.0


@dataclass(frozen=True, eq=False)
class SiteModel:
    """
    What a site would give in its weather, per inverter and daylight interval.

    Attributes
    ----------
    site : Site
    weather : GridWeather
    at : ndarray of int, shape (n_times,)
        Places of the daylight intervals in `weather.table`.
    times : DatetimeIndex, shape (n_times,)
        Their starts, UTC.
    sun : Sun
        At the middle of each.
    planes : dict of str to PlaneLight
        Light on each array.
    temp_cell : dict of str to ndarray
        [°C]
    dc : ndarray, shape (n_inverters, n_times)
        DC power at the inverter's terminals after design losses, nothing wrong. [kW]
    plane_share : dict of str to ndarray, shape (n_inverters,)
        Share of each inverter's modules (by power) that lie on the array.
    temperature_source : str
        What cell temperature is from, in words.
    """

    site: Site
    weather: GridWeather
    at: np.ndarray
    times: pd.DatetimeIndex
    sun: Sun
    planes: dict[str, PlaneLight]
    temp_cell: dict[str, np.ndarray]
    dc: np.ndarray
    plane_share: dict[str, np.ndarray]
    temperature_source: str
    night_offset: dict[str, float]

    @property
    def inverter_ids(self) -> list[str]:
        return [i.inverter_id for i in self.site.inverters]

    @property
    def curves(self) -> list[InverterCurve]:
        return [inverter_curve(i.inverter_type) for i in self.site.inverters]

    @property
    def rating(self) -> np.ndarray:
        """Highest AC power of each inverter at unity power factor, shape (n_inverters, 1). [kW]"""
        kinds = [i.inverter_type for i in self.site.inverters]
        return np.array([[min(k.ac_rated_kw, k.ac_rated_kva)] for k in kinds])

    @property
    def to_meter(self) -> float:
        """Share of inverter output that reaches the meter after AC design losses."""
        return (1.0 - self.site.ac_wiring_pct / 100.0) * (1.0 - self.site.transformer_pct / 100.0)

    def output(self, dc_factor: np.ndarray | float = 1.0, ac_factor: np.ndarray | float = 1.0,
               cap_kw: np.ndarray | float = np.inf, site_cap_kw: np.ndarray | float = np.inf,
               where: np.ndarray | slice = slice(None)) -> np.ndarray:
        """
        Energy per interval at the meter that each inverter gives, with causes switched on.

        Parameters
        ----------
        dc_factor : array_like, broadcastable to (n_inverters, n_times)
            What is left of the DC power, 0 to 1 (above 1 is a gain).
        ac_factor : array_like
            What is left of the AC power for reasons of the inverter: efficiency, or 0 when off.
        cap_kw : array_like
            Limit on each inverter's AC power besides its rating. [kW]
        site_cap_kw : array_like, shape (n_times,)
            Limit on the site's power at the meter besides its standing export limit. [kW]
        where : index, optional
            Work on these daylight intervals only; the arrays given must then be of that length.

        Returns
        -------
        ndarray, shape (n_inverters, n_times)
            [kWh]
        """
        dc = self.dc[:, where] * dc_factor
        ac = np.empty_like(dc)
        for row, curve in enumerate(self.curves):
            ac[row] = curve.ac_power(dc[row])
        ac = np.minimum(ac * ac_factor, np.minimum(self.rating, cap_kw)) * self.to_meter
        total = ac.sum(axis=0)
        standing = np.inf if self.site.export_limit_kw is None else self.site.export_limit_kw
        limit = np.minimum(standing, site_cap_kw)
        over = total > limit
        if np.any(over):
            ac = ac * np.where(over, limit / np.where(over, total, 1.0), 1.0)
        return ac * self.weather.hours

    def unlimited(self) -> np.ndarray:
        """Energy per interval at the meter if no rating and no export limit cut it. [kWh], as `output`"""
        ac = np.stack([curve.ac_power(dc) for curve, dc in zip(self.curves, self.dc, strict=True)])
        return ac * self.to_meter * self.weather.hours

    def insolation(self) -> np.ndarray:
        """In-plane insolation of each daylight interval, weighted by array capacity. [kWh/m²]"""
        capacity: dict[str, float] = {}
        for string in self.site.strings:
            capacity[string.array_id] = capacity.get(string.array_id, 0.0) + string.p_mp_w
        total = sum(capacity.values())
        light = sum(self.planes[a].poa_global * (p / total) for a, p in capacity.items())
        return np.asarray(light) * self.weather.hours / 1000.0

    def scaled_light(self, factor: np.ndarray | float) -> SiteModel:
        """The same model with DC power scaled, as if the light sensor had read `factor` times as much."""
        return replace(self, dc=self.dc * factor)


def site_model(site: Site, weather: GridWeather) -> SiteModel:
    """
    Run the weather through the site's arrays.

    Returns
    -------
    SiteModel

    Raises
    ------
    FieldDataError
        If the weather holds no usable light.
    """
    table = weather.table
    times = pd.DatetimeIndex(table.index)
    sun = sun_position(times + weather.step / 2, site.latitude, site.longitude, site.altitude_m)
    at = np.flatnonzero(sun.elevation > _NIGHT_BELOW)
    table, offsets = _without_night_offset(table, sun.elevation)
    sun = Sun(sun.zenith[at], sun.azimuth[at], sun.dni_extra[at])
    day = table.iloc[at]
    sky = sky_light(day, sun, site)
    if {"ghi", "poa_global"} <= set(day.columns) and "dhi" not in day:
        sky = beam_from_two_planes(sky, day["poa_global"].to_numpy(float), reference_array(site), sun, site)
    planes, temp_cell, module_power, source = {}, {}, {}, ""
    for array in site.arrays:
        measured = None
        if "poa_global" in day and "ghi" in day and array.id == reference_array(site).id:
            measured = day["poa_global"].to_numpy(float)
        planes[array.id] = light = plane_light(array, sky, sun, site, measured)
        cell = cell_temperature(light.poa_global, day)
        temp_cell[array.id], source = cell.temp_cell, cell.source
        for kind in {s.module_type for s in site.strings if s.array_id == array.id}:
            for place, effective in light.effective.items():
                power = fit_module(kind).p_mp(effective, cell.temp_cell)
                module_power[array.id, place, kind.module_type] = power
    dc, share = _inverter_power(site, module_power, len(at))
    return SiteModel(site, weather, at, times[at], sun, planes, temp_cell, dc, share, source, offsets)


def _without_night_offset(table: pd.DataFrame,
                          elevation: np.ndarray) -> tuple[pd.DataFrame, dict[str, float]]:
    """
    Add back what a thermal pyranometer reads below zero in the dark.

    The offset comes from the dome radiating to the sky (ISO 9060 zero offset a) and is there by day as well.
    Only a steady small negative reading is taken for it; anything else stays as measured.
    """
    night = elevation < -8.0
    offsets: dict[str, float] = {}
    for name in ("ghi", "poa_global"):
        if name in table and night.sum() > 100:
            median = float(np.nanmedian(table[name].to_numpy(float)[night]))
            if -15.0 < median < -0.2:
                offsets[name] = median
    return table.assign(**{name: table[name] - offset for name, offset in offsets.items()}), offsets


def row_places(site: Site) -> dict[str, str]:
    """
    Where each string's row stands: "inner", "front" or, on a tracker, "east" or "west".

    Only where the layout is known (x_m, y_m) can a first row be told; else every row counts as "inner".
    """
    places = {s.string_id: "inner" for s in site.strings}
    for array in site.arrays:
        own = [s for s in site.strings if s.array_id == array.id]
        at_m = {s.string_id: (s.x_m, s.y_m) for s in own if s.x_m is not None and s.y_m is not None}
        if not at_m or len(at_m) < len(own) or not array.pitch_m:
            continue
        facing = float(array.azimuth_deg or 0.0) if array.mount == "fixed" else across_axis(array)
        east, north = np.sin(np.radians(facing)), np.cos(np.radians(facing))
        along = {name: x * east + y * north for name, (x, y) in at_m.items()}
        first, last = max(along.values()), min(along.values())
        for name, at in along.items():
            if array.mount == "fixed":
                places[name] = "front" if at > first - 0.3 * array.pitch_m else "inner"
            elif at > first - 0.3 * array.pitch_m:
                places[name] = "east"
            elif at < last + 0.3 * array.pitch_m:
                places[name] = "west"
    return places


def _inverter_power(site: Site, module_power: dict[tuple[str, str, str], np.ndarray],
                    n_times: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    row = {inverter.inverter_id: k for k, inverter in enumerate(site.inverters)}
    modules: dict[tuple[str, str, str], np.ndarray] = {}
    share = {a.id: np.zeros(len(row)) for a in site.arrays}
    places = row_places(site)
    for string in site.strings:
        key = (string.array_id, places[string.string_id], string.module_type.module_type)
        modules.setdefault(key, np.zeros(len(row)))[row[string.inverter_id]] += string.modules_in_series
        share[string.array_id][row[string.inverter_id]] += string.p_mp_w
    dc = np.zeros((len(row), n_times))
    for key, count in modules.items():
        dc += count[:, None] * module_power[key][None, :]
    total = np.maximum(sum(share.values()), 1e-9)
    left = (1.0 - site.dc_wiring_pct / 100.0) * (1.0 - site.mismatch_pct / 100.0)
    return dc * left / 1000.0, {a: p / total for a, p in share.items()}


