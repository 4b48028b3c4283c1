"""
The unknowns of a farm without an interval log: what readings and the meter tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from yieldwatch.expected.power import SiteModel
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.clamp_limits import limits_from_readings, limits_left_on
from yieldwatch.gap.clamped_strings import missing_at_clamps
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.fit import N_DRAWS, EvidenceAtHand, Fitted, Left, dc_left, fit
from yieldwatch.gap.infer import Posterior
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.onsets import date_faults, weighed_onset
from yieldwatch.gap.mechanisms.since_read import Fallen, fallen_since_read, fault_of
from yieldwatch.gap.mechanisms.snow import SLIDES, slide_chances, snow_cover, snow_days
from yieldwatch.gap.mechanisms.soiling import cleaning_days
from yieldwatch.gap.mechanisms.string_fault import faults_at_clamps, find_faults
from yieldwatch.gap.mended import mended_faults
from yieldwatch.gap.off import Off
from yieldwatch.gap.spells import LeftOn, Limits

#: Scatter of a winter period's energy against the model, beyond snow. Common practice, no source.
_WINTER_SIGMA = 0.04
#: Fits after the first, each with what the one before it says is left.
_MORE_FITS = 2
#: Fits with what broke since all was last read, each with what the one before it leaves to that.
_FALLEN_FITS = 3
#: Share of a period's energy under snow below which it says nothing of snow.
_SOME_SNOW = 0.01
#: What the mean of several slides may be off by beyond their spread, as a share of the cover.
_COVER_DOUBT = 0.25
#: The same of hours with snow on the ground: new snow is read by gauges and services so roughly that a fall may be missed whole.
#: Common practice, no source.
_LYING_DOUBT = 0.15
#: Draws of a fit of which the misfit alone is asked: they settle what is rare, about which the meter's rows are laid.
_FEW_DRAWS = 40


def fit_unlogged(
    evidence: EvidenceAtHand, model: SiteModel, off: Off
) -> tuple[Limits, list[Fault], Fitted, np.ndarray, np.ndarray, Fallen | None]:
    """
    Limits, faults, the fit, what snow leaves and its standard uncertainty, shape (n_inverters, n_times), and what may have broken
    since all was last read.

    Three times: the first fit dates the faults and limits and says what all but snow leaves, by which the next weighs the winter
    and what limits and ratings take of what is left.
    """
    blocks, data = evidence.blocks, evidence.data
    shape = blocks.expected.shape
    nothing, none = np.full(shape, np.nan), np.zeros(shape[0], dtype=bool)
    kept = np.ones(shape)
    limits = limits_from_readings(blocks, limits_left_on(blocks, evidence.clamps), data)
    faults = find_faults(blocks, model.site, evidence.findings, evidence.rounds, None, cleaning_days(blocks, data), [])
    faults += mended_faults(blocks, model.site, evidence.rounds, evidence.findings, data.events)
    faults += faults_at_clamps(blocks, missing_at_clamps(model.site, evidence.clamps, evidence.findings), faults)

    def fit_with(limits: Limits, faults: list[Fault], snow: _Snow, kept: np.ndarray, before: Fitted | None = None,
                 n_draws: int = N_DRAWS) -> Fitted:
        left = Left(_running(blocks, off, limits, snow.left, kept), blocks.share(snow.doubt_before))
        if before is None:
            return fit(evidence, faults, none, nothing, nothing, left)
        return fit(evidence, faults, none, nothing, nothing, left, before.posterior, before.wash, n_draws=n_draws)

    def misfit(limits: Limits, faults: list[Fault]) -> float:
        return again(limits, faults, n_draws=_FEW_DRAWS).posterior.misfit

    snow = _snow_by_meter(blocks, data, off, limits, kept)
    again = partial(fit_with, snow=snow, kept=kept, before=fit_with(limits, faults, snow, kept))
    from_readings = limits
    limits = _dated_limits(blocks, data, from_readings, lambda tried: misfit(tried, faults))
    dated = date_faults(faults, lambda tried: misfit(limits, tried))
    if dated and limits.left_on:
        # A dead string and a limit of one season were taken for each other while neither had its day.
        limits = _dated_limits(blocks, data, from_readings, lambda tried: misfit(tried, dated))
        dated = date_faults(faults, lambda tried: misfit(limits, tried))
    found = again(limits, dated)
    for _ in range(_MORE_FITS):
        kept = dc_left(found.posterior, shape)
        snow = _snow_by_meter(blocks, data, off, limits, kept)
        found = fit_with(limits, dated, snow, kept, found)
    fallen, faults = _fallen(evidence, off, limits, snow, dc_left(found.posterior, shape)), dated
    for _ in range(_FALLEN_FITS):
        if (fault := fault_of(fallen, blocks)) is None:
            break
        faults = [*dated, fault]
        found = fit_with(limits, faults, snow, kept, found)
        # Dirt, age and shade of the fit without it had taken a part of it.
        fallen = _fallen(evidence, off, limits, snow, dc_left(_without(found.posterior, fault), shape))
    return limits, faults, found, snow.left, snow.doubt, fallen


def _without(posterior: Posterior, fault: Fault) -> Posterior:
    own = np.array([c.tag == ("fault", fault) for c in posterior.columns])
    return replace(posterior, estimate=np.where(own, 0.0, posterior.estimate))


def _fallen(evidence: EvidenceAtHand, off: Off, limits: Limits, snow: _Snow, kept: np.ndarray) -> Fallen | None:
    """What may have broken since all was last read, by the meter against what all known causes leave."""
    blocks = evidence.blocks
    cap = np.minimum(limits.setting, limits.heat)
    output = blocks.model.output(kept[:, blocks.of], off.inverter * off.grid * snow.left, cap, limits.site_cap)
    day, n_days = blocks.day[blocks.of], len(blocks.dates)
    modelled, doubt = (np.bincount(day, weights=e.sum(axis=0), minlength=n_days) for e in (output, output * snow.doubt))
    return fallen_since_read(blocks, evidence.data, evidence.findings, evidence.clamps, modelled, doubt)


def _dated_limits(blocks: Blocks, data: SiteData, limits: Limits, misfit: Callable[[Limits], float]) -> Limits:
    """Let the meter say when limits that clamp readings showed were left on."""
    left_on = list(limits.left_on)
    for n, limit in enumerate(left_on):

        def with_start(day: int, n: int = n, limit: LeftOn = limit) -> float:
            tried = [*left_on[:n], replace(limit, onset=((day - 1, 0.0), (day, 1.0))), *left_on[n + 1 :]]
            return misfit(limits_from_readings(blocks, tried, data))

        left_on[n] = replace(limit, onset=weighed_onset(limit.onset, with_start))
    return limits_from_readings(blocks, left_on, data)


class _Snow(NamedTuple):
    """
    Snow by weather and meter, all of shape (n_inverters, n_times): what it leaves, what of that is in doubt, and what was before
    the meter's own period had spoken; standard uncertainties, shared by a period.
    """

    left: np.ndarray
    doubt: np.ndarray
    doubt_before: np.ndarray


def _snow_by_meter(blocks: Blocks, data: SiteData, off: Off, limits: Limits, kept: np.ndarray) -> _Snow:
    """
    What snow leaves of each inverter's power where only weather and meter tell.

    All snowy periods together say how fast it slides on this farm, each by itself how fast it slid then. `kept` is what all else
    leaves of the DC power by block, (n_inverters, n_blocks).
    """
    model = blocks.model
    covers = [snow_cover(model, slide) for slide in SLIDES]
    if not any(cover.any() for cover in covers):
        return _Snow(np.ones(model.dc.shape), np.zeros(model.dc.shape), np.zeros(model.dc.shape))
    cap = np.minimum(limits.setting, limits.heat)
    output = model.output(kept[:, blocks.of], off.inverter * off.grid, cap, limits.site_cap)
    periods = meter_by_day(blocks, data.meter) or []
    day = blocks.day[blocks.of]

    def by_day(energy: np.ndarray) -> np.ndarray:
        return np.r_[0.0, np.cumsum(np.bincount(day, weights=energy.sum(axis=0), minlength=len(blocks.dates)))]

    whole, lost = by_day(output), np.stack([by_day(output * cover) for cover in covers])
    spans = [(first, last, kwh, whole[last] - whole[first], lost[:, last] - lost[:, first]) for first, last, kwh in periods]
    known = [span for span in spans if span[2] > 0 and (span[3] > span[4]).all()]
    snowy = [span for span in known if span[4].max() > _SOME_SNOW * span[3]]
    clear = [np.log(kwh / (all_of - lost.mean())) for _, _, kwh, all_of, lost in known if lost.max() <= _SOME_SNOW * all_of]
    level = float(np.median(clear)) if clear else 0.0
    apart = np.array([((np.log(kwh / (all_of - less)) - level) / _WINTER_SIGMA) ** 2 for _, _, kwh, all_of, less in snowy])
    apart = apart.reshape(len(snowy), len(covers))
    usual = slide_chances(apart.sum(axis=0))
    chance = np.repeat(usual[:, None], len(day), axis=1)
    for span, own in zip(snowy, apart, strict=True):
        chance[:, (day >= span[0]) & (day < span[1])] = slide_chances(own, usual)[:, None]

    def mean_and_spread(chance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mean = sum(p * cover for p, cover in zip(chance, covers, strict=True))
        return mean, np.sqrt(sum(p * (cover - mean) ** 2 for p, cover in zip(chance, covers, strict=True)))

    # What may have lain longest, or unseen, is in doubt too, or winter's rest would be taken for shade of a low sun.
    beyond = np.hypot(_COVER_DOUBT * np.max(covers, axis=0), _LYING_DOUBT * snow_days(model))
    mean, spread = mean_and_spread(chance)
    return _Snow(1.0 - mean, spread, np.hypot(mean_and_spread(np.repeat(usual[:, None], len(day), axis=1))[1], beyond))


def _running(blocks: Blocks, off: Off, limits: Limits, snow: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """
    Share of each block's energy that known outages, snow, limits and ratings left, shape (n_inverters, n_blocks).

    Of the energy that `kept` of the DC power would give in proportion: where a rating binds, the first losses cost nothing.
    """
    cap = np.minimum(limits.setting, limits.heat)
    left = blocks.total(blocks.model.output(kept[:, blocks.of], off.inverter * off.grid * snow, cap, limits.site_cap))
    whole = blocks.expected * kept
    return np.where(whole > 0, left / np.maximum(whole, 1e-12), 1.0)
