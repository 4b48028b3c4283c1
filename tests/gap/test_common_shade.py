"""A hedge that all inverters share."""

import datetime as dt

import numpy as np
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import Hedge, Snow
from yieldwatch.action.candidates import candidates

SPAN = {"start": dt.date(2022, 7, 1), "end": dt.date(2024, 7, 1), "climate": "dry_summer", "latitude": 38.0, "log_minutes": None}


def shade(farm) -> np.ndarray:
    """Share of the last twelve months' energy that the common hedge took, by draw."""
    blocks = farm.state.blocks
    energy = blocks.expected * (blocks.year_fraction > blocks.year_fraction[-1] - 1.0)
    return sum(
        farm.state.posterior.draws[:, j] * (column.values * energy).sum() / energy.sum()
        for j, column in enumerate(farm.state.posterior.columns) if column.tag[:1] == ("common",))


def cut(farm):
    """The jobs that cut plants."""
    found, _ = candidates(farm.portfolio, farm.site, farm.data, farm.state, farm.findings, farm.as_of)
    return [job for job in found if job.job_kind == "cut_vegetation"]


@pytest.mark.parametrize("hedge", [(), (Hedge(180.0, 115.0, 5.0, 4.2, 0.3),)], ids=["in the open", "behind a hedge"])
def test_a_hedge_shows_in_what_the_meter_lacks_when_the_sun_is_low_and_an_open_farm_has_none(tmp_path, hedge):
    farm = inferred(tmp_path, *hedge, **SPAN)
    lost = shade(farm)
    assert (np.mean(lost > 0.005) > 0.5) == bool(hedge)
    assert [job.scope for job in cut(farm)] == ([("site",)] if hedge else [])
    if hedge:
        assert "all lack alike when the sun is low" in cut(farm)[0].why
    else:
        assert lost.mean() < 0.002


def test_snow_that_the_meter_alone_shows_is_no_hedge(tmp_path):
    farm = inferred(tmp_path, Snow(5.0), **(SPAN | {"climate": "continental", "latitude": 48.0}))
    assert np.mean(shade(farm) > 0.005) < 0.3


def test_with_a_log_what_all_lack_alike_under_a_low_sun_is_not_taken_for_a_hedge(tmp_path):
    farm = inferred(tmp_path, **(SPAN | {"log_minutes": 30}))
    assert not any(column.tag[:1] == ("common",) for column in farm.state.posterior.columns)
    assert cut(farm) == []
