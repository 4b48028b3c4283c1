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
from yieldwatch.gap.spells import find_curtailment

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
    return InverterLog(ac, np.full(ac.shape, np.nan), none, none)


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
