from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import MODULES, data_of, key_points, one_round, scaled, site_of
from yieldwatch.gap.rounds import COLUMNS, assess_rounds, number_rounds


def _with(iv, string_id, **values):
    iv = iv.copy()
    for name, value in values.items():
        iv.loc[iv["string_id"] == string_id, name] = value
    return iv


def test_a_sound_string_stands_at_its_plate():
    site = site_of(10)
    out = assess_rounds(site, data_of(one_round(site, "2024-06-01", noise=0.0)))
    assert list(out.columns) == list(COLUMNS)
    assert (out["grade"] == "good").all()
    # Traced at 900 W/m², 48 °C with pvlib's module; half a per cent is the fit to the rounded datasheet.
    for name in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp"):
        np.testing.assert_allclose(out[f"{name}_plate"].astype(float), 1.0, atol=0.006)
        np.testing.assert_allclose(out[f"{name}_peer"].astype(float), 1.0, atol=0.001)
    np.testing.assert_allclose(out["v_oc_stc"].astype(float), 59.4 * MODULES, rtol=0.006)
    assert (out["peers"] == 9).all()


@pytest.mark.parametrize(("change", "grade", "reason"), [
    ({"poa_global": 380.0}, "unfit", "irradiance 380 W/m², below 400"),
    ({"poa_global": np.nan}, "unfit", "no irradiance was read"),
    ({"poa_global_end": 960.0}, "unfit", r"irradiance changed by 6\.\d % in the trace"),
    ({"poa_global_end": 922.0}, "usable", r"irradiance changed by 2\.\d % in the trace"),
    ({"temp_module": 120.0}, "unfit", "module temperature 120 °C is not possible"),
    ({"temp_module": np.nan}, "usable", "module temperature taken from the round's other traces"),
    ({"i_mp": 6.0}, "unfit", "i_mp is above i_sc"),
    ({"v_mp": 800.0}, "unfit", "v_mp is above v_oc"),
    ({"p_mp": 2000.0}, "unfit", "p_mp is not i_mp × v_mp"),
    ({"i_sc": 45.2}, "unfit", "i_sc 45.20 A is above 1.4 × the plate's"),
    ({"v_oc": -600.0}, "unfit", "a key point is negative"),
    ({"v_oc": np.nan}, "unfit", "a key point is missing"),
])
def test_grades_are_by_conditions(change, grade, reason):
    site = site_of(8)
    iv = _with(one_round(site, "2024-06-01"), "S03", **change)
    row = assess_rounds(site, data_of(iv)).set_index("string_id").loc["S03"]
    assert row["grade"] == grade
    assert pd.Series([row["reason"]]).str.contains(reason).all(), row["reason"]
    assert np.isnan(row["p_mp_stc"]) == (grade == "unfit")


@pytest.mark.parametrize(("change", "told"), [
    ({"poa_global_end": 500.0}, True), ({"poa_global": 260.0, "poa_global_end": 260.0}, True),
    ({"poa_global": 120.0, "poa_global_end": 120.0}, False)])
def test_a_string_without_current_is_told_in_light_that_would_not_serve_another(change, told):
    site = site_of(8)
    iv = one_round(site, "2024-06-01", odd={"S01": scaled(i_sc=0.0, v_oc=0.01, i_mp=0.0, v_mp=0.0)})
    row = assess_rounds(site, data_of(_with(iv, "S01", **change))).set_index("string_id").loc["S01"]
    assert bool(row["no_current"]) is told
    assert (row["grade"] != "unfit") is told


def test_faults_are_findings_and_not_rejects():
    site = site_of(8)
    iv = one_round(site, "2024-06-01", odd={
        "S01": scaled(i_sc=0.0, v_oc=0.01, i_mp=0.0, v_mp=0.0), "S02": scaled(v_mp=0.6)})
    out = assess_rounds(site, data_of(iv)).set_index("string_id")
    assert (out["grade"] == "good").all()
    assert out.loc["S01", "no_current"]
    assert "no current" in out.loc["S01", "flags"]
    assert out.loc["S01", "p_mp_peer"] == 0.0
    assert np.isnan(out.loc["S01", "fill_factor"])
    assert "fill factor 0.4" in out.loc["S02", "flags"]
    assert out.loc["S02", "v_ratio_peer"] == pytest.approx(0.6, rel=0.02)


