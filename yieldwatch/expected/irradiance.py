"""
From the weather's light to the light that each plane of modules could use.

Sky and beam: the mean of two published splits where only global light is known, Hay & Davies' anisotropic sky, the far
horizon, the design rows' own shade, and the glass's reflection at the angle of incidence. What grows or is
built later is not here: that is a loss.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.constants import ASSUMED_GROUND_COVER
from yieldwatch.errors import FieldDataError
from yieldwatch.expected.sun import Sun
from yieldwatch.portfolio.model import Array, Site

#: Below this sun height, horizontal light is not divided by the sine of it. [°] Common practice.
_LOWEST_SUN = 3.0


@dataclass(frozen=True)
class SkyLight:
    """Light on the horizontal split into beam and sky; NaN where unknown. [W/m²]"""

    ghi: np.ndarray
    dni: np.ndarray
    dhi: np.ndarray


@dataclass(frozen=True)
class PlaneLight:
    """
    Light on one plane of modules, per interval. [W/m²]

    Attributes
    ----------
    poa_global : ndarray
        In the plane, unshaded but for the far horizon: what a clean sensor beside the modules reads.
    effective : dict of str to ndarray
        What reaches the cells, after row shade and reflection, by where a string's row stands:
        "inner" behind another row on either side, "front" with none before it, and on a
        tracker "east" and "west" with none on that side.
    beam_share : ndarray
        Share of the inner rows' light that comes straight from the sun. [fraction]
    tilt, azimuth, incidence : ndarray
        Of the plane, which moves on a tracker; angle between beam and plane normal. [°]
    """

    poa_global: np.ndarray
    effective: dict[str, np.ndarray]
    beam_share: np.ndarray
    tilt: np.ndarray
    azimuth: np.ndarray
    incidence: np.ndarray


def sky_light(weather: pd.DataFrame, sun: Sun, site: Site) -> SkyLight:
    """
    Split the weather's light into beam and sky.

    Uses, in this order, ghi + dni + dhi, ghi + dhi, ghi + dni, ghi alone, and poa_global alone (the global
    light whose decomposition gives back the in-plane value), interval by interval. Unknown light stays
    unknown.

    Global light alone is split by the mean of DIRINT (Perez et al., ASHRAE Trans. 98 (1992) 354), which takes a
    part of a low clear sun's beam for cloud, and of DISC (Maxwell, SERI/TR-215-3087, 1987), which does not but
    errs more on other days. In the search for the light behind an in-plane reading the Erbs-Driesse fit takes
    DIRINT's place, which needs neighbours in time.

    Raises
    ------
    FieldDataError
        If none of these sets of columns is there.
    """
    have = set(weather.columns)

    def column(name: str) -> np.ndarray:
        return weather[name].to_numpy(float)

    if "ghi" in have:
        ghi = np.maximum(column("ghi"), 0.0)
        unknown = np.full_like(ghi, np.nan)
        dhi = np.maximum(column("dhi"), 0.0) if "dhi" in have else unknown
        dni = np.maximum(column("dni"), 0.0) if "dni" in have else unknown
        dni = np.where(np.isnan(dni), _beam_from(ghi - dhi, sun), dni)
        dhi = np.where(np.isnan(dhi), np.maximum(ghi - dni * np.maximum(sun.cos_zenith, 0.0), 0.0), dhi)
        known = np.isfinite(dhi) & np.isfinite(dni)
        if known.all():
            return SkyLight(ghi, dni, dhi)
        split = _split(ghi, sun, pd.DatetimeIndex(weather.index), site.altitude_m)
        return SkyLight(ghi, np.where(known, dni, split.dni), np.where(known, dhi, split.dhi))
    if "poa_global" in have:
        return _light_behind_plane(np.maximum(column("poa_global"), 0.0), sun, pd.DatetimeIndex(weather.index), site)
    raise FieldDataError(
        f"sites/{site.id}/weather.csv: no light. Expected ghi_w_m2 (alone, or with dhi_w_m2 and dni_w_m2) or "
        "poa_global_w_m2. Add one of these columns.")


def reference_array(site: Site) -> Array:
    """The array in whose plane the weather's poa_global is."""
    wanted = site.poa_array or site.arrays[0].id
    return next(a for a in site.arrays if a.id == wanted)


