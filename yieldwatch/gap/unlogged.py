"""
The unknowns of a farm without an interval log: what readings and the meter tell.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.clamp_limits import limits_from_readings
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.fit import EvidenceAtHand, Fitted, Left, dc_left, fit
from yieldwatch.gap.mechanisms.snow import SLIDES, slide_chances, snow_cover
from yieldwatch.gap.mechanisms.soiling import cleaning_days
from yieldwatch.gap.mechanisms.string_fault import Fault, date_faults, find_faults
from yieldwatch.gap.off import Off
from yieldwatch.gap.spells import Limits

#: Scatter of a winter period's energy against the model, beyond snow. Common practice, no source.
_WINTER_SIGMA = 0.04
#: Share of a period's energy under snow below which it says nothing of snow.
_SOME_SNOW = 0.01
#: What the mean of several slides may be off by beyond their spread, as a share of the cover.
_COVER_DOUBT = 0.25


def fit_unlogged(
    evidence: EvidenceAtHand, model: SiteModel, off: Off
) -> tuple[Limits, list[Fault], Fitted, np.ndarray]:
    """
    Limits, faults, the fit, and what snow leaves, shape (n_inverters, n_times).

    Twice: the first fit dates the faults and says what all but snow leaves, by which the second weighs the winter.
    """
    blocks, data = evidence.blocks, evidence.data
    shape = blocks.expected.shape
    limits = limits_from_readings(model, evidence.clamps, data)
    faults = find_faults(blocks, model.site, evidence.findings, evidence.rounds, None, cleaning_days(blocks, data), [])
    nothing, none = np.full(shape, np.nan), np.zeros(shape[0], dtype=bool)
    snow, doubt = _snow_by_meter(blocks, data, off, limits, np.ones(shape))
    left = Left(_running(blocks, off, limits, snow), blocks.share(doubt))
    found = fit(evidence, faults, none, nothing, nothing, left)
    for last in (False, True):
        left = Left(_running(blocks, off, limits, snow), blocks.share(doubt))
        fitted = partial(
            fit, evidence, shaded=none, ratio=nothing, weight=nothing, left=left, first=found.posterior, wash=found.wash)
        if not last:
            faults = date_faults(faults, partial(_misfit, fitted))
        found = fitted(faults)
        if not last:
            snow, doubt = _snow_by_meter(blocks, data, off, limits, dc_left(found.posterior, shape))
    return limits, faults, found, snow


def _misfit(fitted: Callable[[list[Fault]], Fitted], faults: list[Fault]) -> float:
    return fitted(faults).posterior.misfit


def _snow_by_meter(
    blocks: Blocks, data: SiteData, off: Off, limits: Limits, kept: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """
    What snow leaves of each inverter's power where only weather and meter tell, and its standard uncertainty.

    Both of shape (n_inverters, n_times). `kept` is what all else leaves of the DC power by block, (n_inverters, n_blocks).
    """
    model = blocks.model
    covers = [snow_cover(model, slide) for slide in SLIDES]
    if not any(cover.any() for cover in covers):
        return np.ones(model.dc.shape), np.zeros(model.dc.shape)
    cap = np.minimum(limits.setting, limits.heat)
    output = model.output(kept[:, blocks.of], off.inverter * off.grid, cap, limits.site_cap)
    periods = meter_by_day(blocks, data.meter) or []
    day = blocks.day[blocks.of]
    whole = np.r_[0.0, np.cumsum(np.bincount(day, weights=output.sum(axis=0), minlength=len(blocks.dates)))]

    def lost_by(cover: np.ndarray) -> np.ndarray:
        return np.r_[0.0, np.cumsum(np.bincount(day, weights=(output * cover).sum(axis=0), minlength=len(blocks.dates)))]

    most = lost_by(np.max(covers, axis=0))

    def misfit(cover: np.ndarray) -> float:
        lost = lost_by(cover)
        clear: list[float] = []
        snowy: list[float] = []
        for first, last, kwh in periods:
            all_of, less = whole[last] - whole[first], lost[last] - lost[first]
            if kwh > 0 and all_of > less:
                perhaps = most[last] - most[first] > _SOME_SNOW * all_of
                (snowy if perhaps else clear).append(np.log(kwh / (all_of - less)))
        level = float(np.median(clear)) if clear else 0.0
        return float((((np.array(snowy) - level) / _WINTER_SIGMA) ** 2).sum())

    chance = slide_chances(misfit, covers)
    mean = np.tensordot(chance, np.stack(covers), axes=1)
    spread = np.sqrt(sum(p * (cover - mean) ** 2 for p, cover in zip(chance, covers, strict=True)))
    # What may have lain longest is in doubt too, or winter's rest would be taken for shade of a low sun.
    return 1.0 - mean, np.hypot(spread, _COVER_DOUBT * np.max(covers, axis=0))


def _running(blocks: Blocks, off: Off, limits: Limits, snow: np.ndarray) -> np.ndarray:
    """Share of each block's expected energy that known outages, snow and limits left, shape (n_inverters, n_blocks)."""
    cap = np.minimum(limits.setting, limits.heat)
    left = blocks.total(blocks.model.output(1.0, off.inverter * off.grid * snow, cap, limits.site_cap))
    return np.where(blocks.expected > 0, left / np.maximum(blocks.expected, 1e-12), 1.0)
