"""
Soiling: dirt that builds up in dry spells, and goes with rain and with cleaning.

The state of each inverter's modules follows, from day to day,
    s(d+1) = (s(d) + rate(d)) x (1 - washed(d)),   washed = 1 - exp(-rain / depth)   on a rainy day,
and `1` at a cleaning. With the rain depth given, the loss is linear in the rates and in the state at the start;
the depth itself is chosen among a few by how well the whole inference then fits. After the shapes of Kimber et al.
(WCPEC 2006: linear build-up, rain reset) with rain that cleans in part, Coello & Boyle (IEEE J. Photovolt. 9 (2019) 1382).
A second layer that rain does not wash off (lichen, cemented dust) grows by the year and goes with a cleaning alone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column

#: Depths of a day's rain that wash 63 % off, to choose among. [mm] Thresholds of 1 to 20 mm appear in published models.
RAIN_DEPTHS = (2.0, 5.0, 10.0, 20.0)
#: Yearly mean build-up, per day: fleet means run from 0.0005 (Mejia & Kleissl, Solar Energy 95 (2013) 357) to
#: 0.0015 (Kimber 2006); the prior's standard deviation lets the farm's own dry spells speak.
_RATE_MEAN, _RATE_SD = 0.0003, 0.0010
_RATE_CHANGE = 0.0004
#: Share of the dirt that a cleaning takes off. Common practice, no source.
_CLEANED = 0.97
#: Layer that rain does not wash off, growth per year and state at the start. Common practice, no source.
_LASTING_SD, _START_SD = 0.008, 0.02


def soiling_columns(blocks: Blocks, data: SiteData, rain_depth: float) -> list[Column]:
    """
    Columns of soiling for one rain depth: the rate of each month, the start, and the lasting layer.
    """
    n_inverters, n_days = blocks.expected.shape[0], len(blocks.dates)
    washed = _washed(blocks.rain, rain_depth)
    cleaned = _cleaned(blocks, data)
    keep = (1.0 - washed)[None, :] * (1.0 - _CLEANED * cleaned)
    columns = []
    season = _month_weights(blocks.dates)
    for month, weight in enumerate(season):
        state = _accumulate(np.broadcast_to(weight, (n_inverters, n_days)), keep)
        columns.append(Column("soiling", f"dry-spell rate in month {month}", state[:, blocks.day], None, _RATE_MEAN, _RATE_SD,
                              tag=("rate", month)))
    start = np.cumprod(keep, axis=1)
    columns.append(Column("soiling", "dirt at the start", start[:, blocks.day], None, 0.003, _START_SD))
    lasting_keep = 1.0 - _CLEANED * cleaned
    growth = _accumulate(np.full((n_inverters, n_days), 1.0 / 365.25), lasting_keep)
    columns.append(Column("soiling", "lasting layer, growth per year", growth[:, blocks.day], None, 0.002, _LASTING_SD))
    lasting = np.cumprod(lasting_keep, axis=1)
    columns.append(Column("soiling", "lasting layer at the start", lasting[:, blocks.day], None, 0.003, _START_SD))
    return columns


def alike_rows(columns: list[Column]) -> list[Rows]:
    """
    The rate of one month is like that of the next, and like that of the same month a year on.

    Prior knowledge, given as rows: each difference is zero to within `_RATE_CHANGE`.
    """
    rates = [j for j, c in enumerate(columns) if c.tag and c.tag[0] == "rate"]
    pairs = list(zip(rates, rates[1:], strict=False)) + list(zip(rates, rates[12:], strict=False))
    if not pairs:
        return []
    design = sparse.lil_matrix((len(pairs), len(columns)))
    for row, (a, b) in enumerate(pairs):
        design[row, a], design[row, b] = 1.0, -1.0
    return [Rows("rates alike", design.tocsr(), np.zeros(len(pairs)), np.ones(len(pairs)), _RATE_CHANGE, 1.0)]


def own_share_columns(blocks: Blocks, common: np.ndarray) -> list[Column]:
    """
    Each inverter's departure from the common soiling, in shape like the common one.

    Parameters
    ----------
    common : ndarray, shape (n_inverters, n_blocks)
        Soiling loss of the first fit.
    """
    if len(common) < 2 or common.max() < 1e-6:
        return []
    return [Column("soiling", f"own share of {name}", common[k], k, 0.0, 0.15, -0.6, 3.0)
            for k, name in enumerate(blocks.model.inverter_ids)]


def _month_weights(dates: pd.DatetimeIndex) -> np.ndarray:
    """Tent-shaped months of the history that add up to one on each day, shape (n_months, n_days)."""
    position = (dates.year - dates.year[0]) * 12 + dates.month - dates.month[0] + (dates.day - 15.5) / 30.4
    centres = np.arange(int(np.floor(position.min())), int(np.ceil(position.max())) + 1)
    return np.clip(1.0 - np.abs(np.asarray(position)[None, :] - centres[:, None]), 0.0, 1.0)


def _washed(rain: np.ndarray, depth: float) -> np.ndarray:
    """Share of the dirt that a day's rain takes; unknown rain washes nothing and the doubt stays with the rates."""
    return 1.0 - np.exp(-np.nan_to_num(rain, nan=0.0) / depth)


def _cleaned(blocks: Blocks, data: SiteData) -> np.ndarray:
    """Share of each inverter's strings cleaned on each day, shape (n_inverters, n_days)."""
    out = np.zeros((blocks.expected.shape[0], len(blocks.dates)))
    ids = blocks.model.inverter_ids
    strings = {name: [s.string_id for s in blocks.model.site.strings if s.inverter_id == name] for name in ids}
    events = data.events[data.events["kind"] == "cleaning"] if len(data.events) else data.events
    for event in events.itertuples():
        day = blocks.day_of(event.start)
        if not 0 <= day < out.shape[1]:
            continue
        for k, name in enumerate(ids):
            if "site" in event.scope or name in event.scope:
                out[k, day] = 1.0
            elif strings[name]:
                out[k, day] = max(out[k, day], len(set(strings[name]) & set(event.scope)) / len(strings[name]))
    return out


def _accumulate(gain: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """s(d) = (s(d-1) + gain(d)) x keep(d), along the last axis."""
    state = np.zeros_like(gain)
    level = np.zeros(gain.shape[0])
    for day in range(gain.shape[1]):
        level = (level + gain[:, day]) * keep[:, day]
        state[:, day] = level
    return state
