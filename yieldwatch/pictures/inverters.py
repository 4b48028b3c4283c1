"""
Each inverter's efficiency over its load, and against its datasheet by month.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState
from yieldwatch.pictures.base import Picture, Subject, rounded

#: Edges of the load's bins, as shares of the rated AC power.
_EDGES = np.array([0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15])
_YEAR = pd.DateOffset(months=12)
#: Years back that are kept, and fewest intervals of a bin.
_YEARS, _FEWEST = 3, 5
#: Load below which AC over DC is mostly the meters' last digit, as a share of rated AC power. Common practice, no source.
_LEAST_LOAD = 0.1


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    With DC power in the log: efficiency by load, by year counted back from the end [%], and by month how far AC lies from what
    the datasheet makes of the DC [%]. With clamp readings: theirs, and what the datasheet says at their load [%].
    """
    state = subject.state
    if state.log is not None and np.isfinite(state.log.dc).any():
        for k, name in enumerate(state.model.inverter_ids):
            yield from _logged(state, k, name)
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
    end = times[-1].normalize() + pd.Timedelta(days=1)
    frame = pd.DataFrame({"efficiency": 100.0 * ac / dc, "bin": np.digitize(dc / rated, _EDGES) - 1, "year": [0] * len(ac)})
    for back in range(1, _YEARS + 1):
        frame.loc[np.asarray(times < end - back * _YEAR), "year"] = back
    frame = frame[(frame["year"] < _YEARS) & (frame["bin"] < len(_EDGES) - 1)]
    grouped = frame.groupby(["year", "bin"])["efficiency"]
    found = grouped.quantile([0.05, 0.5, 0.95]).unstack()
    counts = grouped.size()
    kept = found[counts >= _FEWEST]
    middle = (_EDGES[:-1] + _EDGES[1:]) / 2.0
    place = kept.index.get_level_values("bin").to_numpy()
    yield Picture(
        "efficiency",
        name,
        {
            "years_back": [int(y) for y in kept.index.get_level_values("year")],
            "load_pct": rounded(100.0 * middle[place], 1),
            "efficiency_pct": rounded(kept[0.5], 2),
            "low_pct": rounded(kept[0.05], 2),
            "high_pct": rounded(kept[0.95], 2),
            "intervals": [int(n) for n in counts[counts >= _FEWEST]],
            "datasheet_pct": rounded(100.0 * curve.efficiency(middle[place] * rated), 2),
        },
        {
            "unit": "%",
            "from": times[0].date(),
            "to": times[-1].date(),
            "rated_kw": rated,
            "coverage": float(use.sum() / max(int((model.dc[k] > _EDGES[0] * rated).sum()), 1)),
        },
    )
    yield _by_month(name, ac, dc, times, curve.ac_power(dc), rated)


def _by_month(name: str, ac: np.ndarray, dc: np.ndarray, times: pd.DatetimeIndex, stated: np.ndarray, rated: float) -> Picture:
    loaded = dc > _LEAST_LOAD * rated
    months = times.strftime("%Y-%m")[loaded]
    off = pd.Series(100.0 * (ac[loaded] / stated[loaded] - 1.0)).groupby(np.asarray(months))
    middle, count = off.median(), off.size()
    # Readings of a day share their error, so that days are what is counted.
    days = pd.Series(times.strftime("%Y-%m-%d")[loaded]).groupby(np.asarray(months)).nunique()
    scatter = 1.4826 * off.apply(lambda v: (v - v.median()).abs().median())
    half = 1.645 * 1.2533 * scatter / np.sqrt(days)
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
