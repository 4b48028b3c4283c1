"""
Promises kept: what jobs were measured to win back over what was promised, by cause and by contractor.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.stats import norm

from yieldwatch.book.facts import Job
from yieldwatch.book.states import promised_kwh

#: What is held of the ratio of proven to promised before any job is measured: promises hold on average, and two thirds of the
#: ways of promising lie within a third of that. Common practice, no source.
PRIOR_MEAN, PRIOR_SD = 1.0, 0.35
#: Scale of the half-normal prior on how far causes, contractors and single jobs differ. Common practice, no source; its shape as
#: in Gelman, Bayesian Analysis 1 (2006) 515, which lets groups be alike and does not force them to be.
SPREAD_SCALE = 0.3
#: Spreads over which the posterior is summed.
_SPREADS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.45, 0.65, 0.9)
#: No energy is measured better than this, as a fraction. Common practice, no source.
_LEAST_SD = 0.01
#: Half the width of a 90 % interval in standard deviations.
_HALF_90 = float(norm.ppf(0.95))


class Correction(NamedTuple):
    """Factor on later promises with its 90 % interval, and the number of measured jobs of that cause or contractor."""

    factor: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class Kept:
    """
    One job whose promise was put to the test.

    Attributes
    ----------
    ref : int
    cause : str
    contractor : str or None
    promised_kwh, proven_kwh : float
        For the same days, the promise without the factor of earlier ones: a factor that works would else undo itself. [kWh]
    ratio, sd : float
        Proven over promised, and its standard deviation from both intervals.
    """

    ref: int
    cause: str
    contractor: str | None
    promised_kwh: float
    proven_kwh: float
    ratio: float
    sd: float


class Promises:
    """
    The ledger of promised against proven.

    Parameters
    ----------
    jobs : iterable of Job
        Those that were done and have a verdict count.

    Attributes
    ----------
    kept : tuple of Kept
    left_out : tuple of int
        Jobs with a verdict that cannot be held against a promise: none was kept, none for the days measured, or none above nil.

    Notes
    -----
    ratio = mean + cause + contractor + job + error, each normal about nil but the mean, which is about 1. The error's spread
    comes from the intervals of verdict and promise; those of causes, contractors and jobs are not known and are summed over. So
    few jobs move a factor little, and a cause never seen gets what all jobs say. The interval is of the mean of later jobs, not
    of one.
    """

    def __init__(self, jobs: Iterable[Job]):
        judged = [job for job in jobs if job.verdict_kwh is not None]
        entries = [(job, _entry(job)) for job in judged]
        self.kept = tuple(entry for _, entry in entries if entry)
        self.left_out = tuple(job.ref for job, entry in entries if not entry)
        self._ratios = np.array([k.ratio for k in self.kept])
        self._variances = np.array([k.sd**2 for k in self.kept])
        self._same_cause = _same([k.cause for k in self.kept])
        self._same_contractor = _same([_plain(k.contractor) for k in self.kept])
        self._weights = self._weigh()

    def correction(self, cause: str | None = None, contractor: str | None = None) -> Correction:
        """
        Return the factor by which to multiply the promise of a later job.

        Parameters
        ----------
        cause : str, optional
            None for any cause.
        contractor : str, optional
            None where it is not known who will do it.

        Returns
        -------
        Correction
        """
        of_cause = np.array([k.cause == cause and cause is not None for k in self.kept], dtype=float)
        of_contractor = np.array([
            _plain(k.contractor) == _plain(contractor) and contractor is not None for k in self.kept], dtype=float)
        means, variances = np.array([
            self._ahead(spreads, of_cause, of_contractor) for spreads in _grid()]).T
        mean = float(self._weights @ means)
        sd = math.sqrt(float(self._weights @ (variances + (means - mean) ** 2)))
        n = int(np.sum((of_cause + of_contractor) > 0)) if cause or contractor else len(self.kept)
        return Correction(mean, mean - _HALF_90 * sd, mean + _HALF_90 * sd, n)

    def _covariance(self, spreads: tuple[float, float, float]) -> np.ndarray:
        cause, contractor, job = spreads
        return (PRIOR_SD**2 + cause**2 * self._same_cause + contractor**2 * self._same_contractor
                + np.diag(job**2 + self._variances))

    def _weigh(self) -> np.ndarray:
        """Posterior weight of each combination of spreads, shape (n_grid,)."""
        logs = []
        off = self._ratios - PRIOR_MEAN
        for spreads in _grid():
            covariance = self._covariance(spreads)
            fit = off @ np.linalg.solve(covariance, off) + np.linalg.slogdet(covariance)[1]
            logs.append(-0.5 * fit - 0.5 * sum((s / SPREAD_SCALE) ** 2 for s in spreads))
        # The grid is uneven: each combination stands for the cell about it.
        borders = np.concatenate([_SPREADS[:1], np.convolve(_SPREADS, [0.5, 0.5], "valid"), _SPREADS[-1:]])
        cells = np.prod(list(itertools.product(np.diff(borders), repeat=3)), axis=1)
        weights = np.exp(np.array(logs) - max(logs)) * cells
        return weights / weights.sum()

    def _ahead(self, spreads: tuple[float, float, float], of_cause: np.ndarray, of_contractor: np.ndarray) -> tuple[float, float]:
        """Mean and variance of mean + cause + contractor of a job to come, given the spreads."""
        prior = PRIOR_SD**2 + spreads[0] ** 2 + spreads[1] ** 2
        shared = PRIOR_SD**2 + spreads[0] ** 2 * of_cause + spreads[1] ** 2 * of_contractor
        pull = np.linalg.solve(self._covariance(spreads), shared)
        return PRIOR_MEAN + float(pull @ (self._ratios - PRIOR_MEAN)), max(prior - float(pull @ shared), 0.0)


def _entry(job: Job) -> Kept | None:
    promised, low, high = promised_kwh(job), job.verdict_low_kwh, job.verdict_high_kwh
    if job.verdict_kwh is None or low is None or high is None or promised is None or promised <= 0:
        return None
    promised /= job.agreed_factor or 1.0
    sd = (high - low) / (2 * _HALF_90)
    return Kept(job.ref, job.cause, job.contractor, promised, job.verdict_kwh, job.verdict_kwh / promised,
                max(math.hypot(sd / promised, _promise_sd(job)), _LEAST_SD))


def _promise_sd(job: Job) -> float:
    """Standard deviation of the promise over the promise itself."""
    low, gain, high = job.agreed_low_kwh_per_year, job.agreed_kwh_per_year, job.agreed_high_kwh_per_year
    if low is None or high is None or not gain or gain <= 0:
        return 0.0
    return (high - low) / (2 * _HALF_90) / gain


def _plain(name: str | None) -> str | None:
    """A contractor's name without what hands write differently: capitals and blanks."""
    return None if name is None else " ".join(name.casefold().split())


def _same(names: Sequence[str | None]) -> np.ndarray:
    """1 where two jobs share a name, shape (n, n); a job without one shares it with itself alone."""
    keys = np.array([f"{i}" if name is None else f"={name}" for i, name in enumerate(names)], dtype=object)
    return (keys[:, None] == keys[None, :]).astype(float)


def _grid() -> list[tuple[float, float, float]]:
    return [(a, b, c) for a in _SPREADS for b in _SPREADS for c in _SPREADS]
