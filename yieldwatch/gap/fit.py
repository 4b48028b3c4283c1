"""
One fit: the columns of all mechanisms against all the evidence at hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from yieldwatch.expected.irradiance import reference_array
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.clock_check import ClockShift
from yieldwatch.gap.clock_doubt import clock_columns
from yieldwatch.gap.evidence import light_rows, meter_rows, round_columns, round_rows
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.infer import Posterior, Rows, day_rows, day_weights, design_matrix, log_rows, solve
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.common_shade import common_shade_columns
from yieldwatch.gap.mechanisms.degradation import degradation_columns
from yieldwatch.gap.mechanisms.fault import Fault, fault_columns
from yieldwatch.gap.mechanisms.inverter_efficiency import clamp_columns, efficiency_columns
from yieldwatch.gap.mechanisms.level import level_columns, light_from_service, spell_columns
from yieldwatch.gap.mechanisms.shading import round_shade_columns, shading_columns
from yieldwatch.gap.mechanisms.soiling import (
    WASH_UNKNOWN,
    State,
    Wash,
    alike_rows,
    choose_wash,
    loose_dust,
    own_share_columns,
    rain_states,
    soiling_columns,
    soiling_states,
)
from yieldwatch.gap.mechanisms.untested import untested_columns
from yieldwatch.gap.second_light import LightDrift, drift_rows
from yieldwatch.gap.steps import own_days
from yieldwatch.gap.witness import witness_columns, witness_rows
from yieldwatch.gap.year_on_year import YearOnYear, full_years, line_columns, own_rate_rows

#: Causes that the inference gives as a share of DC power.
DC_CAUSES = ("soiling", "shading", "string_fault", "degradation")
N_DRAWS = 400
#: Weight in the mean of the hour of an inverter that is shaded, or whose light was turned over from another plane, beside one in
#: the open and in the sensor's plane.
_LEAST_TRUST = 0.02
#: What an inverter may differ from its peers for a fortnight, beyond all known causes, and count half in that mean; days of which
#: the median is taken. Common practice, no source.
_APART, _DAYS_APART = 0.01, 15
#: Reweighting rounds while the wash is searched for; the last fit takes the usual number.
_SEARCH_ROUNDS = 3
#: Fits of the meter's rows, each linear near the last: the second moves little, the third nothing that matters.
_METER_STEPS = 3


@dataclass(frozen=True, eq=False)
class EvidenceAtHand:
    """
    A site's evidence; `log` is None where no inverter was logged, `drift` where no second source tells of the light's.

    `sensor_doubt` is what faults of the light sensor leave in doubt of its level, `clocks` what is left of clocks.
    """

    data: SiteData
    rounds: pd.DataFrame
    findings: pd.DataFrame
    clamps: pd.DataFrame
    blocks: Blocks
    log: InverterLog | None
    rng: np.random.Generator
    drift: LightDrift | None
    sensor_doubt: float = 0.0
    clocks: tuple[ClockShift, ...] = ()


@dataclass(frozen=True, eq=False)
class Left:
    """
    What known outages, snow and limits left of each block's expected energy, for evidence that cannot leave them out.

    Attributes
    ----------
    share, doubt : ndarray, shape (n_inverters, n_blocks)
        The share left, and its standard uncertainty.
    """

    share: np.ndarray
    doubt: np.ndarray

    @classmethod
    def nothing(cls, blocks: Blocks) -> Left:
        """Nothing taken: a log leaves out what was."""
        return cls(np.ones(blocks.expected.shape), np.zeros(blocks.expected.shape))


class Fitted(NamedTuple):
    """What a fit gives: the posterior, how rain washes, and the change year on year where the record is long enough."""

    posterior: Posterior
    wash: Wash
    yearly: YearOnYear | None


def fit(
    evidence: EvidenceAtHand,
    faults: list[Fault],
    shaded: np.ndarray,
    ratio: np.ndarray,
    weight: np.ndarray,
    left: Left,
    first: Posterior | None = None,
    wash: Wash | None = None,
    layer: bool = True,
    n_draws: int = N_DRAWS,
) -> Fitted:
    """
    Fit all unknowns.

    Parameters
    ----------
    shaded : ndarray of bool, shape (n_inverters,)
        Inverters that get a shade picture.
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy behind it. [kWh]
    left : Left
        For the meter's rows.
    first : Posterior, optional
        Of an earlier fit, from whose dirt each inverter, and what each rain left, may depart.
    wash : Wash, optional
        How rain washes, if an earlier fit has found it.
    layer : bool
        Whether there may be a layer of dirt that rain leaves.
    n_draws : int
        Fewer where the misfit alone is asked for.
    """
    blocks, shape = evidence.blocks, ratio.shape
    logged = bool(np.isfinite(ratio).any())
    fixed = _fixed_columns(evidence, faults)
    if first is not None and logged:
        fixed += own_share_columns(blocks, first.loss("soiling", *shape))
    trust = np.repeat(_trust(blocks, shaded)[:, None], blocks.n, axis=1)
    if first is not None and logged:
        trust *= _alike(blocks, ratio + _all_known(first, shape), weight)[:, blocks.day]
    if wash is None:
        wash = _search_wash(evidence, fixed, ratio, weight * trust) if logged else _wash_by_meter(evidence, fixed, left)
    states = [s for s in soiling_states(blocks, evidence.data, wash) if layer or s.rare is None]
    if first is not None:
        states += rain_states(blocks, evidence.data, wash, loose_dust(states, first.sizes("soiling")))
    dirt = soiling_columns(blocks, states)
    columns = [*fixed, *dirt, *shading_columns(blocks, shaded, first, faults)]
    design = design_matrix(columns, *shape)
    other = [
        *light_rows(blocks, columns, evidence.data, evidence.rounds),
        *drift_rows(columns, evidence.drift),
        *round_rows(blocks, columns, evidence.rounds, evidence.findings),
        *witness_rows(blocks, columns, evidence.rounds, evidence.findings),
        *alike_rows(columns),
    ]
    yearly = None
    if logged:
        rows = [*log_rows(blocks, design, ratio, weight, trust), *other]
        if full_years(blocks):
            first = solve(columns, rows, 1, evidence.rng, _SEARCH_ROUNDS)
            own, yearly = own_rate_rows(columns, _by_day(rows), first.estimate, evidence.rng)
            rows += own
        return Fitted(solve(columns, rows, n_draws, evidence.rng), wash, yearly)
    near = np.array([c.mean for c in columns])
    for _ in range(_METER_STEPS):
        meter = meter_rows(blocks, design, evidence.data.meter, left.share, left.doubt, near)
        own, yearly = own_rate_rows(columns, meter[0], near, evidence.rng) if meter and full_years(blocks) else ([], None)
        posterior = solve(columns, [*meter, *other, *own], n_draws, evidence.rng)
        near = posterior.estimate
    return Fitted(posterior, wash, yearly)


def _trust(blocks: Blocks, shaded: np.ndarray) -> np.ndarray:
    """
    How much each inverter counts in the mean of the hour and the day, shape (n_inverters,).

    Where some are shaded, the others carry what all share. Where an in-plane sensor is all there is, those in its plane do: light
    that is turned over from it to another plane is off by some per cent for weeks.
    """
    trust = np.where(shaded & ~shaded.all(), _LEAST_TRUST, 1.0)
    table = blocks.model.weather.table
    if "poa_global" in table and "ghi" not in table:
        in_plane = blocks.model.plane_share[reference_array(blocks.model.site).id]
        trust = trust * np.maximum(in_plane, _LEAST_TRUST)
    return trust


def _alike(blocks: Blocks, rest: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    How much each inverter's days count in the mean of the hour and the day, shape (n_inverters, n_days).

    What one lacks for weeks that its peers do not, and that no unknown of the earlier fit takes, is its own: in the mean it would
    become dirt or age of all. `rest` is what that fit leaves of ln(measured / expected).
    """
    daily = own_days(blocks, rest, weight)
    apart = pd.DataFrame((daily - over_known(np.nanmedian, daily, axis=0)).T)
    usual = apart.rolling(_DAYS_APART, center=True, min_periods=1).median().to_numpy().T
    return np.asarray(1.0 / (1.0 + (np.nan_to_num(usual) / _APART) ** 2))


