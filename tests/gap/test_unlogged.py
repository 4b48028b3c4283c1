"""A farm without an interval log: what the meter, the weather and a few readings tell of limits, snow, faults and the light."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Block, Curtailment, FarmSpec, Grass, Instruments, Mechanism, Snow, Soiling, StringFault
from tests.farm.write import write_portfolio
from yieldwatch.assess import Assessment, assess
from yieldwatch.expected.power import site_model
from yieldwatch.expected.weather import grid_weather
from yieldwatch.gap.mechanisms.snow import slid_cover, snow_cover
from yieldwatch.portfolio.read import read_portfolio

START, END = dt.date(2022, 9, 1), dt.date(2023, 9, 1)
ROUNDS = (dt.date(2022, 9, 20), dt.date(2023, 4, 20), dt.date(2023, 7, 20))


def spec_of(*mechanisms: Mechanism, **changes) -> FarmSpec:
    fit = Instruments(log_minutes=None, meter="monthly", light_bias=0.0, light_drift_year=0.0, gaps_per_year=0.0,
                      stuck_per_year=0.0, repeats_per_year=0.0, iv_rounds=ROUNDS, iv_light_bias=0.005, iv_bad_light=0.0,
                      clamp_rounds=ROUNDS)
    blocks = tuple(Block(f"INV{k}", "I", "A", "M", 2, 2, 20) for k in (1, 2, 3))
    return replace(plain(*mechanisms), start=START, end=END, blocks=blocks, instruments=fit, **changes)


def answer_and_truth(folder: Path, spec: FarmSpec) -> tuple[Assessment, pd.DataFrame]:
    write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec,)))
    return assess(folder), pd.read_csv(folder / "truth" / "losses.csv")


def year_of(answer: Assessment, truth: pd.DataFrame, cause: str) -> tuple[float, float]:
    """Told and true loss of a cause over the year, points of expected energy."""
    gap = answer.sites[0].gap
    whole = gap.yields["expected_kwh"].sum()
    told = gap.losses.loc[gap.losses["cause"] == cause, "energy_kwh"].sum()
    true = truth.loc[truth["cause"] == cause, "energy_kwh"].sum()
    return 100.0 * told / whole, 100.0 * true / whole


def test_a_limit_left_on_shows_in_the_voltage_of_a_clamp_reading(tmp_path):
    limit = Curtailment(0.0, 1.0, (("INV2", 0.5, dt.date(2023, 5, 1), None),))
    answer, truth = answer_and_truth(tmp_path, spec_of(limit))
    told, true = year_of(answer, truth, "curtailment")
    assert true > 1.0
    # Begun on 1 May, first seen on 20 July, last seen free on 20 April: halfway is 5 June, 35 days late of 123.
    assert told == pytest.approx(true, rel=0.45)
    held = answer.sites[0].clamp_checks.query("limited == 'held below its power point'")
    assert set(held["inverter_id"]) == {"INV2"}
    rows = answer.sites[0].gap.losses.query("cause == 'curtailment'")
    assert set(rows["basis"]) == {"measured"}


def test_no_limit_is_seen_where_none_is(tmp_path):
    answer, _ = answer_and_truth(tmp_path, spec_of())
    losses = answer.sites[0].gap.losses
    for cause in ("curtailment", "shading", "inverter_efficiency"):
        rows = losses[losses["cause"] == cause]
        assert (rows["energy_kwh"].abs() < 1e-6).all(), cause
    # Some rain fell on freezing days, and no depth is recorded: the meter leaves little of that.
    assert losses.loc[losses["cause"] == "snow", "energy_kwh"].sum() < 0.005 * answer.sites[0].gap.yields["expected_kwh"].sum()
    # What nothing could have seen is no certain nil.
    shade = losses[losses["cause"] == "shading"]
    assert set(shade["basis"]) == {"prior"}
    assert (shade["energy_high_kwh"] > 0.0).all()


def test_snow_is_modelled_and_held_against_the_meters_winter(tmp_path):
    spec = spec_of(Snow(6.0), climate="continental", latitude=50.0)
    answer, truth = answer_and_truth(tmp_path, spec)
    told, true = year_of(answer, truth, "snow")
    assert true > 1.0
    assert told == pytest.approx(true, rel=0.4)


def test_the_meter_dates_dead_strings_that_no_log_dates(tmp_path):
    # Two of four strings of one inverter are dead from February on, a sixth of the farm; no reading between September and April.
    faults = [StringFault(f"INV1.1.{k}", "open", dt.date(2023, 2, 1), 0.0) for k in (1, 2)]
    answer, truth = answer_and_truth(tmp_path, spec_of(*faults))
    told, true = year_of(answer, truth, "string_fault")
    assert told == pytest.approx(true, rel=0.05)
    by_month = answer.sites[0].gap.losses.query("cause == 'string_fault'").set_index("month")["energy_kwh"]
    assert by_month["2022-11"] < 0.1 * by_month["2023-05"]


def test_a_dusty_summer_shows_in_the_months_of_a_meter(tmp_path):
    # Two dry summers: months that were each drawn to a clean farm's pace, under a rain that washes as usual, told half of it.
    dust = Soiling(rate_pct_day=0.2, rain_mm=8.0, persistent_pct_year=0.0, start_persistent_pct=0.0)
    spec = spec_of(dust, climate="dry_summer", latitude=38.0)
    answer, truth = answer_and_truth(tmp_path, replace(spec, start=dt.date(2021, 9, 1)))
    told, true = year_of(answer, truth, "soiling")
    assert true > 4.0
    assert told == pytest.approx(true, rel=0.2)


def test_shade_that_rounds_saw_is_told_and_is_no_more_than_a_part_of_what_they_saw(tmp_path):
    answer, truth = answer_and_truth(tmp_path, spec_of(Grass(("1",), 0.8, 1.8)))
    told, true = year_of(answer, truth, "shading")
    rows = answer.sites[0].gap.losses.query("cause == 'shading'")
    assert true > 0.5
    assert told > 0.0
    assert rows["energy_low_kwh"].sum() < truth.query("cause == 'shading'")["energy_kwh"].sum() < rows["energy_high_kwh"].sum()


def test_weather_that_reads_low_is_raised_and_said(tmp_path):
    spec = spec_of()
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", (spec,)))
    path = tmp_path / "sites" / "plain" / "weather.parquet"
    table = pd.read_parquet(path)
    table.assign(**{c: table[c] * 0.95 for c in table if c.endswith("_w_m2")}).to_parquet(path)
    answer = assess(tmp_path)
    (said,) = [n for n in answer.notices if "light reads about" in n]
    assert "too low" in said
    # Three visits of a tester whose own light is right, and the energy, against a prior of 3.5 %: most of the five comes back.
    correction = answer.sites[0].gap.yields["light_correction_pct"].iloc[0]
    assert correction == pytest.approx(5.3, abs=1.5)


@pytest.mark.sourced
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("with_depth", [True, False])
def test_snow_on_modules_agrees_with_pvlibs_model(with_depth):
    # Source: pvlib.snow, the same publication in another's code, on a drawn winter.
    rng = np.random.default_rng(4)
    times = pd.date_range("2023-12-01", periods=24 * 60, freq="1h", tz="UTC")
    fall = pd.Series(np.where(rng.random(len(times)) < 0.03, rng.uniform(0.2, 3.0, len(times)), 0.0), times)
    poa = pd.Series(np.maximum(0.0, 500.0 * np.sin((times.hour - 6) / 12 * np.pi)), times)
    temp = pd.Series(rng.normal(-2.0, 4.0, len(times)), times)
    depth = pd.Series(np.abs(rng.normal(3.0, 3.0, len(times))), times) if with_depth else None
    theirs = pvlib.snow.coverage_nrel(fall, poa, temp, 30.0, depth, threshold_snowfall=0.1, slide_amount_coefficient=0.3)
    ours = slid_cover(fall, poa, temp, 30.0, depth, 0.3)
    assert np.abs(ours - theirs).max() < 1e-9


@pytest.mark.sourced
def test_snow_slides_off_at_the_published_rate(tmp_path):
    """Source: Marion et al., Solar Energy 97 (2013) 112: in sun, 0.197 sin(tilt) of the slant height slides in an hour."""
    spec = spec_of()
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", (spec,)))
    site = read_portfolio(tmp_path).sites[0]
    times = pd.date_range("2023-01-10", "2023-01-12", freq="1h", tz="UTC", inclusive="left")
    table = pd.DataFrame({"ghi": 400.0, "temp_air": -1.0, "precipitation": 0.0, "snow_depth": 0.2}, times)
    table.iloc[5, table.columns.get_loc("precipitation")] = 5.0
    model = site_model(site, grid_weather(table, pd.Timedelta("1h"), site, times[0], times[-1] + pd.Timedelta("1h")))
    cover = pd.Series(snow_cover(model, 0.197)[0], model.times)
    per_hour = 0.197 * np.sin(np.radians(site.arrays[0].tilt_deg))
    lit = cover["2023-01-10 09:00":"2023-01-10 13:00"]
    assert np.allclose(-lit.diff().dropna(), per_hour, atol=1e-6)
