"""How often the plan washes, against the closed form for dirt that grows evenly and that no rain takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.action.build import make_job
from yieldwatch.action.offers import offers_of
from yieldwatch.action.starts import N_WEEKS, START_DAYS, by_month
from yieldwatch.action.waiting import Wait

#: A clean at 4000, 0.15 % a day of 1380 a day.
COST, RATE, REVENUE = 4000.0, 0.0015, 1380.0


def dusty(dry_days: float) -> Wait:
    """A site that is clean today, gathers dirt evenly, and is washed by rain after some days for the rest of the year."""
    day, month = np.arange(365), np.repeat(np.arange(12), 31)[:365]
    dry = (day < dry_days).astype(float)
    after = day >= START_DAYS[:, None]
    # Washing on a day saves what lies there by then, from then on, until the next washing or the rain.
    by_start = by_month(RATE * REVENUE * START_DAYS[:, None] * after * dry, month)
    left = by_month(dry * after, month) / np.maximum(by_month(dry, month), 1e-9)
    return Wait(make_job(0.0, "clean", ("site",), later=by_start[:, None]), "wash", by_start[:, None], left, [""] * N_WEEKS)


@pytest.mark.sourced
def test_the_plan_washes_as_often_as_the_closed_form_says():
    # Cost a day of washing every T days: C / T + r R T / 2, least at T = sqrt(2 C / (r R)), as in Abu-Naser, Open J. Energy
    # Efficiency 6 (2017) no. 3; by hand T = 62.167 days and 128.6857 a day.
    best = np.sqrt(2.0 * COST / (RATE * REVENUE))
    assert best == pytest.approx(62.167, abs=1e-3)
    assert COST / best + RATE * REVENUE * best / 2.0 == pytest.approx(128.6857, abs=1e-3)
    dry = 5.0 * best  # after the fifth interval the rain washes for nothing
    wait = dusty(dry)
    costs = pd.DataFrame({"cost_units": [0.0], "cost_per_visit": [COST]})
    offers = offers_of([wait], [0], costs, np.ones(N_WEEKS))
    washed = max(offers, key=lambda offer: offer.value - COST * len(offer.weeks))
    assert len(washed.weeks) == 4
    # Weeks are tried four apart: of the intervals that there are, 56 and 84 days are the nearest on either side.
    assert set(np.diff([0, *washed.weeks]) * 7) <= {56, 84}
    paid = RATE * REVENUE * dry**2 / 2.0 - washed.value + 4.0 * COST
    # Five intervals of the least cost, the last without a washing; intervals of whole steps cost under 2 %.
    assert paid == pytest.approx(5.0 * best * 128.6857 - COST, rel=0.02)
