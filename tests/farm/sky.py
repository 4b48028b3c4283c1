"""Light and temperature in each plane: what the design gives, with nothing wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from .spec import ArraySpec, FarmSpec

DIFFUSE_IAM = 0.955  # glass passes this share of light that comes from the whole sky


@dataclass(frozen=True)
class Plane:
    """
    The rows of one array that see the same sky, an entry for each lit interval.

    `poa_global` is what a clean sensor above the rows would read; `beam` and
    `diffuse` reach the cells, after the glass and the design's rows and horizon. [W/m²]
    `temp_module` is at the module's back. [°C]
    """

    tilt: np.ndarray
    azimuth: np.ndarray
    poa_global: np.ndarray
    beam: np.ndarray
    diffuse: np.ndarray
    temp_module: np.ndarray
    temp_cell: np.ndarray

    @property
    def effective(self) -> np.ndarray:
        return self.beam + self.diffuse


def _orientation(spec: FarmSpec, array: ArraySpec, sun: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    if array.mount == "fixed":
        return np.full(len(sun), array.tilt), np.full(len(sun), array.azimuth)
    turned = pvlib.tracking.singleaxis(
        sun["zenith"],
        sun["azimuth"],
        0.0,
        0.0 if spec.latitude > 0 else 180.0,
        array.max_angle,
        backtrack=True,
        gcr=array.width_m / array.pitch_m,
    )
    return turned["surface_tilt"].fillna(0.0).to_numpy(), turned["surface_azimuth"].fillna(90.0).to_numpy()


def _row_shade(array: ArraySpec, sun: pd.DataFrame, front: bool) -> tuple[np.ndarray, np.ndarray]:
    """Share of the beam that the row in front takes, and of the sky. The first row has none in front."""
    if array.mount != "fixed" or not array.rows or front:
        return np.zeros(len(sun)), np.zeros(len(sun))
    shaded = pvlib.shading.shaded_fraction1d(
        sun["zenith"].to_numpy(),
        sun["azimuth"].to_numpy(),
        (array.azimuth - 90) % 360,
        array.tilt,
        collector_width=array.width_m,
        pitch=array.pitch_m,
        axis_tilt=0.0,
    )
    angle = pvlib.shading.masking_angle_passias(array.tilt, array.width_m / array.pitch_m)
    sky = pvlib.shading.sky_diffuse_passias(angle)
    return np.nan_to_num(np.asarray(shaded)), np.full(len(sun), sky)


def _above_horizon(spec: FarmSpec, sun: pd.DataFrame) -> np.ndarray:
    if not spec.horizon:
        return np.ones(len(sun))
    azimuth, elevation = zip(*spec.horizon, strict=True)
    return (sun["elevation"] > np.interp(sun["azimuth"], azimuth, elevation, period=360)).to_numpy(float)


def _sky(
    spec: FarmSpec, tilt: np.ndarray, azimuth: np.ndarray, wx: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Light of the sky in the plane: that which comes from around the sun, and the rest."""
    given = {
        "surface_tilt": tilt,
        "surface_azimuth": azimuth,
        "solar_zenith": wx["zenith"].to_numpy(),
        "solar_azimuth": wx["azimuth"].to_numpy(),
        "dhi": wx["dhi"].to_numpy(),
        "dni": wx["dni"].to_numpy(),
        "dni_extra": np.asarray(pvlib.irradiance.get_extra_radiation(wx.index.day_of_year.to_numpy())),
        "return_components": True,
    }
    if spec.sky_model == "perez":
        given["airmass"] = pvlib.atmosphere.get_relative_airmass(wx["zenith"].to_numpy())
        parts = pvlib.irradiance.perez(**given)
    else:
        parts = pvlib.irradiance.haydavies(**given)
    around = np.nan_to_num(np.asarray(parts["poa_circumsolar"], float))
    # Under a closed cloud nothing stands around the sun to be shaded; the bright part is just sky.
    around = around * given["dni"] / (given["dni"] + 30)
    return around, np.nan_to_num(np.asarray(parts["poa_sky_diffuse"], float)) - around


def plane(spec: FarmSpec, array: ArraySpec, wx: pd.DataFrame, front: bool) -> Plane:
    """The light on the first row of an array, or on one behind it, for the rows of `wx`, all of which must be lit."""
    tilt, azimuth = _orientation(spec, array, wx)
    zenith, sun_azimuth = wx["zenith"].to_numpy(), wx["azimuth"].to_numpy()
    around, sky = _sky(spec, tilt, azimuth, wx)
    beam = np.asarray(
        pvlib.irradiance.beam_component(tilt, azimuth, zenith, sun_azimuth, wx["dni"].to_numpy())
    )
    direct = beam + around  # what comes from around the sun goes the sun's way
    ground = np.asarray(pvlib.irradiance.get_ground_diffuse(tilt, wx["ghi"].to_numpy(), array.albedo))
    glass = np.nan_to_num(
        np.asarray(pvlib.iam.physical(pvlib.irradiance.aoi(tilt, azimuth, zenith, sun_azimuth)))
    )
    row_beam, row_sky = _row_shade(array, wx, front)
    poa = direct + sky + ground
    back = pvlib.temperature.faiman(
        poa, wx["temp_air"].to_numpy(), wx["wind_speed"].to_numpy(), spec.u0, spec.u1
    )
    return Plane(
        tilt,
        azimuth,
        poa,
        direct * glass * (1 - row_beam) * _above_horizon(spec, wx),
        (sky * (1 - row_sky) + ground) * DIFFUSE_IAM,
        back,
        back + spec.cell_over_back_c * poa / 1000,
    )
