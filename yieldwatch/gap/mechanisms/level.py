"""
What is nobody's loss but moves the level of everything: the light sensor, modules above their plate, the log's gain.

Kept as unknowns of their own. Left out, they would turn up as dirt or age.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column

#: Name of the column of the light's constant bias.
LIGHT_BIAS = "light bias"
#: Name of the column of what the modules have beyond their plate, or less: on all strings, in all hours.
PLATE = "modules against their plate"
#: Name of the column of its drift.
LIGHT_DRIFT = "light drift per year"
#: Constant bias of the light: an in-plane or horizontal pyranometer in the field, and modelled weather. ISO 9060 class B
#: with calibration and mounting (WMO guide: daily totals good to 5 % at 95 %); modelled: common practice, no source.
BIAS_SD_MEASURED, BIAS_SD_MODELLED = 0.02, 0.035
_DRIFT_SD = 0.0025  # per year: ISO 9060 class A non-stability 0.8 % a year at most, most sensors far below
#: Where a second source says that the sensor drifts: ISO 9060 class C non-stability, 3 % a year at most.
_DRIFT_SD_SEEN = 0.015
#: Makers sort modules into bins of about 1 % and print the lower edge: half a bin is given away, unless the plate's tolerance
#: says otherwise, and the maker's own light is good to about half a per cent beyond that. Common practice, no source.
_GIVEN_AWAY, _PLATE_SD = 0.005, 0.006
_SEASON_SD = 0.005  # model error over the seasons. Common practice, no source.
#: Constant offset of the light, as a share of 100 W/m²: zero offsets of pyranometers reach 7 (class A) to 15 W/m² (class B) at
#: 95 % (ISO 9060), and models of modules and inverters are least sure in weak light.
_OFFSET_SD = 0.03
#: What 95 % of a farm's hours with light stay below, and the least light at which the offset counts in proportion. [W/m²]
_BRIGHT, _DIM = 850.0, 20.0
#: What the light under an overcast sky is off by against that under a clear one: a sensor's response to angle and colour, and,
#: not measured in the plane, the model of the sky that turns it there. Common practice, no source.
_SKY_SD_IN_PLANE, _SKY_SD = 0.01, 0.02
_SUN_SD = 0.012  # model error over sun positions. Common practice, no source.
#: What a service's light is off by for weeks on end, beside its constant bias, and how long such a spell is. [d] Clouds and haze
#: of a season are read off satellites by one rule. Common practice, no source.
_SPELL_SD, _SPELL_DAYS = 0.02, 15
_INVERTER_MOST = 0.025  # beyond, it is a weak part and no makers' spread
_INVERTER_SD = 0.008  # makers' spread of the mean of many strings, and the log's gain to 1 %


def light_from_service(model: SiteModel) -> bool:
    """
    Whether nobody measured the light at the farm, by the site's settings or else by what the weather holds.

    A farm's own station seldom parts beam from diffuse light, a service always does. Common practice, no source.
    """
    if model.site.light_from is not None:
        return model.site.light_from == "service"
    table = model.weather.table
    return "poa_global" not in table and {"dni", "dhi"} <= set(table)


def level_columns(blocks: Blocks, drift_seen: bool, sensor_doubt: float = 0.0) -> list[Column]:
    """
    Columns of cause "level": bias, drift, modules against their plate, offset, season, sun position, and each inverter's own.

    `drift_seen` says that a second source finds the light drifting, for which it then has evidence of its own; `sensor_doubt` is
    what faults of the light sensor leave in doubt of its level.
    """
    def free(name: str, shape: np.ndarray, sd: float) -> Column:
        return Column("level", name, shape, None, 0.0, sd, -np.inf, np.inf)

    ones = np.ones(blocks.n)
    years = blocks.year_fraction - blocks.year_fraction.mean()
    bias_sd = float(np.hypot(BIAS_SD_MODELLED if light_from_service(blocks.model) else BIAS_SD_MEASURED, sensor_doubt))
    columns = [
        free(LIGHT_BIAS, ones, bias_sd),
        free(LIGHT_DRIFT, years, _DRIFT_SD_SEEN if drift_seen else _DRIFT_SD),
        Column("level", PLATE, ones, None, -_beyond_plate(blocks), _PLATE_SD, -np.inf, np.inf),
    ]
    energy = blocks.expected.sum(axis=0)
    strength = energy / np.bincount(blocks.of, minlength=blocks.n)
    weak = 100.0 / np.maximum(_BRIGHT * strength / np.quantile(strength, 0.95), _DIM)
    # Centred: what it does to all hours alike belongs to the bias.
    columns.append(free("light offset", weak - np.average(weak, weights=energy), _OFFSET_SD))
    hazy = 1.0 - blocks.beam_share
    sky_sd = _SKY_SD_IN_PLANE if "poa_global" in blocks.model.weather.table else _SKY_SD
    columns.append(free("light of the sky", hazy - np.average(hazy, weights=blocks.expected), sky_sd))
    angle = 2.0 * np.pi * blocks.day_of_year / 365.25
    columns += [
        free(f"season {name}", shape, _SEASON_SD)
        for name, shape in (("cos", np.cos(angle)), ("sin", np.sin(angle)))
    ]
    cell = np.floor(blocks.azimuth / 30.0).astype(int) * 100 + np.clip(np.floor(blocks.elevation / 8.0), 0, 11).astype(int)
    groups = blocks.groups
    for g in np.unique(groups):
        alike = (groups == g).astype(float)[:, None]
        columns += [
            free(f"sun cell {c} of group {g}", alike * (cell == c)[None, :], _SUN_SD)
            for c in np.unique(cell)
        ]
    if len(blocks.expected) > 1:
        columns += [
            Column("level", f"own level of {name}", ones, k, 0.0, _INVERTER_SD, -_INVERTER_MOST, _INVERTER_MOST)
            for k, name in enumerate(blocks.model.inverter_ids)
        ]
    return columns


def spell_columns(blocks: Blocks) -> list[Column]:
    """Columns of what a service's light is off by for weeks: else each such spell would make dirt of a log's days."""
    place = np.arange(0, len(blocks.dates) + _SPELL_DAYS, _SPELL_DAYS)
    return [
        Column("level", f"light around {blocks.dates[0] + pd.Timedelta(days=int(p)):%Y-%m-%d}",
               np.clip(1.0 - np.abs(blocks.day - p) / _SPELL_DAYS, 0.0, 1.0), None, 0.0, _SPELL_SD, -np.inf, np.inf)
        for p in place
    ]


def _beyond_plate(blocks: Blocks) -> float:
    """What the farm's modules may be taken to have beyond their plate when new. [fraction]"""
    strings = blocks.model.site.strings
    middle = [(s.module_type.tolerance_plus_pct - s.module_type.tolerance_minus_pct) / 200.0 for s in strings]
    return float(np.average(np.clip(middle, -_GIVEN_AWAY, _GIVEN_AWAY), weights=[s.p_mp_w for s in strings]))
