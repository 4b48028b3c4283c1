"""Why each cause has its size: records of written farms, held against what was put into them and against the files."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest

from tests.action.farm_state import Inferred, inferred
from tests.farm.spec import Curtailment, Hedge, Outages, Soiling, StringFault
from yieldwatch.constants import CAUSES
from yieldwatch.gap.account import site_gap
from yieldwatch.gap.attribute import infer_state
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.readings_used import readings_of
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.gap.why import Figure, Why

START, END = dt.date(2023, 5, 1), dt.date(2024, 7, 1)
LOST = dt.date(2024, 2, 10)
ROUNDS = (dt.date(2023, 9, 5), dt.date(2024, 5, 20))


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Inferred:
    """A dry summer's dust on four inverters, and one string of INV2 open since February."""
    return inferred(
        tmp_path_factory.mktemp("why"), Soiling(0.15, 2.0), StringFault("INV2.1.1", "open", LOST),
        start=START, end=END, rounds=ROUNDS, climate="dry_summer", latitude=38.0)


def account(farm: Inferred, state=None, data=None) -> SiteGap:
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (START, END))
    return site_gap(state or farm.state, data or farm.data, farm.findings, first, last)


@pytest.fixture(scope="module")
def gap(farm: Inferred) -> SiteGap:
    return account(farm)


@pytest.fixture(scope="module")
def found(gap: SiteGap) -> dict[str, Why]:
    return {why.cause: why for why in gap.evidence}


@pytest.fixture(scope="module")
def without_log(farm: Inferred) -> dict[str, Why]:
    """The same farm with its meter and rounds alone."""
    data = replace(farm.data, power=None, power_step=None)
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (START, END))
    state = infer_state(farm.site, data, assess_rounds(farm.site, data), farm.findings, first, last)
    return {why.cause: why for why in account(farm, state, data).evidence}


@pytest.fixture(scope="module")
def hindered(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Why]:
    """A hedge south-east of the first row (INV1), an outage of INV3 of six hours, and INV4 left at half its rating."""
    start, end = dt.date(2023, 6, 1), dt.date(2024, 6, 1)
    farm = inferred(
        tmp_path_factory.mktemp("hindered"),
        Hedge(125, 60, 5.0, 4.0, 0.0),
        Outages(0.0, planned=(("INV3", dt.datetime(2024, 3, 12, 9), 6.0),)),
        Curtailment(per_year=0.0, left_on=(("INV4", 0.5, dt.date(2024, 1, 10), None),)),
        start=start, end=end)
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (start, end))
    return {why.cause: why for why in site_gap(farm.state, farm.data, farm.findings, first, last).evidence}


def figure(why: Why, name: str, where: str | None = None) -> Figure:
    (one,) = [f for f in why.figures if f.name == name and (where is None or f.where == where)]
    return one


def test_each_cause_has_one_record_over_the_last_twelve_months(gap):
    assert tuple(why.cause for why in gap.evidence) == CAUSES
    assert {(why.from_month, why.to_month) for why in gap.evidence} == {("2023-07", "2024-06")}


def test_energies_are_those_of_the_account(gap, found):
    last = gap.losses[gap.losses["month"] >= "2023-07"]
    sums = last.groupby("cause")["energy_kwh"].sum(min_count=1)
    expected = gap.yields.loc[gap.yields["month"] >= "2023-07", "expected_kwh"].sum()
    for cause, why in found.items():
        assert why.energy_kwh == pytest.approx(sums[cause], abs=1e-6)
        assert why.low_kwh <= why.energy_kwh <= why.high_kwh
        assert why.share == pytest.approx(sums[cause] / expected)


def test_readings_are_counted_as_the_files_hold_them(farm, found):
    by_what = {r.what: r for r in found["soiling"].readings}
    # Two rounds of all 16 strings; a rain value for each of the 427 days from 1 May 2023 to 30 June 2024.
    assert by_what["IV traces in 2 rounds"].count == len(farm.data.iv) == 32
    assert (by_what["rain"].count, by_what["rain"].first, by_what["rain"].last) == (427, START, dt.date(2024, 6, 30))
    (power,) = [r for r in found["inverter_outage"].readings if r.what == "AC power in the interval log"]
    # Only what the model calls daylight: from half to two thirds of an hourly log of four inverters.
    assert 0.45 < power.count / len(farm.data.power) < 0.65
    assert (power.first, power.last) == (START, dt.date(2024, 6, 30))


