"""Farms inferred once for all tests of jobs."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.action.farm_state import Inferred, inferred
from tests.farm.spec import Curtailment, Soiling, StringFault


@pytest.fixture(scope="session")
def broken(tmp_path_factory) -> Inferred:
    """One string of INV1 open and INV2 left at half its rating, both before the year of history began."""
    return inferred(
        tmp_path_factory.mktemp("broken"),
        StringFault("INV1.1.1", "open", dt.date(2023, 3, 1)),
        Curtailment(per_year=0.0, left_on=(("INV2", 0.5, dt.date(2023, 3, 1), None),)),
        start=dt.date(2023, 6, 1), end=dt.date(2024, 6, 1), rounds=(dt.date(2024, 5, 20),))


@pytest.fixture(scope="session")
def dusty(tmp_path_factory) -> Inferred:
    """A dry summer's dust, which starts again in May; a light rain leaves 1/e of it at 2 mm."""
    return inferred(
        tmp_path_factory.mktemp("dusty"), Soiling(0.15, 2.0), start=dt.date(2023, 7, 1), end=dt.date(2024, 7, 1),
        climate="dry_summer", latitude=38.0)
