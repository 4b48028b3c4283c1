"""A light sensor that is wrong is found and told, and a right one is left alone."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.farm.population import draw_farm
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import SensorFault
from tests.farm.write import write_portfolio
from tests.gap.strings import site_of
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.light_sensor import LightFault, dry_days, level_doubt, with_checked_light
from yieldwatch.gap.light_values import ceiling_of, stuck_light
from yieldwatch.gap.mechanisms.level import BIAS_SD_MEASURED, LIGHT_BIAS, level_columns
from yieldwatch.portfolio.model import Site
from yieldwatch.portfolio.read import read_portfolio

#: A dry-summer farm with an hourly log and both light columns.
SEED = 1100


def farm(folder: Path, *faults: SensorFault, **instruments: object) -> tuple[Site, SiteData]:
    spec = draw_farm(SEED, years=1)
    fit = replace(spec.instruments, weather="station", sensor_faults=faults, **instruments)
    write_portfolio(folder / "p", folder / "truth", PortfolioSpec("P", (replace(spec, instruments=fit),)))
    site = read_portfolio(folder / "p").sites[0]
    return site, read_site_data(folder / "p", site)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, SiteData]:
    return farm(tmp_path_factory.mktemp("sound"), second_weather=True)


def test_sensors_that_are_right_are_left_alone(sound: tuple[Site, SiteData]) -> None:
    site, data = sound

    checked, faults = with_checked_light(site, data)

    assert faults == ()
    assert checked.notices == data.notices
    pd.testing.assert_frame_equal(checked.weather, data.weather)


def only(faults: tuple[LightFault, ...], kind: str, column: str = "ghi") -> LightFault:
    (fault,) = faults
    assert (fault.kind, fault.column) == (kind, column)
    return fault


def test_a_sensor_that_leans_is_told_with_its_side_and_size_and_not_changed(tmp_path: Path) -> None:
    site, data = farm(tmp_path, SensorFault("tilt", 3.0, toward=90.0))

    checked, faults = with_checked_light(site, data)

    fault = only(faults, "lean")
    # One degree: what a field level is good to, and what sky models part by over half a day.
    assert fault.size == pytest.approx(-3.0, abs=1.0)
    assert "to the east" in fault.words
    assert not fault.corrected
    assert checked.weather is data.weather
    assert "leans" in checked.notices[-1]
    assert level_doubt(faults) > 0.0


def test_a_thing_before_the_sensor_is_found_at_its_bearing_and_its_hours_are_not_measured(tmp_path: Path) -> None:
    site, data = farm(tmp_path, SensorFault("shade", 25.0, toward=70.0, width=40.0))

    checked, faults = with_checked_light(site, data)

    assert only(faults, "shade").size == pytest.approx(25.0, abs=4.0)
    gone = checked.weather["ghi"].isna() & data.weather["ghi"].notna()
    assert 0.01 < gone.mean() < 0.12
    assert checked.weather["poa_global"].equals(data.weather["poa_global"])


def test_dirt_on_the_sensor_shows_against_a_second_source_and_is_put_right(tmp_path: Path, sound: tuple[Site, SiteData]) -> None:
    cleaned = (dt.date(2022, 9, 12), dt.date(2022, 12, 20))
    site, data = farm(tmp_path, SensorFault("dirt", 0.12, cleaned=cleaned), second_weather=True)
    clean = sound[1].weather["ghi"]

    checked, faults = with_checked_light(site, data)

    fault = only(faults, "dirt")
    assert fault.size == pytest.approx(0.0012, rel=0.4)
    before, after = (abs(float(np.log(w["ghi"].sum() / clean.sum()))) for w in (data.weather, checked.weather))
    # Put in 2 to 3 % in the mean; half of it or more is gone.
    assert before > 0.015
    assert after < 0.5 * before


def test_a_ceiling_is_told_and_its_light_put_back(tmp_path: Path, sound: tuple[Site, SiteData]) -> None:
    site, data = farm(tmp_path, SensorFault("ceiling", 800.0))
    clean = sound[1].weather["ghi"]

    checked, faults = with_checked_light(site, data)

    only(faults, "ceiling")
    lost, left = (float(1.0 - w["ghi"].sum() / clean.sum()) for w in (data.weather, checked.weather))
    assert lost > 0.01
    assert abs(left) < 0.3 * lost


def test_stuck_light_is_not_measured(tmp_path: Path) -> None:
    site, data = farm(tmp_path, SensorFault("stuck", 20.0))

    checked, faults = with_checked_light(site, data)

    assert only(faults, "stuck").size == float((checked.weather["ghi"].isna() & data.weather["ghi"].notna()).sum())


def test_what_is_left_in_doubt_widens_the_lights_bias() -> None:
    n = 4
    blocks = SimpleNamespace(n=n, of=np.arange(n), year_fraction=np.arange(n) / n, day_of_year=np.arange(n),
                             azimuth=np.full(n, 180.0), elevation=np.full(n, 40.0), groups=np.zeros(1, int),
                             beam_share=np.zeros((1, n)),
                             expected=np.ones((1, n)), model=SimpleNamespace(
                                 site=site_of(4), weather=SimpleNamespace(table=pd.DataFrame(columns=["poa_global"]))))
    faults = tuple(LightFault("ghi", "lean", 3.0, False, doubt, "") for doubt in (0.012, 0.016))

    (bias,) = [c for c in level_columns(blocks, False, level_doubt(faults)) if c.name == LIGHT_BIAS]

    assert bias.sd == pytest.approx(np.hypot(BIAS_SD_MEASURED, 0.02))


def test_a_value_that_stands_still_by_night_or_for_an_hour_is_not_stuck() -> None:
    step = pd.Timedelta(minutes=15)
    up = np.r_[np.full(20, -10.0), np.full(20, 30.0)]

    # Nil all night, four readings alike by day, then a moving sun.
    still = stuck_light(np.r_[np.zeros(20), np.full(4, 400.0), np.arange(16.0)], up, step)
    held = stuck_light(np.r_[np.full(10, 1.0), np.full(16, 400.0), np.arange(14.0)], up, step)

    assert not still.any()
    assert held.tolist() == [False] * 10 + [True] * 16 + [False] * 14


def test_light_thins_out_toward_its_highest_and_a_ceiling_does_not() -> None:
    rng = np.random.default_rng(2)
    light = 1000.0 * rng.beta(2.0, 2.0, 4000)
    day = np.repeat(np.arange(100), 40)

    assert np.isnan(ceiling_of(light, day))
    assert ceiling_of(np.minimum(light, 700.0), day) == pytest.approx(700.0, rel=0.005)
    assert np.isnan(ceiling_of(np.full(5, np.nan), day[:5]))


def test_dry_days_count_up_and_rain_takes_its_share() -> None:
    rain = np.array([0.0, 0.0, 0.0, 4.0, 0.0, 1000.0, 0.0])

    nobody, somebody = np.zeros(7, bool), np.arange(7) == 2

    # Three dry days, then 4 mm that leave 1/e of four.
    assert dry_days(rain, nobody) == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0 / np.e, 4.0 / np.e + 1.0, 0.0], abs=1e-9)
    assert dry_days(rain, somebody)[:4].tolist() == [0.0, 1.0, 0.0, 1.0]
