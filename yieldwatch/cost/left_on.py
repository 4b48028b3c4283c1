"""
What of the output held down was a limit left on by mistake, which somebody can lift.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from yieldwatch.constants import BEYOND, IN_HAND, LEFT_ON
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


def in_hand_rows(losses: pd.DataFrame) -> pd.DataFrame:
    """The rows of what was in the owner's hands; of output held down the limits left on, as the cause `LEFT_ON`."""
    left = [part for row in _held(losses) if (part := left_on_part(row))]
    return _with_rows(losses[losses["cause"].isin(IN_HAND)], left)


def beyond_rows(losses: pd.DataFrame) -> pd.DataFrame:
    """The rows of what no crew can mend; of output held down what an instruction held."""
    held = [part for row in _held(losses) if (part := instructed_part(row))]
    return _with_rows(losses[losses["cause"].isin(BEYOND) & (losses["cause"] != "curtailment")], held)


def _held(losses: pd.DataFrame) -> list[dict]:
    return losses[losses["cause"] == "curtailment"].to_dict("records")


def _with_rows(losses: pd.DataFrame, more: list[dict]) -> pd.DataFrame:
    return pd.concat([losses.assign(share=1.0), pd.DataFrame(more)]) if more else losses


def left_on_part(row: Mapping) -> dict | None:
    """Of a row of losses of output held down, what no instruction held, as a row of `LEFT_ON`; None where that is nothing."""
    share = _left_share(row)
    return {**_part(row, share, row["in_hand_revenue_lost"]), "cause": LEFT_ON} if share > 0.0 else None


def instructed_part(row: Mapping) -> dict | None:
    """The rest of it; None where that is nothing, and the row as it is where it is all."""
    share = _left_share(row)
    if share <= 0.0:
        return {**row, "share": 1.0}
    mine = row["in_hand_revenue_lost"]
    known = mine is not None and row["revenue_lost"] is not None
    return _part(row, 1.0 - share, row["revenue_lost"] - mine if known else None) if share < 1.0 else None


def _left_share(row: Mapping) -> float:
    mine = row.get("in_hand_kwh")
    return mine / row["energy_kwh"] if mine is not None and mine > 0.0 else 0.0


def _part(row: Mapping, share: float, money: float | None) -> dict:
    """A share of a row's energy and of its doubt, at its own price; `share` says of the draws what of them is its own."""
    energy = {name: row[name] * share for name in ("energy_kwh", "energy_low_kwh", "energy_high_kwh")}
    ends = dict.fromkeys(("revenue_lost_low", "revenue_lost_high"), money)
    if money is not None:
        price = money / energy["energy_kwh"]
        low, high = sorted(money + (energy[f"energy_{end}_kwh"] - energy["energy_kwh"]) * price for end in ("low", "high"))
        ends = {"revenue_lost_low": low, "revenue_lost_high": high}
    return {**row, **energy, "revenue_lost": money, **ends, "share": share}
