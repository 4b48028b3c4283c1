from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import data_of, one_round, scaled, site_of
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.gap.string_logs import string_log

DAYS = 240


def currents(site, factor=None, days=DAYS, seed=3):
    """
    Hourly currents of every string through bright and overcast days: plate times light, 1 % apart from make, 0.4 % noise.

    `factor` maps a string to a function of (day, light) that its current is multiplied by.
    """
    rng = np.random.default_rng(seed)
    day, hour = np.repeat(np.arange(days), 12), np.tile(np.arange(12), days)
    overcast = rng.random(days)[day] < 0.3
    light = np.sin(np.pi * (hour + 0.5) / 12) * np.where(overcast, 0.25, 0.9)
    time = pd.Timestamp("2024-03-01T06:00", tz="UTC") + pd.to_timedelta(24 * day + hour, unit="h")
    tables = []
    for s in site.strings:
        own = (1 + 0.01 * rng.standard_normal()) * (1 + 0.004 * rng.standard_normal(len(light)))
        if factor and s.string_id in factor:
            own = own * factor[s.string_id](day, light)
        tables.append(pd.DataFrame({"time": time, "string_id": s.string_id, "dc_current_a": 4.69 * light * own}))
    return pd.concat(tables, ignore_index=True)


def data_with(log, iv=None, rain_mm=None):
    weather = None
    if rain_mm is not None:
        weeks = pd.date_range("2024-03-01", periods=DAYS // 7, freq="7D", tz="UTC")
        weather = pd.DataFrame({"precipitation": rain_mm}, index=weeks)
    return replace(data_of(iv), string_current=log, weather=weather)


def findings(site, log, iv=None, rain_mm=None):
    data = data_with(log, iv, rain_mm)
    return string_findings(site, assess_rounds(site, data), data).set_index("string_id")


def test_a_string_without_current_is_open_since_its_day():
    site = site_of(8)
    out = findings(site, currents(site, {"S03": lambda day, light: np.where(day < 100, 1.0, 0.0)}))
    assert out.loc["S03", "finding"] == "open"
    assert out.loc["S03", "confidence"] > 0.99
    assert (out["finding"].drop("S03") == "ok").all()
    # Day 100 after 1 March is 9 June; a day either way is the log's grain.
    first = out.loc["S03", "first_seen_bad"]
    assert abs((first - pd.Timestamp("2024-06-09", tz="UTC")).total_seconds()) <= 1.1 * 86400
    assert out.loc["S03", "last_seen_good"] < first
    assert pd.isna(out.loc["S03", "last_round"])


def test_a_current_that_steps_down_and_stays_through_rain_is_a_fault_of_its_size():
    site = site_of(8)
    log = currents(site, {"S03": lambda day, light: np.where(day < 100, 1.0, 0.88)})
    out, dry = findings(site, log, rain_mm=15.0), findings(site, log, rain_mm=0.0)
    assert out.loc["S03", "confidence"] > 0.9
    # Without rain it may be dirt that has stayed.
    assert dry.loc["S03", "confidence"] < out.loc["S03", "confidence"]
    assert out.loc["S03", "share_lost"] == pytest.approx(0.12, abs=0.02)
    assert (out["finding"].drop("S03") == "ok").all()


def test_shade_at_the_end_of_the_day_is_no_fault():
    site = site_of(8)
    log = currents(site)
    evening = log["time"].dt.hour >= 15
    dark = log["string_id"].isin(["S03"]) & evening
    log["dc_current_a"] = log["dc_current_a"].where(~dark, 0.4 * log["dc_current_a"])
    assert (findings(site, log)["finding"] == "ok").all()


@pytest.mark.parametrize("per_inverter", [1, 2, 3])
def test_an_inverter_that_is_off_leaves_its_strings_blameless(per_inverter):
    site = site_of(9, per_inverter)
    log = currents(site)
    off = log["string_id"].isin(["S00", "S01", "S02"][:per_inverter]) & (log["time"] > pd.Timestamp("2024-09-01", tz="UTC"))
    log["dc_current_a"] = log["dc_current_a"].where(~off, 0.0)
    assert (findings(site, log)["finding"] == "ok").all()


def test_dim_days_stand_apart_from_bright_ones():
    # A leak of 2 % at full light takes 8 % at a quarter of it.
    site = site_of(8)
    log = string_log(site, data_with(currents(site, {"S03": lambda day, light: 1 - 0.018 / np.maximum(light, 0.05)})))
    _, value = log.looks()
    own = value[log.strings.index("S03")] - np.nanmedian(value, axis=0)
    assert np.nanmedian(own[:, 1]) < np.nanmedian(own[:, 0]) - 0.03


def test_current_missing_in_bright_light_alone_is_resistance_and_missing_in_all_light_the_makers():
    site = site_of(10)
    odd = {"S03": lambda day, light: 1 - 0.06 * light / 0.9, "S05": lambda day, light: 1 - 0.02}
    out = findings(site, currents(site, odd), rain_mm=15.0)
    assert out.loc["S03", "finding"] == "series_resistance"
    assert (out["finding"].drop("S03") == "ok").all()


def test_a_round_and_the_log_are_one_history():
    # The round saw nothing in March; the log shows the loss since June, and no second round is needed.
    site = site_of(8)
    log = currents(site, {"S03": lambda day, light: np.where(day < 100, 1.0, 0.85)})
    out = findings(site, log, one_round(site, "2024-03-10"), rain_mm=15.0)
    assert out.loc["S03", "confidence"] > 0.9
    assert out.loc["S03", "last_round"] == pd.Timestamp("2024-03-10").date()
    # And a round that finds the string whole after the log fell silent clears it.
    dead = {"S03": scaled(i_sc=0.0, v_oc=0.01, i_mp=0.0, v_mp=0.0)}
    both = pd.concat([one_round(site, "2024-03-10", odd=dead), one_round(site, "2025-03-10")], ignore_index=True)
    assert findings(site, None, both).loc["S03", "confidence"] < 0.2


def test_too_few_strings_have_no_like():
    site = site_of(2)
    assert string_log(site, data_with(currents(site, days=40))) is None
    assert (findings(site, currents(site, days=40))["finding"] == "not_tested").all()


def test_of_three_strings_the_one_that_falls_is_told_and_the_others_are_not():
    site = site_of(3)
    out = findings(site, currents(site, {"S01": lambda day, light: np.where(day < 80, 1.0, 0.85)}), rain_mm=15.0)
    assert out.loc["S01", "confidence"] > 0.5
    assert (out["confidence"].drop("S01") < 0.1).all()


def test_a_leak_that_takes_most_of_a_current_in_any_light_is_no_slip_of_one_span():
    site = site_of(8)
    out = findings(site, currents(site, {"S03": lambda day, light: np.where(day < 200, 1.0, np.maximum(1 - 0.15 / light, 0.2))}))
    assert out.loc["S03", "confidence"] > 0.9
    assert (out["confidence"].drop("S03") < 0.1).all()


def test_a_dim_current_far_off_while_the_bright_one_is_as_before_is_no_fault():
    site = site_of(8)
    out = findings(site, currents(site, {"S03": lambda day, light: np.where((day > 200) & (light < 0.3), 0.4, 1.0)}))
    assert out.loc["S03", "confidence"] < 0.5


def test_inverters_held_down_are_no_reference_for_the_others():
    # Two of three inverters are held at a third of what the light gives, from June on.
    site = site_of(9, per_inverter=3)
    log = currents(site)
    held = log["string_id"].isin([s.string_id for s in site.strings[:6]]) & (log["time"] > pd.Timestamp("2024-06-01", tz="UTC"))
    log["dc_current_a"] = log["dc_current_a"].where(~held, 0.33 * log["dc_current_a"])
    assert (findings(site, log)["finding"] == "ok").all()
