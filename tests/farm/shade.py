"""Hedges, poles and grass: which share of the beam and of the sky each string loses to them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from .layout import Place, StringUnit
from .sky import Plane
from .spec import ArraySpec, FarmSpec, Grass, Hedge, Pole
from .weather import summerness

Loss = tuple[np.ndarray, np.ndarray]  # shares of beam and of diffuse light lost


def years_since(times: pd.DatetimeIndex, day: dt.date) -> np.ndarray:
    """Years from local noon of `day`, negative before it."""
    return (
        np.asarray((times - pd.Timestamp(day, tz="UTC") - pd.Timedelta(hours=12)).total_seconds())
        / 31_557_600
    )


def height_over(
    times: pd.DatetimeIndex, start: float, rate: np.ndarray, cuts: list[tuple[dt.date, float]]
) -> np.ndarray:
    """A height that grows at `rate` [m a year] and is cut to a height on some days."""
    grown = np.concatenate([[0.0], np.cumsum(rate[1:] * np.diff(years_since(times, dt.date(2000, 1, 1))))])
    out = start + grown
    for day, left in sorted(cuts):
        after = years_since(times, day) >= 0
        if after.any():
            at = int(np.argmax(after))
            out[after] = np.minimum(out[after], left + grown[after] - grown[at])
    return out


def _electrical(share: np.ndarray, array: ArraySpec, half_cut: bool) -> np.ndarray:
    """
    Share of the beam's power lost when the lower `share` of every module is shaded.

    One cell in the dark stops the current of its group of cells, so power goes in steps: one for full cells
    upright, two for half-cut upright, three (the bypass groups) lying.
    """
    steps = 3 if array.orientation == "landscape" else 2 if half_cut else 1
    return sum(np.clip((share - j / steps) * 6, 0, 1) for j in range(steps)) / steps


def _lower_share(array: ArraySpec, tilt: np.ndarray, shadow_height: np.ndarray) -> np.ndarray:
    """Share of the collector, from its lower edge, that lies under the shadow's edge."""
    rise = np.maximum(array.width_m * np.sin(np.radians(tilt)), 0.15)
    return np.clip((shadow_height - array.lower_edge_m) / rise, 0, 1)


def _setback(hedge: Hedge, unit: StringUnit, units: tuple[StringUnit, ...]) -> float:
    """Distance of the string from the hedge. [m]"""
    b = np.radians(hedge.bearing)
    along = [u.x_m * np.sin(b) + u.y_m * np.cos(b) for u in units]
    return hedge.distance_m + max(along) - (unit.x_m * np.sin(b) + unit.y_m * np.cos(b))


def hedge_height(spec: FarmSpec, hedge: Hedge, times: pd.DatetimeIndex) -> np.ndarray:
    season = 2 * summerness(spec, times)
    return height_over(
        times, hedge.height_m, hedge.growth_m_year * season, [(d, h) for d, h, _ in hedge.cuts]
    )


def _hedge(
    spec: FarmSpec, hedge: Hedge, unit: StringUnit, units: tuple[StringUnit, ...], wx: pd.DataFrame, p: Plane
) -> Loss:
    array, away = spec.array(unit.array), _setback(hedge, unit, units)
    height = hedge_height(spec, hedge, wx.index)
    turn = (wx["azimuth"].to_numpy() - hedge.bearing + 180) % 360 - 180
    path = away / np.clip(np.cos(np.radians(turn)), 0.05, None)
    shadow = height - path * np.tan(np.radians(np.clip(wx["elevation"].to_numpy(), 0, 89)))
    share = np.where(np.abs(turn) < hedge.spread / 2, _lower_share(array, p.tilt, shadow), 0.0)
    rises = np.degrees(np.arctan2(np.clip(height - array.lower_edge_m - 0.5, 0, None), away))
    sky = hedge.spread / 360 * np.sin(np.radians(rises)) * 0.8
    return _electrical(share, array, spec.module(unit.module).half_cut), sky


def _pole(spec: FarmSpec, pole: Pole, unit: StringUnit, wx: pd.DataFrame) -> Loss:
    array, module = spec.array(unit.array), spec.module(unit.module)
    length = unit.series * (module.width_m if array.orientation == "portrait" else module.length_m)
    dx, dy = pole.x_m - unit.x_m, pole.y_m - unit.y_m
    away, bearing = max(np.hypot(dx, dy), 1.0), np.degrees(np.arctan2(dx, dy))
    turn = (wx["azimuth"].to_numpy() - bearing + 180) % 360 - 180
    low = wx["elevation"].to_numpy() < np.degrees(np.arctan2(pole.height_m - array.lower_edge_m - 1.0, away))
    hit = low & (np.abs(turn) < np.degrees(np.arctan2((length + pole.width_m) / 2, away)))
    # The shadow is as wide as the pole; each module it touches is bypassed by one group.
    touched = np.ceil(pole.width_m / module.width_m) + 1
    return hit * touched / unit.series / module.bypass, np.zeros(len(wx))


def grass_height(spec: FarmSpec, grass: Grass, times: pd.DatetimeIndex) -> np.ndarray:
    growing = np.clip(summerness(spec, times) - 0.3, 0, 1) / 0.7 * 12 * grass.growth_m_month
    cuts = [(d, 0.15) for d, _ in grass.mowings]
    # Each winter lays it flat.
    cuts += [
        (dt.date(y, 1 if spec.latitude > 0 else 7, 1), 0.2) for y in range(spec.start.year, spec.end.year + 1)
    ]
    return np.minimum(height_over(times, grass.height_m, growing, cuts), grass.highest_m)


def _grass(spec: FarmSpec, grass: Grass, unit: StringUnit, wx: pd.DataFrame, p: Plane) -> Loss:
    if unit.row not in grass.rows:
        return np.zeros(len(wx)), np.zeros(len(wx))
    array = spec.array(unit.array)
    elevation = np.clip(wx["elevation"].to_numpy(), 0, 89)
    shadow = grass_height(spec, grass, wx.index) - 0.25 * np.tan(np.radians(elevation))
    share = _lower_share(array, p.tilt, shadow)
    return 0.65 * _electrical(share, array, spec.module(unit.module).half_cut), 0.15 * share


def shading(
    spec: FarmSpec, units: tuple[StringUnit, ...], wx: pd.DataFrame, planes: dict[Place, Plane]
) -> np.ndarray:
    """Share of each string's light that the obstacles leave, shape (strings, intervals)."""
    left = np.ones((len(units), len(wx)))
    for i, unit in enumerate(units):
        p = planes[unit.place]
        losses = [_hedge(spec, m, unit, units, wx, p) for m in spec.all_of(Hedge)]
        losses += [_pole(spec, m, unit, wx) for m in spec.all_of(Pole)]
        losses += [_grass(spec, m, unit, wx, p) for m in spec.all_of(Grass)]
        beam, diffuse = p.beam.copy(), p.diffuse.copy()
        for beam_lost, diffuse_lost in losses:
            beam *= 1 - beam_lost
            diffuse *= 1 - diffuse_lost
        left[i] = (beam + diffuse) / np.maximum(p.effective, 1e-9)
    return left
