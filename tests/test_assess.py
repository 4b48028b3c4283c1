"""What an assessment says of its own limits: days outside its months, and months too good to be true."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Instruments
from tests.farm.write import write_portfolio
from yieldwatch.assess import assess
from yieldwatch.errors import NotEnoughData
from yieldwatch.remarks import next_to_nothing


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """May, June and half of July 2023 of a sound farm."""
    path = tmp_path_factory.mktemp("plain")
    write_portfolio(path, path / "truth", PortfolioSpec("P", (plain(days=75),)))
    return path


def test_days_outside_whole_months_are_told(folder: Path) -> None:
    answer = assess(folder)
    assert list(answer.sites[0].gap.yields["month"]) == ["2023-05", "2023-06"]
    (said,) = [n for n in answer.notices if "no whole month" in n]
    assert "2023-07-01 to 2023-07-14" in said
    assert not [n for n in answer.notices if "performance ratio above" in n]


def test_what_cell_temperature_is_from_is_told(folder: Path) -> None:
    (said,) = [n for n in assess(folder, as_of=dt.date(2023, 6, 1)).notices if "cell temperature" in n]
    assert said == "plain: cell temperature is from the module temperature sensor; gaps by air temperature and wind (Faiman)."


def test_the_history_ends_at_the_as_of_date(folder: Path) -> None:
    answer = assess(folder, as_of=dt.date(2023, 6, 1))
    assert list(answer.sites[0].gap.yields["month"]) == ["2023-05"]
    assert not [n for n in answer.notices if "no whole month" in n]


def test_less_than_a_month_is_told_with_its_days(folder: Path) -> None:
    answer = assess(folder, as_of=dt.date(2023, 5, 20))
    assert list(answer.sites[0].gap.yields["month"]) == ["2023-05"]
    assert answer.period == (dt.date(2023, 5, 1), dt.date(2023, 5, 20))
    (said,) = [n for n in answer.notices if "no whole month" in n]
    assert "2023-05-01 to 2023-05-19" in said


def test_no_weather_at_all_is_told_with_what_was_found(folder: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    shutil.copytree(folder, bare)
    (bare / "sites" / "plain" / "weather.parquet").unlink()
    (bare / "sites" / "plain" / "weather.csv").write_text("time,ghi_w_m2,temp_air_c\n1.6.2023,5,5\n")
    with pytest.raises(NotEnoughData, match=r"plain: no weather \(rows of it set aside: 1;"):
        assess(bare)


def test_a_period_within_the_history_leaves_nothing_out(folder: Path) -> None:
    answer = assess(folder, period=(dt.date(2023, 6, 1), dt.date(2023, 7, 1)))
    assert list(answer.sites[0].gap.yields["month"]) == ["2023-06"]
    assert not [n for n in answer.notices if "no whole month" in n]


@pytest.fixture
def commissioned_in_june(folder: Path, tmp_path: Path) -> Path:
    """The farm without what it delivered before 1 June 2023, its day of commissioning."""
    new = tmp_path / "new"
    shutil.copytree(folder, new)
    site = new / "sites" / "plain"
    settings = (site / "site.toml").read_text()
    (site / "site.toml").write_text(re.sub("commissioned = .*", "commissioned = 2023-06-01", settings))
    for path in (site / "readings").rglob("*.*"):
        table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
        time = pd.to_datetime(table["start" if "start" in table else "time"], utc=True)
        table = table[(time >= pd.Timestamp("2023-06-01", tz="UTC")).to_numpy()]
        table.to_parquet(path) if path.suffix == ".parquet" else table.to_csv(path, index=False)
    return new


def test_nothing_is_expected_before_the_day_of_commissioning(commissioned_in_june: Path) -> None:
    answer = assess(commissioned_in_june)
    assert list(answer.sites[0].gap.yields["month"]) == ["2023-06"]
    assert answer.period[0] == dt.date(2023, 6, 1)
    assert not [n for n in answer.sites[0].data.notices if "commissioned" in n]


def test_a_site_that_is_not_yet_commissioned_is_left_out_and_named(commissioned_in_june: Path) -> None:
    with pytest.raises(NotEnoughData, match="plain: in operation from 2023-06-01 on, with weather from 2023-05-01"):
        assess(commissioned_in_june, as_of=dt.date(2023, 6, 1))


@pytest.mark.parametrize("period", [(dt.date(2024, 1, 1), None), (None, dt.date(2023, 5, 1))])
def test_a_site_without_a_day_in_the_period_is_left_out_and_named(folder: Path, period: tuple) -> None:
    with pytest.raises(NotEnoughData, match=r"the period asked for runs from .* That leaves no day"):
        assess(folder, period=period)


def test_energy_beyond_the_limit_at_the_connection_is_told(folder: Path, tmp_path: Path) -> None:
    limited = tmp_path / "limited"
    shutil.copytree(folder, limited)
    settings = limited / "sites" / "plain" / "site.toml"
    text = settings.read_text()
    assert "[grid]" not in text
    settings.write_text(text.replace("[[arrays]]", "[grid]\nexport_limit_kw = 8\n\n[[arrays]]", 1))
    (said,) = [n for n in assess(limited).notices if "times the energy that is expected" in n]
    assert said.startswith("plain: 2 months have more than 1.3 times")


def test_more_energy_than_the_light_can_give_is_told(folder: Path) -> None:
    weather = folder / "sites" / "plain" / "weather.parquet"
    kept = weather.read_bytes()
    table = pd.read_parquet(weather)
    light = [c for c in table if c.endswith("_w_m2")]
    try:
        table.assign(**{c: table[c] / 2 for c in light}).to_parquet(weather)
        (said,) = [n for n in assess(folder).notices if "performance ratio above" in n]
    finally:
        weather.write_bytes(kept)
    assert said.startswith("plain: 2 months have a performance ratio above 1.1")


def test_budget_and_steps_add_up_to_what_was_metered_and_earned(folder: Path) -> None:
    site = assess(folder).sites[0]
    own = site.bridge[site.bridge["span"] == "twelve_months"].set_index("step")
    before = own.iloc[: list(own.index).index("actual_energy")]
    assert own.at["actual_energy", "energy_kwh"] == pytest.approx(site.gap.yields["measured_kwh"].sum())
    assert before["energy_kwh"].sum() == pytest.approx(own.at["actual_energy", "energy_kwh"])
    assert before["money"].sum() == pytest.approx(own.at["actual_energy", "money"])
    # What the account does not explain is what the bridge does not explain.
    rest = site.losses[site.losses["cause"] == "unexplained"]["energy_kwh"].sum()
    assert own.at["unexplained", "energy_kwh"] == pytest.approx(-rest)


def test_a_log_an_hour_off_gives_the_answer_of_one_that_is_right(tmp_path: Path) -> None:
    answers = []
    for late in (0, 60):
        folder = tmp_path / str(late)
        spec = plain(days=150, instruments=Instruments(log_clock_shift_min=late))
        write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec,)))
        answers.append(assess(folder).sites[0])
    right, wrong = answers
    # But for the doubt of a clock that was set right, which each cause's interval carries: a part in a thousand of the energy.
    apart = (wrong.losses["energy_kwh"] - right.losses["energy_kwh"]).abs()
    assert (apart < 0.001 * right.gap.yields["expected_kwh"].min()).all()
    assert (right.gap.yields["log_late_min"] == 0.0).all()
    assert (wrong.gap.yields["log_late_min"] == 60.0).all()
    assert [n for n in wrong.data.notices if "are 60 min late" in n]


@pytest.mark.parametrize(("nil", "availability", "snow", "told"), [
    (0.0, 1.0, 0.0, True), (0.0, 0.2, 0.0, False), (0.0, None, 0.0, True), (9.0, 1.0, 0.0, False), (None, 1.0, 0.0, False),
    (0.0, 1.0, 140.0, True), (0.0, 1.0, 160.0, False), (0.0, 1.0, None, True)])
def test_a_month_of_nil_with_no_outage_or_snow_known_is_told(nil, availability, snow, told) -> None:
    # 100 and 300 kWh expected: 2 % of the second are 6 kWh.
    yields = pd.DataFrame({"month": ["2024-01", "2024-02"], "measured_kwh": [90.0, nil], "expected_kwh": [100.0, 300.0],
                           "availability": [1.0, availability]})
    losses = pd.DataFrame([("2024-01", "snow", 99.0), ("2024-02", "snow", snow), ("2024-02", "soiling", 200.0)],
                          columns=["month", "cause", "energy_kwh"])
    assert [said.split(":")[0] for said in next_to_nothing(yields, losses)] == (["2024-02"] if told else [])
