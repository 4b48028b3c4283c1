"""
What was read, as words: tables of readings, what they hold, and how much of the time they cover.
"""

from __future__ import annotations

import pandas as pd

from yieldwatch.check import Source
from yieldwatch.report.words import day, per_cent, plain

#: Tables of readings as people call them.
TABLE_WORDS = {
    "weather": "weather", "weather_2": "weather from a second source", "events": "events", "prices": "prices",
    "load": "load on site",
    "statements": "settlement statements", "costs": "running costs", "iv": "string IV traces", "iv_curves": "points of IV curves",
    "clamp": "clamp readings", "meter": "revenue meter", "power": "inverter log", "string_current": "string current log",
}
#: What a weather source holds, by the names of its columns.
_WEATHER_WORDS = {
    "ghi": "global light", "dni": "direct light", "dhi": "light of the sky", "poa_global": "light in the module plane",
    "temp_air": "air temperature", "temp_module": "module temperature", "wind_speed": "wind", "precipitation": "rain",
    "snowfall": "new snow", "snow_depth": "snow depth",
}


def source_cells(source: Source, timezone: str) -> tuple[str, ...]:
    """Return a source as text: kind, rows, from, to, covered, holds. Dates are in site time."""
    if source.start is None or source.end is None:
        return source.kind, "none", "", "", "", ""
    # What ends at midnight ends with the day before.
    last = source.end - pd.Timedelta("1s") if source.end > source.start and source.is_end else source.end
    start, end = (day(t.tz_convert(timezone)) for t in (source.start, last))
    covered = per_cent(source.coverage, 1) if pd.notna(source.coverage) else ""
    holds = ", ".join(_WEATHER_WORDS.get(name, name) for name in source.note.split(", "))
    return source.kind, f"{source.rows:,}", start, end, covered, plain(holds)