def _by_day(rows: list[Rows]) -> Rows:
    return next(r for r in rows if r.day is not None)


def dc_left(posterior: Posterior, shape: tuple[int, int]) -> np.ndarray:
    """What all unknowns together leave of the DC power by block, shape (n_inverters, n_blocks)."""
    return np.exp(-_all_known(posterior, shape))


def _all_known(posterior: Posterior, shape: tuple[int, int]) -> np.ndarray:
    """-ln of what all unknowns together leave of each block."""
    return np.asarray(sum(posterior.loss(c, *shape) for c in (*DC_CAUSES, "level", "inverter_efficiency")))


def _fixed_columns(evidence: EvidenceAtHand, faults: list[Fault]) -> list[Column]:
    """Columns that do not depend on how rain washes nor on where shade is."""
    blocks = evidence.blocks
    columns = [
        *level_columns(blocks, evidence.drift is not None and evidence.drift.counts, evidence.sensor_doubt),
        *degradation_columns(blocks, full_years(blocks)),
        *line_columns(blocks),
        *clock_columns(blocks, evidence.clocks, evidence.log is not None),
        *fault_columns(blocks, faults),
        *efficiency_columns(blocks, evidence.log, faults),
        *untested_columns(blocks, evidence.findings, evidence.log is not None),
        *round_columns(blocks, evidence.rounds),
        *witness_columns(blocks, evidence.rounds),
    ]
    if evidence.log is not None and light_from_service(blocks.model):
        columns += spell_columns(blocks)
    if evidence.log is None:
        columns += clamp_columns(blocks, evidence.clamps, evidence.rounds)
        columns += round_shade_columns(blocks, evidence.rounds, evidence.findings, evidence.data.events)
        columns += common_shade_columns(blocks)
    return columns


