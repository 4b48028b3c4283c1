"""
A light sensor on clear days beside the cloudless sky and beside everything else that saw those days: does it lean, is it shaded?

A lean moves the sensor's noon, as a clock would; but a clock moves dawn and dusk as well. A thing that stands before the sensor
takes its light at the same sun positions on every clear day, and takes no one else's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.sun import sun_position
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.lags import Series
from yieldwatch.gap.sun_times import clear_days, clear_reference
from yieldwatch.portfolio.model import Site

_DAY = pd.Timedelta(days=1)
LIGHT = ("ghi", "poa_global")
_POWER = "power "
#: Inverters that are looked at: more tell no more.
_MOST_INVERTERS = 12
#: Step of the cloudless sky, which is smooth, and the longest of what is held against it.
_CLEAR_STEP, _COARSEST = pd.Timedelta(minutes=15), pd.Timedelta(hours=1)
#: Sun height above which hedges and rows do not matter to noon, and above which shade is looked for. [°] Common practice, no
#: source.
_OPEN_DEG, _LOW_DEG = 20.0, 5.0
#: Fewest intervals of a day, on either side of noon, and clear days, that have a noon. Common practice, no source.
_FEWEST_SIDE, _FEWEST_DAYS = 3, 8
#: Minutes by which a sensor's noon must be off beyond its doubt, and those within which the others must be right: one degree is
#: four minutes, and field sensors are levelled to one. Common practice, no source.
_LEAN_MIN, _RIGHT_MIN, _BEYOND = 6.0, 4.0, 3.0
_NOON_DOUBT_MIN = 1.0
#: Minutes of noon for each degree of hour angle that a lean is worth: a clear sky's light goes with about the 1.2th power of the
#: sun's height, and 0.85 of it is beam. Worked out with the clear sky used here.
_MIN_PER_DEG = 4.0 * 0.85 / 1.2
#: Share of the highest cloudless value below which a ratio to it says little, and of the rating above which power may be
#: capped. Common practice, no source.
_FAINT, _FREE = 0.05, 0.9
#: Size of a cell of the sky [°], readings that make one, cells that make a thing, and what the sensor lacks there at the least
#: (without the beam a clear sky gives 0.15 to 0.5) and the witness at the most, as logarithms. Common practice, no source.
_CELL, _CELL_READINGS, _CELLS, _LACKS, _WITNESS = (10.0, 4.0), 3, 2, 0.4, 0.08


@dataclass(frozen=True, eq=False)
class ClearView:
    """
    Clear days of a site, interval by interval, shape (n_days, n) throughout.

    Attributes
    ----------
    elevation, azimuth : ndarray
        Of the sun. [°]
    ratio : dict of str to ndarray
        ln of what each source read over the cloudless sky, less its own level of the day; NaN where that says nothing. The light
        columns of the weather, "weather_2", and "power " with each inverter's name.
    turn : dict of str to ndarray
        By how much each ratio changes for each minute by which the source is late.
    """

    elevation: np.ndarray
    azimuth: np.ndarray
    ratio: dict[str, np.ndarray]
    turn: dict[str, np.ndarray]


@dataclass(frozen=True)
class Lean:
    """Minutes by which a sensor's noon is late, its standard uncertainty, and the lean that does it [°], west positive."""

    late_min: float
    doubt_min: float
    west_deg: float