def beam_from_two_planes(sky: SkyLight, poa: np.ndarray, array: Array, sun: Sun, site: Site) -> SkyLight:
    """
    Sharpen the split of global light with an in-plane reading beside it.

    Two readings, one level and one tilted, hold the beam between them: under a low sun the tilted one sees
    far more of it. The split is the compromise between what the readings say (each good to 3 %, ISO 9060
    class B over the day) and the decomposition (its beam good to 25 % and 30 W/m², common practice, no
    source), by two Gauss-Newton steps.
    """
    tilt, azimuth = orientation(array, sun)
    cos_incidence = _cos_incidence(tilt, azimuth, sun)
    above = _above_horizon(site, sun)

    def in_plane(dni: np.ndarray) -> np.ndarray:
        trial = SkyLight(sky.ghi, dni, np.maximum(sky.ghi - dni * np.maximum(sun.cos_zenith, 0.0), 0.0))
        even, circumsolar = _hay_davies(trial, sun, tilt, cos_incidence)
        ground = sky.ghi * array.albedo * (1.0 - np.cos(np.radians(tilt))) / 2.0
        return (dni * np.maximum(cos_incidence, 0.0) + circumsolar) * above + even + ground

    u_plane, u_beam = 0.03 * np.maximum(poa, 20.0), 0.25 * sky.dni + 30.0
    dni = sky.dni.copy()
    highest = np.minimum(sun.dni_extra, sky.ghi / np.maximum(sun.cos_zenith, np.sin(np.radians(_LOWEST_SUN))))
    for _ in range(2):
        slope = (in_plane(dni + 5.0) - in_plane(dni)) / 5.0
        weight = (slope / u_plane) ** 2 + 1.0 / u_beam**2
        step = (slope * (poa - in_plane(dni)) / u_plane**2 + (sky.dni - dni) / u_beam**2) / weight
        dni = np.clip(dni + np.where(np.isfinite(step), step, 0.0), 0.0, highest)
    return SkyLight(sky.ghi, dni, np.maximum(sky.ghi - dni * np.maximum(sun.cos_zenith, 0.0), 0.0))


def plane_light(array: Array, sky: SkyLight, sun: Sun, site: Site,
                measured: np.ndarray | None = None) -> PlaneLight:
    """
    Light on an array's plane.

    Parameters
    ----------
    array : Array
    sky : SkyLight
    sun : Sun
    site : Site
        For its far horizon.
    measured : ndarray, optional
        The in-plane sensor's reading, for the array it stands in: it sets the level, the model
        only its split into beam and sky. NaN falls back on the model. [W/m²]

    Returns
    -------
    PlaneLight
    """
    tilt, azimuth = orientation(array, sun)
    cos_incidence = _cos_incidence(tilt, azimuth, sun)
    above = _above_horizon(site, sun)
    beam = sky.dni * np.maximum(cos_incidence, 0.0) * above
    diffuse, circumsolar = _hay_davies(sky, sun, tilt, cos_incidence)
    circumsolar = circumsolar * above
    ground = sky.ghi * array.albedo * (1.0 - np.cos(np.radians(tilt))) / 2.0
    modelled = beam + circumsolar + diffuse + ground
    if measured is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            known = np.isfinite(measured) & (modelled > 1.0)
            level = np.where(known, np.maximum(measured, 0.0) / modelled, 1.0)
        # A sensor that sees beam while the horizontal one does not would blow up the split: bounded.
        level = np.clip(level, 0.2, 5.0)
    else:
        level = np.ones_like(modelled)
    incidence = np.degrees(np.arccos(np.clip(cos_incidence, -1.0, 1.0)))
    shaded, masked = row_shade(array, sun, tilt, azimuth)
    direct = (beam + circumsolar) * pvlib.iam.physical(np.minimum(incidence, 89.9))
    sky_iam, ground_iam = _diffuse_reflection(tilt)
    even = ground * ground_iam
    effective = {name: level * (direct * (1.0 - shaded * behind)
                                + diffuse * sky_iam * np.where(behind, masked, 1.0) + even)
                 for name, behind in _rows_behind_another(array, sun).items()}
    with np.errstate(invalid="ignore", divide="ignore"):
        lit = direct * (1.0 - shaded) * level
        beam_share = np.where(effective["inner"] == 0, 0.0, lit / effective["inner"])
    return PlaneLight(modelled * level, effective, beam_share, tilt, azimuth, incidence)


def _rows_behind_another(array: Array, sun: Sun) -> dict[str, np.ndarray]:
    """Where a row stands -> is there another row between it and the sun, per interval."""
    always = np.ones(len(sun.zenith), dtype=bool)
    if array.mount == "fixed":
        return {"inner": always, "front": ~always}
    sun_in_east = np.cos(np.radians(sun.azimuth - across_axis(array))) > 0
    return {"inner": always, "east": ~sun_in_east, "west": sun_in_east}


def across_axis(array: Array) -> float:
    """Azimuth square to a tracker's axis on its eastern side, whichever end the axis is named from. [°]"""
    right = (array.axis_azimuth_deg or 0.0) + 90.0
    return (right if np.sin(np.radians(right)) >= -1e-9 else right + 180.0) % 360.0


