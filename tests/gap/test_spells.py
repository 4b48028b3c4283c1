"""One inverter held down by what was left on in it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.expected.plain import inverter_type, on_grid, site
from yieldwatch.expected.power import site_model
from yieldwatch.gap.logs import InverterLog
from yieldwatch.gap.off import Off
from yieldwatch.gap.spells import _heat_shows, _passes, find_inverter_limits


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


@pytest.mark.parametrize(("level", "seen"), [(80.0, True), (94.0, False)])
def test_a_limit_that_hardly_binds_is_seen_unless_it_is_near_the_rating(level: float, seen: bool) -> None:
    # One inverter of two stands at a level, which it could pass by some per cent at most. Near the rating of 100 kW that is as
    # well the plate or the power factor.
    times = pd.date_range("2023-06-01 13:00", periods=12 * 24, freq="1h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=60.0))
    n = len(base.times)
    could = np.broadcast_to(level * (0.69 + 0.375 * np.sin(np.arange(n) / 2.0)), (2, n)).copy()
    ac = could.copy()
    ac[0] = np.minimum(ac[0], level)
    none = np.zeros(ac.shape, dtype=bool)
    log = InverterLog(ac, np.full(ac.shape, np.nan), none, none, none)
    running = Off(np.ones(ac.shape), np.ones(ac.shape))

    setting, _ = find_inverter_limits(base, log, running, could, np.full(n, np.inf), np.full(n, 20.0))

    binds = could[0] > 1.04 * level
    assert binds.sum() > 8
    assert (setting[0][binds][1:] == (level if seen else np.inf)).all()
    assert np.isinf(setting[1]).all()


def test_output_that_falls_with_the_air_s_heat_is_heat_and_shade_of_a_hot_afternoon_is_not() -> None:
    rng = np.random.default_rng(1)
    air, could = rng.uniform(20.0, 40.0, 400), rng.uniform(70.0, 100.0, 400)
    cap = 100.0 * (1.0 - 0.03 * np.clip(air - 25.0, 0.0, None))
    held = cap < 0.965 * could
    assert _heat_shows(np.minimum(could, cap), could, air, held, ~held, 100.0)
    afternoon = air > 32.0
    assert not _heat_shows(np.where(afternoon, 0.9 * could, could), could, air, afternoon, ~afternoon, 100.0)


def test_a_level_that_is_passed_in_air_as_hot_is_no_heat_s() -> None:
    # A pole's shadow on the hot hours of one summer falls with the heat as a cap does. Beside it the inverter gives all it can.
    rng = np.random.default_rng(2)
    air, could = rng.uniform(20.0, 40.0, 400), rng.uniform(85.0, 100.0, 400)
    cap, always = 100.0 * (1.0 - 0.03 * np.clip(air - 25.0, 0.0, None)), np.ones(400, dtype=bool)
    held = cap < 0.965 * could
    began = held & (np.arange(400) > 150)
    shaded = held & (rng.random(400) < 0.2)
    assert not _passes(np.minimum(could, cap), could, air, held, always)
    assert not _passes(np.where(np.arange(400) > 150, np.minimum(could, cap), could), could, air, began, always)
    assert _passes(np.where(shaded, cap, could), could, air, shaded, always)


def test_a_limit_that_binds_within_the_hour_is_read_off_a_finer_log() -> None:
    # Light that comes and goes within each hour: the hour's mean never stands at the limit of 60 kW, the five minutes do.
    times = pd.date_range("2023-06-01 13:00", periods=12 * 24, freq="1h", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=60.0))
    n, step = len(base.times), pd.Timedelta(minutes=5)
    rng = np.random.default_rng(1)
    fine = base.times.repeat(12) + np.tile(np.arange(12), n) * step
    light = np.repeat(rng.uniform(45.0, 75.0, n), 12) * np.tile(1.0 + 0.3 * np.sin(np.arange(12)), n)
    power = np.stack([np.minimum(light, 60.0), light]) * rng.normal(1.0, 0.002, (2, len(fine)))
    ac, could = power.reshape(2, n, 12).mean(axis=2), np.broadcast_to(light.reshape(n, 12).mean(axis=1), (2, n))
    none = np.zeros(ac.shape, dtype=bool)
    readings = pd.DataFrame(power.T, fine, columns=base.inverter_ids)
    log = InverterLog(ac, np.full(ac.shape, np.nan), none, none, none, readings, step)

    running = Off(np.ones(ac.shape), np.ones(ac.shape))

    setting, _ = find_inverter_limits(base, log, running, could, np.full(n, np.inf), np.full(n, 20.0))

    assert np.isfinite(setting[0]).mean() > 0.95
    assert setting[0][np.isfinite(setting[0])] == pytest.approx(60.0, rel=0.002)
    assert np.isinf(setting[1]).all()


def test_a_limit_of_the_last_two_days_is_found_among_two_years_of_days() -> None:
    # Quarter hours of two years in which the tops of the days crowd at forty other levels, all passed the day after.
    times = pd.date_range("2022-06-01", periods=730 * 96, freq="15min", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=15.0))
    local = base.times.tz_convert(base.site.tz)
    hour, day = local.hour + local.minute / 60.0, np.asarray((local.tz_localize(None) - pd.Timestamp("2022-06-01")).days)
    height = np.where(day < day.max() - 1, 50.0 + 38.0 * ((day * 17) % 40) / 40.0, 80.0)
    could = np.broadcast_to(height * np.maximum(np.cos((hour - 13.0) * np.pi / 16.0), 0.0), (2, len(hour))).copy()
    ac = could * np.random.default_rng(1).normal(0.99, 0.002, could.shape)
    ac[0, day >= day.max() - 1] = np.minimum(ac[0, day >= day.max() - 1], 60.0)
    none = np.zeros(ac.shape, dtype=bool)
    log = InverterLog(ac, np.full(ac.shape, np.nan), none, none, none)

    setting, _ = find_inverter_limits(base, log, Off(np.ones(ac.shape), np.ones(ac.shape)), could, np.full(len(hour), np.inf),
                                      np.full(len(hour), 20.0))

    held = np.isfinite(setting[0])
    assert sorted(set(day[held])) == [day.max() - 1, day.max()]
    assert setting[0][held] == pytest.approx(60.0, rel=0.001)
    assert np.isinf(setting[1]).all()


def test_the_tops_of_clear_days_are_no_limit() -> None:
    # Two inverters in the same clear weather for a month; the one is a tenth dirty.
    times = pd.date_range("2023-06-01", periods=30 * 96, freq="15min", tz="UTC", name="time")
    weather = pd.DataFrame({"ghi": 700.0, "dhi": 200.0, "dni": 600.0, "temp_air": 20.0}, times)
    kinds = (inverter_type(100.0, points=((1.0, 1.0),)), inverter_type(100.0, points=((1.0, 1.0),)))
    base = site_model(site(kinds=kinds, ac_wiring_pct=0.0, transformer_pct=0.0), on_grid(weather, minutes=15.0))
    local = base.times.tz_convert(base.site.tz)
    hour = local.hour + local.minute / 60.0
    could = np.broadcast_to(np.maximum(80.0 * np.cos((hour - 13.0) * np.pi / 16.0), 0.0), (2, len(hour))).copy()
    ac = could * np.array([[0.9], [1.0]]) * np.random.default_rng(1).normal(1.0, 0.002, could.shape)
    none = np.zeros(ac.shape, dtype=bool)
    log = InverterLog(ac, np.full(ac.shape, np.nan), none, none, none)

    setting, _ = find_inverter_limits(base, log, Off(np.ones(ac.shape), np.ones(ac.shape)), could, np.full(len(hour), np.inf),
                                      np.full(len(hour), 20.0))

    assert np.isinf(setting).all()
