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
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.spells import Off, _heat_shows, find_curtailment, find_inverter_limits

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


def test_half_an_hour_at_one_level_is_a_cloud(model: SiteModel, data: SiteData) -> None:
    assert np.isinf(find_curtailment(model, held(model, 6), data, model.dc)).all()


def test_an_hour_and_a_quarter_at_one_level_is_a_limit(model: SiteModel, data: SiteData) -> None:
    cap = find_curtailment(model, held(model, 15), data, model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(12, 27))
    assert cap[12:27] == pytest.approx(80.0)


def test_a_written_instruction_counts_however_short(model: SiteModel, data: SiteData) -> None:
    at = pd.Timestamp("2023-06-01 18:00", tz="UTC")
    event = pd.DataFrame(
        {"event_id": ["1"], "kind": ["curtailment"], "start": [at], "end": [at + pd.Timedelta(minutes=30)], "scope": [("site",)],
         "cost": [np.nan], "note": [""]}
    )
    cap = find_curtailment(model, held(model, 6), replace(data, events=event), model.dc)
    assert np.flatnonzero(np.isfinite(cap)).tolist() == list(range(12, 18))


def test_one_inverter_held_is_no_instruction(model: SiteModel, data: SiteData) -> None:
    log = held(model, 15)
    log.ac[1] = model.dc[1]
    assert np.isinf(find_curtailment(model, log, data, model.dc)).all()


def test_a_dip_to_the_level_weeks_before_does_not_stretch_a_limit_back() -> None:
    # Ten hours a day over twelve days, two inverters that could give 90 kW; one stands at 40 kW from the seventh day on. On the
    # second day it gave 40 kW for three hours for another reason, and on the days between all that it could.
    times = pd.date_range("2023-06-01 13:00", periods=12 * 24, freq="1h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=60.0))
    n = len(base.times)
    day = np.asarray((base.times - times[0]).days)
    could = np.broadcast_to(70.0 + 20.0 * np.sin(np.arange(n)), (2, n)).copy()
    ac = could.copy()
    ac[0, day >= 6] = 40.0
    ac[0, np.flatnonzero(day == 1)[3:6]] = 40.0
    none = np.zeros(ac.shape, dtype=bool)
    log = InverterLog(ac, np.full(ac.shape, np.nan), none, none, none)
    running = Off(np.ones(ac.shape), np.ones(ac.shape))

    setting, _ = find_inverter_limits(base, log, running, could, np.full(n, np.inf), np.full(n, 20.0))

    assert np.flatnonzero(np.isfinite(setting[0])).tolist() == np.flatnonzero(day >= 6).tolist()
    assert np.isinf(setting[1]).all()


def test_output_that_falls_with_the_air_s_heat_is_heat_and_shade_of_a_hot_afternoon_is_not() -> None:
    rng = np.random.default_rng(1)
    air, could = rng.uniform(20.0, 40.0, 400), rng.uniform(70.0, 100.0, 400)
    cap = 100.0 * (1.0 - 0.03 * np.clip(air - 25.0, 0.0, None))
    held = cap < 0.965 * could
    assert _heat_shows(np.minimum(could, cap), could, air, held, ~held, 100.0)
    afternoon = air > 32.0
    assert not _heat_shows(np.where(afternoon, 0.9 * could, could), could, air, afternoon, ~afternoon, 100.0)