def _search_wash(evidence: EvidenceAtHand, fixed: list[Column], ratio: np.ndarray, weight: np.ndarray) -> Wash:
    """How rain washes, by the fit of the days alone: it shows in nothing faster, and they are few."""
    blocks, shape = evidence.blocks, ratio.shape
    if np.isnan(blocks.rain).all():
        return WASH_UNKNOWN  # by which the rain was read off the output
    slow = _slow(fixed)
    operator = day_weights(blocks, weight)
    slow_days = (operator @ design_matrix(slow, *shape)).toarray()
    values = operator @ np.nan_to_num(ratio.ravel())
    energy = np.bincount(blocks.day, weights=weight.sum(axis=0), minlength=len(blocks.dates))
    inverter = np.repeat(np.arange(shape[0]), shape[1])
    pick = sparse.csr_matrix((np.ones(ratio.size), (np.arange(ratio.size), inverter)))
    share = (operator @ pick).toarray().T

    def rows(states: list[State]) -> Rows:
        by_day = np.stack([(share * s.values).sum(axis=0) for s in states], axis=1)
        return day_rows(np.hstack([slow_days, by_day]), values, energy)

    return _least_misfit(evidence, slow, rows)


def _wash_by_meter(evidence: EvidenceAtHand, fixed: list[Column], left: Left) -> Wash:
    """How rain washes, by the meter's periods: a season's dirt shows in them, though no single rain does."""
    blocks, shape = evidence.blocks, left.share.shape
    slow = _slow(fixed)
    n_days = len(blocks.dates)
    where = (np.arange(shape[0])[:, None] * n_days + blocks.day[None, :]).ravel()
    of_day = sparse.csr_matrix((np.ones(len(where)), (np.arange(len(where)), where)), shape=(len(where), shape[0] * n_days))

    def by_period(design: sparse.csr_matrix) -> list[Rows]:
        return meter_rows(blocks, design, evidence.data.meter, left.share, left.doubt, np.zeros(design.shape[1]))

    periods = by_period(of_day)
    if not periods:
        return WASH_UNKNOWN
    (of_days,), (of_slow,) = periods, by_period(design_matrix(slow, *shape))

    def rows(states: list[State]) -> Rows:
        dirt = of_days.design @ np.stack([s.values.ravel() for s in states], axis=1)
        return replace(of_slow, design=sparse.hstack([of_slow.design, sparse.csr_matrix(dirt)]).tocsr())

    return _least_misfit(evidence, slow, rows)


def _slow(fixed: list[Column]) -> list[Column]:
    """What changes over seasons and not over hours."""
    return [c for c in fixed if c.cause != "round" and not c.name.startswith("sun cell")]


def _least_misfit(evidence: EvidenceAtHand, slow: list[Column], rows: Callable[[list[State]], Rows]) -> Wash:
    """The wash with which the slow unknowns and the dirt fit best, by `rows` of the states of a wash."""
    blocks = evidence.blocks

    def misfit(wash: Wash) -> float:
        states = soiling_states(blocks, evidence.data, wash)
        columns = slow + soiling_columns(blocks, states)
        return solve(columns, [rows(states), *alike_rows(columns)], 1, evidence.rng, _SEARCH_ROUNDS).misfit

    return choose_wash(blocks, misfit)
