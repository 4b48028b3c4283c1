"""
Whether the clocks of a site's sources are right, by stretches of days, and the data with those that are wrong put right.

Two kinds of evidence. Passing clouds tell to minutes how far two sources are apart, not which is wrong. Dawn, dusk and the shape
of clear days tell which: each source is held against the sun on the site's real planes. A clock is set right where one
explanation stands clearly above the next; what only looks wrong is said and left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.lags import Series, Stretch, lags_by_stretch
from yieldwatch.gap.stamps import moved_rows, moved_table
from yieldwatch.gap.sun_times import against_the_sun, clear_days, clear_reference, jumps
from yieldwatch.portfolio.model import Site

_DAY = pd.Timedelta(days=1)
_MINUTE = pd.Timedelta(minutes=1)
#: Record below which no clock is judged, and clear days that it takes to hold a source against the sun.
_LEAST_DAYS, _CLEAR_DAYS = 20, 4
#: What refraction, haze, a sensor's tilt and a slow start in the morning may do to dawn and dusk alike. [min] A sensor one degree
#: off level moves noon by four minutes. Common practice, no source.
_SUN_DOUBT_MIN = 5.0
#: Standard uncertainties beyond which a shift is one, and the least that matters. [min]
_BEYOND, LEAST_MIN = 3.0, 5.0
#: Labels, zones and daylight saving shift by multiples of this. [min] A shift known from the sun alone must be near one.
_LABEL_GRID_MIN, _NEAR_GRID_MIN, _LEAST_ALONE_MIN = 15.0, 8.0, 20.0
#: In the units of chi-square: what each wrong clock, and each source that goes by it, must explain; the most that one piece of
#: evidence may weigh; and by how much the best explanation must beat the next to be acted on.
_PER_CLOCK, _PER_SOURCE, _MOST_WEIGHT, _CLEARLY = 4.0, 2.0, 25.0, 6.0
#: Longest period of a meter that is held against the light.
_INTERVAL_METER = pd.Timedelta(hours=1)
#: How each source is named in a notice.
_NAMES = {"weather": "weather", "power": "readings/power", "meter": "readings/meter", "weather_2": "weather_2"}


@dataclass(frozen=True)
class ClockShift:
    """
    One source's clock over days `first` to `last` (exclusive): stamps `late_min` late, or early where negative.

    `corrected` says whether the data were moved; where not, the shift is what looks wrong. `doubt_min` is its standard
    uncertainty.
    """

    source: str
    first: pd.Timestamp
    last: pd.Timestamp
    late_min: float
    doubt_min: float
    corrected: bool
    why: str


@dataclass(frozen=True)
class _Look:
    """
    One source over one stretch: its lag behind the weather, and its lateness against the sun. [min]

    `level` says that it is horizontal light, which no plane that is described wrong can make look late.
    """

    lag: float
    lag_doubt: float
    sun: float = float("nan")
    sun_doubt: float = float("nan")
    n_clear: int = 0
    level: bool = False


@dataclass(frozen=True)
class _Explained:
    """A stretch of days, what was seen over it, and what `explain` makes of that."""

    first: int
    last: int
    looks: dict[str, _Look]
    late: dict[str, float]
    sure: bool

    @property
    def sun_seen(self) -> bool:
        return any(np.isfinite(k.sun) for k in self.looks.values())

    def same_lags(self, other: _Explained) -> bool:
        """Whether all sources stand as far apart as over the other stretch."""
        pairs = [(k, other.looks[n]) for n, k in self.looks.items()]
        return all(abs(a.lag - b.lag) <= max(_BEYOND * np.hypot(a.lag_doubt, b.lag_doubt), LEAST_MIN) for a, b in pairs)


def with_right_clocks(site: Site, data: SiteData) -> tuple[SiteData, list[ClockShift]]:
    """
    Hold the clocks of weather, log and interval meter against each other and the sun, and set right what is clearly wrong.

    Returns
    -------
    data : SiteData
        With stamps moved where a clock was set right, and a notice for each.
    shifts : list of ClockShift
        What was found, corrected or not. Empty where all clocks are right, or cannot be told.
    """
    shifts = find_shifts(site, data)
    for name in _NAMES:
        own = [s for s in shifts if s.corrected and s.source == name]
        if own:
            data = _moved(data, name, own)
    return replace(data, notices=(*data.notices, *(_notice(site, s) for s in shifts))), shifts


def minutes_moved(months: pd.Series, shifts: list[ClockShift], source: str, site: Site) -> np.ndarray:
    """By how much a source's stamps were late and were moved, mean over the days of each month, `YYYY-MM`. [min]"""
    out = np.zeros(len(months))
    for k, month in enumerate(months):
        days = pd.date_range(f"{month}-01", periods=pd.Period(month, "M").days_in_month, tz=site.tz) + _DAY / 2
        for s in shifts:
            if s.corrected and s.source == source:
                out[k] += s.late_min * float(((days >= s.first) & (days < s.last)).mean())
    return out


