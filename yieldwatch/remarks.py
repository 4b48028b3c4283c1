"""
What an assessment says of its own limits: days outside its months, what was moved or corrected, and energy that cannot be.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.evidence import late_sheets
from yieldwatch.gap.measured import beyond_weather
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.second_light import LightDrift

#: No one-sided farm delivers a month above this: cold and a plate's tolerance together give a few per cent. Bifacial modules may,
#: since the light behind them is not counted. Common practice, no source.
_MOST_PR = 1.1
#: Nor above this many times what is expected of it, behind a standing limit or not. Common practice, no source.
_MOST_OF_EXPECTED = 1.3
#: Nor below this share of it unless known outages, or snow, took half the month. Common practice, no source.
_LEAST_OF_EXPECTED, _AVAILABLE = 0.02, 0.5


def left_out(gap: SiteGap, first: pd.Timestamp, last: pd.Timestamp) -> list[str]:
    """Days at either end of the period that are in no reported month, or months that it does not fill: either would go unseen."""
    from_day = pd.Period(gap.months[0], "M").start_time.date()
    to_day = (pd.Period(gap.months[-1], "M") + 1).start_time.date()
    if first.date() > from_day + dt.timedelta(days=1) or last.date() < to_day - dt.timedelta(days=1):
        return [f"the days {first.date()} to {last.date() - dt.timedelta(days=1)} hold no whole month; what was recorded of "
                f"{' and '.join(gap.months)} is reported."]
    spans = [(first.date(), from_day), (to_day, last.date())]
    ends = [(start, end - dt.timedelta(days=1)) for start, end in spans if start < end]
    days = [f"{start}" if start == end else f"{start} to {end}" for start, end in ends]
    return [f"the days {' and '.join(days)} make no whole month and are not in the monthly tables."] if days else []


def of_inference(data: SiteData, state: SiteState, rounds: pd.DataFrame) -> list[str]:
    """What the inference of a site's causes left aside, moved or corrected."""
    return [*_beyond_weather(data, state), *_frozen_zeros(state), *_sheets_moved(state, rounds), *_light_corrected(state),
            *_light_drifts(state.light_drift), f"cell temperature is from {state.model.temperature_source}."]


def _beyond_weather(data: SiteData, state: SiteState) -> list[str]:
    """Name the meter periods that reach over an end of the weather, whose energy is in no month."""
    if data.meter is None or data.meter.empty:
        return []
    grid, tz = state.model.weather.table.index, state.model.site.tz
    over = data.meter[beyond_weather(state.model, data.meter) & (data.meter["end"] > grid[0]).to_numpy()
                      & (data.meter["start"] < grid[-1]).to_numpy()]
    return [f"the meter's {row.start.tz_convert(tz).date()} to {row.end.tz_convert(tz).date()} reaches beyond the weather and "
            "cannot be held against it. Add weather for all of it." for row in over.itertuples()]


def _frozen_zeros(state: SiteState) -> list[str]:
    """Name the inverters whose log read nothing though they are thought to have run."""
    if state.log is None:
        return []
    hours = state.log.frozen.sum(axis=1) * state.model.weather.hours
    return [f"the log of {name} reads nothing for {f'{spent:.0f} h' if spent >= 1 else 'under 1 h'} of daylight in which the "
            "meter counted its energy, or that began in a dry night while others ran: taken as not logged, not as an outage. "
            "Check the logger; did it start late?"
            for name, spent in zip(state.model.inverter_ids, hours, strict=True) if spent > 0]


def _sheets_moved(state: SiteState, rounds: pd.DataFrame) -> list[str]:
    """Say which rounds' sheets go by another clock than the weather."""
    tz = state.model.site.tz
    return [f"the round of {time.tz_convert(tz).date()} looks {abs(late):.0f} min {'late' if late > 0 else 'early'}: its light "
            "fits the weather's at another hour. It was compared there; the readings are kept as written. Check the clock and "
            "the zone of the tester." for time, late in late_sheets(state.blocks, rounds)]


def _light_corrected(state: SiteState) -> list[str]:
    """Say by how much the weather's light was corrected, and on what ground."""
    if not abs(state.light_correction) > state.light_doubt:
        return []
    more, doubt = 100.0 * np.expm1(state.light_correction), 100.0 * state.light_doubt
    side, moved = ("low", "raised") if more > 0 else ("high", "lowered")
    return [f"the weather's light reads about {abs(more):.1f} % too {side} (standard uncertainty {doubt:.1f} points), by light "
            "read on visits, strings traced against their plate and the energy itself; the expected energy is "
            f"{moved} by that much, the insolation is left as read. Clean or calibrate the sensor, or compare it with a second "
            "source."]


def _light_drifts(drift: LightDrift | None) -> list[str]:
    """Say that the light drifts against the second source, which tells the sensor's age or dirt from the farm's."""
    if drift is None or not drift.counts:
        return []
    side = "rises" if drift.per_year > 0 else "falls"
    return [f"the weather's light {side} by {abs(100.0 * drift.per_year):.1f} % a year against weather_2 (standard uncertainty "
            f"{100.0 * drift.doubt:.1f} points). What that explains is in unexplained, not in degradation. Clean and "
            "calibrate the sensor."]


def too_good(yields: pd.DataFrame) -> list[str]:
    """Months that delivered more than the light in front, or the limit at the connection, can give: something read is wrong."""
    said = []
    ratio = yields["performance_ratio"]
    if (ratio > _MOST_PR).any():
        said.append(f"{_months(ratio > _MOST_PR)} a performance ratio above {_MOST_PR:g} (highest {ratio.max():.2f} in "
                    f"{yields.at[ratio.idxmax(), 'month']}): unless bifacial modules gain from behind, the light, the nameplate "
                    "or the energy is wrong, and so are the losses of these months. Compare the light with a second source, and "
                    "the meter with the inverters.")
    more = yields["measured_kwh"] / yields["expected_kwh"].where(yields["expected_kwh"] > 0.0)
    beyond = (more > _MOST_OF_EXPECTED) & ~(ratio > _MOST_PR)
    if beyond.any():
        said.append(f"{_months(beyond)} more than {_MOST_OF_EXPECTED:g} times the energy that is expected with nothing wrong "
                    f"(most {more[beyond].max():.3g} times, in {yields.at[more[beyond].idxmax(), 'month']}): a limit in [grid], "
                    "the ratings in inverter_types or the energy is wrong, and so are the losses of these months. Check their "
                    "units.")
    return said


def next_to_nothing(yields: pd.DataFrame, losses: pd.DataFrame) -> list[str]:
    """Months that delivered next to nothing with no outage known and little snow, which a blank written as nil looks like."""
    expected = yields["expected_kwh"].where(yields["expected_kwh"] > 0.0)
    snow = yields["month"].map(losses[losses["cause"] == "snow"].set_index("month")["energy_kwh"])
    known = (yields["availability"] < _AVAILABLE) | (snow / expected > 1.0 - _AVAILABLE)
    none = yields.loc[(yields["measured_kwh"] / expected < _LEAST_OF_EXPECTED) & ~known, "month"]
    return [f"{', '.join(none)}: next to nothing was delivered by what was read, and no outage or snow is known; what was "
            "expected counts as lost. If the energy was not read, leave its rows out; if all stood still, write the outage into "
            "events.csv."] if len(none) else []


def _months(which: pd.Series) -> str:
    n = int(which.sum())
    return f"{n} {'month has' if n == 1 else 'months have'}"
