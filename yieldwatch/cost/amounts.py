"""
Sums of money as text, no finer than they are known.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

#: Below this a whole number of units says too little of a sum. Common practice, no source.
_SMALL = 10.0
#: A 90 % interval as wide as this leaves cents without a meaning. Common practice, no source.
_WIDE = 1.0
#: From here on a number has more digits before its point than a float knows: only a wrong price or size makes such a sum.
MOST_DIGITS = 1e15


def money_decimals(amount: float, low: float = math.nan, high: float = math.nan) -> int:
    """
    Decimals of a sum of money, and of the bounds beside it.

    Parameters
    ----------
    amount : float
    low, high : float
        Its interval, NaN for what was read or set and not estimated. [money]

    Returns
    -------
    int
        2 below ten, so that small sums do not vanish, but not where the interval is wider than the cents could tell; else 0.
    """
    return 2 if 0.0 < round(abs(amount), 2) < _SMALL and not high - low >= _WIDE else 0


def money(amount: float, currency: str, low: float = math.nan, high: float = math.nan) -> str:
    """An amount with its currency; `low` and `high` as of `money_decimals`."""
    if not math.isfinite(amount):
        return "not known"
    if abs(amount) >= MOST_DIGITS:
        return f"{'−' if amount < 0 else ''}{currency} {abs(amount):.2e}"
    # A half goes up, of the 15 figures that spreadsheets hold, as in tables.
    digits = Decimal(1).scaleb(-money_decimals(amount, low, high))
    shown = Decimal(f"{amount:.15g}").quantize(digits, ROUND_HALF_UP)
    return f"{'−' if shown < 0 else ''}{currency} {abs(shown):,f}"