def find_shifts(site: Site, data: SiteData) -> list[ClockShift]:
    """Every stretch over which a source's clock is, or looks, wrong."""
    series = _sources(data)
    if "weather" not in series or data.weather is None:
        return []
    start = data.weather.index[0].tz_convert(site.tz).normalize().tz_convert("UTC")
    n_days = int((data.weather.index[-1] - start) / _DAY) + 1
    if n_days < _LEAST_DAYS:
        return []
    light = series["weather"]
    lags = {name: lags_by_stretch(light, s, start, n_days) for name, s in series.items() if name != "weather"}
    sun = _SunTimes(site, data, series, start, n_days)
    stretches: list[_Explained] = []
    for first, last in _stretches(lags, sun.jumps("weather"), n_days, site, start):
        looks = {name: _look(own, (first + last) // 2) for name, own in lags.items()}
        apart = any(_counts(k.lag, k.lag_doubt) for k in looks.values())
        looks["weather"] = sun.look("weather", _Look(0.0, 0.0), first, last)
        if apart or _counts(looks["weather"].sun, looks["weather"].sun_doubt):
            looks = {name: k if name == "weather" else sun.look(name, k, first, last) for name, k in looks.items()}
        stretches.append(_Explained(first, last, looks, *explain(looks)))
    shifts = [ClockShift(n, start + e.first * _DAY, start + e.last * _DAY, m, _doubt(e.looks[n]), e.sure, _because(e.looks))
              for e in _as_neighbours(stretches) for n, m in e.late.items()]
    return _joined(shifts)


def explain(looks: dict[str, _Look]) -> tuple[dict[str, float], bool]:
    """
    Which clocks are wrong, and by how much.

    Parameters
    ----------
    looks : dict of str to _Look
        With "weather", to which lags count.

    Returns
    -------
    late : dict of str to float
        Minutes by which stamps of each wrong source are late, of the best explanation. Empty where all is right.
    sure : bool
        Whether it stands clearly above the next.
    """
    known = {n: k for n, k in looks.items() if np.isfinite(k.lag)}
    lag = {n: _snapped(k.lag, k.lag_doubt) if _counts(k.lag, k.lag_doubt) else 0.0 for n, k in known.items()}
    lag["weather"] = 0.0
    by_lag = {0.0, *(-m for m in lag.values())}
    trials = set(by_lag)
    seen = [(k.sun - lag[n], k.sun_doubt) for n, k in looks.items() if n in lag and np.isfinite(k.sun)]
    if seen:
        weight = np.array([1.0 / u**2 for _, u in seen])
        mean = float(np.array([m for m, _ in seen]) @ weight / weight.sum())
        grid = _LABEL_GRID_MIN * round(mean / _LABEL_GRID_MIN)
        if abs(grid) >= _LEAST_ALONE_MIN and abs(mean - grid) <= _NEAR_GRID_MIN:
            trials.add(grid)
    costs = []
    for of_weather in trials:
        late = {n: of_weather + m for n, m in lag.items() if abs(of_weather + m) >= LEAST_MIN}
        clocks = len({round(m / 10.0) for m in late.values()})
        misfit = sum(min(((k.sun - of_weather - lag[n]) / k.sun_doubt) ** 2, _MOST_WEIGHT)
                     for n, k in looks.items() if n in lag and np.isfinite(k.sun))
        costs.append((misfit + _PER_CLOCK * clocks + _PER_SOURCE * len(late), of_weather, late))
    costs.sort(key=lambda c: c[:2])
    best = costs[0]
    others = [c[0] for c in costs[1:] if abs(c[1] - best[1]) >= LEAST_MIN]
    # An array that faces elsewhere than it is said to looks early or late all day, and so does a sensor in its plane.
    grounds = best[1] in by_lag or any(k.level for k in looks.values() if np.isfinite(k.sun))
    return best[2], grounds and (not others or min(others) - best[0] >= _CLEARLY)


def _as_neighbours(stretches: list[_Explained]) -> list[_Explained]:
    """A stretch that no clear day explains goes by the nearest that is explained and has the same lags: clocks seldom jump."""
    known = [e for e in stretches if e.sure and e.sun_seen]
    out = []
    for e in stretches:
        like = [k for k in known if e.same_lags(k)]
        if like and not (e.sure and e.sun_seen):
            near = min(like, key=lambda k: max(k.first - e.last, e.first - k.last))
            e = replace(e, late=near.late, sure=True)
        out.append(e)
    return out


def _sources(data: SiteData) -> dict[str, Series]:
    """Series with a clock of their own: the weather's light, the inverters' mean, an interval meter, the second source."""
    out = {}
    for name, table, step in (("weather", data.weather, data.weather_step), ("weather_2", data.weather_2, None)):
        column = light_column(table)
        if table is not None and column is not None and len(table) > 1:
            own = step or pd.Series(table.index).diff().median()
            out[name] = Series.of(table[column].dropna(), own)
    if data.power is not None and len(data.power) and data.power_step is not None:
        out["power"] = Series.of(data.power.groupby("time")["ac_power_kw"].mean().dropna(), data.power_step)
    if data.meter is not None and len(data.meter) > 1:
        step = (data.meter["end"] - data.meter["start"]).median()
        if step <= _INTERVAL_METER:
            out["meter"] = Series.of(data.meter.set_index("start")["energy_kwh"].dropna(), step)
    return out


def light_column(table: pd.DataFrame | None) -> str | None:
    """The light by which a weather table is timed: the horizontal one, which faces no side, where there is one."""
    if table is None:
        return None
    return next((c for c in ("ghi", "poa_global") if c in table and table[c].notna().any()), None)


class _SunTimes:
    """Sources against the sun, worked out when first asked for: most clocks are right, and then nothing asks."""

    def __init__(self, site: Site, data: SiteData, series: dict[str, Series], start: pd.Timestamp, n_days: int):
        self._site, self._data, self._series, self._start = site, data, series, start
        self._days = clear_days(series["weather"], start, n_days)
        self._clear: dict[str, Series] | None = None
        self._tables: dict[str, pd.DataFrame] = {}

    def jumps(self, name: str) -> list[int]:
        """Days on which the source's times against the sun jump."""
        return jumps(self._table(name)) if len(self._days) else []

    def look(self, name: str, look: _Look, first: int, last: int) -> _Look:
        """The same look with the source's lateness against the sun over these days."""
        if not len(self._days):
            return look
        own = self._table(name)
        own = own[(own["day"] >= first) & (own["day"] < last)]
        if len(own) < _CLEAR_DAYS:
            return look
        dawn, dusk, shape = (float(own[c].median()) for c in ("dawn", "dusk", "shape"))
        # Morning shade holds up the dawn alone, a wrong plane bends the shape: where the three part, little is known.
        late = (dawn + dusk) / 2.0
        doubt = float(np.hypot(_SUN_DOUBT_MIN, max(abs(dawn - dusk), abs(shape - late)) / 2.0))
        table = {"weather": self._data.weather, "weather_2": self._data.weather_2}.get(name)
        return replace(look, sun=late, sun_doubt=doubt, n_clear=len(own), level=light_column(table) == "ghi")

    def _table(self, name: str) -> pd.DataFrame:
        assert self._data.weather is not None
        if name not in self._tables:
            if self._clear is None:
                self._clear = clear_reference(self._site, self._days, self._start, self._data.weather["temp_air"])
            table = {"weather": self._data.weather, "weather_2": self._data.weather_2}.get(name)
            column = light_column(table) or "power"
            self._tables[name] = against_the_sun(self._series[name], self._clear[column], self._days, self._start)
        return self._tables[name]


def _stretches(
    lags: dict[str, list[Stretch]], jumps: list[int], n_days: int, site: Site, start: pd.Timestamp
) -> list[tuple[int, int]]:
    """Days cut where a source's lag or the sun's times jump, and where the zone's clocks do: there sources may jump together."""
    local = (pd.date_range(start, periods=n_days + 1, freq="D") + _DAY / 2).tz_convert(site.tz)
    offset = np.array([t.utcoffset().total_seconds() for t in local])
    cuts = {0, n_days, *(np.flatnonzero(np.diff(offset)) + 1)}
    cuts |= {*jumps, *(int(s.first) for stretches in lags.values() for s in stretches)}
    kept = [0]
    for cut in sorted(cuts)[1:]:
        if cut - kept[-1] >= 5:
            kept.append(int(cut))
    kept[-1] = n_days
    return list(pairwise(kept))


def _look(stretches: list[Stretch], day: int) -> _Look:
    own = next(s for s in stretches if s.first <= day < s.last)
    return _Look(own.lag_min, own.doubt_min)


def _counts(minutes: float, doubt: float) -> bool:
    return bool(np.isfinite(minutes) and abs(minutes) > max(_BEYOND * doubt, LEAST_MIN))


def _snapped(minutes: float, doubt: float) -> float:
    grid = _LABEL_GRID_MIN * round(minutes / _LABEL_GRID_MIN)
    return grid if grid and abs(minutes - grid) <= 2.0 * doubt else float(round(minutes))


def _doubt(look: _Look) -> float:
    return look.lag_doubt if look.lag_doubt > 0 else look.sun_doubt


def _because(looks: dict[str, _Look]) -> str:
    told = []
    for name, k in looks.items():
        words = []
        if name != "weather" and np.isfinite(k.lag):
            words.append(f"{k.lag:+.0f} min against the weather by passing clouds")
        if np.isfinite(k.sun):
            words.append(f"{k.sun:+.0f} ± {k.sun_doubt:.0f} min against the sun at dawn and dusk of {k.n_clear} clear days")
        if words:
            told.append(f"{_NAMES[name]} {', '.join(words)}")
    return "; ".join(told)


def _joined(shifts: list[ClockShift]) -> list[ClockShift]:
    """Stretches that follow on each other with the same shift and the same verdict, as one."""
    out: list[ClockShift] = []
    for s in sorted(shifts, key=lambda s: (s.source, s.first)):
        if out and (out[-1].source, out[-1].last, out[-1].corrected) == (s.source, s.first, s.corrected) and abs(
                out[-1].late_min - s.late_min) < LEAST_MIN:
            longer = max(out[-1], s, key=lambda part: part.last - part.first)
            out[-1] = replace(out[-1], last=s.last, why=longer.why, doubt_min=longer.doubt_min)
        else:
            out.append(s)
    return out


def _moved(data: SiteData, name: str, shifts: list[ClockShift]) -> SiteData:
    spans = [(s.first + (s.late_min * _MINUTE), s.last + (s.late_min * _MINUTE), s.late_min * _MINUTE) for s in shifts]
    if name in ("weather", "weather_2"):
        table = data.weather if name == "weather" else data.weather_2
        assert table is not None
        step = data.weather_step if name == "weather" else pd.Series(table.index).diff().median()
        moved = moved_table(table, step, spans)
        return replace(data, weather=moved) if name == "weather" else replace(data, weather_2=moved)
    if name == "power":
        assert data.power is not None
        assert data.power_step is not None
        return replace(data, power=moved_rows(data.power, data.power_step, spans))
    assert data.meter is not None
    meter = data.meter.copy()
    for first, last, late in spans:
        here = (data.meter["start"] >= first) & (data.meter["start"] < last)
        meter.loc[here, ["start", "end"]] -= late
    meter = meter.sort_values("start", ignore_index=True)
    apart = (meter["start"] >= meter["end"].shift().fillna(meter["start"]))
    return replace(data, meter=meter[apart].reset_index(drop=True))


def _notice(site: Site, s: ClockShift) -> str:
    side = "late" if s.late_min > 0 else "early"
    zone = f"{s.first.tz_convert(site.tz).date()} to {(s.last - _DAY).tz_convert(site.tz).date()}"
    head = f"sites/{site.id}/{_NAMES[s.source]}: stamps of {zone} "
    if s.corrected:
        return (f"{head}are {abs(s.late_min):.0f} min {side} ({s.why}); they were moved by that much. Check the "
                "clock, the zone and interval_label of the source, and the site's longitude.")
    return (f"{head}look {abs(s.late_min):.0f} min {side} ({s.why}). That does not tell for sure which clock is wrong, so "
            "nothing was moved; shade and outages of these days are in doubt. Check the clocks, the zones and interval_label of "
            "the sources, and where the arrays face.")
