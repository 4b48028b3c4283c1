"""A wrong clock is found from clouds and the sun, in the stretch it was wrong, and a right one is left alone."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.write import write_portfolio
from yieldwatch.expected.clear_sky import clear_light
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.clock_check import ClockShift, _Look, explain, find_shifts, minutes_moved, with_right_clocks
from yieldwatch.gap.lags import Series, lags_by_stretch
from yieldwatch.gap.stamps import moved_rows, moved_table
from yieldwatch.gap.sun_times import against_the_sun, clear_days, jumps
from yieldwatch.portfolio.model import Site
from yieldwatch.portfolio.read import read_portfolio

MINUTE, DAY = pd.Timedelta(minutes=1), pd.Timedelta(days=1)
START = pd.Timestamp("2024-03-01", tz="UTC")


def cloudy(days: int, step_min: int, seed: int = 3) -> pd.Series:
    """Light of a sun that culminates at noon, behind clouds of about an hour; five-minute truth, mean of each step."""
    times = pd.date_range(START, periods=days * 288, freq="5min")
    hour = times.hour + times.minute / 60.0
    rng = np.random.default_rng(seed)
    cloud = pd.Series(rng.normal(size=len(times))).rolling(12, min_periods=1).mean().to_numpy() * np.sqrt(12)
    light = np.maximum(np.cos((hour - 12.0) / 12.0 * np.pi), 0.0) * 900.0 / (1.0 + np.exp(cloud))
    return pd.Series(light, times).resample(f"{step_min}min").mean()


@pytest.mark.parametrize(
    ("step", "late", "within"), [(15, 60, 1.0), (15, -30, 1.0), (15, 20, 4.0), (60, 60, 3.0), (60, 30, 10.0)]
)
def test_the_lag_of_two_series_is_read_off_the_clouds_that_both_see(step: int, late: int, within: float) -> None:
    # The second looks east: it has most of its power in the morning, which must not be taken for a clock that is early.
    light = cloudy(120, 5)
    east = light * (1.4 - 0.05 * light.index.hour)
    east.index = east.index + late * MINUTE

    first = Series.of(light.resample("15min").mean(), 15 * MINUTE)
    second = Series.of(east.resample(f"{step}min").mean(), step * MINUTE)
    stretches = lags_by_stretch(first, second, START, 120)

    assert len(stretches) == 1
    assert stretches[0].lag_min == pytest.approx(late, abs=within)


def test_a_jump_is_dated_to_the_day() -> None:
    light = cloudy(150, 15)
    stamped = light.copy()
    stamped.index = light.index + np.where(light.index >= START + 90 * DAY, 60, 0) * MINUTE
    stamped = stamped[~stamped.index.duplicated()]

    first, second = lags_by_stretch(Series.of(light, 15 * MINUTE), Series.of(stamped, 15 * MINUTE), START, 150)

    assert abs(first.last - 90) <= 1
    assert (first.lag_min, second.lag_min) == (pytest.approx(0.0, abs=1.0), pytest.approx(60.0, abs=1.0))


def test_a_jump_is_seen_by_the_sun_alone_and_a_few_odd_days_are_none() -> None:
    late = np.r_[np.full(40, 2.0), np.full(20, -58.0)] + np.random.default_rng(5).normal(0.0, 3.0, 60)
    seen = pd.DataFrame({"day": np.arange(60) * 6, "dawn": late - 4.0, "dusk": late + 4.0})

    assert jumps(seen) == [240]
    assert jumps(seen.assign(dawn=late * 0.0, dusk=np.where(seen["day"] % 60 == 0, 50.0, 0.0))) == []


def test_series_that_see_different_skies_have_no_lag() -> None:
    one, other = (Series.of(cloudy(60, 15, seed), 15 * MINUTE) for seed in (1, 2))

    assert all(np.isnan(s.lag_min) for s in lags_by_stretch(one, other, START, 60))


def test_a_shift_that_planes_alone_show_is_told_and_not_acted_on() -> None:
    # In-plane light and the log both half an hour late: one zone, or an array that faces further west than is written.
    looks = {"weather": _Look(0.0, 0.0, 30.0, 6.0, 20), "power": _Look(0.0, 1.5, 31.0, 6.0, 20)}

    assert explain(looks) == ({"weather": 30.0, "power": 30.0}, False)
    level = {**looks, "weather": replace(looks["weather"], level=True)}
    assert explain(level) == ({"weather": 30.0, "power": 30.0}, True)


@pytest.mark.parametrize(
    ("weather", "log", "late", "sure"),
    [
        ((0.0, 6.0), (60.0, 58.0, 6.0), {"power": 60.0}, True),
        ((-59.0, 6.0), (60.0, 2.0, 8.0), {"weather": -60.0}, True),
        ((60.0, 6.0), (0.0, 58.0, 8.0), {"weather": 60.0, "power": 60.0}, True),
        ((1.0, 6.0), (0.0, 25.0, 27.0), {}, True),  # morning shade: dawn late, dusk right
        ((3.0, 40.0), (60.0, 30.0, 40.0), None, False),  # apart, and no clear day tells which
    ],
)
def test_the_explanation_with_the_fewest_wrong_clocks_that_the_sun_bears_out_is_taken(
    weather: tuple[float, float], log: tuple[float, float, float], late: dict[str, float] | None, sure: bool
) -> None:
    looks = {"weather": _Look(0.0, 0.0, *weather, 20, level=True), "power": _Look(log[0], 1.5, log[1], log[2], 20)}

    found, is_sure = explain(looks)

    assert is_sure is sure
    assert late is None or found == late


def test_a_shift_by_half_an_interval_shares_each_value_and_keeps_the_energy() -> None:
    times = pd.date_range(START, periods=6, freq="h")
    table = pd.DataFrame({"ghi": [0.0, 100.0, 300.0, 200.0, 0.0, 0.0]}, index=times.rename("time"))

    moved = moved_table(table, 60 * MINUTE, [(START, START + DAY, 30 * MINUTE)])

    # Stamped an hour, read from half an hour before it: the hour from 0:00 holds half of 0:30 late rows 0 and 1.
    assert moved["ghi"].tolist()[:5] == [50.0, 200.0, 250.0, 100.0, 0.0]
    assert moved.index[0] == START


def test_rows_of_an_inverter_move_in_the_stretch_alone() -> None:
    times = pd.date_range(START, periods=4, freq="h")
    rows = pd.DataFrame({"time": times, "inverter_id": "I1", "ac_power_kw": [1.0, 2.0, 3.0, 4.0]})

    moved = moved_rows(rows, 60 * MINUTE, [(times[2], times[3] + DAY, 120 * MINUTE)])

    # Those of 2:00 and 3:00 were read at 0:00 and 1:00, where rows stand already.
    assert moved["ac_power_kw"].tolist() == [1.0, 2.0]


@pytest.mark.sourced
@pytest.mark.parametrize(("label", "late"), [("end", 0.0), ("start", 60.0)])
def test_a_typical_year_labelled_at_the_hours_end_is_found_so(label: str, late: float) -> None:
    # Greensboro, station 723170, as pvlib ships it. Wilcox & Marion, Users Manual for TMY3 Data Sets, NREL/TP-581-43156 (2008):
    # "the time is local standard time at the end of the hour". Read as starts, all of it is an hour late.
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table, site = pvlib.iotools.read_tmy3(path, coerce_year=1998, map_variables=True)
    hour = 60 * MINUTE
    stamps = table.index.tz_convert("UTC") - hour * int(label == "end")
    ghi = pd.Series(table["ghi"].to_numpy(float), stamps).sort_index()
    start = ghi.index[0].floor("D") + 5 * hour
    times = pd.date_range(start - 3 * hour, periods=366 * 288, freq="5min")
    clear = clear_light(site["latitude"], site["longitude"], site["altitude"], times, 5 * MINUTE)["ghi"]
    light = Series.of(ghi, hour)
    days = clear_days(light, start, 364)

    seen = against_the_sun(light, Series.of(clear, 5 * MINUTE), days, start)

    assert len(seen) > 30
    # A tenth of the hour: what haze that grows over the day may do.
    assert seen[["dawn", "dusk", "shape"]].median().tolist() == pytest.approx([late] * 3, abs=6.0)


def farm(folder: Path, **wrong: object) -> tuple[Site, SiteData]:
    """A farm of the population with an east-west pair of planes and a 15-minute log, its clocks set as given."""
    spec = draw_farm(605, years=1)
    spec = replace(spec, instruments=replace(spec.instruments, **wrong))
    write_portfolio(folder / "portfolio", folder / "truth", PortfolioSpec("P", (spec,)))
    site = read_portfolio(folder / "portfolio").sites[0]
    return site, read_site_data(folder / "portfolio", site)


def told(shifts: list[ClockShift]) -> list[tuple[str, float]]:
    return [(s.source, s.late_min) for s in shifts if s.corrected]


def test_a_farm_whose_clocks_are_right_keeps_its_data(tmp_path: Path) -> None:
    site, data = farm(tmp_path)

    right, shifts = with_right_clocks(site, data)

    assert shifts == []
    assert right.power is data.power
    assert right.weather is data.weather


def test_a_logs_clock_that_jumps_is_set_right_from_that_day_and_it_is_said(tmp_path: Path) -> None:
    jump = draw_farm(605, years=1).start + dt.timedelta(days=150)
    site, data = farm(tmp_path, log_clock=((jump, 60),))

    right, shifts = with_right_clocks(site, data)

    assert told(shifts) == [("power", 60.0)]
    assert abs((shifts[0].first - pd.Timestamp(jump, tz="UTC")) / DAY) <= 2
    assert "60 min late" in right.notices[-1]
    assert find_shifts(site, right) == []
    months = pd.Series([str(pd.Period(jump, "M") - 1), str(pd.Period(jump, "M") + 1)])
    assert minutes_moved(months, shifts, "power", site).tolist() == [0.0, 60.0]


def test_a_weather_file_of_another_zone_is_told_from_a_wrong_log(tmp_path: Path) -> None:
    start = draw_farm(605, years=1).start
    site, data = farm(tmp_path, weather_clock=((start, -60),))

    assert told(find_shifts(site, data)) == [("weather", -60.0)]


@pytest.mark.parametrize("turned", [-40.0, 40.0, 90.0])
def test_a_plane_that_is_described_wrong_is_not_taken_for_a_wrong_clock(tmp_path: Path, turned: float) -> None:
    # The log peaks an hour or more away from where the described planes would: on neither side of the day by as much.
    site, data = farm(tmp_path)
    planes = {a.id: replace(a, azimuth_deg=(a.azimuth_deg + turned) % 360.0) for a in site.arrays}

    assert told(find_shifts(replace(site, arrays=tuple(planes.values())), data)) == []
