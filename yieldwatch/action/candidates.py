"""
From what is wrong at a site to jobs that would mend it, each with what it returns in the coming months.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Outlook
from yieldwatch.action.remedies.claims import claims
from yieldwatch.action.remedies.clean import clean
from yieldwatch.action.remedies.danger import hot_connectors, over_voltage
from yieldwatch.action.remedies.inverters import fix_settings, repair_conversion, stop_wet_trips
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.remedies.since_last_look import broken_since_last_look
from yieldwatch.action.remedies.strings import repair_strings, unseen_parts
from yieldwatch.action.remedies.vegetation import cut_vegetation
from yieldwatch.cost.outlook import price_outlook
from yieldwatch.errors import NotEnoughData
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.portfolio.model import Portfolio, Site

#: One row a way to look for jobs. A new one is a function in `remedies`, a row here, and a test; a new kind of job
#: also has its word in `constants.JOB_KINDS` and its cautions in `cautions`.
REMEDIES: tuple[Callable[[Look], list[Candidate]], ...] = (
    clean,
    cut_vegetation,
    repair_strings,
    unseen_parts,
    broken_since_last_look,
    repair_conversion,
    fix_settings,
    stop_wet_trips,
    hot_connectors,
    over_voltage,
    claims,
)
#: Days back in which a recorded cut explains why there is less shade than the year before.
_CUT_SHOWS = pd.Timedelta(days=730)


def candidates(
    portfolio: Portfolio, site: Site, data: SiteData, state: SiteState, findings: pd.DataFrame, as_of: dt.date,
    owed: Sequence[dict[str, object]] = (), clamps: pd.DataFrame | None = None,
) -> tuple[list[Candidate], tuple[str, ...]]:
    """
    Jobs that would win back something at a site.

    Parameters
    ----------
    portfolio : Portfolio
        For its horizon and currency.
    site : Site
    data : SiteData
    state : SiteState
        From `yieldwatch.gap.attribute.infer_state`.
    findings : DataFrame
        From `yieldwatch.gap.findings.string_findings`.
    as_of : date
        First day of the coming months; the jobs are judged as if done on it.
    owed : sequence of dict
        What others owe, from `yieldwatch.action.who_pays.owed`.
    clamps : DataFrame, optional
        From `yieldwatch.gap.clamps.check_clamps`.

    Returns
    -------
    list of Candidate
        Gains over the horizon, 12 months or more, in the weather of the site's own past years. Safety
        inspections return nothing by themselves. Ageing, single outages and instructed curtailment have no job.
    notices : tuple of str
        What was assumed, in whole sentences.
    """
    months = max(12, portfolio.horizon_months)
    cuts = data.events[data.events["kind"] == "vegetation_cut"] if len(data.events) else data.events
    lately = bool(len(cuts)) and bool((cuts["start"] > pd.Timestamp(as_of, tz=site.timezone) - _CUT_SHOWS).any())
    try:
        outlook = Outlook(state, as_of, months, regrowing=lately)
    except NotEnoughData as err:
        return [], (f"No jobs for {err}",)
    prices, notices = price_outlook(site, data, as_of, months, outlook.generation())
    look = Look(site, data, state, findings, outlook, prices, np.random.default_rng(3), as_of, owed, clamps,
                portfolio.currency)
    found = [job for remedy in REMEDIES for job in remedy(look)]
    return found, (*outlook.notices, *notices, *look.notices)