def orientation(array: Array, sun: Sun) -> tuple[np.ndarray, np.ndarray]:
    """Tilt and azimuth of the plane at each instant; a tracker below the horizon lies flat. [°]"""
    n = len(sun.zenith)
    if array.mount == "fixed":
        return np.full(n, float(array.tilt_deg or 0.0)), np.full(n, float(array.azimuth_deg or 0.0))
    turned = pvlib.tracking.singleaxis(
        sun.zenith, sun.azimuth, axis_tilt=array.axis_tilt_deg or 0.0,
        axis_azimuth=array.axis_azimuth_deg or 0.0, max_angle=array.max_angle_deg or 90.0,
        backtrack=bool(array.backtrack), gcr=_ground_cover(array) or ASSUMED_GROUND_COVER)
    flat_azimuth = (array.axis_azimuth_deg or 0.0) + 90.0
    tilt = np.nan_to_num(np.asarray(turned["surface_tilt"]), nan=0.0)
    azimuth = np.nan_to_num(np.asarray(turned["surface_azimuth"]), nan=flat_azimuth)
    return tilt, azimuth


def row_shade(array: Array, sun: Sun, tilt: np.ndarray, azimuth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    The design rows' own shade: share of the collector without beam, and share of the sky that is left.

    Beam by Anderson & Jensen, J. Renewable Sustainable Energy 16 (2024) 023504; sky by the
    masking angle of Passias & Källbäck, Solar Cells 11 (1984) 281, at the middle of the collector. Without a
    pitch and a collector width there is no shade to compute: (0, 1).
    """
    cover = _ground_cover(array)
    if cover is None:
        return np.zeros_like(tilt), np.ones_like(tilt)
    if array.mount == "fixed":
        axis_azimuth, axis_tilt = (float(array.azimuth_deg or 0.0) - 90.0) % 360.0, 0.0
        rotation = tilt
    else:
        axis_azimuth, axis_tilt = array.axis_azimuth_deg or 0.0, array.axis_tilt_deg or 0.0
        # The plane's tilt holds the axis's: cos(tilt) = cos(rotation) cos(axis tilt).
        cos_turn = np.cos(np.radians(tilt)) / np.cos(np.radians(axis_tilt))
        turned = np.degrees(np.arccos(np.clip(cos_turn, -1.0, 1.0)))
        rotation = turned * np.where(np.sin(np.radians(azimuth - axis_azimuth)) < 0.0, -1.0, 1.0)
    shaded = pvlib.shading.shaded_fraction1d(
        sun.zenith, sun.azimuth, axis_azimuth, rotation, collector_width=array.collector_width_m,
        pitch=array.pitch_m, axis_tilt=axis_tilt, surface_to_axis_offset=0.0)
    shaded = np.where(sun.zenith < 90.0, np.nan_to_num(shaded, nan=0.0), 0.0)
    mask = pvlib.shading.masking_angle(tilt, cover, 0.5)
    return shaded, np.cos(np.radians(mask) / 2.0) ** 2


def _ground_cover(array: Array) -> float | None:
    if not array.pitch_m or not array.collector_width_m:
        return None
    return array.collector_width_m / array.pitch_m


def _split(ghi: np.ndarray, sun: Sun, times: pd.DatetimeIndex, altitude_m: float) -> SkyLight:
    with warnings.catch_warnings():
        # pvlib asks pandas for the day of the year by its old name; no argument avoids it.
        warnings.simplefilter("ignore", DeprecationWarning)
        beam = pvlib.irradiance.dirint(pd.Series(ghi, times), pd.Series(sun.zenith, times), times,
                                       pressure=pvlib.atmosphere.alt2pres(altitude_m)).to_numpy(float)
    # It has no answer for an interval alone between unknown ones: the other fit stands in.
    beam = np.where(np.isnan(beam), _erbs_driesse(ghi, sun), beam)
    return _with_beam(ghi, (beam + _disc(ghi, sun, times, altitude_m)) / 2.0, sun)


def _split_alone(ghi: np.ndarray, sun: Sun, times: pd.DatetimeIndex, altitude_m: float) -> SkyLight:
    """The split of each interval by itself."""
    return _with_beam(ghi, (_erbs_driesse(ghi, sun) + _disc(ghi, sun, times, altitude_m)) / 2.0, sun)


def _disc(ghi: np.ndarray, sun: Sun, times: pd.DatetimeIndex, altitude_m: float) -> np.ndarray:
    pressure = pvlib.atmosphere.alt2pres(altitude_m)
    return np.asarray(pvlib.irradiance.disc(ghi, sun.zenith, times.day_of_year.to_numpy(), pressure=pressure)["dni"])


def _erbs_driesse(ghi: np.ndarray, sun: Sun) -> np.ndarray:
    return np.asarray(pvlib.irradiance.erbs_driesse(ghi, sun.zenith, dni_extra=sun.dni_extra)["dni"])


def _with_beam(ghi: np.ndarray, beam: np.ndarray, sun: Sun) -> SkyLight:
    dni = np.clip(beam, 0.0, sun.dni_extra)
    return SkyLight(ghi, dni, np.maximum(ghi - dni * np.maximum(sun.cos_zenith, 0.0), 0.0))


def _beam_from(beam_horizontal: np.ndarray, sun: Sun) -> np.ndarray:
    """Normal beam from its horizontal part, never above the light outside the atmosphere."""
    low = np.sin(np.radians(_LOWEST_SUN))
    beam = np.clip(beam_horizontal / np.maximum(sun.cos_zenith, low), 0.0, sun.dni_extra)
    return beam * (sun.zenith < 90.0)


def _cos_incidence(tilt: np.ndarray, azimuth: np.ndarray, sun: Sun) -> np.ndarray:
    zenith, turn, slope = np.radians(sun.zenith), np.radians(sun.azimuth - azimuth), np.radians(tilt)
    return np.cos(zenith) * np.cos(slope) + np.sin(zenith) * np.sin(slope) * np.cos(turn)


def _hay_davies(sky: SkyLight, sun: Sun, tilt: np.ndarray,
                cos_incidence: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Even part and circumsolar part of the sky's light in the plane: Hay & Davies (1980)."""
    low = np.cos(np.radians(90.0 - _LOWEST_SUN))
    anisotropy = np.clip(sky.dni / sun.dni_extra, 0.0, 1.0)
    ratio = np.maximum(cos_incidence, 0.0) / np.maximum(sun.cos_zenith, low)
    even = sky.dhi * (1.0 - anisotropy) * (1.0 + np.cos(np.radians(tilt))) / 2.0
    return even, sky.dhi * anisotropy * ratio


def _above_horizon(site: Site, sun: Sun) -> np.ndarray:
    """
    1 where the sun stands above the far horizon, else 0; a degree of soft edge for the interval's length.
    """
    if not site.horizon_azimuth_deg:
        return (sun.elevation > 0).astype(float)
    order = np.argsort(site.horizon_azimuth_deg)
    azimuth = np.asarray(site.horizon_azimuth_deg, float)[order]
    height = np.asarray(site.horizon_elevation_deg, float)[order]
    line = np.interp(sun.azimuth, azimuth, height, period=360.0)
    return np.clip(sun.elevation - line + 0.5, 0.0, 1.0) * (sun.elevation > 0)


def _diffuse_reflection(tilt: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Transmission of sky and ground light through the glass: Marion, Solar Energy 147 (2017) 344."""
    if np.ptp(tilt) == 0:
        sky, ground = _diffuse_at((float(tilt[0]),))
        return np.full_like(tilt, sky[0]), np.full_like(tilt, ground[0])
    grid = np.linspace(0.0, 90.0, 31)
    sky, ground = _diffuse_at(tuple(grid))
    return np.interp(tilt, grid, sky), np.interp(tilt, grid, ground)


@lru_cache(maxsize=64)
def _diffuse_at(tilts: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    factor = pvlib.iam.marion_diffuse("physical", np.array(tilts))
    # A level plane sees no ground, and what part of nothing comes through is not a number.
    return factor["sky"], np.nan_to_num(factor["ground"], nan=0.0)


def _light_behind_plane(poa: np.ndarray, sun: Sun, times: pd.DatetimeIndex, site: Site) -> SkyLight:
    """
    The horizontal light whose split and transposition give the in-plane reading, by bisection.

    In-plane light rises with global light for any sun position, so the root is single.
    """
    array = reference_array(site)
    tilt, azimuth = orientation(array, sun)
    cos_incidence = _cos_incidence(tilt, azimuth, sun)
    up = sun.zenith < 89.0
    low, high = np.zeros_like(poa), np.where(up, 1.3 * sun.dni_extra * np.maximum(sun.cos_zenith, 0.02), 0.0)
    for _ in range(24):
        middle = (low + high) / 2.0
        sky = _split_alone(middle, sun, times, site.altitude_m)
        even, circumsolar = _hay_davies(sky, sun, tilt, cos_incidence)
        ground = middle * array.albedo * (1.0 - np.cos(np.radians(tilt))) / 2.0
        above = sky.dni * np.maximum(cos_incidence, 0.0) + even + circumsolar + ground > poa
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    ghi = np.where(np.isfinite(poa), (low + high) / 2.0, np.nan)
    return _split_alone(ghi, sun, times, site.altitude_m)
