"""
The interval of losses over any run of months and all farms, worked out once for every run.

Within a farm the draws are added, which know what months and causes share. Over farms the ends are added: farms share weather
data and model, and how much of their errors that makes common is not known, so the sum is the widest it can be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from yieldwatch.assess_site import SiteAssessment
from yieldwatch.constants import CAUSES, LEFT_ON
from yieldwatch.cost.left_on import left_on_part
from yieldwatch.report.totals import BOUNDS, IN_HAND_PARTS, cell_bounds, cell_draws, cell_price

#: The group of causes in the owner's hands, beside the causes themselves.
GROUP = "in_hand"
_ENDS = ("energy_below_kwh", "energy_above_kwh", "money_below", "money_above")
COLUMNS = ("cause", "from_month", "to_month", *_ENDS)


def run_table(sites: Sequence[SiteAssessment]) -> pd.DataFrame:
    """
    Prepare how far the ends of a sum's interval lie from its value.

    Returns
    -------
    DataFrame
        `COLUMNS`: a row for each cause, and for the group in hand, and each run of the months that any farm measured. Distances
        of the 90 % interval's ends, nil or more, over the farms and months that were measured and assessed; NaN where one of them
        has no bounds or no price.
    """
    months = measured_months(sites)
    ends: dict[str, np.ndarray] = {}
    for site in sites:
        for name, own in groups_of(month_cells(site, months)).items():
            ends[name] = ends.get(name, 0.0) + np.stack([e for kind in (0, 1) for e in _ends([c[kind] for c in own])])
    first, last = np.triu_indices(len(months))
    frames = [pd.DataFrame({"cause": name, "from_month": np.array(months)[first], "to_month": np.array(months)[last],
                            **dict(zip(_ENDS, found[:, first, last], strict=True))}) for name, found in ends.items()]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(COLUMNS))


def measured_months(sites: Sequence[SiteAssessment]) -> list[str]:
    """Months that any farm measured."""
    return sorted(set().union(*(_measured(s) for s in sites)))


def _measured(site: SiteAssessment) -> set[str]:
    return set(site.gap.yields.loc[site.gap.yields["measured_kwh"].notna(), "month"])


#: Of one cause: draws off the value (n_draws, n_months), and what months without draws add below and above (2, n_months).
_Cell = tuple[np.ndarray, np.ndarray]


def groups_of(cells: Mapping[str, tuple[_Cell, _Cell]]) -> dict[str, list[tuple[_Cell, _Cell]]]:
    """Cells of each cause, of the limits left on that are a part of one, and of all in hand, that the site has."""
    groups = (*((c, (c,)) for c in (*CAUSES, LEFT_ON)), (GROUP, IN_HAND_PARTS))
    found = {name: [cells[c] for c in causes if c in cells] for name, causes in groups}
    return {name: own for name, own in found.items() if own}


def month_cells(site: SiteAssessment, months: Sequence[str]) -> dict[str, tuple[_Cell, _Cell]]:
    """Energy and money of each cause that was assessed in a month that the site measured."""
    measured = _measured(site)
    place = {month: k for k, month in enumerate(months)}
    draws = max((len(d) for d in site.gap.draws.values()), default=1)
    cells: dict[str, tuple[_Cell, _Cell]] = {}
    rows = site.losses.to_dict("records")
    rows += [part for row in rows if row["cause"] == "curtailment" and (part := left_on_part(row))]
    for row in rows:
        if row["month"] not in measured or not np.isfinite(row["energy_kwh"]):
            continue
        k = place[row["month"]]
        cell = cells.setdefault(row["cause"], tuple(  # type: ignore[arg-type]
            (np.zeros((draws, len(months))), np.zeros((2, len(months)))) for _ in range(2)))
        drawn = cell_draws(site, row)
        for (off, fixed), kind in zip(cell, ("energy", "revenue"), strict=True):
            per_kwh = 1.0 if kind == "energy" else cell_price(row)
            if kind == "revenue" and not np.isfinite(row["revenue_lost"]):
                fixed[:, k] = np.nan
            elif drawn is not None and np.isfinite(per_kwh):
                off[:, k] = (drawn - row["energy_kwh"]) * per_kwh
            else:
                low, high = cell_bounds(row, kind)
                fixed[:, k] = -low, high
    return cells


def _ends(cells: Sequence[_Cell]) -> tuple[np.ndarray, np.ndarray]:
    """How far the interval of each run reaches below and above its value, each (n_months, n_months) by first and last month."""
    off, fixed = sum(c[0] for c in cells), sum(c[1] for c in cells)
    n = off.shape[1]  # type: ignore[union-attr]
    found = np.full((2, n, n), np.nan)
    for first in range(n):
        low, high = np.percentile(np.cumsum(off[:, first:], axis=1), BOUNDS, axis=0)  # type: ignore[index]
        more = np.cumsum(fixed[:, first:], axis=1)  # type: ignore[index]
        found[:, first, first:] = np.maximum([more[0] - low, more[1] + high], 0.0)
    return found[0], found[1]
