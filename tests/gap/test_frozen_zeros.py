"""Zeros of a frozen logger against outages: the meter tells them apart."""

from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from tests.expected.plain import on_grid
from yieldwatch.gap.frozen_zeros import frozen_zeros

DAYS, STEPS = 30, 40
#: The sixth day's first five hours.
MORNING = slice(5 * STEPS, 5 * STEPS + 20)


@pytest.fixture
def model() -> SimpleNamespace:
    """Two inverters of 100 kW, ten hours of light a day in quarters of an hour."""
    days = pd.date_range("2023-06-01 07:00", periods=DAYS, freq="D", tz="UTC")
    times = pd.DatetimeIndex([day + pd.Timedelta(minutes=15 * n) for day in days for n in range(STEPS)])
    power = np.tile(10.0 + 70.0 * np.sin(np.linspace(0.0, np.pi, STEPS)), DAYS)
    return SimpleNamespace(
        times=times, dc=np.stack([power, power]), rating=np.full((2, 1), 100.0), weather=on_grid(pd.DataFrame(index=times), 15.0),
        site=SimpleNamespace(tz=ZoneInfo("UTC")),
    )


def silent(model: SimpleNamespace, times: slice = MORNING, inverters: int | slice = 0) -> tuple[np.ndarray, pd.DataFrame]:
    """A sound log but for zeros of these inverters, and the meter that counted what they gave all the same."""
    log = 0.95 * model.dc
    meter = half_hours(model, log)
    log[inverters, times] = 0.0
    return log, meter


def told(log: np.ndarray, model: SimpleNamespace, meter: pd.DataFrame | None) -> np.ndarray:
    return frozen_zeros(log, model, meter, np.zeros(log.shape, dtype=bool))


def assert_only(wrong: np.ndarray, times: slice) -> None:
    """Of the first inverter all these times are told, and nothing else."""
    assert wrong[0, times].all()
    assert wrong.sum() == times.stop - times.start


def half_hours(model: SimpleNamespace, power: np.ndarray) -> pd.DataFrame:
    """What a meter behind 2 % of losses counts."""
    energy = 0.98 * power.sum(axis=0).reshape(-1, 2).sum(axis=1) * 0.25
    start = model.times[::2]
    return pd.DataFrame({"start": start, "end": start + pd.Timedelta(minutes=30), "energy_kwh": energy})


def test_a_morning_of_zeros_that_the_meter_counted_is_the_loggers(model):
    log, meter = silent(model)

    assert_only(told(log, model, meter), MORNING)


def test_an_outage_that_the_meter_felt_stays_one(model):
    log, _ = silent(model)

    assert not told(log, model, half_hours(model, log)).any()


def test_an_outage_on_the_day_of_a_frozen_logger_stays_one(model):
    log, _ = silent(model, slice(5 * STEPS + 14, 5 * STEPS + 28), 1)
    meter = half_hours(model, log)
    log[0, MORNING] = 0.0

    assert_only(told(log, model, meter), MORNING)


@pytest.mark.parametrize("counted", [False, True])
def test_silence_of_both_at_once_is_one_thing_though_the_meter_is_a_little_off(model, counted):
    model.dc[0] *= 1.0 + 0.02 * np.cos(np.arange(len(model.times)))
    evening = slice(5 * STEPS + 22, 5 * STEPS + 27)
    log, meter = silent(model, evening, slice(None))
    if not counted:
        meter = half_hours(model, log)
    meter["energy_kwh"] *= 1.0 + 0.003 * np.sin(np.arange(len(meter)))

    assert (told(log, model, meter)[:, evening] == counted).all()


def test_a_meter_finer_than_the_weather_tells_as_well(model):
    hours = SimpleNamespace(**vars(model))
    hours.times, hours.dc = model.times[::4], model.dc.reshape(2, -1, 4).mean(axis=2)
    hours.weather = on_grid(pd.DataFrame(index=hours.times), 60.0)
    log = 0.95 * hours.dc
    meter = half_hours(model, np.repeat(log, 4, axis=1))
    morning = slice(5 * STEPS // 4, 5 * STEPS // 4 + 5)
    log[0, morning] = 0.0

    assert_only(told(log, hours, meter), morning)


def test_a_grid_that_was_gone_is_no_logger_that_froze(model):
    log, _ = silent(model, inverters=slice(None))

    assert not told(log, model, half_hours(model, log)).any()


@pytest.mark.parametrize("why", ["no meter", "whole days", "own use that comes and goes"])
def test_a_meter_that_cannot_tell_says_nothing(model, why):
    log, meter = silent(model)
    if why == "no meter":
        meter = None
    elif why == "whole days":
        by_day = meter.groupby(meter["start"].dt.floor("D"))["energy_kwh"].sum()
        meter = pd.DataFrame({"start": by_day.index, "end": by_day.index + pd.Timedelta(days=1), "energy_kwh": by_day.to_numpy()})
    else:
        meter = meter.assign(energy_kwh=meter["energy_kwh"] - np.random.default_rng(3).uniform(0.0, 20.0, len(meter)))

    assert not told(log, model, meter).any()


def with_rain(model: SimpleNamespace, mm: float) -> SimpleNamespace:
    """The same with readings of rain: so much two hours before the sixth day's first light."""
    table = pd.DataFrame({"precipitation": 0.0}, pd.date_range(model.times[0], model.times[-1], freq="15min"))
    table.loc[model.times[5 * STEPS] - pd.Timedelta(hours=2), "precipitation"] = mm
    return SimpleNamespace(**{**vars(model), "weather": on_grid(table, 15.0)})


def test_a_silence_that_began_in_a_dry_night_is_the_loggers(model):
    log, _ = silent(model)

    assert_only(told(log, with_rain(model, 0.0), None), MORNING)


@pytest.mark.parametrize(
    "why", ["rain", "by day", "silent at dusk", "slowly back", "all", "often", "on record", "no rain gauge", "the meter felt it"]
)
def test_a_late_start_stays_an_outage(model, why):
    log = 0.95 * model.dc
    off = MORNING
    meter = None
    recorded = np.zeros(log.shape, dtype=bool)
    if why == "by day":
        off = slice(5 * STEPS + 1, 5 * STEPS + 20)
    elif why == "silent at dusk":
        log[0, 5 * STEPS - 3 : 5 * STEPS] = 0.0
    elif why == "slowly back":
        log[0, off.stop : off.stop + 4] *= 0.3
    elif why == "all":
        log[1, off] = 0.0
    elif why == "often":
        for day in (8, 11, 14):
            log[0, day * STEPS : day * STEPS + 9] = 0.0
    elif why == "on record":
        recorded[0, off] = True
    log[0, off] = 0.0
    if why == "the meter felt it":
        meter = half_hours(model, log)
    rained = with_rain(model, 2.0 if why == "rain" else 0.0)
    if why == "no rain gauge":
        rained = model

    assert not frozen_zeros(log, rained, meter, recorded)[0, off].any()
