"""
What of the output held down was a limit left on by mistake, which somebody can lift.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.constants import IN_HAND
from yieldwatch.gap.results import SiteGap


def left_on_kwh(intervals: pd.DataFrame) -> np.ndarray:
    """Of each row of `SiteGap.intervals`, the output held down that no instruction held. [kWh] NaN where not assessed."""
    held, instructed = (intervals[c].to_numpy(dtype=float) for c in ("curtailment", "instructed_kwh"))
    return held - instructed


def left_on_share(gap: SiteGap, timezone: str) -> pd.Series:
    """
    Of each month's output held down, the share that no instruction held.

    Returns
    -------
    Series, index month
        0 to 1; 0 where nothing was held down or it was not assessed.
    """
    if gap.intervals.empty or "curtailment" not in gap.intervals:
        return pd.Series(dtype=float)
    month = pd.DatetimeIndex(gap.intervals.index).tz_convert(timezone).strftime("%Y-%m")
    found = pd.DataFrame({"held": gap.intervals["curtailment"].to_numpy(dtype=float), "left": left_on_kwh(gap.intervals)})
    sums = found.groupby(month).sum()
    return (sums["left"] / sums["held"].where(sums["held"] > 0)).fillna(0.0).clip(0.0, 1.0)


def with_in_hand(losses: pd.DataFrame, share: pd.Series, left_on_money: pd.Series) -> pd.DataFrame:
    """
    Say of each row of losses how much of it was in the owner's hands.

    Parameters
    ----------
    losses : DataFrame
        With `energy_kwh` and `revenue_lost`.
    share : Series, index month
        Of `left_on_share`.
    left_on_money : Series, index month
        What the limits left on cost; a month that is not there has none. [money]

    Returns
    -------
    DataFrame
        The same with in_hand_kwh and in_hand_revenue_lost: the whole row where a crew can act on the cause, of output held down
        what no instruction held, else nil. NaN where the row is.
    """
    whole = losses["cause"].isin(IN_HAND)
    held = losses["cause"] == "curtailment"
    part = np.where(held, losses["month"].map(share).fillna(0.0), whole.astype(float))
    energy, money = losses["energy_kwh"] * part, losses["revenue_lost"] * whole
    left = held & (part > 0.0)
    money = money.where(~left, losses["month"].map(left_on_money).where(losses["revenue_lost"].notna()))
    return losses.assign(in_hand_kwh=energy, in_hand_revenue_lost=money.where(losses["revenue_lost"].notna()))
