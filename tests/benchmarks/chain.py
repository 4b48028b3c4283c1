"""
Our chain from weather to AC power against pvlib's own `ModelChain`: time, and energy of a year.

Run ``python -m tests.benchmarks.chain``. Both get the same array, the same single-diode parameters and the
same year of 5-minute weather, in one process and by turns, so that a busy machine slows both.

The time is against `ModelChain` as it comes. Its usual steps let all diffuse light through the glass, ours
reflect a part of it (Marion 2017); so the energy is compared both with it as it comes, and with that one step
replaced by pvlib's own functions for the same reflection. Only the latter is held to a limit.
"""

from __future__ import annotations

import datetime as dt
import statistics
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pvlib

from tests.expected.plain import MODULE
from yieldwatch.expected.inverter import inverter_curve
from yieldwatch.expected.module import fit_module
from yieldwatch.expected.power import SiteModel, site_model
from yieldwatch.expected.weather import grid_weather
from yieldwatch.portfolio.model import Array, Inverter, InverterType, ModuleType, Site, String

TIME_LIMIT = 0.1
ENERGY_LIMIT_PCT = 0.3
ROUNDS = 5
STEP = pd.Timedelta(minutes=5)
SERIES, PARALLEL = 26, 8
AC_RATED_KW, ETA_NOM, ETA_REF = 70.0, 0.97, 0.9637


@dataclass(frozen=True)
class Yield:
    """A year's energy at the inverters' terminals and after them. [kWh]"""

    dc: float
    ac: float


class EvenReflection(pvlib.modelchain.ModelChain):
    """The usual chain, but sky and ground light are reflected as ours are."""

    def effective_irradiance_model(self) -> EvenReflection:
        mount, light, sun = self.system.arrays[0].mount, self.results.weather, self.results.solar_position
        sky = pvlib.irradiance.haydavies(
            mount.surface_tilt,
            mount.surface_azimuth,
            light["dhi"],
            light["dni"],
            pvlib.irradiance.get_extra_radiation(light.index),
            sun["apparent_zenith"],
            sun["azimuth"],
            return_components=True,
        )
        through = pvlib.iam.marion_diffuse("physical", mount.surface_tilt)
        total = self.results.total_irrad
        self.results.effective_irradiance = (
            (total["poa_direct"] + sky["poa_circumsolar"]) * self.results.aoi_modifier
            + sky["poa_isotropic"] * through["sky"]
            + total["poa_ground_diffuse"] * through["ground"]
        )
        return self


