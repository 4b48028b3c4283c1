"""
How an effect runs on after the work: what is mended stays, what is washed off would in part have gone with the next rain.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.soiling import soiling_states
from yieldwatch.proof.done import SAME_VISIT_DAYS, DoneJob


def run_on(state: SiteState, job: DoneJob, day: int) -> list[np.ndarray]:
    """
    The shapes that the effect may have, each of shape (n_days,): 0 up to the day of the work and 1 the day after.

    The lead of a washed module over one left as it was goes with rain, because rain takes from the dirty one what the clean one
    no longer has; a layer that rain does not take stays away. How much of the dirt is of either kind is not known.
    """
    stays = (np.arange(len(state.blocks.dates)) > day).astype(float)
    if job.cause != "soiling":
        return [stays]
    left = np.exp(-((np.nan_to_num(state.blocks.rain, nan=0.0) / state.wash.depth) ** state.wash.sharpness))
    left[: day + 1] = 1.0
    fades = stays * np.r_[1.0, np.cumprod(left)[:-1]]
    return [stays, fades, 0.5 * (stays + fades)]


def dirt_without(state: SiteState, data: SiteData, job: DoneJob) -> np.ndarray:
    """-ln of what dirt would have left had this cleaning not been, shape (n_inverters, n_days); rain falls all the same."""
    if len(data.events):
        local = data.events["start"].dt.tz_convert(state.model.site.tz).dt.date
        near = np.array([abs((d - job.done_on).days) <= SAME_VISIT_DAYS for d in local])
        same = (data.events["kind"] == "cleaning").to_numpy() & near
        data = replace(data, events=data.events[~same])
    size = {c.name: v for c, v in zip(state.posterior.columns, state.posterior.estimate, strict=True) if c.cause == "soiling"}
    states = soiling_states(state.blocks, data, state.wash)
    return np.asarray(sum(s.values * size.get(s.name, 0.0) for s in states))
