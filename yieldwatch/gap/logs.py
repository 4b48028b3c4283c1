"""
What the inverters' log says, interval by interval of the model's grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.frozen_zeros import frozen_zeros
from yieldwatch.gap.recorded import recorded_outages

#: Identical readings in a row that mark a stuck value. Common practice, no source.
_STUCK_RUN = 4
#: A log interval counts when at least this share of its readings is there.
_FULL = 0.75


@dataclass(frozen=True)
class InverterLog:
    """
    The log on the model's daylight grid, arrays of shape (n_inverters, n_times).

    Attributes
    ----------
    ac, dc : ndarray
        Mean power at the inverter; NaN where not logged or not believed. `dc` is all NaN without it. [kW]
    stuck : ndarray of bool
        Readings set to NaN because the value did not move while the light did.
    frozen : ndarray of bool
        Zeros set to NaN because the logger froze: the meter counted the energy all the same, or the night before tells it.
    fault : ndarray of bool
        Intervals whose status says fault.
    readings : DataFrame or None
        Where the log is finer than the grid: `ac` at its own interval `step`, a column an inverter, as written. [kW]
    """

    ac: np.ndarray
    dc: np.ndarray
    stuck: np.ndarray
    frozen: np.ndarray
    fault: np.ndarray
    readings: pd.DataFrame | None = None
    step: pd.Timedelta | None = None


@dataclass(frozen=True)
class Fine:
    """
    The log at its own interval `step`, or on the model's grid where that is finer.

    `times` (n,) are starts, `slot` (n,) the place of each in the model's times, `ac` (n_inverters, n) power, NaN where not logged
    or not believed. [kW]
    """

    times: pd.DatetimeIndex
    step: pd.Timedelta
    slot: np.ndarray
    ac: np.ndarray

    def on_grid(self, values: np.ndarray, n_times: int) -> np.ndarray:
        """Mean of `values` (n,) over each of the model's intervals, 1 where none falls into it."""
        count = np.bincount(self.slot, minlength=n_times)
        total = np.bincount(self.slot, weights=values, minlength=n_times)
        return np.where(count > 0, total / np.maximum(count, 1), 1.0)


def at_own_interval(model: SiteModel, log: InverterLog) -> Fine:
    if log.readings is None or log.step is None:
        return Fine(model.times, model.weather.step, np.arange(len(model.times)), log.ac)
    times = pd.DatetimeIndex(log.readings.index)
    slot = model.times.get_indexer(model.weather.floor(times))
    keep = slot >= 0
    ac = np.where(np.isfinite(log.ac[:, slot[keep]]), log.readings.to_numpy(float)[keep].T, np.nan)
    return Fine(times[keep], log.step, slot[keep], ac)


def inverter_log(model: SiteModel, data: SiteData) -> InverterLog | None:
    """
    Bring the power log to the model's daylight intervals; None where there is no log.

    Rows for the inputs of one inverter are added up. A finer log is averaged; a coarser one is spread by
    the modelled output, so that the ratio of the two is one value an interval of the log.
    """
    if data.power is None or data.power.empty or data.power_step is None:
        return None
    log = data.power
    ac, dc = _wide(log, "ac_power_kw", model), _wide(log, "dc_power_kw", model)
    readings = ac if data.power_step < model.weather.step else None
    if data.power_step <= model.weather.step:
        ac, dc = (_average(x, model, data.power_step) for x in (ac, dc))
    else:
        ac, dc = (_spread(x, model, data.power_step) for x in (ac, dc))
    fault = np.zeros(ac.shape, dtype=bool)
    if "status" in log and log["status"].notna().any():
        said = log.loc[log["status"].astype("string").str.lower() == "fault", ["time", "inverter_id"]]
        row = {name: k for k, name in enumerate(model.inverter_ids)}
        place = model.times.get_indexer(model.weather.floor(pd.DatetimeIndex(said["time"])))
        keep = place >= 0
        fault[said["inverter_id"].map(row).to_numpy(int)[keep], place[keep]] = True
    stuck = _stuck(ac, model)
    zeros = frozen_zeros(np.where(stuck, np.nan, ac), model, data.meter, fault | recorded_outages(model, data)[0])
    if readings is not None:
        zeros |= _cut_off(zeros, readings, model)
    wrong = stuck | zeros
    return InverterLog(np.where(wrong, np.nan, ac), np.where(wrong, np.nan, dc), stuck, zeros, fault, readings, data.power_step)