def test_dirt_is_told_by_the_rate_that_was_put_in(found):
    # Injected: 0.15 % of the light a dry day; rates of single months may differ by the wash they share.
    assert figure(found["soiling"], "build-up on a dry day, median month").value == pytest.approx(0.15, abs=0.05)
    measured = figure(found["soiling"], "change of output after them, measured").value
    fitted = figure(found["soiling"], "change of output after them, by the fit").value
    # Rain brings output back, in the readings and in the fit alike. Few rains end a dry spell, and the weather model errs by half
    # a per cent from one week to the next, of some four: a quarter.
    assert measured == pytest.approx(fitted, rel=0.25)


def test_the_open_string_is_named_with_its_day_and_its_energy(farm, found):
    why = found["string_fault"]
    part = figure(why, "energy of a fault", "INV2.1.1")
    assert part.value == pytest.approx(why.energy_kwh, rel=0.05)  # there is no other fault
    date = dt.date.fromisoformat(part.note.split("since ")[1][:10])
    # A step is dated to within a few usable days.
    assert abs(date - LOST) <= dt.timedelta(days=3)
    # One of four strings.
    assert "25.0 % of INV2" in part.note or "24." in part.note
    assert "INV2.1.1 (open, confidence over 99 %)" in why.pattern
    assert why.settle == "Trace INV2.1.1."


def test_ageing_trades_off_with_the_light_sensors(found):
    # The rounds against the datasheet see age plus their sensor's error, and nothing else tells the two apart.
    names = {r.name: r for r in found["degradation"].rivals}
    assert {"light_sensor", "round_sensor"} & set(names)
    assert all(r.correlation < -0.3 for n, r in names.items() if n in ("light_sensor", "round_sensor"))


def test_the_light_sensors_error_is_the_loss_over_what_the_farm_gave(farm, gap, found):
    turn = next(t for t in found["degradation"].turns if t.name == "error of the light sensor")
    last = gap.yields["month"] >= "2023-07"
    told = sum(why.energy_kwh for cause, why in found.items() if cause != "unexplained")
    given = gap.yields.loc[last, "expected_kwh"].sum() - told
    # By hand: 1 % more light read is 1 % of what the farm gives where no limit is near. This one never clips.
    assert gap.yields.loc[last, "clipped_kwh"].sum() == pytest.approx(0.0, abs=1e-6)
    assert turn.value == pytest.approx(100.0 * found["degradation"].energy_kwh / given, rel=1e-3)
    # A loss told against peers is not made by it.
    assert next(t for t in found["string_fault"].turns if t.name == "error of the light sensor").value is None


def test_nil_is_told_as_inside_or_outside_of_the_interval(found):
    def nil(cause: str) -> str:
        return found[cause].turns[0].says

    assert "would have to be wrong by" in nil("string_fault")
    for cause in ("snow", "reactive_power"):
        unseen = found[cause].high_kwh
        assert nil(cause) == ("Nothing was found." if unseen < 0.5 else
                              f"Nothing was found; up to {unseen:,.0f} kWh may have gone unseen.")
    inside = [why for why in found.values() if why.energy_kwh != 0 and why.low_kwh <= 0 <= why.high_kwh]
    assert all("reaches nil" in why.turns[0].says for why in inside)


def test_the_parts_of_the_unexplained_are_the_fits_own(farm, found):
    why = found["unexplained"]
    bias = figure(why, "light sensor reads too high by")
    part = figure(why, "the fit's own share for the light sensor")
    # The constant error in per cent times what the farm gave, and a drift that is nil within a quarter per cent.
    assert part.value == pytest.approx(bias.value / 100.0 * (1.0 - 0.05) * found["soiling"].energy_kwh / found["soiling"].share,
                                       abs=0.006 * found["soiling"].energy_kwh / found["soiling"].share)


def test_shade_is_told_by_the_row_and_the_bearing_it_comes_from(hindered):
    why = hindered["shading"]
    # The generator's hedge takes 2.4, 1.2, 0.8 and 0.6 % of the four inverters.
    assert [f.where for f in why.figures if f.name == "energy in shade"] == ["INV1", "INV2"]
    # The hedge covers bearings of 95 to 155 degrees.
    top = next(f for f in why.figures if f.name == "share of the shade")
    assert top.where in ("sun azimuth 120 to 135°", "sun azimuth 135 to 150°")
    # The sun stands there in the morning, and lowest in winter.
    assert "by the clock; most in " in why.pattern
    assert int(why.pattern.split(", about ")[1][:2]) in (8, 9, 10)
    # A bearing of 15 degrees is an hour of the sun: no minute is known.
    assert why.pattern.split(", about ")[1][2:5] in (":00", ":30")
    alone = next(t for t in why.turns if t.name == "day pattern alone")
    # The day pattern beyond the best-lit hours is part of what the fit finds.
    assert 0 < alone.value < why.energy_kwh


