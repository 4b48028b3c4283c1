"""When the light is strong enough, against a light that is known."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldwatch.action.bright_hours import bright_hours


def _state(first="2023-01-01", days=730, assumptions=None):
    """800 W/m² from noon to two on every second day, 500 else."""
    times = pd.date_range(first, periods=days * 24, freq="h", tz="UTC")
    strong = (times.hour >= 12) & (times.hour < 14) & (times.day_of_year % 2 == 0)
    site = SimpleNamespace(id="moor", tz="UTC", assumed=lambda name, default: (assumptions or {}).get(name, default))
    planes = {"A": SimpleNamespace(poa_global=np.where(strong, 800.0, 500.0))}
    model = SimpleNamespace(site=site, times=times, planes=planes, weather=SimpleNamespace(hours=1.0))
    return SimpleNamespace(model=model, blocks=SimpleNamespace(dates=pd.date_range(first, periods=days)))


def test_half_the_days_of_a_month_have_light_at_noon():
    table = bright_hours(_state(), dt.date(2025, 1, 1))
    assert sorted(table["hour"].unique()) == [12, 13]
    assert table["month"].unique().tolist() == [f"2025-{m:02d}" for m in range(1, 13)]
    june = table[(table["month"] == "2025-06") & (table["hour"] == 12)].iloc[0]
    assert june["hours"] == pytest.approx(15.0, abs=0.5)
    assert june["hours_low"] <= june["hours"] <= june["hours_high"]
    assert june["light_w_m2"] == 700.0


def test_the_month_that_has_begun_is_left_out():
    assert bright_hours(_state(), dt.date(2025, 1, 2))["month"].iloc[0] == "2025-02"


def test_a_month_that_the_record_lacks_is_blank_and_not_nil():
    table = bright_hours(_state(days=90), dt.date(2023, 4, 1)).set_index(["month", "hour"])
    assert np.isnan(table.loc[("2023-09", 12), "hours"])
    assert table.loc[("2023-09", 12), "years"] == 0
    assert table.loc[("2024-02", 12), "hours"] == pytest.approx(14.5, abs=0.8)


def test_a_site_s_own_limit_replaces_the_standard_s():
    lower = bright_hours(_state(assumptions={"least_trace_light_w_m2": 400.0}), dt.date(2025, 1, 1))
    assert lower["hour"].nunique() == 24