def test_a_copied_trace_is_used_once():
    site = site_of(8)
    iv = one_round(site, "2024-06-01")
    iv.loc[4, ["i_sc", "v_oc", "i_mp", "v_mp", "p_mp"]] = iv.loc[3, ["i_sc", "v_oc", "i_mp", "v_mp", "p_mp"]]
    out = assess_rounds(site, data_of(iv)).set_index("string_id")
    assert out.loc["S03", "grade"] == "good"
    assert out.loc["S04", "grade"] == "unfit"
    assert "same numbers as another trace" in out.loc["S04", "reason"]


def test_the_light_sensor_moves_the_plate_ratio_and_not_the_peer_ratio():
    site = site_of(12)
    iv = one_round(site, "2024-06-01", odd={"S05": scaled(i_sc=0.9, i_mp=0.9)}, noise=0.0)
    biased = iv.assign(poa_global=iv["poa_global"] * 1.05)
    plain, moved = (assess_rounds(site, data_of(x)).set_index("string_id") for x in (iv, biased))
    # 5 % too much light read: the current at standard conditions falls by 1/1.05.
    assert moved.loc["S05", "i_sc_plate"] / plain.loc["S05", "i_sc_plate"] == pytest.approx(
        1 / 1.05, rel=1e-3
    )
    assert moved.loc["S05", "i_sc_peer"] == pytest.approx(0.9, rel=1e-3)
    assert plain.loc["S05", "i_sc_peer"] == pytest.approx(0.9, rel=1e-3)


def test_light_that_drifts_unseen_by_the_sensor_is_taken_out():
    site = site_of(20)
    iv = one_round(site, "2024-06-01", noise=0.001)
    drift = 1.0 + 0.004 * np.arange(20)  # 8 % over the hour, on the strings but not on the sensor
    iv = iv.assign(i_sc=iv["i_sc"] * drift, i_mp=iv["i_mp"] * drift)
    iv["p_mp"] = iv["i_mp"] * iv["v_mp"]
    out = assess_rounds(site, data_of(iv))
    assert (out["i_sc_peer"].astype(float) - 1.0).abs().max() < 0.01


def test_too_few_peers_give_nan():
    site = site_of(4)
    out = assess_rounds(site, data_of(one_round(site, "2024-06-01")))
    assert out["p_mp_peer"].isna().all()
    assert out["p_mp_plate"].notna().all()


def test_lower_light_on_one_string_moves_its_current_and_not_its_own_light_voltage():
    site = site_of(12)
    iv = one_round(site, "2024-06-01", noise=0.0)
    # The sensor read 900 W/m² in sun while a cloud left 540 W/m² on string 4.
    point = key_points(540.0, 47.7)
    values = {n: x * (MODULES if n[0] == "v" else 1.0) for n, x in point.items()}
    iv = _with(iv, "S04", **values, p_mp=values["i_mp"] * values["v_mp"])
    row = assess_rounds(site, data_of(iv)).set_index("string_id").loc["S04"]
    assert row["i_sc_peer"] == pytest.approx(0.6, abs=0.01)
    assert row["v_oc_peer"] < 0.985
    assert row["v_oc_own_peer"] == pytest.approx(1.0, abs=0.003)
    assert row["i_ratio_peer"] == pytest.approx(1.0, abs=0.005)
    assert row["v_ratio_peer"] == pytest.approx(1.0, abs=0.005)


def test_where_most_strings_stand_in_shade_the_clear_ones_are_the_reference():
    site = site_of(20)
    shade = {s.string_id: scaled(i_mp=0.85 + 0.03 * (k % 4)) for k, s in enumerate(site.strings) if k % 5 < 3}
    out = assess_rounds(site, data_of(one_round(site, "2024-06-01", odd=shade))).set_index("string_id")
    # By the median the eight clear strings would look some 8 % better than they are made; noise of 0.4 % a point is left.
    assert out.loc["S14", "i_ratio_peer"] == pytest.approx(1.0, abs=0.02)
    assert out.loc["S00", "i_ratio_peer"] == pytest.approx(0.85, abs=0.02)


def test_a_row_in_shade_that_is_traced_first_is_no_drift_of_the_light():
    site = site_of(9)
    shade = {s.string_id: scaled(v_mp=0.8) for s in site.strings[:3]}
    out = assess_rounds(site, data_of(one_round(site, "2024-06-01", odd=shade))).set_index("string_id")
    # A line through them all would make the clear strings traced next look better than the last.
    ratio = out["v_ratio_peer"].astype(float)
    np.testing.assert_allclose(ratio[:3], 0.8, atol=0.02)
    np.testing.assert_allclose(ratio[3:], 1.0, atol=0.02)


