"""Which meter periods can be held against the weather."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from yieldwatch.gap.measured import beyond_weather

#: Hourly weather of June.
GRID = pd.date_range("2024-06-01", "2024-07-01", freq="h", tz="UTC", inclusive="left")
MODEL = SimpleNamespace(weather=SimpleNamespace(table=pd.DataFrame(index=GRID), step=pd.Timedelta("1h")))


@pytest.mark.parametrize(("start", "end", "beyond"), [
    ("2024-06-01", "2024-07-01", False),
    ("2024-05-31T23:00", "2024-06-30T23:00", False),
    ("2024-04-01", "2024-07-01", True),
    ("2024-06-01", "2024-07-02", True),
    ("2024-05-31", "2024-06-02", True),
])
def test_a_meter_period_counts_where_nearly_all_of_it_has_weather(start, end, beyond):
    meter = pd.DataFrame({"start": [pd.Timestamp(start, tz="UTC")], "end": [pd.Timestamp(end, tz="UTC")], "energy_kwh": 1.0})
    assert beyond_weather(MODEL, meter).tolist() == [beyond]