def test_an_outage_is_told_with_inverter_hours_and_clock(hindered):
    why = hindered["inverter_outage"]
    assert figure(why, "daylight hours off", "INV3").value == 6.0
    assert figure(why, "energy of a spell").note == "from 2024-03-12 09:00 to 2024-03-12 15:00"
    assert figure(why, "energy of a spell").value == pytest.approx(why.energy_kwh)
    assert why.pattern.startswith("1 spell off, 6 inverter-hours of daylight")
    assert why.rivals == ()  # read off, not inferred


def test_a_limit_left_on_is_told_with_its_level_and_its_first_day_of_effect(hindered):
    limit = figure(hindered["curtailment"], "limit left on", "INV4")
    assert limit.value == pytest.approx(20.0, rel=0.02)  # half of 40 kW
    since = dt.date.fromisoformat(limit.note[:10])
    # Set in January; it binds once the sun is high enough.
    assert dt.date(2024, 1, 10) <= since <= dt.date(2024, 3, 10)


def test_a_step_that_may_be_an_inputs_says_so_with_its_chance(farm):
    perhaps = Fault("string_fault", 0, (), "unseen", 200, len(farm.state.blocks.dates), 0.07, 0.01, True, of_input=0.4)
    gap = account(farm, replace(farm.state, faults=[*farm.state.faults, perhaps]))
    (why,) = [why for why in gap.evidence if why.cause == "inverter_efficiency"]
    assert "n input of INV1 may not have tracked since 2023-11-" in why.pattern
    assert "(chance 40 %; no round saw it): that share of what was lost is counted here" in why.pattern


def test_without_a_log_shade_is_a_prior_and_the_meter_stands_in(without_log):
    shade = without_log["shading"]
    assert shade.basis == "prior"
    assert shade.why_not.startswith("No interval log of the inverters. No round saw shade")
    assert shade.energy_kwh == pytest.approx(0.0, abs=0.1)
    assert shade.high_kwh > 0.0
    assert {r.what for r in without_log["soiling"].readings} >= {"revenue meter", "rain"}
    assert "is found to wash off" in without_log["soiling"].pattern


def test_without_a_log_a_fault_is_dated_between_its_rounds(farm, without_log):
    part = figure(without_log["string_fault"], "energy of a fault", "INV2.1.1")
    first, second = (t.date() for t in farm.data.iv.loc[farm.data.iv["string_id"] == "INV2.1.1", "time"].sort_values())
    words = part.note.split()
    at = words.index("from")
    # The meter narrows what the rounds leave open; the string holds a quarter of its inverter. 24.7 lies a binary hair beyond.
    assert first <= dt.date.fromisoformat(words[at + 1]) <= dt.date.fromisoformat(words[at + 3].strip(",")) <= second
    assert float(words[-4]) == pytest.approx(25.0, abs=0.3 + 1e-9)


def test_months_that_nothing_measured_have_no_unexplained(farm):
    data = replace(farm.data, power=None, power_step=None, meter=None)
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (START, END))
    state = infer_state(farm.site, data, assess_rounds(farm.site, data), farm.findings, first, last)
    why = next(w for w in account(farm, state, data).evidence if w.cause == "unexplained")
    assert (why.basis, why.why_not) == ("not_assessed", "Nothing measured these months.")


def test_a_short_history_is_told_over_what_there_is(farm):
    first, last = (pd.Timestamp(day, tz=farm.site.timezone).tz_convert("UTC") for day in (dt.date(2024, 4, 1), END))
    gap = site_gap(farm.state, farm.data, farm.findings, first, last)
    assert {(why.from_month, why.to_month) for why in gap.evidence} == {("2024-04", "2024-06")}


def test_without_rain_or_snow_readings_snow_rests_on_the_log_alone(farm: Inferred) -> None:
    weather = farm.state.model.weather
    bare = replace(weather, table=weather.table.drop(columns=["precipitation", "snow_depth"], errors="ignore"))

    found = readings_of("snow", replace(farm.state, model=replace(farm.state.model, weather=bare)), farm.data)

    assert [r.what for r in found] == ["AC power in the interval log"]
