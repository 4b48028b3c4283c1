"""
Present value, rate of return and payback of a row of payments.

Payments come at the end of each period, the first of `npv` and `irr` at once. Rates are nominal, per
period; `monthly_rate` turns a yearly one into one a month.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.optimize import brentq

#: Months after which a payback counts as never: a farm's life. Common practice, no source.
LONGEST_PAYBACK_MONTHS = 480
#: Share of the first year's return that the last year must still reach for it to go on after the
#: forecast. Ageing takes a per cent or two in three years; regrowth and dust take nearly all.
_STILL_RETURNING = 0.9


class SeveralRatesWarning(UserWarning):
    """The payments change sign more than once, so more than one rate of return may solve them."""


def monthly_rate(rate_per_year: float) -> float:
    """The rate per month that compounds to a yearly one."""
    return (1.0 + rate_per_year) ** (1.0 / 12.0) - 1.0


def npv(flows: np.ndarray, rate: float) -> np.ndarray:
    """
    Net present value.

    Parameters
    ----------
    flows : ndarray, shape (..., n_periods)
        Money in (positive) and out (negative), the first at once. NaN makes the value NaN. [money]
    rate : float
        Per period, above -1. [fraction]

    Returns
    -------
    ndarray, shape (...)
        [money]
    """
    flows = np.asarray(flows, dtype=float)
    return (flows * (1.0 + rate) ** -np.arange(flows.shape[-1])).sum(axis=-1)


def irr(flows: np.ndarray) -> float:
    """
    Rate per period at which the payments are worth nothing in all.

    Parameters
    ----------
    flows : ndarray, shape (n_periods,)
        [money]

    Returns
    -------
    float
        The root nearest to zero, per period; NaN where there is none or a payment is NaN.

    Warns
    -----
    SeveralRatesWarning
        If the payments change sign more than once: by Descartes' rule more than one rate may solve
        them, and the present value at the owner's own rate is the better measure.
    """
    flows = np.asarray(flows, dtype=float)
    signs = np.sign(flows[flows != 0])
    changes = int((np.diff(signs) != 0).sum())
    if np.isnan(flows).any() or changes == 0:
        return float("nan")
    if changes > 1:
        warnings.warn(
            f"the payments change sign {changes} times, so several rates of return may solve them. "
            "Judge by the net present value.", SeveralRatesWarning, stacklevel=2,
        )
    # Scanned over the growth factor's logarithm: polynomial roots lose their digits beyond 100 periods.
    # Its reach keeps the largest power, and so the value, within what a float holds.
    reach = min(3.0, 600.0 / len(flows))
    growth = np.concatenate([np.linspace(-reach, reach, 61), np.linspace(-0.5, 0.5, 801).clip(-reach, reach)])
    growth = np.unique(growth)
    sign = np.sign([npv(flows, np.expm1(g)) for g in growth])
    brackets = np.flatnonzero(sign[:-1] * sign[1:] <= 0)
    if not len(brackets):
        return float("nan")
    roots = [
        np.expm1(brentq(lambda g: float(npv(flows, np.expm1(g))), growth[k], growth[k + 1], xtol=1e-13))
        for k in brackets
    ]
    return float(min(roots, key=abs))


def capital_recovery_factor(rate: float, periods: float) -> float:
    """
    Level payment per period that repays one unit of money.

    Parameters
    ----------
    rate : float
        Per period. [fraction]
    periods : float
        How many, > 0.

    Returns
    -------
    float
        r / (1 - (1 + r)^-n), or 1 / n at a rate of nil.
    """
    return 1.0 / periods if rate == 0 else rate / -np.expm1(-periods * np.log1p(rate))


def discounted_payback(cost: float, flows: np.ndarray, rate: float) -> float:
    """
    Periods until the discounted returns have paid the cost.

    Parameters
    ----------
    cost : float
        Paid at once. [money]
    flows : ndarray, shape (n_periods,)
        Return of each period, at its end. [money]
    rate : float
        Per period. [fraction]

    Returns
    -------
    float
        inf where the flows end before; NaN where a value is NaN. Within a period the return is taken
        to come as a level stream of the same present value, so level flows give the closed form
        -ln(1 - cost r / flow) / ln(1 + r).
    """
    flows = np.asarray(flows, dtype=float)
    if np.isnan(cost) or np.isnan(flows).any():
        return float("nan")
    if cost <= 0:
        return 0.0
    present = flows * (1.0 + rate) ** -np.arange(1, len(flows) + 1)
    total = present.cumsum()
    paid = np.flatnonzero(total >= cost)
    if not len(paid):
        return float("inf")
    k = int(paid[0])
    part = (cost - (total[k] - present[k])) / present[k]
    if rate != 0:
        part = -np.log1p(-part * rate / (1.0 + rate)) / np.log1p(rate)
    return float(k + part)


def payback_months(cost: float, monthly: np.ndarray) -> np.ndarray:
    """
    Months until the returns have paid the cost, simple (not discounted), seasons and fading seen.

    Parameters
    ----------
    cost : float
        Paid at once. [money]
    monthly : ndarray, shape (n_draws, n_months)
        Return of each month. [money]

    Returns
    -------
    ndarray, shape (n_draws,)
        inf where it never comes; NaN where a value is NaN. Beyond the forecast the last twelve
        months are taken to come again, but only where they still return nearly what the first
        twelve did; a return that fades does not go on. Beyond `LONGEST_PAYBACK_MONTHS` is never.
    """
    monthly = np.atleast_2d(np.asarray(monthly, dtype=float))
    if np.isnan(cost):
        return np.full(len(monthly), np.nan)
    months = _crossing(np.full(len(monthly), cost), monthly)
    if monthly.shape[1] >= 12:
        last = monthly[:, -12:]
        year = last.sum(axis=1)
        longer = np.isinf(months) & goes_on(monthly)
        left = cost - monthly[longer].sum(axis=1)
        # One whole year less than fits, so that the season of the last one is walked through.
        whole = np.maximum(np.ceil(left / year[longer]) - 1, 0)
        rest = _crossing(left - whole * year[longer], last[longer])
        months[longer] = monthly.shape[1] + 12 * whole + rest
    months[months > LONGEST_PAYBACK_MONTHS] = np.inf
    return np.where(np.isnan(monthly).any(axis=1), np.nan, months)


def goes_on(monthly: np.ndarray) -> np.ndarray:
    """Whether returns of 12 months or more, shape (..., n_months), still come to nearly as much a year in the end as at first."""
    year = monthly[..., -12:].sum(axis=-1)
    return (year > 0) & (year >= _STILL_RETURNING * monthly[..., :12].sum(axis=-1))


def _crossing(cost: np.ndarray, flows: np.ndarray) -> np.ndarray:
    """Periods (with a fraction) until each row's running sum reaches its cost; inf where it does not."""
    total = flows.cumsum(axis=1)
    reached = total >= cost[:, None]
    k = reached.argmax(axis=1)
    row = np.arange(len(flows))
    before = total[row, k] - flows[row, k]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (cost - before) / flows[row, k]
    months = np.where(reached.any(axis=1), k + part, np.inf)
    return np.where(cost <= 0, 0.0, months)
