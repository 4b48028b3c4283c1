"""
Interval logs of inverters and strings.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.columns import TABLES, Column
from yieldwatch.errors import near_miss
from yieldwatch.field.clocks import usual_step
from yieldwatch.field.ledger import VALUE_ONLY
from yieldwatch.field.rows import Source, completed, drop_rows, read_rows

_AC, _DC = (TABLES["power"].column(name) for name in ("ac_power_kw", "dc_power_kw"))
#: Least and most multiple of the rating in bright hours that is W for kW, and readings above zero that it takes.
_WATTS, _MOST_WATTS, _FEWEST = 100.0, 1300.0, 50
#: Irradiance at a cloud's edge stays below twice 1000 W/m². (common practice, no source)
_MAX_OF_I_SC = 2.0


def read_power(source: Source) -> tuple[pd.DataFrame | None, pd.Timedelta | None]:
    """
    Read the inverters' log; `power` and `power_step` of `SiteData`.

    Power beyond what the inverter can carry (a wrong unit, a counter's overflow) is set aside.
    """
    rows = read_rows(source, "power")
    if rows is None:
        return None, None
    rows = known_only(source, rows, "inverter_id", {i.inverter_id for i in source.site.inverters})
    ratings = {i.inverter_id: i.inverter_type.ac_rated_kva for i in source.site.inverters}
    rating = rows["inverter_id"].map(ratings).to_numpy(dtype=float)
    for column in (_AC, _DC):
        rows = _from_watts(source, rows, column.name, rating)
    rows = drop_rows(source, rows, beyond_rating(rows[_AC.name], _AC, rating), _AC.name, rating_reason(_AC))
    if _DC.name in rows:
        bad = beyond_rating(rows[_DC.name], _DC, rows["inverter_id"].map(ratings).to_numpy(dtype=float))
        file, line, value = (rows.loc[bad, name].to_numpy() for name in ("file", "line", _DC.name))
        source.ledger.set_aside(file, line, _DC.name, value, rating_reason(_DC), VALUE_ONLY)
        rows = rows.assign(dc_power_kw=rows[_DC.name].mask(bad))
    source.ledger.count(rows)
    power = completed(rows, "power").drop(columns=["file", "line"])
    return (power.sort_values(["time", "inverter_id"], kind="stable", ignore_index=True),
            usual_step(power["time"]))


def beyond_rating(values: pd.Series, column: Column, rating: np.ndarray) -> np.ndarray:
    """Which values [kW] lie outside the column's bounds, in multiples of the rating [kVA]; shape (n,), bool."""
    load = values.to_numpy(float) / rating
    return (load < column.low) | (load > column.high)  # NaN is neither


def rating_reason(column: Column, unit: str = "kW") -> str:
    """What is said of such a value."""
    return f"outside what is possible. Expected {unit}, {column.expected}; is it in {unit[1:]}?"


def _from_watts(source: Source, rows: pd.DataFrame, column: str, rating: np.ndarray) -> pd.DataFrame:
    """
    The rows with a column that is in W brought to kW, by file and inverter, with a notice.

    Safe, as nothing else is a hundred to thirteen hundred times the rating in the brightest of many hours.
    """
    if column not in rows:
        return rows
    load = pd.Series(rows[column].to_numpy(float) / rating, index=rows.index)
    by = [rows["file"], rows["inverter_id"]]
    at_work = load[load > 0.0].groupby([key[load > 0.0] for key in by])
    bright = at_work.quantile(0.99)[at_work.count() >= _FEWEST]
    watts = bright[bright.between(_WATTS, _MOST_WATTS)]
    if watts.empty:
        return rows
    bad = pd.MultiIndex.from_arrays(by).isin(watts.index)
    for file, names in watts.index.to_frame(index=False).groupby("file")["inverter_id"]:
        source.ledger.note(source.ledger.files[file], f"{column} of {', '.join(names)} is up to {watts.max():,.0f} times the kVA "
                           "rating, which only W is; it is divided by 1000. Expected kW. Correct the export.")
    return rows.assign(**{column: rows[column].where(~bad, rows[column] / 1000.0)})


def read_string_current(source: Source) -> pd.DataFrame | None:
    """Read the strings' log; `string_current` of `SiteData`."""
    rows = read_rows(source, "string_current")
    if rows is None:
        return None
    rows = known_only(source, rows, "string_id", {s.string_id for s in source.site.strings})
    limits = {s.string_id: _MAX_OF_I_SC * s.module_type.i_sc_a for s in source.site.strings}
    limit = rows["string_id"].map(limits).to_numpy(dtype=float)
    rows = drop_rows(source, rows, rows["dc_current_a"].to_numpy() > limit, "dc_current_a",
                     f"above {_MAX_OF_I_SC:g} times the short-circuit current of the string's modules. "
                     "Expected A; is it in mA, or of more than one string?")
    source.ledger.count(rows)
    return rows[["time", "string_id", "dc_current_a"]].sort_values(
        ["time", "string_id"], kind="stable", ignore_index=True)


def known_only(source: Source, rows: pd.DataFrame, column: str, known: set[str]) -> pd.DataFrame:
    """Set aside rows whose identifier the site does not have."""
    unknown = ~rows[column].isin(known).to_numpy()
    if not unknown.any():
        return rows
    table = "inverters" if column == "inverter_id" else "strings"
    names = rows.loc[unknown, column].unique()
    reasons = {name: f"not in {table}.{near_miss(str(name), known)} Expected one of this site's; is the file another site's?"
               for name in names}
    return drop_rows(source, rows, unknown, column, rows[column].map(reasons).to_numpy(dtype=object))
