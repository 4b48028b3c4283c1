"""
How far the light sensor and the clocks can be trusted, by month and by visit.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.evidence import light_ratio, light_visits
from yieldwatch.pictures.base import Picture, Subject, rounded
from yieldwatch.pictures.months import TO_BOUND

#: Share of a day's intervals that must be there in both sources. Common practice, no source.
_WHOLE_DAY = 0.95
_LIGHT = ("ghi", "poa_global")
#: Share of its rating beyond which the site may be cut off, so that its shape over the day says nothing of clocks.
_FREE = 0.9
#: Fewest usable intervals of a day, and days of a month, for a clock. Common practice, no source.
_FEWEST_INTERVALS, _FEWEST_DAYS = 12, 5


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    The second light source over the first by month [%]; the light read on each visit over the weather's [%]; by how many
    minutes the log runs behind the light, by month. Each as a median over days or readings, with the interval of the median.
    """
    data = subject.data
    if data.weather is not None and data.weather_2 is not None:
        yield from _second(data.weather, data.weather_2, subject)
    yield from _visits(subject)
    if subject.state.log is not None:
        yield from _clock(subject.state)


def _second(first: pd.DataFrame, second: pd.DataFrame, subject: Subject) -> Iterator[Picture]:
    column = next((c for c in _LIGHT if all(c in t and t[c].notna().any() for t in (first, second))), None)
    if column is None:
        return
    daily = pd.DataFrame({k: _daily(t[column], subject) for k, t in (("first", first), ("second", second))}).dropna()
    daily = daily[daily["first"] > 0]
    if daily.empty:
        return
    yield Picture(
        "second_light",
        "",
        _monthly(100.0 * (daily["second"] / daily["first"] - 1.0), "off_pct"),
        {"unit": "% of the first source", "column": column},
    )


def _daily(light: pd.Series, subject: Subject) -> pd.Series:
    local = light.tz_convert(subject.site.tz)
    day = local.index.tz_localize(None).normalize()
    grouped = local.groupby(day)
    count = grouped.count()
    return grouped.mean().where(count >= _WHOLE_DAY * count.median())


def _monthly(daily: pd.Series, name: str, fewest: int = 1) -> dict[str, list]:
    """Median of each month's days and the interval of the median; months between without enough days are NaN."""
    month = pd.DatetimeIndex(daily.index).strftime("%Y-%m")
    grouped = daily.groupby(np.asarray(month))
    middle, n = grouped.median(), grouped.size()
    half = TO_BOUND * grouped.apply(lambda v: (v - v.median()).abs().median()) / np.sqrt(n)
    every = [str(p) for p in pd.period_range(middle.index[0], middle.index[-1], freq="M")]
    enough = n.reindex(every, fill_value=0) >= fewest
    kept = {name: middle, f"{name}_low": middle - half, f"{name}_high": middle + half}
    return {
        "month": every,
        **{k: rounded(v.reindex(every).where(enough), 2) for k, v in kept.items()},
        "days": [int(d) for d in n.reindex(every, fill_value=0)],
    }


def _visits(subject: Subject) -> Iterator[Picture]:
    rows = []
    for name, part in light_visits(subject.state.blocks, subject.data, subject.rounds):
        ratio = light_ratio(subject.state.blocks, part)
        if len(ratio):
            off = 100.0 * np.expm1(ratio)
            half = TO_BOUND * np.median(np.abs(off - np.median(off))) / np.sqrt(len(off)) if len(off) > 2 else np.nan
            day = part["time"].min().tz_convert(subject.site.tz).date()
            rows.append((day, "IV round" if name else "clamp visit", len(off), np.median(off), half))
    if not rows:
        return
    rows.sort(key=lambda r: r[0])
    day, kind, readings, middle, half = (list(x) for x in zip(*rows, strict=True))
    off, doubt = np.array(middle), np.array(half)
    yield Picture(
        "visit_light",
        "",
        {
            "day": day,
            "kind": kind,
            "readings": readings,
            "off_pct": rounded(off, 2),
            "off_pct_low": rounded(off - doubt, 2),
            "off_pct_high": rounded(off + doubt, 2),
        },
        {"unit": "% of the weather's light in the plane"},
    )


def _clock(state: SiteState) -> Iterator[Picture]:
    """
    Minutes by which the log's curve of a day lies behind the model's.

    A curve that comes a little late differs from the model's by the delay times the model's slope: one regression a day.
    """
    assert state.log is not None
    model = state.model
    could = model.dc
    minutes = model.weather.step / pd.Timedelta(minutes=1)
    slope = np.full_like(could, np.nan)
    slope[:, 1:-1] = (could[:, 2:] - could[:, :-2]) / (2.0 * minutes)
    neighbours = np.r_[False, (np.diff(model.at, n=2) == 0) & (np.diff(model.at)[1:] == 1), False]
    use = (
        np.isfinite(state.log.ac)
        & state.off.running
        & ~model.weather.modelled[model.at]
        & neighbours
        & np.isfinite(slope)
        & (could < _FREE * model.rating)
        & (could > 0.05 * model.rating)
        & ~np.isfinite(state.limits.site_cap)
    )
    for cap in (state.limits.setting, state.limits.heat):
        use &= ~np.isfinite(cap)
    local = model.times.tz_convert(model.site.tz).tz_localize(None).normalize()
    late = {}
    for day, at in pd.Series(np.arange(len(local))).groupby(np.asarray(local)).indices.items():
        here = use[:, at]
        if here.sum() < _FEWEST_INTERVALS * len(here):
            continue
        shape = np.stack([could[:, at][here], slope[:, at][here]], axis=1)
        level, behind = np.linalg.lstsq(shape, state.log.ac[:, at][here], rcond=None)[0]
        if level > 0:
            late[pd.Timestamp(day)] = -behind / level
    if len(late) < _FEWEST_DAYS:
        return
    daily = pd.Series(late).sort_index()
    yield Picture("clock", "", _monthly(daily, "behind_min", _FEWEST_DAYS), {"unit": "minutes", "days": len(daily)})
