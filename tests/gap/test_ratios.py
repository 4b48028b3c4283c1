"""Ratios and the log-mean split against published definitions and worked numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from yieldwatch.errors import InputError
from yieldwatch.gap import ratios

IRRADIANCE = np.array([400.0, 800.0, 1000.0, 600.0])
INSOLATION = IRRADIANCE / 1000.0  # one-hour records
ENERGY = np.array([33.0, 62.0, 75.0, 48.0])


@pytest.mark.sourced
def test_yields_and_performance_ratio_of_a_hand_worked_month():
    # Definitions: IEC 61724-1. 150 kWh/m² / 1 kW/m² = 150 h; 12 000 kWh / 100 kW = 120 h; 120/150 = 0.8
    assert ratios.reference_yield(150.0) == pytest.approx(150.0, rel=1e-12)
    assert ratios.final_yield(12_000.0, 100.0) == pytest.approx(120.0, rel=1e-12)
    assert ratios.performance_ratio(12_000.0, 150.0, 100.0) == pytest.approx(0.8, rel=1e-12)


@pytest.mark.sourced
def test_temperature_corrected_ratio_of_four_hours():
    # IEC 61724-1 (formula from memory): C = 0.98, 0.94, 0.90, 0.92 at 30, 40, 50, 45 °C and -0.4 %/°C;
    # 218 / (100 x (0.98x0.4 + 0.94x0.8 + 0.90x1.0 + 0.92x0.6)) = 218 / 259.6
    temp = np.array([30.0, 40.0, 50.0, 45.0])
    plain = ratios.performance_ratio(ENERGY.sum(), INSOLATION.sum(), 100.0)
    corrected = ratios.performance_ratio_temp_corrected(ENERGY, INSOLATION, temp, 100.0, -0.4)
    assert plain == pytest.approx(0.7785714, abs=1e-6)
    assert corrected == pytest.approx(0.8397535, abs=1e-6)
    # Algebra: the correction is that of the light-weighted temperature, 43.2142857 °C.
    weighted = ratios.typical_cell_temperature(INSOLATION, temp)
    assert weighted == pytest.approx(43.2142857, abs=1e-6)
    assert corrected == pytest.approx(plain / (1 - 0.004 * (weighted - 25)), rel=1e-9)


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("reference", "expected"), [(None, 0.7785714), (25.0, 0.8261178), (40.0, 0.7766717)],
)
def test_weather_corrected_ratio(reference, expected):
    # Dierauf et al., NREL/TP-5200-57991, 2013: neutral at the data's own typical temperature.
    # Cell temperatures by King et al., SAND2004-3535, open rack glass/cell/polymer.
    temp = pvlib.temperature.sapm_cell(
        IRRADIANCE, np.array([10.0, 18.0, 22.0, 20.0]), np.array([1.0, 2.0, 3.0, 2.0]), -3.56, -0.075, 3.0,
    )
    assert temp == pytest.approx([21.75357, 39.98202, 47.70886, 36.48651], abs=1e-4)
    typical = ratios.typical_cell_temperature(INSOLATION, temp)
    assert typical == pytest.approx(39.3885056, abs=1e-6)
    got = ratios.performance_ratio_temp_corrected(
        ENERGY, INSOLATION, temp, 100.0, -0.4, typical if reference is None else reference,
    )
    assert got == pytest.approx(expected, abs=1e-6)


@pytest.mark.sourced
def test_energy_availability():
    # Definition: IEC TS 63019 (from memory), arithmetic by hand: 1 - 18/1500
    assert ratios.energy_availability(18_000.0, 1_500_000.0) == pytest.approx(0.988, rel=1e-12)


def test_missing_energy_stays_missing_and_darkness_gives_no_ratio():
    months = pd.PeriodIndex(["2025-03", "2025-04", "2025-12"], freq="M")
    energy = pd.Series([18_450.0, np.nan, 0.0], months)
    light = pd.Series([187.5, 160.0, 0.0], months)
    got = ratios.performance_ratio(energy, light, 120.0)
    assert got.iloc[0] == pytest.approx(0.82, rel=1e-12)  # 18 450 / 120 / 187.5
    assert got.iloc[1:].isna().all()


def test_corrected_ratio_leaves_a_record_out_of_both_sums_or_refuses_the_total():
    temp = np.array([25.0, 25.0, np.nan, 25.0])
    got = ratios.performance_ratio_temp_corrected(ENERGY, INSOLATION, temp, 100.0, -0.4)
    assert got == pytest.approx((33 + 62 + 48) / (100 * 1.8), rel=1e-12)
    assert np.isnan(ratios.performance_ratio_temp_corrected(ENERGY.sum(), INSOLATION, temp, 100.0, -0.4))
    night = np.array([0.4, 0.8, 0.0, 0.6])  # no light, so its missing temperature does not matter
    total = ratios.performance_ratio_temp_corrected(143.0, night, temp, 100.0, -0.4)
    assert total == pytest.approx(143 / 180, rel=1e-12)


def test_differing_periods_and_a_nameplate_of_zero_are_refused():
    a, b = pd.Series([1.0], ["2025-01"]), pd.Series([1.0], ["2025-02"])
    with pytest.raises(InputError, match="index differs"):
        ratios.performance_ratio(a, b, 10.0)
    with pytest.raises(InputError, match="pdc0_kw = 0"):
        ratios.final_yield(1.0, 0.0)


@pytest.mark.sourced
def test_log_mean_split_of_the_two_sector_example():
    # Ang, Energy Policy 33 (2005) 867-871, illustrative data and results (from memory).
    def factors(activity, energy):
        activity, energy = np.array(activity), np.array(energy)
        total = activity.sum()
        return {"activity": np.full(2, total), "structure": activity / total, "intensity": energy / activity}

    got = ratios.log_mean_split(factors([10.0, 40.0], [30.0, 20.0]), factors([40.0, 40.0], [80.0, 16.0]))
    assert got["activity"] == pytest.approx(32.3846, abs=5e-5)
    assert got["structure"] == pytest.approx(38.2849, abs=5e-5)
    assert got["intensity"] == pytest.approx(-24.6695, abs=5e-5)


@pytest.mark.sourced
def test_log_mean_split_of_four_cells():
    # Data of Ang's 2014 example as kept in the public file example_data_ang_2014.csv; results by the formula.
    def factors(energy, activity):
        energy, activity = np.array(energy), np.array(activity)
        total = activity.sum()
        return {"activity": np.full(4, total), "structure": activity / total, "intensity": energy / activity}

    before = factors([20.0, 10.0, 8.0, 12.0], [5.0, 5.0, 10.0, 30.0])
    after = factors([30.0, 10.0, 15.0, 9.0], [12.0, 8.0, 30.0, 30.0])
    got = ratios.log_mean_split(before, after)
    assert got["activity"] == pytest.approx(26.426855, abs=1e-6)
    assert got["structure"] == pytest.approx(12.098718, abs=1e-6)
    assert got["intensity"] == pytest.approx(-24.525573, abs=1e-6)


@pytest.mark.sourced
def test_log_mean_split_of_a_plant_year_closes_and_turns_round():
    # LMDI-I applied to E = P0 x H x PR x A: 1 380 060 to 1 264 395 kWh; logarithmic mean 1 321 383.897
    before = {"insolation": 1000 * 1700.0, "ratio": 0.82, "availability": 0.99}
    after = {"insolation": 1000 * 1650.0, "ratio": 0.79, "availability": 0.97}
    got = ratios.log_mean_split(before, after)
    assert ratios.log_mean(1_264_395.0, 1_380_060.0) == pytest.approx(1_321_383.897, abs=1e-3)
    assert got["insolation"] == pytest.approx(-39_447.225, abs=1e-3)
    assert got["ratio"] == pytest.approx(-49_249.821, abs=1e-3)
    assert got["availability"] == pytest.approx(-26_967.954, abs=1e-3)
    assert sum(got.values()) == pytest.approx(-115_665.0, rel=1e-9)
    back = ratios.log_mean_split(after, before)
    assert back == pytest.approx({k: -v for k, v in got.items()}, rel=1e-9)


@pytest.mark.sourced
def test_log_mean_split_closes_on_any_positive_data():
    # Ang 2005: no residual, whatever the data.
    rng = np.random.default_rng(7)
    before = {k: rng.uniform(0.1, 9, 20) for k in "abc"}
    after = {k: rng.uniform(0.1, 9, 20) for k in "abc"}
    change = np.prod(list(after.values()), axis=0).sum() - np.prod(list(before.values()), axis=0).sum()
    assert sum(ratios.log_mean_split(before, after).values()) == pytest.approx(change, rel=1e-9)


@pytest.mark.sourced
def test_log_mean_split_returns_the_effects_of_the_published_illustration():
    # Ang, A Simple Guide to LMDI, 2016, slide 4: 140 to 160 Mtoe is +50 -10 -20. The definition turned
    # round gives the factors: an effect of 50 is a factor that grew by exp(50 / L(160, 140)).
    mean = 20 / np.log(160 / 140)
    grown = {"activity": 50.0, "structure": -10.0, "intensity": -20.0}
    after = {name: np.exp(effect / mean) for name, effect in grown.items()}
    after["activity"] *= 140.0
    got = ratios.log_mean_split({"activity": 140.0, "structure": 1.0, "intensity": 1.0}, after)
    assert got == pytest.approx(grown, rel=1e-9)


def test_log_mean_split_gives_a_factor_that_went_to_zero_the_whole_change():
    before = {"sun": 100.0, "on": 1.0, "ratio": 0.8}
    got = ratios.log_mean_split(before, {"sun": 90.0, "on": 0.0, "ratio": 0.8})
    assert got == {"sun": 0.0, "on": -80.0, "ratio": 0.0}
    two = ratios.log_mean_split({"a": 4.0, "b": 5.0}, {"a": 0.0, "b": 0.0})
    assert two == {"a": -10.0, "b": -10.0}
    same = ratios.log_mean_split({"a": 0.0, "b": 2.0}, {"a": 0.0, "b": 3.0})
    assert same == {"a": 0.0, "b": 0.0}


def test_log_mean_split_refuses_other_factors_and_negative_ones():
    with pytest.raises(InputError, match="differ"):
        ratios.log_mean_split({"a": 1.0}, {"b": 1.0})
    with pytest.raises(InputError, match="below zero"):
        ratios.log_mean_split({"a": -1.0}, {"a": 1.0})


def test_log_mean_split_of_missing_data_is_missing():
    assert np.isnan(ratios.log_mean_split({"a": np.nan, "b": 1.0}, {"a": 2.0, "b": 1.0})["a"])
