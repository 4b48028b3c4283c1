"""Held down or clouded over: what counts as a limit that nobody wrote down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.expected.plain import inverter_type, on_grid, site
from tests.field.site import read_site
from yieldwatch.expected.power import SiteModel, site_model
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.instructions import find_curtailment
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.off import find_off

#: Five hours around noon, in intervals of 5 minutes.
N = 60


@pytest.fixture(scope="module")
def model() -> SiteModel:
    """Two inverters of 100 kW that could give 80 kW each, waving by a tenth."""
    times = pd.date_range("2023-06-01 17:00", periods=N, freq="5min", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=5.0))
    return replace(base, dc=np.broadcast_to(80.0 + 8.0 * np.sin(np.arange(N) / 3.0), (2, N)).copy())


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> SiteData:
    """No events."""
    return read_site(tmp_path_factory.mktemp("site"), {})


def held(model: SiteModel, intervals: int) -> InverterLog:
    """The log of both inverters at 40 kW for so many intervals from the second hour on."""
    ac = model.dc.copy()
    ac[:, 12 : 12 + intervals] = 40.0
    none = np.zeros(ac.shape, dtype=bool)
    return InverterLog(ac, np.full(ac.shape, np.nan), none, none, none)


def written(data: SiteData, note: str) -> SiteData:
    """The same with an instruction on record for half an hour from 18:00."""
    at = pd.Timestamp("2023-06-01 18:00", tz="UTC")
    event = {"event_id": ["1"], "kind": ["curtailment"], "start": [at], "end": [at + pd.Timedelta(minutes=30)],
             "scope": [("site",)], "cost": [np.nan], "note": [note]}
    return replace(data, events=pd.DataFrame(event))


def test_half_an_hour_at_one_level_is_a_cloud(model: SiteModel, data: SiteData) -> None:
    assert np.isinf(find_curtailment(model, held(model, 6), data, model.dc)).all()


def test_an_hour_and_a_quarter_at_one_level_is_a_limit(model: SiteModel, data: SiteData) -> None:
    cap = find_curtailment(model, held(model, 15), data, model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(12, 27))
    assert cap[12:27] == pytest.approx(80.0)


def test_a_written_instruction_counts_however_short(model: SiteModel, data: SiteData) -> None:
    cap = find_curtailment(model, held(model, 6), written(data, ""), model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(12, 18))


def test_one_inverter_held_is_no_instruction(model: SiteModel, data: SiteData) -> None:
    log = held(model, 15)
    log.ac[1] = model.dc[1]
    assert np.isinf(find_curtailment(model, log, data, model.dc)).all()


@pytest.mark.parametrize("note", ["held to 80 kW", "limit 0.08 MW", "down to 81,5 kW"])
def test_a_power_that_an_instruction_names_is_the_level(model: SiteModel, data: SiteData, note: str) -> None:
    cap = find_curtailment(model, held(model, 6), written(data, note), model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(12, 18))


def test_an_output_that_never_came_near_the_named_power_was_held_by_something_else(model: SiteModel, data: SiteData) -> None:
    assert np.isinf(find_curtailment(model, held(model, 6), written(data, "held to 120 kW"), model.dc)).all()


def test_a_cloud_under_an_instruction_is_not_the_instructions_loss(model: SiteModel, data: SiteData) -> None:
    log = held(model, 6)
    log.ac[:, 14:16] = 25.0
    cap = find_curtailment(model, log, written(data, ""), model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == [12, 13, 16, 17]


def test_a_sharp_level_counts_though_the_model_is_wrong_about_a_part_of_it(model: SiteModel, data: SiteData) -> None:
    wrong = model.dc.copy()
    wrong[:, 14:17] = 40.0
    cap = find_curtailment(model, held(model, 15), data, wrong)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == [12, 13, *range(17, 27)]


def test_the_interval_that_a_limit_cut_off_is_its_too(model: SiteModel, data: SiteData) -> None:
    log = held(model, 15)
    log.ac[:, 11], log.ac[:, 27] = 55.0, 60.0
    cap = find_curtailment(model, log, data, model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(11, 28))
    assert cap[[11, 27]] == pytest.approx([110.0, 120.0])


def hourly(model: SiteModel, log: InverterLog) -> tuple[SiteModel, InverterLog]:
    """The same log under weather by the hour."""
    times = model.times[::12]
    table = model.weather.table.iloc[::12]
    weather = replace(model.weather, table=table, step=pd.Timedelta(hours=1), modelled=model.weather.modelled[::12])
    mean = log.ac.reshape(2, -1, 12).mean(axis=2)
    coarse = site_model(model.site, weather)
    coarse = replace(coarse, dc=np.full((2, len(times)), 80.0))
    none = np.zeros(mean.shape, dtype=bool)
    readings = pd.DataFrame(log.ac.T, model.times, list(model.inverter_ids))
    return coarse, InverterLog(mean, np.full(mean.shape, np.nan), none, none, none, readings, pd.Timedelta(minutes=5))


def test_a_level_shows_in_a_log_that_is_finer_than_the_weather(model: SiteModel, data: SiteData) -> None:
    log = held(model, 15)
    log.ac[:, 6:12], log.ac[:, 27:36] = 80.0, 80.0
    coarse, by_hour = hourly(model, log)
    cap = find_curtailment(coarse, by_hour, data, coarse.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == [1, 2]
    assert cap[1:3] == pytest.approx([80.0, 140.0])
    assert np.isinf(find_curtailment(coarse, replace(by_hour, readings=None), data, coarse.dc)).all()


def test_an_outage_of_ten_minutes_shows_in_a_log_that_is_finer_than_the_weather(model: SiteModel, data: SiteData) -> None:
    log = held(model, 0)
    log.ac[:, 30:32] = 0.0
    log.ac[0, 40:43] = 0.0
    coarse, by_hour = hourly(model, log)
    off = find_off(coarse, by_hour, data, np.zeros(len(coarse.times), dtype=bool))
    assert off.grid[0] == pytest.approx([1.0, 1.0, 10 / 12, 1.0, 1.0])
    assert off.inverter[:, 3] == pytest.approx([9 / 12, 1.0])
