"""
Where modules and inverters fall short of what their makers warrant.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import ModuleType, Site

#: Expanded uncertainty is twice the standard one (coverage factor k = 2, JCGM 100:2008, 6.3.3).
_COVERAGE = 2.0
#: Findings that say nothing of the modules themselves, or have to be mended before they are judged.
_NOT_THE_MODULES = ("open", "wrong_count", "series_resistance", "soiled", "shaded", "not_tested")


def warranted_share(kind: ModuleType, age_years: float) -> float:
    """
    Share of nameplate that the maker warrants at an age; NaN without a power warranty or once it has ended.

    What remains at the end of the first year holds during it; from then on it falls by the same amount each year.
    """
    if kind.warranty_first_year_pct is None or (kind.warranty_years is not None and age_years > kind.warranty_years):
        return float("nan")
    fall = (kind.warranty_then_pct_per_year or 0.0) * max(age_years - 1.0, 0.0)
    return (kind.warranty_first_year_pct - fall) / 100.0


def is_short(share: float, relative_u: float, warranted: float) -> bool:
    """
    Whether a measured share of nameplate is below the warranted one beyond the measurement's doubt.

    Parameters
    ----------
    share : float
        Measured, at 1000 W/m², 25 °C.
    relative_u : float
        Its relative standard uncertainty.
    warranted : float
    """
    return bool(share * (1.0 + _COVERAGE * relative_u) < warranted)


def short_strings(site: Site, rounds: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """
    Strings below their modules' power warranty beyond the doubt of the trace.

    Parameters
    ----------
    rounds : DataFrame
        From `assess_rounds`.
    findings : DataFrame
        From `string_findings`.

    Returns
    -------
    DataFrame
        string_id, module_type, time, share, low_share, high_share, warranted, missing_w, deadline, file, line; the last trace,
        where it is good and without a flag, of each string whose finding does not name dirt, shade, a wrong count, or an
        open or poor connection.
    """
    columns = ["string_id", "module_type", "time", "share", "low_share", "high_share", "warranted", "missing_w", "deadline",
               "file", "line"]
    if rounds.empty or "p_mp_plate" not in rounds:
        return pd.DataFrame(columns=columns)
    doubtful = set(findings.loc[findings["finding"].isin(_NOT_THE_MODULES), "string_id"])
    read = rounds[rounds["p_mp_plate"].notna() & rounds["u_p_mp"].notna() & ~rounds["string_id"].isin(doubtful)]
    last = read.sort_values("time").drop_duplicates("string_id", keep="last")
    last = last[(last["grade"] == "good") & (last["flags"].fillna("") == "")]  # an earlier good one would be out of date
    strings = {s.string_id: s for s in site.strings}
    rows = []
    for trace in last.to_dict("records"):
        string = strings[trace["string_id"]]
        kind = string.module_type
        age = (trace["time"].tz_convert(site.timezone).date() - site.commissioned).days / 365.25
        warranted = warranted_share(kind, age)
        share, u = trace["p_mp_plate"], trace["u_p_mp"]
        if not np.isfinite(warranted) or not is_short(share, u, warranted):
            continue
        rows.append((string.string_id, kind.module_type, trace["time"], share, share * (1 - _COVERAGE * u),
                     share * (1 + _COVERAGE * u), warranted, (warranted - share) * string.p_mp_w,
                     _years_on(site.commissioned, kind.warranty_years), trace["file"], trace["line"]))
    return pd.DataFrame(rows, columns=columns)


def inverter_deadlines(site: Site, data: SiteData) -> dict[str, dt.date]:
    """Last day of each inverter's warranty, from commissioning or from its last replacement; only where the type has one."""
    out = {}
    for inverter in site.inverters:
        years = inverter.inverter_type.warranty_years
        if years is None:
            continue
        events = data.events
        began = site.commissioned
        if "scope" in events:
            own = events[(events["kind"] == "replacement") & events["scope"].map(lambda s, name=inverter.inverter_id: name in s)]
            if len(own):
                began = own["start"].max().tz_convert(site.timezone).date()
        end = _years_on(began, years)
        assert end is not None
        out[inverter.inverter_id] = end
    return out


def _years_on(day: dt.date, years: float | None) -> dt.date | None:
    if years is None:
        return None
    return (pd.Timestamp(day) + pd.DateOffset(months=round(12 * years))).date()
