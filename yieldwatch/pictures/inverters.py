"""
Each inverter's efficiency over its load, and against its datasheet by month.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.expected.inverter import InverterCurve
from yieldwatch.gap.attribute import SiteState
from yieldwatch.pictures.base import Picture, Subject, rounded
from yieldwatch.pictures.months import TO_BOUND, by_month

#: Edges of the load's bins, as shares of the rated AC power.
_EDGES = np.array([0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9, 1.15])
#: Load below which AC over DC is mostly the meters' last digit, as a share of rated AC power. Common practice, no source.
_LEAST_LOAD = 0.1


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    With DC power in the log: efficiency by month and load [%], and by month how far AC lies from what the datasheet makes of the
    DC [%], with the median of all inverters and where nine in ten of them lie. With clamp readings: theirs, and what the
    datasheet says at their load [%].
    """
    state = subject.state
    if state.log is not None and np.isfinite(state.log.dc).any():
        drawn = [p for k, name in enumerate(state.model.inverter_ids) for p in _logged(state, k, name)]
        yield from drawn
        yield from _fleet([p for p in drawn if p.kind == "efficiency_months"])
    clamps = subject.clamps
    if len(clamps) and clamps["efficiency"].notna().any():
        yield _clamped(subject)


def _logged(state: SiteState, k: int, name: str) -> Iterator[Picture]:
    assert state.log is not None
    model, curve = state.model, state.model.curves[k]
    rated = curve.inverter_type.ac_rated_kw
    ac, dc = state.log.ac[k], state.log.dc[k]
    use = np.isfinite(ac) & np.isfinite(dc) & (dc > _EDGES[0] * rated) & (ac > 0) & state.off.running[k]
    if not use.any():
        return
    ac, dc, times = ac[use], dc[use], model.times[use].tz_convert(model.site.tz)
    could = model.dc[k] > _EDGES[0] * rated
    yield _by_load(name, ac, dc, times, curve, model.times[could].tz_convert(model.site.tz))
    yield _by_month(name, ac, dc, times, curve.ac_power(dc), rated)


def _by_load(
    name: str, ac: np.ndarray, dc: np.ndarray, times: pd.DatetimeIndex, curve: InverterCurve, could: pd.DatetimeIndex
) -> Picture:
    """By month and load; `could` are the times with light enough for it."""
    rated = curve.inverter_type.ac_rated_kw
    first = times[0].year * 12 + times[0].month - 1
    load = np.digitize(dc / rated, _EDGES) - 1
    use = load < len(_EDGES) - 1
    month = np.asarray(times.year * 12 + times.month - 1) - first
    columns, places, scatter = by_month(
        "efficiency_pct", load[use], 100.0 * ac[use] / dc[use], month[use], np.asarray(times.day_of_year)[use], 2
    )
    middle = (_EDGES[:-1] + _EDGES[1:])[places] / 2.0
    months = [f"{m // 12}-{m % 12 + 1:02d}" for m in range(first, first + int(month[-1]) + 1)]
    wanted = np.asarray(could.year * 12 + could.month - 1) - first
    return Picture(
        "efficiency",
        name,
        columns,
        {
            "unit": "%",
            "rated_kw": rated,
            "months": months,
            "load_pct": rounded(100.0 * middle, 1),
            "datasheet_pct": rounded(100.0 * curve.efficiency(middle * rated), 2),
            "scatter": scatter,
            "used": [int(n) for n in np.bincount(month, minlength=len(months))],
            "could": [int(n) for n in np.bincount(wanted[(wanted >= 0) & (wanted < len(months))], minlength=len(months))],
        },
    )


def _by_month(name: str, ac: np.ndarray, dc: np.ndarray, times: pd.DatetimeIndex, stated: np.ndarray, rated: float) -> Picture:
    loaded = dc > _LEAST_LOAD * rated
    months = times.strftime("%Y-%m")[loaded]
    off = pd.Series(100.0 * (ac[loaded] / stated[loaded] - 1.0)).groupby(np.asarray(months))
    middle, count = off.median(), off.size()
    # Readings of a day share their error, so that days are what is counted.
    days = pd.Series(times.strftime("%Y-%m-%d")[loaded]).groupby(np.asarray(months)).nunique()
    half = TO_BOUND * off.apply(lambda v: (v - v.median()).abs().median()) / np.sqrt(days)
    every = [str(p) for p in pd.period_range(middle.index[0], middle.index[-1], freq="M")]
    return Picture(
        "efficiency_months",
        name,
        {
            "month": every,
            "off_datasheet_pct": rounded(middle.reindex(every), 3),
            "low_pct": rounded((middle - half).reindex(every), 3),
            "high_pct": rounded((middle + half).reindex(every), 3),
            "intervals": [int(n) for n in count.reindex(every, fill_value=0)],
        },
        {"unit": "%", "above_load_pct": 100.0 * _LEAST_LOAD},
    )


def _fleet(drawn: list[Picture]) -> Iterator[Picture]:
    if len(drawn) < 2:
        return
    table = pd.concat([pd.Series(p.columns["off_datasheet_pct"], index=p.columns["month"]) for p in drawn], axis=1).sort_index()
    low, middle, high = (table.quantile(q, axis=1) for q in (0.05, 0.5, 0.95))
    columns = {"low_pct": low, "off_datasheet_pct": middle, "high_pct": high}
    yield Picture(
        "efficiency_fleet",
        "",
        {"month": list(table.index), **{k: rounded(v, 3) for k, v in columns.items()}},
        {"unit": "%", "inverters": len(drawn)},
    )


def _clamped(subject: Subject) -> Picture:
    rows = subject.clamps[subject.clamps["efficiency"].notna()]
    rated = {i.inverter_id: i.inverter_type.ac_rated_kw for i in subject.site.inverters}
    days = pd.DatetimeIndex(rows["time"]).tz_convert(subject.site.tz).strftime("%Y-%m-%d")
    u = 100.0 * 1.645 * rows["efficiency_u"] * rows["efficiency"]
    return Picture(
        "clamp_efficiency",
        "",
        {
            "inverter_id": list(rows["inverter_id"]),
            "day": list(days),
            "load_pct": rounded(100.0 * rows["dc_power_kw"] / rows["inverter_id"].map(rated).astype(float), 1),
            "efficiency_pct": rounded(100.0 * rows["efficiency"], 2),
            "low_pct": rounded(100.0 * rows["efficiency"] - u, 2),
            "high_pct": rounded(100.0 * rows["efficiency"] + u, 2),
            "datasheet_pct": rounded(100.0 * rows["efficiency_curve"], 2),
        },
        {"unit": "%"},
    )
