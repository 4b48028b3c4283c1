"""
What was read in the field, one frozen record a site.

Times in these tables are UTC; the reader has resolved zones, daylight saving
and interval labels. An interval table is labelled at the interval's start.
Missing is NaN; a whole table that the owner does not have is None.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class SiteData:
    """
    Every table of one site, cut at the as-of date.

    Attributes
    ----------
    weather, weather_2 : DataFrame or None
        Index `time` (DatetimeIndex, UTC, interval start, rising, unique). Columns by pvlib's
        names where present: ghi, dni, dhi, poa_global [W/m²], temp_air, temp_module [°C],
        wind_speed [m/s], precipitation [mm in the interval], snow_depth [m].
    weather_step : Timedelta
        The usual interval of `weather`.
    iv : DataFrame
        One row a trace: time (UTC), string_id, poa_global, temp_module, i_sc, v_oc, i_mp, v_mp,
        p_mp, poa_global_end, instrument, trace_id, note, file, line. Units W/m², °C, A, V, W.
        p_mp is i_mp x v_mp where the file has none. Empty if there are no rounds.
    iv_curves : DataFrame
        trace_id, v, i. [V, A]
    clamp : DataFrame
        time, inverter_id, mppt, poa_global, temp_module, dc_voltage_v, dc_current_a,
        dc_power_kw, ac_voltage_v, ac_current_a, ac_power_kw, ac_apparent_kva,
        ac_reactive_kvar, power_factor, phase, instrument, note, file, line.
    meter : DataFrame or None
        start, end (UTC, end exclusive), energy_kwh; rising, not overlapping.
    power : DataFrame or None
        time (UTC), inverter_id, mppt (may be NA), ac_power_kw, dc_power_kw, dc_voltage_v,
        status; unique in (time, inverter_id, mppt).
    power_step : Timedelta or None
        The usual interval of `power`.
    string_current : DataFrame or None
        time (UTC), string_id, dc_current_a.
    events : DataFrame
        event_id, kind, start, end (UTC, NaT where open), scope (tuple of ids or ("site",)), cost, note.
    prices : DataFrame or None
        Index time (UTC, interval start), column price_per_kwh.
    load : DataFrame or None
        Index time (UTC, interval start), column load_kw.
    statements, costs : DataFrame or None
        As in the files: start, end (UTC), energy_kwh, amount, reference; date, amount, kind, note.
    set_aside : DataFrame
        file, line, column, value, reason, part: every input row that was not used. The line is that
        on which the row ends, in a Parquet file the row's number from 1. `part` is "row", or "value"
        where only that cell was bad and the rest of the row is used.
    notices : tuple of str
        What the reader resolved, ignored or doubts; whole sentences.
    files : DataFrame
        table, file, rows, used, set_aside, after_as_of: the account of every file read, where
        rows = used + set_aside + after_as_of.
    """

    weather: pd.DataFrame | None
    weather_2: pd.DataFrame | None
    weather_step: pd.Timedelta | None
    iv: pd.DataFrame
    iv_curves: pd.DataFrame
    clamp: pd.DataFrame
    meter: pd.DataFrame | None
    power: pd.DataFrame | None
    power_step: pd.Timedelta | None
    string_current: pd.DataFrame | None
    events: pd.DataFrame
    prices: pd.DataFrame | None
    load: pd.DataFrame | None
    statements: pd.DataFrame | None
    costs: pd.DataFrame | None
    set_aside: pd.DataFrame
    notices: tuple[str, ...]
    files: pd.DataFrame = field(default_factory=pd.DataFrame)
