"""
Promised against proven: the ledger as a table, its record in the job book, and what it does to the next promises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from yieldwatch.action.candidate import Candidate
from yieldwatch.book.facts import Verdict
from yieldwatch.book.promises import Correction, Promises

#: Standard deviations at either end of a 90 % interval.
_HALF_90 = 1.645
COLUMNS = ("of", "name", "jobs", "promised_kwh", "proven_kwh", "factor", "factor_low", "factor_high")


def measured_verdicts(table: pd.DataFrame) -> dict[int, Verdict]:
    """The verdicts of a proof table by the job's number in the book; jobs of which nothing was measured have none."""
    told = table[table["job_ref"].notna() & table["gain_kwh"].notna()]
    return {
        int(row["job_ref"]): Verdict(
            round(row["gain_kwh"], 3), round(row["gain_low_kwh"], 3), round(row["gain_high_kwh"], 3),
            float((row["measured_to"] - row["measured_from"]).days + 1), row["words"],
            None if pd.isna(row["promised_kwh"]) else round(row["promised_kwh"], 3))
        for row in told.to_dict("records")
    }


def ledger_table(promises: Promises) -> pd.DataFrame:
    """
    The ledger: all jobs, each cause and each contractor.

    Returns
    -------
    DataFrame
        of ("all", "cause" or "contractor"), name, jobs, promised_kwh and proven_kwh for the same days, and the factor on later
        promises with its 90 % interval. Without rows where no promise was put to the test.
    """
    kept = promises.kept
    causes = sorted({k.cause for k in kept})
    contractors = sorted({k.contractor for k in kept if k.contractor})
    rows = [("all", "", promises.correction(), kept)] if kept else []
    rows += [("cause", c, promises.correction(cause=c), tuple(k for k in kept if k.cause == c)) for c in causes]
    rows += [("contractor", c, promises.correction(contractor=c), tuple(k for k in kept if k.contractor == c))
             for c in contractors]
    return pd.DataFrame(
        [(of, name, len(of_it), sum(k.promised_kwh for k in of_it), sum(k.proven_kwh for k in of_it), *correction[:3])
         for of, name, correction, of_it in rows], columns=list(COLUMNS))


def corrected(candidates: Sequence[Candidate], promises: Promises) -> list[Candidate]:
    """
    The same jobs with their gains multiplied by what past promises of their cause came to.

    The factor is drawn anew for each draw of the gain, so that its doubt is in the interval too. Without a proven promise
    nothing changes; nor does a claim ever: what somebody owes is reckoned from the past, and no promise of work.
    """
    if not promises.kept:
        return list(candidates)
    factors = {cause: promises.correction(cause=cause) for cause in {c.cause for c in candidates}}
    return [c if c.job_kind == "claim" else
            _corrected(c, factors[c.cause], sum(k.cause == c.cause for k in promises.kept), len(promises.kept))
            for c in candidates]


def _corrected(job: Candidate, by: Correction, n_cause: int, n_all: int) -> Candidate:
    n_draws = np.atleast_2d(job.gain_kwh).shape[0]
    sd = (by.high - by.low) / (2 * _HALF_90)
    # Evenly spread quantiles in a mixed order: the mean of few draws is then the factor itself.
    order = np.random.default_rng(5).permutation(n_draws)
    at = norm.ppf((order + 0.5) / n_draws)
    draws = np.maximum(by.factor + sd * at, 0.0)[:, None]
    on = f"{n_cause} proven {'job' if n_cause == 1 else 'jobs'} of this cause" if n_cause else (
        f"{n_all} proven {'job' if n_all == 1 else 'jobs'} of other causes")
    why = (f"{job.why} By {on}, promises are multiplied by {by.factor:.2f} ({by.low:.2f} to {by.high:.2f}); the gain holds that "
           "factor.")
    return replace(job, gain_kwh=np.atleast_2d(job.gain_kwh) * draws, gain_value=np.atleast_2d(job.gain_value) * draws,
                   later=None if job.later is None else job.later * draws, why=why, promise_factor=round(by.factor, 3))
