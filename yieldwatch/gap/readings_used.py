"""
Which readings each cause rests on, how many, and from when to when.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.rounds import number_rounds
from yieldwatch.gap.why import Reading


def readings_of(cause: str, state: SiteState, data: SiteData) -> tuple[Reading, ...]:
    """
    The readings of the history that a cause's estimate used; kinds of which there are none are left out.

    Parameters
    ----------
    cause : str
    state : SiteState
    data : SiteData
    """
    found = (kind(state, data) for kind in _KINDS[cause])
    return tuple(r for r in found if r is not None and r.count > 0)


def _at(state: SiteState, seen: np.ndarray, what: str, count: int, unit: str) -> Reading | None:
    """`seen` is over the daylight intervals."""
    at = np.flatnonzero(seen)
    if not len(at):
        return None
    days = state.model.times[at[[0, -1]]].tz_convert(state.model.site.tz)
    return Reading(what, count, unit, days[0].date(), days[1].date())


def _of(state: SiteState, times: pd.Series, what: str, unit: str) -> Reading | None:
    if not len(times):
        return None
    days = pd.DatetimeIndex([times.min(), times.max()]).tz_convert(state.model.site.tz)
    return Reading(what, len(times), unit, days[0].date(), days[1].date())


def _usable(state: SiteState, data: SiteData) -> Reading | None:
    """Blocks of about an hour on which the log is held against the model: running, not held down, no snow."""
    known = np.isfinite(state.ratio)
    return _at(
        state,
        known.any(axis=0)[state.blocks.of],
        "interval log against the model, undisturbed",
        int(known.sum()),
        "inverter-hours",
    )


def _ac(state: SiteState, data: SiteData) -> Reading | None:
    if state.log is None:
        return None
    known = np.isfinite(state.log.ac)
    return _at(state, known.any(axis=0), "AC power in the interval log", int(known.sum()), "daylight readings")


def _dc(state: SiteState, data: SiteData) -> Reading | None:
    if state.log is None:
        return None
    known = np.isfinite(state.log.dc)
    return _at(state, known.any(axis=0), "DC power in the interval log", int(known.sum()), "daylight readings")


def _meter(state: SiteState, data: SiteData) -> Reading | None:
    """The meter settles causes only where there is no log."""
    return _meter_at_all(state, data) if state.log is None else None


def _meter_at_all(state: SiteState, data: SiteData) -> Reading | None:
    if data.meter is None or data.meter.empty:
        return None
    ends = [data.meter["start"].min(), data.meter["end"].max() - pd.Timedelta("1ns")]
    days = pd.DatetimeIndex(ends).tz_convert(state.model.site.tz)
    return Reading("revenue meter", len(data.meter), "periods", days[0].date(), days[1].date())


def _traces(state: SiteState, data: SiteData) -> Reading | None:
    if not len(data.iv):
        return None
    rounds = number_rounds(data.iv["time"].sort_values()).max()
    return _of(state, data.iv["time"], f"IV traces in {rounds} round{'s' if rounds > 1 else ''}", "traces")


def _clamps(state: SiteState, data: SiteData) -> Reading | None:
    """Clamp readings settle causes only where there is no log."""
    return _of(state, data.clamp["time"], "clamp readings", "readings") if state.log is None and len(data.clamp) else None


def _light(state: SiteState, data: SiteData) -> Reading | None:
    measured = ~state.model.weather.modelled[state.model.at]
    return _at(state, measured, "light and air temperature", int(measured.sum()), "daylight intervals")


def _rain(state: SiteState, data: SiteData) -> Reading | None:
    known = np.flatnonzero(np.isfinite(state.blocks.rain))
    if not len(known):
        return None
    first, last = state.blocks.dates[known[[0, -1]]]
    return Reading("rain", len(known), "days", first.date(), last.date())


def _snow(state: SiteState, data: SiteData) -> Reading | None:
    table = state.model.weather.table
    depth = "snow_depth" in table and table["snow_depth"].notna().any()
    name = "snow_depth" if depth else "precipitation"
    if name not in table or not table[name].notna().any():
        return None
    days = pd.DatetimeIndex(table[name].dropna().index).tz_convert(state.model.site.tz).normalize()
    what = "snow depth" if depth else "precipitation in the cold"
    return Reading(what, days.nunique(), "days", days[0].date(), days[-1].date())


def _events(kind: str, what: str) -> Callable[[SiteState, SiteData], Reading | None]:
    def of(state: SiteState, data: SiteData) -> Reading | None:
        return _of(state, data.events.loc[data.events["kind"] == kind, "start"], what, "events") if len(data.events) else None

    return of


def _string_currents(state: SiteState, data: SiteData) -> Reading | None:
    """Hours with a string's current, not the nights."""
    log = data.string_current
    return None if log is None else _of(state, log.loc[log["dc_current_a"] > 0, "time"], "logged string currents", "readings")


_CLEANINGS, _OUTAGES = _events("cleaning", "recorded cleanings"), _events("outage", "recorded outages")
_INSTRUCTIONS = _events("curtailment", "recorded instructions")
#: Kinds of reading by cause, in the order in which they are told.
_KINDS: dict[str, tuple[Callable[[SiteState, SiteData], Reading | None], ...]] = {
    "soiling": (_usable, _meter, _traces, _rain, _CLEANINGS),
    "shading": (_usable,),
    "snow": (_snow, _ac),
    "string_fault": (_traces, _string_currents, _usable, _meter),
    "inverter_efficiency": (_dc, _ac, _clamps),
    "inverter_outage": (_ac, _OUTAGES),
    "grid_outage": (_ac, _OUTAGES),
    "curtailment": (_ac, _INSTRUCTIONS),
    "reactive_power": (_clamps,),
    "degradation": (_traces, _usable, _meter),
    "unexplained": (_meter_at_all, _ac, _light),
}