def _cut_off(zeros: np.ndarray, readings: pd.DataFrame, model: SiteModel) -> np.ndarray:
    """Intervals next to frozen ones in which some reading of a finer log is zero as well."""
    slot = model.times.get_indexer(model.weather.floor(pd.DatetimeIndex(readings.index)))
    keep = slot >= 0
    dark = np.stack([np.bincount(slot[keep], row, minlength=len(model.times)) > 0 for row in (readings.to_numpy()[keep] == 0).T])
    beside = np.zeros_like(zeros)
    beside[:, 1:] |= zeros[:, :-1]
    beside[:, :-1] |= zeros[:, 1:]
    return beside & dark


def _wide(log: pd.DataFrame, column: str, model: SiteModel) -> pd.DataFrame:
    """time x inverter; the inputs of an inverter added up, only where each input of that time is there."""
    if column not in log or log[column].notna().sum() == 0:
        return pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC"), columns=model.inverter_ids, dtype=float)
    by_input = log["mppt"].notna() if "mppt" in log else pd.Series(False, index=log.index)
    whole = log.loc[~by_input].pivot(index="time", columns="inverter_id", values=column)
    if by_input.any():
        parts = log.loc[by_input].pivot(index="time", columns=["inverter_id", "mppt"], values=column)
        inputs = parts.T.groupby(level=0).sum(min_count=1).T
        inputs = inputs.where(parts.columns.get_level_values(0).value_counts() == parts.T.groupby(level=0).count().T)
        whole = inputs if whole.empty else whole.combine_first(inputs)
    return whole.reindex(columns=model.inverter_ids)


def _average(wide: pd.DataFrame, model: SiteModel, step: pd.Timedelta) -> np.ndarray:
    if wide.empty:
        return np.full((len(model.inverter_ids), len(model.times)), np.nan)
    if step == model.weather.step and wide.index.isin(model.weather.table.index).mean() > 0.99:
        return wide.reindex(model.times).to_numpy(float).T
    slot = model.weather.floor(pd.DatetimeIndex(wide.index))
    grouped = wide.groupby(slot)
    enough = grouped.count() >= _FULL * (model.weather.step / step)
    return grouped.mean().where(enough).reindex(model.times).to_numpy(float).T


def _spread(wide: pd.DataFrame, model: SiteModel, step: pd.Timedelta) -> np.ndarray:
    slot = model.times.floor(step)
    held = wide.reindex(slot).to_numpy(float).T
    shape = model.output(site_cap_kw=np.inf)
    mean = pd.DataFrame(shape.T).groupby(slot.asi8).transform("mean").to_numpy().T
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(mean > 0, held * shape / mean, held)


def _stuck(ac: np.ndarray, model: SiteModel) -> np.ndarray:
    """
    Runs of the same non-zero reading while the modelled power moves by a tenth or more.

    An inverter at its limit repeats itself too; its modelled power then stays above the reading.
    """
    expected = model.dc
    stuck = np.zeros(ac.shape, dtype=bool)
    for k, row in enumerate(ac):
        same = np.r_[False, (row[1:] == row[:-1]) & (row[1:] > 0)]
        run = np.cumsum(~same)
        frame = pd.DataFrame({"run": run, "expected": expected[k], "ac": row})
        group = frame.groupby("run")
        size, high, low = group["ac"].transform("size"), group["expected"].transform("max"), group["expected"].transform("min")
        limited = low * 0.97 > row
        stuck[k] = (
            (size >= _STUCK_RUN).to_numpy()
            & (high > 1.1 * low + 0.01 * model.rating[k, 0]).to_numpy()
            & ~(limited & (row > 0.3 * model.rating[k, 0])).to_numpy()
        )
    return stuck
