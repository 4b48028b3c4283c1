"""A farm without an interval log: what the meter, the weather and a few readings tell of limits, snow, faults and the light."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

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
from yieldwatch.gap.blocks import Blocks, make_blocks
from yieldwatch.gap.clamp_limits import limits_left_on
from yieldwatch.gap.evidence import round_columns, round_rows
from yieldwatch.gap.held_readings import HELD
from yieldwatch.gap.mechanisms.degradation import degradation_columns
from yieldwatch.gap.mechanisms.shading import round_shade_columns
from yieldwatch.gap.mechanisms.snow import slid_cover, slide_chances, snow_cover
from yieldwatch.gap.mended import mended_faults
from yieldwatch.gap.off import find_off
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


def within(answer: Assessment, truth: pd.DataFrame, cause: str) -> bool:
    """Whether the true loss of the year lies between the sums of the months' ends."""
    rows = answer.sites[0].gap.losses.query("cause == @cause")
    true = truth.query("cause == @cause")["energy_kwh"].sum()
    return bool(rows["energy_low_kwh"].sum() < true < rows["energy_high_kwh"].sum())


def test_a_limit_left_on_shows_in_the_voltage_of_a_clamp_reading(tmp_path):
    limit = Curtailment(0.0, 1.0, (("INV2", 0.5, dt.date(2023, 5, 1), None),))
    answer, truth = answer_and_truth(tmp_path, spec_of(limit))
    told, true = year_of(answer, truth, "curtailment")
    assert true > 1.0
    # Begun on 1 May, first seen on 20 July, last seen free on 20 April: the meter dates it.
    assert told == pytest.approx(true, rel=0.15)
    held = answer.sites[0].clamp_checks.query("limited == 'held below its power point'")
    assert set(held["inverter_id"]) == {"INV2"}
    rows = answer.sites[0].gap.losses.query("cause == 'curtailment'")
    assert set(rows["basis"]) == {"measured"}
    assert within(answer, truth, "curtailment")
    jobs = answer.work_list.query("job_kind == 'fix_settings'")
    assert list(jobs["scope"]) == ["INV2"]


@pytest.fixture(scope="module")
def blocks(tmp_path_factory: pytest.TempPathFactory) -> Blocks:
    folder = tmp_path_factory.mktemp("plain")
    write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec_of(),)))
    site = read_portfolio(folder).sites[0]
    times = pd.date_range(START, END, freq="1h", tz="UTC", inclusive="left")
    table = pd.DataFrame({"ghi": 500.0, "temp_air": 15.0}, times)
    return make_blocks(site_model(site, grid_weather(table, pd.Timedelta("1h"), site, times[0], times[-1])))


def clamp_visits(*limited: tuple[str, str]) -> pd.DataFrame:
    """A visit for each pair: what holds INV1, which then gives 15 kW and else 30, and what holds INV2, at 30 kW."""
    times = pd.date_range("2022-10-10 12:00", periods=len(limited), freq="100D", tz="UTC")
    rows = [
        {"time": time, "clamp_round": number, "inverter_id": name, "mppt": np.nan, "phase": np.nan, "limited": why,
         "ac_power_kw": 15.0 if why == HELD else 30.0}
        for number, (time, pair) in enumerate(zip(times, limited, strict=True))
        for name, why in zip(("INV1", "INV2"), pair, strict=True)
    ]
    return pd.DataFrame(rows)


def test_an_inverter_at_its_rating_shows_that_its_neighbours_limit_is_its_own(blocks):
    (limit,) = limits_left_on(blocks, clamp_visits(("", ""), (HELD, "at its kW rating")))
    assert (limit.inverter, limit.level, limit.end) == (0, 15.0, len(blocks.dates))
    # Visits on days 39 and 139; evenly between, the meter not asked.
    assert limit.onset == ((39, 0.0), (139, 1.0))
    assert limit.start == 89
    # An instruction holds all of the site.
    assert limits_left_on(blocks, clamp_visits(("", ""), (HELD, HELD))) == []