def invented_year(latitude: float, longitude: float, altitude_m: float, seed: int = 7) -> pd.DataFrame:
    """
    Clear-sky light (Ineichen & Perez' simplified Solis sky) under seeded cloud, stamped at the intervals'
    starts.
    """
    rng = np.random.default_rng(seed)
    starts = pd.date_range("2023-01-01", "2024-01-01", freq=STEP, inclusive="left", tz="UTC", name="time")
    middle = starts + STEP / 2
    sun = pvlib.solarposition.get_solarposition(middle, latitude, longitude, altitude_m)
    clear = pvlib.clearsky.simplified_solis(sun["apparent_elevation"].clip(lower=0.0), aod700=0.1)
    # Cloud cover wanders over hours and flickers over minutes.
    hours = np.arange(len(starts)) / 12.0
    slow = np.interp(hours, np.arange(0.0, hours[-1] + 6.0, 3.0), rng.beta(0.7, 0.7, int(hours[-1] // 3) + 3))
    cover = np.clip(slow + 0.1 * rng.standard_normal(len(starts)), 0.0, 1.0)
    dni = np.nan_to_num(clear["dni"].to_numpy()) * (1.0 - cover) ** 1.5
    dhi = np.nan_to_num(clear["dhi"].to_numpy()) * (1.0 + 1.2 * cover * (1.0 - 0.6 * cover))
    up = sun["apparent_elevation"].to_numpy() > 0
    dni, dhi = np.where(up, dni, 0.0), np.where(up, dhi, 0.0)
    ghi = dhi + dni * np.maximum(np.cos(np.radians(sun["apparent_zenith"].to_numpy())), 0.0)
    season = -np.cos(2.0 * np.pi * (hours / 8766.0 - 0.05))
    return pd.DataFrame(
        {
            "ghi": ghi,
            "dni": dni,
            "dhi": dhi,
            "temp_air": 11.0 + 8.0 * season + 4.0 * np.cos(2.0 * np.pi * (hours - 15.0) / 24.0),
            "wind_speed": rng.gamma(2.0, 1.5, len(starts)),
        },
        starts,
    )


def own_gamma(kind: ModuleType) -> ModuleType:
    """
    The datasheet with the power coefficient that the diode model has of itself, so that ours adds no
    correction.
    """
    parameters = fit_module(kind).parameters
    i_l, i_o, r_s, r_sh, a = pvlib.pvsystem.calcparams_desoto(1000.0, np.array([25.0, 50.0]), **parameters)
    cold, warm = pvlib.pvsystem.singlediode(i_l, i_o, r_s, r_sh, a)["p_mp"]
    return replace(kind, gamma_p_mp_pct_per_c=100.0 * (warm / cold - 1.0) / 25.0)


def converter_points() -> tuple[tuple[float, float], ...]:
    """
    Efficiency of pvlib's default inverter model at the datasheet's loads, for our curve.

    With z the DC power over its limit, AC over rated is (-0.0162 z² + 0.9858 z - 0.0059) / ETA_REF (Dobos,
    NREL/TP-6A20-62641 (2014), eq. 11); solved for z, the efficiency is AC / (z / ETA_NOM).
    """
    points = []
    for load in (0.05, 0.10, 0.20, 0.30, 0.50, 0.75, 1.00):
        c = 0.0059 + load * ETA_REF
        z = (0.9858 - np.sqrt(0.9858**2 - 4.0 * 0.0162 * c)) / (2.0 * 0.0162)
        points.append((load, float(load / (z / ETA_NOM))))
    return tuple(points)


def invented_site(kind: ModuleType) -> Site:
    """One fixed array on one inverter, no rows before it, no design losses."""
    inverter = Inverter(
        "I1", InverterType("K70", AC_RATED_KW, AC_RATED_KW, None, 1, None, None, converter_points())
    )
    strings = tuple(String(f"S{k}", "I1", "A", kind, SERIES) for k in range(PARALLEL))
    array = Array("A", "fixed", tilt_deg=25.0, azimuth_deg=170.0, albedo=0.25)
    return Site(
        "bench",
        "Benchmark",
        44.0,
        5.0,
        200.0,
        "Etc/UTC",
        dt.date(2023, 1, 1),
        (array,),
        (inverter,),
        strings,
        dc_wiring_pct=0.0,
        ac_wiring_pct=0.0,
        transformer_pct=0.0,
        mismatch_pct=0.0,
    )


def run_ours(site: Site, weather: pd.DataFrame) -> Yield:
    start, end = weather.index[0], weather.index[-1] + STEP
    model: SiteModel = site_model(site, grid_weather(weather, STEP, site, start, end))
    return Yield(float(model.dc.sum() * model.weather.hours), float(model.output().sum()))


def run_pvlib(chain: type[pvlib.modelchain.ModelChain], site: Site, weather: pd.DataFrame) -> Yield:
    kind, array = site.strings[0].module_type, site.arrays[0]
    parameters = fit_module(kind).parameters | {"dEgdT": -0.0002677}
    system = pvlib.pvsystem.PVSystem(
        arrays=[
            pvlib.pvsystem.Array(
                pvlib.pvsystem.FixedMount(array.tilt_deg, array.azimuth_deg),
                albedo=array.albedo,
                module_parameters=parameters,
                temperature_model_parameters={"u0": 25.0, "u1": 6.84},
                modules_per_string=SERIES,
                strings=PARALLEL,
            )
        ],
        inverter_parameters={
            "pdc0": AC_RATED_KW * 1000.0 / ETA_NOM,
            "eta_inv_nom": ETA_NOM,
            "eta_inv_ref": ETA_REF,
        },
    )
    place = pvlib.location.Location(site.latitude, site.longitude, altitude=site.altitude_m)
    model = chain(
        system,
        place,
        dc_model="desoto",
        ac_model="pvwatts",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="faiman",
        transposition_model="haydavies",
    )
    model.run_model(weather.set_axis(weather.index + STEP / 2))
    hours = STEP / pd.Timedelta(hours=1)
    # With a single-diode module the chain puts every DC column through the inverter; only power has a
    # meaning.
    return Yield(
        float(np.nansum(model.results.dc["p_mp"]) * hours / 1000.0),
        float(np.nansum(model.results.ac["p_mp"]) * hours / 1000.0),
    )


def seconds(work: Callable[[], Yield]) -> tuple[float, Yield]:
    begin = time.perf_counter()
    result = work()
    return time.perf_counter() - begin, result


def main() -> int:
    """Print the comparison; 0 if both limits are kept."""
    # At night the chain asks scipy's root finder for modules without light, which warns of 0/0.
    warnings.filterwarnings("ignore", category=RuntimeWarning, module="scipy")
    site = invented_site(own_gamma(MODULE))
    weather = invented_year(site.latitude, site.longitude, site.altitude_m)
    fit_module.cache_clear()
    inverter_curve.cache_clear()
    cold, _ = seconds(lambda: run_ours(site, weather))
    run_pvlib(pvlib.modelchain.ModelChain, site, weather)
    pairs = []
    for _ in range(ROUNDS):
        ours_s, ours = seconds(lambda: run_ours(site, weather))
        usual_s, usual = seconds(lambda: run_pvlib(pvlib.modelchain.ModelChain, site, weather))
        pairs.append((ours_s, usual_s))
    same = run_pvlib(EvenReflection, site, weather)
    ratio = statistics.median(a / b for a, b in pairs)
    dc_pct, ac_pct = 100.0 * (ours.dc / same.dc - 1.0), 100.0 * (ours.ac / same.ac - 1.0)
    usual_median = statistics.median(b for _, b in pairs)
    print(f"{len(weather)} intervals, {ROUNDS} rounds by turns, medians")
    print(
        f"time: ours {statistics.median(a for a, _ in pairs):.3f} s, pvlib's chain {usual_median:.3f} s, "
        f"ratio {ratio:.3f} (limit {TIME_LIMIT})"
    )
    print(f"first run, with the module's fit and table: {cold:.3f} s, ratio {cold / usual_median:.3f}")
    print(f"year's energy, same physics: DC {dc_pct:+.3f} %, AC {ac_pct:+.3f} % (limit {ENERGY_LIMIT_PCT} %)")
    print(
        "year's energy, pvlib's chain as it comes (no reflection of diffuse light): "
        f"DC {100.0 * (ours.dc / usual.dc - 1.0):+.3f} %, AC {100.0 * (ours.ac / usual.ac - 1.0):+.3f} %"
    )
    kept = ratio <= TIME_LIMIT and max(abs(dc_pct), abs(ac_pct)) <= ENERGY_LIMIT_PCT
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
