"""Prepared series of a written farm, held against its tables, its files, and what was put into it."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import Hedge, Outages, Soiling, StringFault
from yieldwatch.gap.account import site_gap
from yieldwatch.gap.clamps import check_clamps
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.pictures import Picture, Subject, doubt, prepare_pictures
from yieldwatch.pictures.doubt import draws_of
from yieldwatch.pictures.months import by_month, over_months

START, END = dt.date(2023, 6, 1), dt.date(2024, 7, 1)
CLEANED = dt.date(2023, 8, 20)
SILENT = ("2023-10-10", "2023-10-13")


@pytest.fixture(scope="module")
def subject(tmp_path_factory: pytest.TempPathFactory) -> Subject:
    """A hedge south-east of INV1, dust that is washed off once, INV3 off for six hours, and one string lost."""
    farm = inferred(
        tmp_path_factory.mktemp("pictures"),
        Hedge(125, 60, 5.0, 4.0, 0.0),
        Soiling(0.12, 1.0, cleanings=((CLEANED, "site", 500.0),)),
        Outages(0.0, planned=(("INV3", dt.datetime(2024, 3, 12, 9), 6.0),)),
        StringFault("INV2.1.1", "open", dt.date(2024, 2, 10)),
        start=START,
        end=END,
        rounds=(dt.date(2023, 9, 5), dt.date(2024, 5, 20)),
    )
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (START, END))
    gap = site_gap(farm.state, farm.data, farm.findings, first, last)
    rounds = assess_rounds(farm.site, farm.data)
    return Subject(farm.site, farm.data, farm.state, gap, gap.losses, rounds, check_clamps(farm.site, farm.data, rounds))


@pytest.fixture(scope="module")
def pictures(subject: Subject) -> dict[tuple[str, str], Picture]:
    return {(p.kind, p.item): p for p in prepare_pictures(subject)}


def frame(picture: Picture) -> pd.DataFrame:
    return pd.DataFrame(dict(picture.columns))


def test_every_picture_has_columns_of_one_length_and_its_own_place(subject, pictures):
    assert len(pictures) == len(prepare_pictures(subject))
    for place, picture in pictures.items():
        assert len({len(values) for values in picture.columns.values()}) == 1, place


def test_a_farm_s_pictures_stay_small(pictures):
    """A thousand farms must fit one file that is read in no time: 200 kB each."""
    size = sum(len(json.dumps([dict(p.columns), dict(p.about)], default=str)) for p in pictures.values())
    assert size < 200_000


def test_a_farm_of_which_nothing_was_measured_has_pictures_too(subject):
    unmeasured = replace(subject, losses=subject.losses[subject.losses["cause"] != "unexplained"])
    assert {p.item for p in doubt.prepare(unmeasured)} == {p.item for p in doubt.prepare(subject)} - {"unexplained"}


@pytest.mark.parametrize("cause", ["inverter_outage", "grid_outage", "curtailment"])
def test_hours_off_or_held_down_add_up_to_the_month_s_loss(subject, pictures, cause):
    losses = subject.losses[subject.losses["cause"] == cause].set_index("month")["energy_kwh"]
    hours = frame(pictures["spells", cause])
    drawn = hours.groupby(hours["day"].astype(str).str[:7])["energy_kwh"].sum().reindex(losses.index, fill_value=0.0)
    # Hours under a ten-thousandth of the largest are left out, and the rest is written to a watt-hour.
    assert drawn.to_numpy() == pytest.approx(losses.to_numpy(), abs=1e-3 * losses.abs().max() + 1e-2)


def test_the_planned_outage_is_in_its_hours(pictures):
    hours = frame(pictures["spells", "inverter_outage"])
    day = hours[hours["day"] == "2024-03-12"]
    assert set(day["hour"]) <= set(range(8, 17))
    assert day["energy_kwh"].sum() > 0.9 * hours["energy_kwh"].sum()


def test_a_month_alone_has_the_interval_of_its_row(subject, pictures):
    for row in subject.losses[subject.losses["cause"].isin(["soiling", "degradation"])].itertuples():
        picture = pictures["doubt", row.cause]
        low, high = row.energy_kwh + np.percentile(draws_of(picture.columns, picture.about, {row.month: 1.0}), (5.0, 95.0))
        width = row.energy_high_kwh - row.energy_low_kwh
        # The patterns hold 99.8 % of the draws' squares over all months, so a small month's own quantile may be a little off.
        assert min(low, row.energy_kwh) == pytest.approx(row.energy_low_kwh, abs=0.12 * width + 1.0)
        assert max(high, row.energy_kwh) == pytest.approx(row.energy_high_kwh, abs=0.12 * width + 1.0)


def test_a_sum_over_months_and_causes_has_the_interval_of_the_posterior_s_draws(subject, pictures):
    months, causes = subject.gap.months[-12:], ("soiling", "degradation", "unexplained")
    at = [subject.gap.months.index(m) for m in months]
    whole = sum(subject.gap.draws[c][:, at].sum(axis=1) for c in causes)
    value = subject.losses[subject.losses["cause"].isin(causes) & subject.losses["month"].isin(months)]["energy_kwh"].sum()
    kept = value + sum(
        draws_of(pictures["doubt", c].columns, pictures["doubt", c].about, dict.fromkeys(months, 1.0)) for c in causes
    )
    wanted, found = np.percentile(whole, (5.0, 95.0)), np.percentile(kept, (5.0, 95.0))
    assert found == pytest.approx(wanted, abs=0.05 * (wanted[1] - wanted[0]))


def test_light_is_missing_where_the_hedge_stands_and_nowhere_from_an_inverter_in_the_open(pictures):
    behind, clear = pictures["sun_position", "INV1"], pictures["sun_position", "INV4"]

    def low_sun(picture: Picture, bearing: tuple[float, float]) -> float:
        about = picture.about
        found = over_months("missing_pct", picture.columns, about, about["months"])
        here = [f for place, f in found.items()
                if bearing[0] <= about["azimuth_deg"][place] <= bearing[1] and about["elevation_deg"][place] < 20.0]
        return float(np.average([f.value for f in here], weights=[f.days for f in here]))

    # The hedge covers bearings 95 to 155° and stands up to atan(4 m / 5 m) = 39° high before the nearest string.
    assert low_sun(behind, (100.0, 150.0)) > low_sun(clear, (100.0, 150.0)) + 15.0
    assert abs(low_sun(clear, (190.0, 250.0))) < 6.0
    assert pictures["sun_position", "INV1"].about["shaded"]


def test_months_put_together_are_their_medians_by_days():
    """Two months at one place: days of 10, 12, 14 (median 12) and of 20 four times; another place in the second month alone."""
    place = np.array([7, 7, 7, 7, 7, 7, 7, 9])
    value = np.array([10.0, 12.0, 14.0, 20.0, 20.0, 20.0, 20.0, 5.0])
    month, day = np.array([0, 0, 0, 1, 1, 1, 1, 1]), np.arange(8)
    columns, places, scatter = by_month("value_pct", place, value, month, day, 0)
    about = {"months": ["2024-01", "2024-02"], "scatter": [None if np.isnan(v) else v for v in scatter]}
    both = over_months("value_pct", columns, about, about["months"])

    assert places == [7, 9]
    assert both[0].value == pytest.approx((3 * 12.0 + 4 * 20.0) / 7)
    # Absolute deviations 2, 0, 2, 0, 0, 0, 0: their median is 0. Without the second month it is 2.
    assert (both[0].low, both[0].high) == (both[0].value, both[0].value)
    january = over_months("value_pct", *_alone(place, value, month, day), ["2024-01"])[0]
    half = 1.645 * 1.2533 * 1.4826 * 2.0 / np.sqrt(3)  # normal deviate, median over mean, deviation over its median, days
    assert (january.low, january.high) == pytest.approx((12.0 - half, 12.0 + half))
    # One day says nothing of scatter.
    assert both[1].value == 5.0
    assert np.isnan(both[1].low)
    assert 1 not in over_months("value_pct", columns, about, ["2024-01"])


def _alone(place, value, month, day) -> tuple[dict, dict]:
    first = month == 0
    columns, _, scatter = by_month("value_pct", place[first], value[first], month[first], day[first], 0)
    return columns, {"months": ["2024-01"], "scatter": scatter}


def test_two_readings_of_a_day_count_as_one():
    columns, *_ = by_month("x", np.zeros(4, int), np.array([1.0, 3.0, 10.0, 10.0]), np.zeros(4, int), np.array([1, 1, 2, 3]), 1)
    # Days of 2, 10 and 10.
    assert (columns["x"], columns["days"]) == ([10.0], [3])


def test_the_sun_s_path_at_midsummer_is_as_high_as_its_declination_says(subject, pictures):
    path = frame(pictures["sun_path", ""])
    june = path[path["day"] == "21 June"]["elevation_deg"].max()
    # Height at noon is 90° - latitude + 23.44° at the solstice; every half hour misses noon by up to 15 minutes.
    assert june == pytest.approx(90.0 - subject.site.latitude + 23.44, abs=0.6)


def test_dirt_grows_to_the_cleaning_and_falls_with_it(subject, pictures):
    picture = pictures["dirt", ""]
    dirt = frame(picture).set_index(pd.date_range(picture.about["from"], periods=len(frame(picture))))
    assert [str(day)[:10] for day in picture.about["cleanings"]] == [str(CLEANED)]
    # Five days after rain there is little to take off: 0.44 % of the light by the generator's own sum. A day's dust is 0.12 %.
    before, after = dirt.loc["2023-08-19"], dirt.loc["2023-08-20"]
    assert before["low_pct"] < 0.44 < before["high_pct"]
    assert before["dirt_pct"] > 3.0 * after["dirt_pct"]
    assert (dirt["low_pct"] <= dirt["dirt_pct"]).all()
    assert (dirt["dirt_pct"] <= dirt["high_pct"]).all()


def test_days_without_a_log_are_gaps_in_the_measured_dirt(subject):
    state = subject.state
    silent = np.asarray((state.blocks.dates >= SILENT[0]) & (state.blocks.dates <= SILENT[1]))[state.blocks.day]
    ratio, weight = state.ratio.copy(), state.weight.copy()
    ratio[:, silent], weight[:, silent] = np.nan, 0.0
    prepared = prepare_pictures(replace(subject, state=replace(state, ratio=ratio, weight=weight)))
    picture = next(p for p in prepared if p.kind == "dirt")
    dirt = frame(picture).set_index(pd.date_range(picture.about["from"], periods=len(frame(picture))))
    assert dirt.loc[SILENT[0] : SILENT[1], "measured_pct"].isna().all()
    assert dirt["measured_pct"].notna().sum() > 200
    assert dirt.loc[SILENT[0] : SILENT[1], "dirt_pct"].notna().all()


def test_a_string_s_last_round_is_what_its_finding_says(subject, pictures):
    findings = subject.gap.string_findings.set_index("string_id")
    rows = pd.concat(frame(p) for (kind, _), p in pictures.items() if kind == "string_rounds")
    assert len(rows) == len(subject.rounds)
    last = rows.sort_values("day").groupby("string_id").tail(1).set_index("string_id")
    sound = findings[findings["finding"] == "ok"].index
    assert len(sound) > 10
    assert last.loc[sound, "p_mp_peer"].to_numpy() == pytest.approx(findings.loc[sound, "p_mp_ratio"].to_numpy(float), abs=1e-3)
    assert last.loc["INV2.1.1", "p_mp_peer"] < 0.05


def test_strings_without_a_place_stay_without(subject):
    homeless = replace(subject.site, strings=tuple(replace(s, x_m=None, y_m=None) for s in subject.site.strings))
    layout = next(p for p in prepare_pictures(replace(subject, site=homeless)) if p.kind == "string_layout")
    assert np.isnan(layout.columns["x_m"]).all()
    assert list(layout.columns["string_id"]) == [s.string_id for s in subject.site.strings]


def test_an_inverter_s_efficiency_is_ac_over_dc_of_its_log(subject):
    log = subject.state.log
    assert log is not None
    state = replace(subject.state, log=replace(log, dc=log.ac / 0.95))
    found = {(p.kind, p.item): p for p in prepare_pictures(replace(subject, state=state))}
    drawn = found["efficiency", "INV1"]
    assert list(drawn.columns["efficiency_pct"]) == pytest.approx([95.0] * len(drawn.columns["days"]), abs=0.01)
    assert sum(drawn.about["used"]) <= sum(drawn.about["could"]) * 1.1
    fleet = frame(found["efficiency_fleet", ""])
    assert (fleet["low_pct"] <= fleet["off_datasheet_pct"]).all()
    assert (fleet["off_datasheet_pct"] <= fleet["high_pct"]).all()
    months = frame(found["efficiency_months", "INV1"])
    assert list(months["month"]) == [str(p) for p in pd.period_range("2023-06", "2024-06", freq="M")]
    # At 30 % load and more the datasheet's curve is nearly flat: the month's median lies near 95 % over it.
    flat = np.median([v for v, load in zip(drawn.about["datasheet_pct"], drawn.about["load_pct"], strict=True) if load > 30.0])
    assert months["off_datasheet_pct"].median() == pytest.approx(100.0 * (95.0 / flat - 1.0), abs=0.7)


def test_a_log_that_runs_late_is_told_by_how_many_minutes(subject, pictures):
    assert np.nanmedian(pictures["clock", ""].columns["behind_min"]) == pytest.approx(0.0, abs=3.0)
    log = subject.state.log
    assert log is not None
    # Half of each hour's energy an hour late is a log half an hour late.
    late = 0.5 * log.ac + 0.5 * np.concatenate([log.ac[:, :1], log.ac[:, :-1]], axis=1)
    state = replace(subject.state, log=replace(log, ac=late))
    found = next(p for p in prepare_pictures(replace(subject, state=state)) if p.kind == "clock")
    assert np.nanmedian(found.columns["behind_min"]) == pytest.approx(30.0, abs=6.0)


def test_a_second_light_source_that_reads_more_is_told_by_how_much(subject):
    weather = subject.data.weather
    assert weather is not None
    second = weather[["ghi"]] * 1.04
    second.loc["2024-01-01":"2024-01-31"] = np.nan
    found = next(
        p for p in prepare_pictures(replace(subject, data=replace(subject.data, weather_2=second))) if p.kind == "second_light"
    )
    months = frame(found).set_index("month")
    assert np.isnan(months.loc["2024-01", "off_pct"])
    assert months["off_pct"].dropna().to_numpy() == pytest.approx(4.0, abs=0.01)


def test_the_gaps_name_what_may_be_unseen_and_close_on_the_tables(subject, pictures):
    gaps = frame(pictures["gaps", ""])
    yields = subject.gap.yields.tail(12)
    filled = gaps.loc[gaps["gap"] == "filled", "energy_kwh"].sum()
    assert filled == pytest.approx(float(yields["estimated_kwh"].sum()), abs=0.1)
    assert pictures["gaps", ""].about["expected_kwh"] == pytest.approx(float(yields["expected_kwh"].sum()))
    unseen = gaps[gaps["gap"] == "unseen"].set_index("cause")["energy_kwh"]
    assert {"soiling", "shading"} <= set(unseen.index)
    # Snow that nobody sees lies on days with snow alone: it may not be more than its own interval holds, with room for the draws.
    last = subject.gap.losses[subject.gap.losses["month"].isin(yields["month"])]
    assert unseen.get("snow", 0.0) <= 1.5 * last.loc[last["cause"] == "snow", "energy_high_kwh"].sum() + 1.0
    assert (gaps["energy_kwh"] > 0.0).all()


def test_without_a_log_there_is_no_picture_of_sun_clock_or_efficiency(subject):
    state = replace(
        subject.state, log=None, ratio=np.full_like(subject.state.ratio, np.nan), weight=np.zeros_like(subject.state.weight)
    )
    kinds = {
        p.kind for p in prepare_pictures(replace(subject, state=state, data=replace(subject.data, power=None, power_step=None)))
    }
    assert not kinds & {"sun_position", "clock", "efficiency", "efficiency_months"}
    assert {"dirt", "doubt", "string_layout", "gaps"} <= kinds
