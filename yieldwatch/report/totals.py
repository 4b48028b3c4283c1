"""
The figures of a period: months added up, with what was missing counted and intervals kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.assess import Assessment
from yieldwatch.assess_site import SiteAssessment
from yieldwatch.constants import BEYOND, CAUSES, IN_HAND, LEFT_ON
from yieldwatch.cost.left_on import beyond_rows, in_hand_rows

#: What makes up the losses in the owner's hands, in the order in which they are reported.
IN_HAND_PARTS = (*IN_HAND, LEFT_ON)
#: Bounds of the 90 % interval, per cent.
BOUNDS = (5.0, 95.0)


@dataclass(frozen=True)
class Amount:
    """A figure and its 90 % interval; NaN where it is not known."""

    value: float
    low: float = np.nan
    high: float = np.nan

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.value))

    def over(self, whole: float) -> Amount:
        """As per cent of `whole`."""
        if not whole > 0:
            return Amount(np.nan)
        return Amount(*(100.0 * v / whole for v in (self.value, self.low, self.high)))


@dataclass(frozen=True)
class CauseTotal:
    """
    One cause over the period.

    `basis` is "measured" if any month is, else "prior", else "not_assessed"; `months` counts the
    months in the sum and `months_not_assessed` those without a figure.
    """

    cause: str
    energy: Amount
    share: Amount
    money: Amount
    basis: str
    months: int
    months_not_assessed: int


@dataclass(frozen=True)
class SiteTotal:
    """
    One site over the period. Energy in kWh, ratios as fractions, money in the portfolio's currency.

    `expected_kwh`, `measured_kwh`, `gap_kwh` and every cause hold the months in `months`: those with a
    measured value, or all of them where the site has none (then the gap is NaN). `expected_other_kwh`
    is what was expected in the months left out. `in_hand_parts` and `beyond_parts` are the causes that the two
    groups are made of: output held down is in both where an instruction held some of it and a limit left on the rest.
    """

    site_id: str
    name: str
    months: tuple[str, ...]
    months_left_out: tuple[str, ...]
    is_measured: bool
    insolation_kwh_m2: float
    expected_kwh: float
    expected_other_kwh: float
    measured_kwh: float
    gap_kwh: float
    gap_pct: float
    gap_money: float
    months_priced: int
    causes: tuple[CauseTotal, ...]
    in_hand: CauseTotal
    beyond: CauseTotal
    in_hand_parts: tuple[CauseTotal, ...]
    beyond_parts: tuple[CauseTotal, ...]
    unexplained: CauseTotal
    performance_ratio: float
    performance_ratio_temp_corrected: float
    coverage: float


def site_totals(assessment: Assessment) -> tuple[SiteTotal, ...]:
    """Return every site's totals, the most money in the owner's hands first; unknown money last."""
    totals = [site_total(site) for site in assessment.sites]
    return tuple(sorted(totals, key=_in_hand_order))


def _in_hand_order(total: SiteTotal) -> tuple[bool, float]:
    money = total.in_hand.money
    size = money.value if money.known else total.in_hand.energy.value
    return (not money.known, -size if np.isfinite(size) else np.inf)


def site_total(site: SiteAssessment) -> SiteTotal:
    """Add up one site's months."""
    yields = site.gap.yields
    has_value = yields["measured_kwh"].notna()
    is_measured = bool(has_value.any())
    used = yields[has_value] if is_measured else yields
    months = tuple(used["month"])
    expected = _sum(used["expected_kwh"])
    measured = _sum(used["measured_kwh"])
    losses = site.losses[site.losses["month"].isin(months)]

    mine, others = in_hand_rows(losses), beyond_rows(losses)

    def total(label: str, causes: tuple[str, ...], rows: pd.DataFrame = losses) -> CauseTotal:
        return _cause_total(site, rows, label, causes, months, expected)

    def parts(rows: pd.DataFrame) -> tuple[CauseTotal, ...]:
        return tuple(total(cause, (cause,), rows) for cause in (*CAUSES, LEFT_ON) if cause in set(rows["cause"]))

    causes = parts(losses)
    money = _money_by_month(losses) if is_measured else pd.Series(dtype=float)
    return SiteTotal(
        site_id=site.site.id,
        name=site.site.name,
        months=months,
        months_left_out=tuple(yields.loc[~yields["month"].isin(months), "month"]),
        is_measured=is_measured,
        insolation_kwh_m2=_sum(used["insolation_kwh_m2"]),
        expected_kwh=expected,
        expected_other_kwh=_sum(yields.loc[~yields["month"].isin(months), "expected_kwh"]),
        measured_kwh=measured,
        gap_kwh=expected - measured,
        gap_pct=100.0 * (expected - measured) / expected if expected > 0 else np.nan,
        gap_money=_sum(money),
        months_priced=int(money.notna().sum()),
        causes=causes,
        in_hand=total("in_hand", IN_HAND_PARTS, mine),
        beyond=total("beyond", BEYOND, others),
        in_hand_parts=parts(mine),
        beyond_parts=parts(others),
        unexplained=total("unexplained", ("unexplained",)),
        performance_ratio=_weighted(used, "performance_ratio", "insolation_kwh_m2"),
        performance_ratio_temp_corrected=_weighted(
            used, "performance_ratio_temp_corrected", "insolation_kwh_m2"
        ),
        coverage=_weighted(used, "coverage", "expected_kwh"),
    )


