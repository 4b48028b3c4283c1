"""
What each job costs: its own units, and its part in a crew's visit to a site.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.constants import CREWS, JOB_KINDS, LOOKS, OFFICE, work_of
from yieldwatch.errors import InputError
from yieldwatch.portfolio.model import JobCost, Portfolio, Site


def job_id(candidate: Candidate) -> str:
    """An identifier that is the same in every run for the same site, kind, cause and scope."""
    what = f"{candidate.cause}|{' '.join(sorted(candidate.scope))}"
    return f"{candidate.site_id}-{candidate.job_kind}-{zlib.crc32(what.encode()):08x}"


def price_jobs(portfolio: Portfolio, candidates: Sequence[Candidate]) -> pd.DataFrame:
    """
    Cost and crew time of each job before it is known which jobs share a visit.

    Parameters
    ----------
    portfolio : Portfolio
        Each site's `job_costs` holds the portfolio's rows with the site's own in their place.
    candidates : sequence of Candidate

    Returns
    -------
    DataFrame, one row a candidate in the same order
        job_id, site_id, job_kind, crew; visit (a number for each site and crew); cost_units,
        cost_per_visit [money]; hours_units, hours_per_visit [h]; lead_days [d]; unpriced, why there
        is no cost (empty where there is). Costs and hours are NaN where there is none. Desk work costs its units alone: it
        has no visit, no crew time and no notice.

    Raises
    ------
    InputError
        If a candidate names a site or a kind of job that does not exist.
    """
    sites = {s.id: s for s in portfolio.sites}
    rows = [_price(c, sites) for c in candidates]
    columns = [
        "job_id", "site_id", "job_kind", "crew", "cost_units", "cost_per_visit", "hours_units",
        "hours_per_visit", "lead_days", "unpriced",
    ]
    jobs = pd.DataFrame(rows, columns=columns)
    _ride_along(jobs, candidates)
    jobs["visit"] = jobs.groupby(["site_id", "crew"]).ngroup()
    return jobs


def _ride_along(jobs: pd.DataFrame, candidates: Sequence[Candidate]) -> None:
    """
    Let a look at plants be done by electricians where they come anyway.

    It opens nothing, so it needs no licence and no visit of its own.
    """
    looks = np.array([work_of(c.job_kind, c.cause) == LOOKS["shading"] for c in candidates], dtype=bool)
    returns = np.array([np.atleast_2d(c.gain_value).sum(axis=1).mean() for c in candidates])
    comes = (jobs["crew"] == CREWS["repair_string"]) & (
        np.array([c.safety for c in candidates], dtype=bool) | (returns > jobs["cost_units"] + jobs["cost_per_visit"]))
    jobs.loc[looks & jobs["site_id"].isin(jobs.loc[comes, "site_id"]), "crew"] = CREWS["repair_string"]


def _price(candidate: Candidate, sites: dict[str, Site]) -> tuple:
    if candidate.site_id not in sites:
        raise InputError(
            f"job {candidate.job_kind}: site_id = {candidate.site_id}, not in the portfolio. "
            f"Expected one of {', '.join(sorted(sites))}."
        )
    if candidate.job_kind not in JOB_KINDS:
        raise InputError(
            f"job at {candidate.site_id}: job_kind = {candidate.job_kind}, not known. "
            f"Expected one of {', '.join(JOB_KINDS)}."
        )
    crew = CREWS[work_of(candidate.job_kind, candidate.cause)]
    head = (job_id(candidate), candidate.site_id, candidate.job_kind, crew)
    row = sites[candidate.site_id].job_costs.get(candidate.job_kind)
    units, reason = _units(candidate, row)
    if row is None or reason:
        return (*head, np.nan, np.nan, np.nan, np.nan, np.nan if row is None else row.lead_days, reason)
    if crew == OFFICE:
        return (*head, row.cost_per_unit * units, 0.0, 0.0, 0.0, 0.0, "")
    money = (row.cost_per_unit * units, row.cost_per_visit)
    return (*head, *money, row.crew_hours_per_unit * units, row.crew_hours_per_visit, row.lead_days, "")


def _units(candidate: Candidate, row: JobCost | None) -> tuple[float, str]:
    if row is None:
        return np.nan, f"job_costs.csv has no row for {candidate.job_kind}. Add its cost to have it ranked."
    units = candidate.units.get(row.unit, 1.0 if row.unit == "visit" else np.nan)
    if np.isnan(units):
        return units, (
            f"job_costs.csv prices {candidate.job_kind} by the {row.unit}, and how many it takes here is not "
            f"known (known: {', '.join(sorted(candidate.units)) or 'none'}). Price it by another unit, or "
            "complete site.toml."
        )
    return units, ""


def share_visits(
    jobs: pd.DataFrame, chosen: np.ndarray, safety: np.ndarray, surplus: np.ndarray
) -> pd.DataFrame:
    """
    Split what a crew's visit costs among the jobs that it is made for.

    Parameters
    ----------
    jobs : DataFrame
        From `price_jobs`.
    chosen, safety : ndarray of bool, shape (n_jobs,)
        Which jobs are to be done, and which of them whatever they return.
    surplus : ndarray, shape (n_jobs,)
        What each job returns beyond the cost of its own units. [money]

    Returns
    -------
    DataFrame, same rows
        cost : units and share of the visit for a chosen job; for another, what adding it to the list
        as it stands would cost. cost_alone : units and the whole visit. crew_hours, hours_alone : the
        same for crew time, the visit's hours split evenly. [money, h]

    Notes
    -----
    A visit costs the largest `cost_per_visit` among its jobs. Jobs done for safety carry it first, in
    equal parts, because the crew comes for them anyway. Of what is left, what only the dearest need is theirs, what the next
    dearest need too is theirs and these', and so on (Littlechild & Owen, Management Science 20 (1973) 370), each layer in
    proportion to what is left of the jobs' surplus: so no job costs more than alone, and none of a visit that pays is shown as
    one that does not. A job that needs no visit, as a letter, carries none.
    """
    visit, units = jobs["visit"].to_numpy(), jobs["cost_units"].to_numpy()
    fixed, hours = jobs["cost_per_visit"].to_numpy(), jobs["hours_per_visit"].to_numpy()
    must = chosen & safety & ~np.isnan(units)
    going, for_safety = _largest(visit, fixed, chosen), _largest(visit, fixed, must)
    even = np.where(must, 1.0 / np.maximum(_sum(visit, must), 1), 0.0)
    layers = _layers(visit, fixed, chosen & ~must & (fixed > 0.0), np.fmax(surplus, 0.0), for_safety)
    share = np.where(chosen, for_safety * even + layers, np.fmax(going, fixed) - going)
    crew = _largest(visit, hours, chosen)
    crew_share = np.where(chosen, crew / np.maximum(_sum(visit, chosen), 1), np.fmax(crew, hours) - crew)
    own_hours = jobs["hours_units"].to_numpy()
    return pd.DataFrame(
        {
            "cost": units + share,
            "cost_alone": units + fixed,
            "crew_hours": own_hours + crew_share,
            "hours_alone": own_hours + hours,
        },
        jobs.index,
    )


def _layers(visit: np.ndarray, fixed: np.ndarray, among: np.ndarray, surplus: np.ndarray, paid: np.ndarray) -> np.ndarray:
    """Each job's part of what its visit costs beyond what is `paid` already, layer by layer from the dearest down."""
    out = np.zeros(len(visit))
    for number in np.unique(visit[among]):
        jobs = np.flatnonzero(among & (visit == number))
        left, floor = surplus[jobs].copy(), paid[jobs[0]]
        levels = [*np.unique(fixed[jobs][fixed[jobs] > floor])[::-1], floor]
        for top, below in pairwise(levels):
            bears = fixed[jobs] >= top
            whole = left[bears].sum()
            part = (top - below) * (left[bears] / whole if whole > 0.0 else np.full(bears.sum(), 1.0 / bears.sum()))
            out[jobs[bears]] += part
            left[bears] = np.maximum(left[bears] - part, 0.0)
    return out


def _largest(visit: np.ndarray, values: np.ndarray, among: np.ndarray) -> np.ndarray:
    """Largest value of each job's visit among some jobs, nil where there are none."""
    top = np.zeros(visit.max(initial=-1) + 1)
    np.maximum.at(top, visit[among], np.nan_to_num(values[among]))
    return top[visit]


def _sum(visit: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.bincount(visit, weights=values.astype(float), minlength=visit.max(initial=-1) + 1)[visit]
