"""
What a job is worth over its own life, and how sure that is.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.cost import finance
from yieldwatch.portfolio.model import Portfolio, Site

#: Work whose loss comes back, so that it is judged by benefit over cost and not by payback alone.
RECURRING = ("clean", "cut_vegetation")
#: Losses that do, whatever is done first.
COME_BACK = ("soiling", "shading")
#: Share of all that it returns after which the life of such work is over. Common practice, no source.
_SPENT = 0.95


def worth(portfolio: Portfolio, job: Candidate, cost: float, present: np.ndarray, as_of: dt.date) -> dict[str, float]:
    """
    Worth of one job.

    Parameters
    ----------
    portfolio : Portfolio
    job : Candidate
    cost : float
        With its share of the visit; NaN where it has none. [money]
    present : ndarray, shape (n_draws,)
        Present value of its returns over the horizon. [money]
    as_of : date

    Returns
    -------
    dict
        npv_low, npv_high : 90 % bounds of the net present value over the horizon. [money]
        life_months, gain_over_life : for how long it returns something, and the present value of that. For work that recurs,
        until 95 % of what the forecast holds has come; for what stays mended, until the planned end of the farm's life where
        the settings state one, and else as long as the forecast. [months, money]
        benefit_cost : gain over life over cost, for work that recurs; NaN for other work.
    """
    low, high = np.quantile(present, [0.05, 0.95]) - cost
    mean = np.atleast_2d(job.gain_value).mean(axis=0)
    rate = finance.monthly_rate(portfolio.discount_rate)
    if job.job_kind in RECURRING or job.cause in COME_BACK:
        total = mean.cumsum()
        months = float(np.argmax(total >= _SPENT * total[-1]) + 1) if total[-1] > 0 else np.nan
    else:
        site = next(s for s in portfolio.sites if s.id == job.site_id)
        months = float(max(_planned_months(site, as_of), len(mean)))
        if finance.goes_on(mean):
            mean = np.concatenate([mean, np.resize(mean[-12:], int(months) - len(mean))])
        else:
            months = float(len(mean))
    gain = float(finance.npv(np.r_[0.0, mean], rate))
    ratio = gain / cost if job.job_kind in RECURRING and cost > 0 else np.nan
    return {"npv_low": low, "npv_high": high, "life_months": months if gain > 0 else np.nan, "gain_over_life": gain,
            "benefit_cost": ratio}


def _planned_months(site: Site, as_of: dt.date) -> int:
    """Whole months to the planned end of the farm's life; nil where none is planned."""
    if site.plan is None or site.plan.life_years is None:
        return 0
    run = (as_of.year - site.commissioned.year) * 12 + as_of.month - site.commissioned.month
    return max(int(12 * site.plan.life_years) - run, 0)
