"""
Interval tables indexed by time alone: weather, prices and load.
"""

from __future__ import annotations

import pandas as pd

from yieldwatch.field.clocks import usual_step
from yieldwatch.field.rows import Source, read_rows

#: The sun moves too far in longer ones for their mean light to be put on a plane. Common practice, no source.
_LONGEST_STEP = pd.Timedelta("1h")
_IRRADIANCE = ("ghi", "dni", "dhi", "poa_global")


def read_weather(source: Source, name: str) -> tuple[pd.DataFrame | None, pd.Timedelta | None]:
    """
    Read `weather` or `weather_2`.

    Small negative irradiance at night is the sensor's offset and is kept.

    Returns
    -------
    weather : DataFrame or None
        As in `SiteData`.
    step : Timedelta or None
        Its usual interval.
    """
    rows = read_rows(source, name)
    if rows is None:
        return None, None
    place = f"sites/{source.site.id}/{name}"
    present = [c for c in _IRRADIANCE if c in rows and rows[c].notna().any()]
    if len(rows) and "ghi" not in present and "poa_global" not in present:
        source.ledger.problems.append(
            f"{place}: has neither ghi_w_m2 nor poa_global_w_m2 values. Expected ghi_w_m2 (alone, with "
            "dhi_w_m2, or with dni_w_m2 and dhi_w_m2) or poa_global_w_m2. Add one of them.")
    if name == "weather" and "temp_air" not in rows:
        source.ledger.problems.append(f"{place}: column temp_air_c is missing. "
                                      "Expected air temperature in °C. Add it.")
    weather = _by_time(source, rows)
    step = usual_step(weather.index.to_series())
    if step is not None and step > _LONGEST_STEP:
        source.ledger.problems.append(
            f"{place}: its rows come every {step / pd.Timedelta('1h'):g} hours. Expected a step of an hour or less, since "
            "light and power change within it. Export it at a finer step.")
    return weather, step


def read_series(source: Source, name: str) -> pd.DataFrame | None:
    """Read `prices` or `load`, indexed by the interval's start."""
    rows = read_rows(source, name)
    return None if rows is None else _by_time(source, rows)


def _by_time(source: Source, rows: pd.DataFrame) -> pd.DataFrame:
    source.ledger.count(rows)
    return rows.drop(columns=["file", "line"]).set_index("time").sort_index()
