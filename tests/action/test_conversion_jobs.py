"""The job for an inverter whose conversion goes on falling, on a farm written with a known fall."""

import datetime as dt

import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import InverterEfficiency
from yieldwatch.action.candidates import candidates


@pytest.mark.parametrize(("points_a_year", "confidence"), [(3.0, 0.97), (1.4, 0.85)])
def test_a_fall_that_goes_on_returns_more_each_year_and_is_surer_than_a_channel_drifts(tmp_path, points_a_year, confidence):
    ramp = InverterEfficiency("INV2", "ramp", dt.date(2023, 7, 1), points_a_year)
    farm = inferred(tmp_path, ramp, start=dt.date(2023, 3, 1), end=dt.date(2024, 3, 1))
    (job,) = (j for j in candidates(*farm)[0] if j.job_kind == "repair_inverter")
    years = job.gain_kwh.mean(axis=0).reshape(-1, 12).sum(axis=1)

    assert job.confidence == confidence
    # Eight months after it began, and in the middle of each year to come: 0.67 + 0.5, 1.5, 2.5 years of the fall.
    assert years[1:] / years[0] == pytest.approx([2.17 / 1.17, 3.17 / 1.17], rel=0.15)