def test_one_clear_string_among_shaded_ones_is_their_reference_where_the_plate_says_so():
    site = site_of(6)
    shade = {s.string_id: scaled(i_mp=0.72 + 0.01 * k) for k, s in enumerate(site.strings[:5])}
    out = assess_rounds(site, data_of(one_round(site, "2024-06-01", odd=shade))).set_index("string_id")
    assert out.loc["S00", "i_ratio_peer"] == pytest.approx(0.72, abs=0.03)
    assert out.loc["S04", "i_ratio_peer"] == pytest.approx(0.76, abs=0.03)


def test_rounds_are_parted_by_more_than_ten_days():
    time = pd.Series(
        pd.to_datetime(["2024-05-01", "2024-05-09", "2024-05-19", "2024-05-30", "2025-05-01"], utc=True)
    )
    assert list(number_rounds(time)) == [1, 1, 1, 2, 3]


def test_no_traces_give_an_empty_table_with_its_columns():
    out = assess_rounds(site_of(5), data_of())
    assert out.empty
    assert list(out.columns) == list(COLUMNS)


def _washing(*strings, day="2024-06-01"):
    start = pd.Timestamp(day, tz="UTC")
    return pd.DataFrame({"event_id": ["E1"], "kind": ["cleaning"], "start": [start], "end": [pd.NaT], "scope": [strings]})


def test_strings_washed_for_the_round_make_no_other_look_weak():
    site = site_of(12)
    dirty = {s.string_id: scaled(i_sc=0.93, i_mp=0.93) for s in site.strings[5:]}
    iv = one_round(site, "2024-06-01", odd=dirty, noise=0.0)
    washed = tuple(s.string_id for s in site.strings[:5])
    plain = assess_rounds(site, data_of(iv)).set_index("string_id")
    out = assess_rounds(site, data_of(iv, events=_washing(*washed))).set_index("string_id")
    assert out["washed"].notna().sum() == 5
    # Not told of the wash, the dirty ones are the usual and the clean ones 1/0.93 above it; told, both are as they should be.
    assert plain.loc["S00", "i_sc_peer"] == pytest.approx(1 / 0.93, abs=0.005)
    assert (out["i_sc_peer"].astype(float) - 1.0).abs().max() < 0.003
    assert (out["p_mp_peer"].astype(float) - 1.0).abs().max() < 0.003
    # Against the plate each stays what it was read as: that difference is the measure of the dirt.
    assert out.loc["S00", "p_mp_plate"] / out.loc["S07", "p_mp_plate"] == pytest.approx(1 / 0.93, abs=0.005)


@pytest.mark.parametrize(("note", "counts"), [
    ("Washed before the test", True), ("cleaned 10:15", True), ("not washed", False), ("not yet washed", False),
    ("never cleaned", False), ("unwashed", False), (None, False),
])
def test_a_note_on_the_trace_says_that_the_string_was_washed(note, counts):
    site = site_of(6)
    iv = one_round(site, "2024-06-01")
    iv.loc[2, "note"] = note
    assert assess_rounds(site, data_of(iv)).set_index("string_id")["washed"].notna()["S02"] == counts


def test_an_old_wash_is_none():
    site = site_of(6)
    out = assess_rounds(site, data_of(one_round(site, "2024-06-05"), events=_washing("S02")))
    assert out["washed"].isna().all()


def test_a_day_on_which_most_strings_give_half_is_no_day_for_testing():
    site = site_of(8)
    snow = {s.string_id: scaled(i_sc=0.05, i_mp=0.04) for s in site.strings[:6]}
    out = assess_rounds(site, data_of(one_round(site, "2024-01-15", odd=snow)))
    assert (out["grade"] == "unfit").all()
    assert out["reason"].str.contains("snow").all()
    few = {s.string_id: scaled(i_sc=0.0, i_mp=0.0, v_mp=0.0) for s in site.strings[:3]}
    assert (assess_rounds(site, data_of(one_round(site, "2024-01-15", odd=few)))["grade"] == "good").all()


def test_a_day_under_snow_is_one_day_of_the_site_whatever_the_clock_of_greenwich():
    site = replace(site_of(6), timezone="Australia/Sydney")
    iv = one_round(site, "2024-06-01", noise=0.0, odd={s.string_id: scaled(i_sc=0.3, i_mp=0.3) for s in site.strings})
    # From 9:52 to 10:07 in Sydney: over midnight in UTC, with three traces on either side.
    out = assess_rounds(site, data_of(iv.assign(time=iv["time"] - pd.Timedelta(hours=11, minutes=8))))
    assert (out["grade"] == "unfit").all()
    assert out["reason"].str.contains("most strings of this day").all()