@dataclass(frozen=True, eq=False)
class SkyShade:
    """Bearing bins, their lower edges [°], and the sun height up to which the sensor is shaded in each [°]."""

    bearing: np.ndarray
    top: np.ndarray

    def behind(self, elevation: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
        """Whether the sun stands behind the thing."""
        bins = np.full(int(360 / _CELL[0]), -np.inf)
        bins[(self.bearing / _CELL[0]).astype(int)] = self.top
        return (elevation > 0) & (elevation < bins[(azimuth % 360 / _CELL[0]).astype(int)])


def clear_view(site: Site, data: SiteData) -> ClearView | None:
    """Look at the clear days; None where there are too few, or nothing beside one sensor saw them."""
    assert data.weather is not None
    assert data.weather_step is not None
    sources = _sources(data)
    if len(sources) < 2 or next(iter(sources)) not in LIGHT:
        return None
    main = next(iter(sources.values()))
    start = data.weather.index[0].tz_convert(site.tz).normalize().tz_convert("UTC")
    days = clear_days(main, start, int((data.weather.index[-1] - start) / _DAY) + 1)
    if len(days) < _FEWEST_DAYS:
        return None
    clear = clear_reference(site, days, start, data.weather["temp_air"], _CLEAR_STEP, each_inverter=True)
    step = max([data.weather_step, *(s.step for s in sources.values())])
    per_day = int(_DAY / step)
    phase = (next(iter(s for s in sources.values() if s.step == step)).start - start) % step
    begins = pd.DatetimeIndex(np.concatenate([
        pd.date_range(start + int(d) * _DAY + phase, periods=per_day, freq=step) for d in days]))
    sun = sun_position(begins + step / 2, site.latitude, site.longitude, site.altitude_m)
    shape = (len(days), per_day)
    elevation = sun.elevation.reshape(shape)
    ratio: dict[str, np.ndarray] = {}
    turn: dict[str, np.ndarray] = {}
    rating = {f"{_POWER}{i.inverter_id}": i.inverter_type.ac_rated_kw for i in site.inverters}
    for name, series in sources.items():
        of = clear.get("ghi" if name == "weather_2" else name)
        if of is None:  # an inverter without strings
            continue
        model, read = of.means(begins, step).reshape(shape), series.means(begins, step).reshape(shape)
        minutes = pd.Timedelta(minutes=5)
        later, sooner = (of.means(begins + k * minutes, step).reshape(shape) for k in (1, -1))
        told = model > _FAINT * np.nanmax(model)
        if name in rating:
            told &= model < _FREE * rating[name]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio[name] = np.where(told & (read > 0), np.log(read / model), np.nan)
            turn[name] = np.where(told, np.log(sooner / later) / 10.0, np.nan)
        ratio[name] -= over_known(np.nanmedian, np.where(elevation > _OPEN_DEG, ratio[name], np.nan), axis=1)[:, None]
    return ClearView(elevation, sun.azimuth.reshape(shape), ratio, turn)


def leans(view: ClearView, site: Site, column: str, shade: SkyShade | None) -> Lean | None:
    """
    Whether the sensor of `column` leans east or west, by its noon against the sun's while all else has its noon right.

    Where the sensor is shaded says nothing of it.
    """
    own = _noon(view, column, shade) if column in view.ratio else None
    others = [n for name in view.ratio if name != column and not name.startswith(_POWER) and (n := _noon(view, name))]
    inverters = [n for name in view.ratio if name.startswith(_POWER) and (n := _noon(view, name))]
    if inverters:
        # One witness: their planes are described by one hand, and their clock is one.
        others.append((float(np.median([m for m, _ in inverters])), float(np.median([u for _, u in inverters]))))
    if own is None or not others:
        return None
    late, doubt = own
    usual = float(np.median([m for m, _ in others]))
    off = late - usual
    doubt = float(np.hypot(doubt, max(u for _, u in others)))
    if abs(usual) > _RIGHT_MIN or min(abs(off), abs(late)) < max(_BEYOND * doubt, _LEAN_MIN):
        return None
    array = next((a for a in site.arrays if a.id == (site.poa_array or site.arrays[0].id)), site.arrays[0])
    toward = np.cos(np.radians(array.azimuth_deg or 180.0)) * (array.tilt_deg or 0.0) if column == "poa_global" else 0.0
    return Lean(late, doubt, off / _MIN_PER_DEG * float(np.cos(np.radians(abs(site.latitude + toward)))))


def shaded_sky(view: ClearView, column: str, lean: Lean | None) -> SkyShade | None:
    """The part of the sky in which something stands before the sensor of `column` alone, beyond what its lean does."""
    inverters = [r for name, r in view.ratio.items() if name.startswith(_POWER)]
    witness = [r for name, r in view.ratio.items() if name != column and not name.startswith(_POWER)]
    witness += [over_known(np.nanmax, np.stack(inverters), axis=0)] if inverters else []
    if column not in view.ratio or not witness:
        return None
    seen = over_known(np.nanmax, np.stack(witness), axis=0)
    own = view.ratio[column] - (0.0 if lean is None else lean.late_min * view.turn[column])
    both = np.isfinite(own) & np.isfinite(seen) & (view.elevation > _LOW_DEG)
    table = pd.DataFrame({
        "bearing": np.floor(view.azimuth[both] / _CELL[0]) * _CELL[0],
        "height": np.floor(view.elevation[both] / _CELL[1]) * _CELL[1],
        "own": own[both],
        "seen": seen[both],
    })
    cells = table.groupby(["bearing", "height"]).agg(own=("own", "median"), seen=("seen", "median"), n=("own", "size"))
    dark = cells[(cells["n"] >= _CELL_READINGS) & (cells["own"] < -_LACKS) & (cells["seen"].abs() < _WITNESS)]
    if len(dark) < _CELLS:
        return None
    top = dark.reset_index().groupby("bearing")["height"].max() + _CELL[1]
    # The next cell up is the thing's as well where too little was read there to say that it is not.
    known = cells.index[(cells["n"] >= _CELL_READINGS)]
    top += [0.0 if place in known else _CELL[1] for place in top.items()]
    return SkyShade(top.index.to_numpy(float), top.to_numpy(float))


def _sources(data: SiteData) -> dict[str, Series]:
    """Everything that saw the light: the weather's columns first, then the second source, then each inverter."""
    assert data.weather is not None
    assert data.weather_step is not None
    out = {c: Series.of(data.weather[c].dropna(), data.weather_step)
           for c in LIGHT if c in data.weather and data.weather[c].notna().any()}
    second = data.weather_2
    if not out:
        return {}
    if second is not None and "ghi" in second and second["ghi"].notna().any():
        out["weather_2"] = Series.of(second["ghi"].dropna(), pd.Series(second.index).diff().median())
    if data.power is not None and len(data.power) and data.power_step is not None:
        table = data.power.groupby(["time", "inverter_id"])["ac_power_kw"].sum(min_count=1).unstack()
        some = [name for name in table if table[name].notna().any()][:_MOST_INVERTERS]
        out |= {f"{_POWER}{name}": Series.of(table[name].dropna(), data.power_step) for name in some}
    return {name: series for name, series in out.items() if series.step <= _COARSEST}


def _noon(view: ClearView, name: str, shade: SkyShade | None = None) -> tuple[float, float] | None:
    """Minutes by which a source's noon is late, and its standard uncertainty; each clear day has its own level and bend."""
    turn, found = view.turn[name], []
    open_sky = view.elevation > _OPEN_DEG
    if shade is not None:
        open_sky &= ~shade.behind(view.elevation, view.azimuth)
    for day in range(len(view.elevation)):
        use = np.isfinite(view.ratio[name][day]) & np.isfinite(turn[day]) & open_sky[day]
        if min((turn[day][use] > 0).sum(), (turn[day][use] < 0).sum()) < _FEWEST_SIDE:
            continue
        # A haze that takes more of a low sun bends the day, alike on both sides.
        bend = 1.0 / np.sin(np.radians(view.elevation[day][use]))
        shape = np.column_stack([np.ones(use.sum()), bend, turn[day][use]])
        found.append(float(np.linalg.lstsq(shape, view.ratio[name][day][use], rcond=None)[0][2]))
    if len(found) < _FEWEST_DAYS:
        return None
    middle = float(np.median(found))
    spread = 1.4826 * float(np.median(np.abs(np.array(found) - middle)))
    return middle, float(np.hypot(1.2533 * spread / np.sqrt(len(found)), _NOON_DOUBT_MIN))