def test_two_that_were_read_one_after_the_other_at_the_same_share_were_held_by_an_instruction(blocks):
    # Of three inverters the last two stand at half of what the first gives; alone the last would be one that was left on.
    visits = clamp_visits(("", ""), ("", HELD))
    third = visits[visits["inverter_id"] == "INV2"].assign(inverter_id="INV3")
    third["time"] += pd.Timedelta(minutes=20)
    third["ac_power_kw"] = [30.0, 15.2]
    visits.loc[visits["limited"] == HELD, "ac_power_kw"] = 15.0
    assert len(limits_left_on(blocks, visits)) == 1
    assert limits_left_on(blocks, pd.concat([visits, third])) == []
    third["ac_power_kw"] = [30.0, 21.0]
    assert len(limits_left_on(blocks, pd.concat([visits, third]))) == 2


def test_a_repaired_string_was_faulty_before_and_the_meter_says_since_when(tmp_path):
    fault = StringFault("INV1.1.1", "open", dt.date(2022, 12, 1), 0.0, dt.date(2023, 3, 15))
    answer, truth = answer_and_truth(tmp_path, spec_of(fault))
    told, true = year_of(answer, truth, "string_fault")
    rows = answer.sites[0].gap.losses.query("cause == 'string_fault'").set_index("month")
    assert true > 0.5
    assert told == pytest.approx(true, rel=0.35)
    assert rows.loc["2023-04":, "energy_kwh"].max() < 1e-6
    assert within(answer, truth, "string_fault")


def test_a_repair_after_a_round_that_saw_the_fault_takes_its_size(blocks):
    looks = pd.DataFrame({
        "time": pd.to_datetime(["2022-09-20 12:00", "2023-01-10 12:00"] * 4, utc=True).sort_values(),
        "string_id": ["INV1.1.1", "INV1.1.2", "INV1.2.1", "INV1.2.2"] * 2, "grade": "good", "no_current": False,
        "p_mp_plate": [0.95, 0.95, 0.95, 0.95, 0.76, 0.95, 0.95, 0.95],
    })
    events = pd.DataFrame({"kind": ["repair"], "start": pd.to_datetime(["2023-03-01"], utc=True), "scope": [("INV1.1.1",)]})
    none = pd.DataFrame()
    (fault,) = mended_faults(blocks, blocks.model.site, looks, none, events)
    # A fifth of one of four strings.
    assert fault.share == pytest.approx(-np.log(1.0 - 0.2 / 4.0), rel=1e-6)
    assert fault.onset == ((19, 0.0), (131, 1.0))
    assert fault.end == 181
    assert mended_faults(blocks, blocks.model.site, looks, none, events.iloc[:0]) == []
    # Nothing traced before: most likely dead, since whenever. And as faulty as before, it is a fault of today.
    (unseen,) = mended_faults(blocks, blocks.model.site, none, none, events)
    assert unseen.onset == ((-1, 0.5), (181, 1.0))
    again = pd.DataFrame({"string_id": ["INV1.1.1"], "finding": ["open"], "first_seen_bad": [looks["time"].iloc[-1]]})
    assert mended_faults(blocks, blocks.model.site, looks, again, events) == []


def test_a_round_of_inverters_with_two_strings_each_still_tells_the_level(blocks):
    looks = pd.DataFrame({
        "time": pd.to_datetime(["2022-09-20 12:00"] * 4, utc=True), "round_id": 1, "grade": "good", "washed": np.nan,
        "string_id": ["INV1.1.1", "INV1.1.2", "INV2.1.1", "INV2.1.2"], "inverter_id": ["INV1", "INV1", "INV2", "INV2"],
        "p_mp_plate": [0.93, 0.94, 0.92, 0.95],
    })
    columns = [*degradation_columns(blocks, False), *round_columns(blocks, looks)]
    (rows,) = round_rows(blocks, columns, looks, pd.DataFrame())
    assert rows.values == pytest.approx([np.log([0.93, 0.94]).mean()])
    age = (pd.Timestamp("2022-09-20") - pd.Timestamp("2020-01-01")).days / 365.25
    assert rows.design.toarray()[0] == pytest.approx([1.0, age, 1.0], abs=0.01)


