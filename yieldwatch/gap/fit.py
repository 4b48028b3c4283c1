"""
One fit: the columns of all mechanisms against all the evidence at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.evidence import meter_rows, round_columns, round_rows
from yieldwatch.gap.infer import Posterior, Rows, day_rows, day_weights, design_matrix, log_rows, solve
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.degradation import degradation_columns
from yieldwatch.gap.mechanisms.inverter_efficiency import clamp_columns, efficiency_columns
from yieldwatch.gap.mechanisms.level import level_columns
from yieldwatch.gap.mechanisms.shading import shading_columns
from yieldwatch.gap.mechanisms.soiling import (
    WASH_UNKNOWN,
    Wash,
    alike_rows,
    choose_wash,
    own_share_columns,
    soiling_columns,
    soiling_states,
)
from yieldwatch.gap.mechanisms.string_fault import Fault, fault_columns

N_DRAWS = 400
#: Weight of a shaded inverter in the mean of the hour, beside one in the open.
_SHADED_TRUST = 0.02
#: Reweighting rounds while the wash is searched for; the last fit takes the usual number.
_SEARCH_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class EvidenceAtHand:
    """A site's evidence; `clamps` only where there is no log, which says the same better."""

    data: SiteData
    rounds: pd.DataFrame
    findings: pd.DataFrame
    clamps: pd.DataFrame | None
    blocks: Blocks
    log: InverterLog | None
    rng: np.random.Generator


def fit(
    evidence: EvidenceAtHand,
    faults: list[Fault],
    shaded: np.ndarray,
    ratio: np.ndarray,
    weight: np.ndarray,
    running: np.ndarray,
    common: np.ndarray | None,
    wash: Wash | None = None,
) -> tuple[Posterior, Wash]:
    """
    Fit all unknowns.

    Parameters
    ----------
    shaded : ndarray of bool, shape (n_inverters,)
        Inverters that get a shade picture.
    ratio, weight : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable, and the expected energy behind it. [kWh]
    running : ndarray, same shape
        Share of the expected energy that known outages left.
    common : ndarray, same shape, or None
        Soiling of an earlier fit, from which each inverter may depart.
    wash : Wash, optional
        How rain washes, if an earlier fit has found it.
    """
    blocks, shape = evidence.blocks, ratio.shape
    logged = bool(np.isfinite(ratio).any())
    fixed = _fixed_columns(evidence, faults)
    if common is not None and logged:
        fixed += own_share_columns(blocks, common)
    # Where some are shaded, the others carry what all share.
    trust = np.where(shaded & ~shaded.all(), _SHADED_TRUST, 1.0)
    if wash is None:
        wash = _search_wash(evidence, fixed, ratio, weight * trust[:, None]) if logged else WASH_UNKNOWN
    columns = [*fixed, *soiling_columns(blocks, soiling_states(blocks, evidence.data, wash)), *shading_columns(blocks, shaded)]
    design = design_matrix(columns, *shape)
    rows: list[Rows] = (
        log_rows(blocks, design, ratio, weight, trust) if logged else meter_rows(blocks, design, evidence.data.meter, running)
    )
    rows += [*round_rows(blocks, columns, evidence.rounds, evidence.findings), *alike_rows(columns)]
    return solve(columns, rows, N_DRAWS, evidence.rng), wash


def _fixed_columns(evidence: EvidenceAtHand, faults: list[Fault]) -> list[Column]:
    """Columns that do not depend on how rain washes nor on where shade is."""
    blocks = evidence.blocks
    columns = [
        *level_columns(blocks, evidence.data.power is None),
        *degradation_columns(blocks),
        *fault_columns(blocks, faults),
        *efficiency_columns(blocks, evidence.log),
        *round_columns(blocks, evidence.rounds),
    ]
    if evidence.clamps is not None:
        columns += clamp_columns(blocks, evidence.clamps)
    return columns


def _search_wash(evidence: EvidenceAtHand, fixed: list[Column], ratio: np.ndarray, weight: np.ndarray) -> Wash:
    """How rain washes, by the fit of the days alone: it shows in nothing faster, and they are few."""
    blocks, shape = evidence.blocks, ratio.shape
    slow = [c for c in fixed if c.cause != "round" and not c.name.startswith("sun cell")]
    operator = day_weights(blocks, weight)
    slow_days = (operator @ design_matrix(slow, *shape)).toarray()
    values = operator @ np.nan_to_num(ratio.ravel())
    energy = np.bincount(blocks.day, weights=weight.sum(axis=0), minlength=len(blocks.dates))
    inverter = np.repeat(np.arange(shape[0]), shape[1])
    pick = sparse.csr_matrix((np.ones(ratio.size), (np.arange(ratio.size), inverter)))
    share = (operator @ pick).toarray().T

    def misfit(wash: Wash) -> float:
        states = soiling_states(blocks, evidence.data, wash)
        columns = slow + soiling_columns(blocks, states)
        by_day = np.stack([(share * s.values).sum(axis=0) for s in states], axis=1)
        rows = [day_rows(np.hstack([slow_days, by_day]), values, energy), *alike_rows(columns)]
        return solve(columns, rows, 1, evidence.rng, _SEARCH_ROUNDS).misfit

    return choose_wash(blocks, misfit)