def _sum(values: pd.Series) -> float:
    """Sum of what is there; NaN, never zero, where nothing is."""
    return float(values.sum(min_count=1))


def _weighted(frame: pd.DataFrame, column: str, weight: str) -> float:
    known = frame[frame[column].notna() & frame[weight].notna()]
    weights = known[weight].to_numpy(float)
    return float(np.average(known[column], weights=weights)) if weights.sum() > 0 else np.nan


def _money_by_month(losses: pd.DataFrame) -> pd.Series:
    """Money of the whole gap, by month; NaN in a month where any assessed row has no price."""
    assessed = losses[losses["energy_kwh"].notna()]
    return assessed.groupby("month")["revenue_lost"].agg(lambda m: m.sum(skipna=False))


def _cause_total(
    site: SiteAssessment,
    losses: pd.DataFrame,
    label: str,
    causes: tuple[str, ...],
    months: tuple[str, ...],
    expected_kwh: float,
) -> CauseTotal:
    rows = losses[losses["cause"].isin(causes)]
    assessed = rows[rows["energy_kwh"].notna()]
    has_price = assessed["revenue_lost"].notna()
    priced = assessed[has_price]
    if not has_price.all() and not priced["energy_kwh"].any():
        # Nil lost is worth nil without a price, and says nothing of what the other rows are worth.
        priced = priced.iloc[:0]
    energy = _interval(site, assessed, _sum(assessed["energy_kwh"]), "energy")
    money = _interval(site, priced, _sum(priced["revenue_lost"]), "revenue")
    bases = set(assessed["basis"])
    basis = next((b for b in ("measured", "prior") if b in bases), "not_assessed")
    n_months = assessed["month"].nunique()
    return CauseTotal(
        label, energy, energy.over(expected_kwh), money, basis, n_months, len(months) - n_months
    )


def _interval(site: SiteAssessment, rows: pd.DataFrame, value: float, kind: str) -> Amount:
    """
    Interval of a sum over months and causes, from the posterior's draws.

    Adding monthly bounds would treat every doubt as shared by all months and causes; the draws
    know which are. Where a row has no draws its own bounds are added, which is the wider answer.
    """
    if rows.empty:
        return Amount(np.nan)
    spread: np.ndarray | float = 0.0
    below = above = 0.0
    for row in rows.to_dict("records"):
        per_kwh = 1.0 if kind == "energy" else cell_price(row)
        draws = cell_draws(site, row)
        if draws is not None and np.isfinite(per_kwh):
            spread = spread + (draws - row["energy_kwh"]) * per_kwh
        else:
            low, high = cell_bounds(row, kind)
            below += low
            above += high
    low, high = np.percentile(spread, BOUNDS) if isinstance(spread, np.ndarray) else (0.0, 0.0)
    return Amount(value, min(value + low + below, value), max(value + high + above, value))


def cell_draws(site: SiteAssessment, row: dict) -> np.ndarray | None:
    """Draws of a cause's energy in the month of a row of losses [kWh]; None where there are none."""
    share = row.get("share", 1.0)
    draws = site.gap.draws.get("curtailment" if row["cause"] == LEFT_ON else row["cause"])
    if draws is None or row["month"] not in site.gap.months:
        return None
    column = draws[:, site.gap.months.index(row["month"])] * share
    return column if np.isfinite(column).all() else None


def cell_price(row: dict) -> float:
    """
    Money a kWh of this cause in this month.

    From the interval's widths: gains and losses within a month can leave next to no energy and
    still some money, and the plain ratio would then run away.
    """
    width = row["energy_high_kwh"] - row["energy_low_kwh"]
    if width > 1e-6:
        return (row["revenue_lost_high"] - row["revenue_lost_low"]) / width
    return row["revenue_lost"] / row["energy_kwh"] if abs(row["energy_kwh"]) > 1e-6 else np.nan


def cell_bounds(row: dict, kind: str) -> tuple[float, float]:
    """Distance from the value to its bounds; an interval that is not given makes the sum's unknown."""
    if kind == "energy":
        value, low, high = row["energy_kwh"], row["energy_low_kwh"], row["energy_high_kwh"]
    else:
        value, low, high = row["revenue_lost"], row["revenue_lost_low"], row["revenue_lost_high"]
    return low - value, high - value


def month_groups(site: SiteAssessment) -> dict[str, tuple[Amount, Amount]]:
    """Return, by month, what was in the owner's hands and what is not explained. [kWh]"""
    groups = {}
    for month in site.gap.yields["month"]:
        rows = site.losses[(site.losses["month"] == month) & site.losses["energy_kwh"].notna()]
        parts = (in_hand_rows(rows), rows[rows["cause"] == "unexplained"])
        groups[month] = tuple(_interval(site, part, _sum(part["energy_kwh"]), "energy") for part in parts)
    return groups  # type: ignore[return-value]