def test_the_grids_recorded_outage_is_not_the_inverters_as_well(blocks):
    start = pd.Timestamp("2023-05-01 08:00", tz="UTC")
    events = pd.DataFrame({"kind": ["outage"], "start": [start], "end": [start + pd.Timedelta("6h")], "scope": [("site",)],
                           "note": ["grid supply lost"]})
    off = find_off(blocks.model, None, SimpleNamespace(events=events), np.zeros(len(blocks.model.times), dtype=bool))
    assert (off.inverter == 1.0).all()
    assert (off.grid == 0.0).any(axis=1).all()


def test_a_cut_takes_the_shade_that_rounds_saw(blocks):
    looks = pd.DataFrame({
        "time": pd.to_datetime(["2023-05-01 12:00"] * 2, utc=True), "round_id": 1, "grade": "good", "inverter_id": "INV1",
        "string_id": ["INV1.1.1", "INV1.1.2"], "p_mp_peer": [0.8, 1.0],
    })
    findings = pd.DataFrame({"string_id": ["INV1.1.1"], "finding": ["shaded"]})
    cut = pd.DataFrame({"kind": ["vegetation_cut"], "start": pd.to_datetime(["2023-06-01"], utc=True), "scope": [("site",)]})
    (column,) = round_shade_columns(blocks, looks, findings, cut)
    may, july = ((blocks.day >= first) & (blocks.day < first + 30) for first in (243, 304))
    beam = blocks.beam_share[0]
    assert column.values[may] == pytest.approx(-np.log(0.9) * beam[may])
    assert column.values[july] == pytest.approx(0.15 * -np.log(0.9) * beam[july])


def test_each_snowy_period_is_weighed_by_itself():
    site = slide_chances(np.array([0.0, 0.0, 0.0, 20.0, 20.0, 20.0]))
    own = slide_chances(np.array([20.0, 20.0, 20.0, 0.0, 20.0, 20.0]), site)
    assert site[:3].sum() > 0.99
    # One thaw that was unlike the rest is believed by its own month.
    assert own.argmax() == 3


def test_a_month_that_the_meter_finds_short_may_hide_an_outage_that_nobody_wrote_down(tmp_path):
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", (spec_of(),)))
    (path,) = (tmp_path / "sites" / "plain" / "readings" / "meter").glob("*.csv")
    table = pd.read_csv(path)
    table.loc[table["start"] == "2023-06-01", "energy_kwh"] *= 0.96
    table.to_csv(path, index=False)
    gap = assess(tmp_path).sites[0].gap
    rows = gap.losses.query("cause == 'inverter_outage'").set_index("month")
    most = rows["energy_high_kwh"] / gap.yields.set_index("month")["expected_kwh"]
    assert (rows["energy_kwh"] == 0.0).all()
    assert most["2023-06"] > 0.02
    assert most["2023-06"] > 3.0 * most.median()


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
    assert true > 0.5
    assert told > 0.0
    assert within(answer, truth, "shading")


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


def test_where_no_gauge_tells_what_the_depth_of_snow_gained_is_new_snow(tmp_path):
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", (spec_of(),)))
    site = read_portfolio(tmp_path).sites[0]
    times = pd.date_range("2023-01-10", "2023-01-12", freq="1h", tz="UTC", inclusive="left")
    fell = pd.Series(np.where(times == times[30], 5.0, 0.0), times)  # mm of water; ten times that on the ground
    depth = 0.05 + fell.cumsum() / 100.0
    full = pd.DataFrame({"ghi": 400.0, "temp_air": -1.0, "precipitation": fell, "snow_depth": depth}, times)

    def cover(table: pd.DataFrame) -> np.ndarray:
        model = site_model(site, grid_weather(table, pd.Timedelta("1h"), site, times[0], times[-1] + pd.Timedelta("1h")))
        return snow_cover(model, 0.197)

    known = cover(full)
    assert known.max() > 0.5
    np.testing.assert_allclose(cover(full.drop(columns="precipitation")), known)
    # A gauge that broke off before it fell says nothing of it; one that read nothing does.
    broken = full.assign(precipitation=fell.where(times < times[20]))
    np.testing.assert_allclose(cover(broken), known)
    assert not cover(full.assign(precipitation=0.0)).any()
    # Above freezing no snow falls, whatever a depth does.
    assert not cover(full.drop(columns="precipitation").assign(temp_air=4.0)).any()
