"""IV rounds, traced curves and clamp readings."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from tests.field.site import WEATHER, aside, read_site

IV_HEADER = "time,string_id,poa_global_w_m2,temp_module_c,i_sc_a,v_oc_v,i_mp_a,v_mp_v\n"
IV = IV_HEADER + "2024-06-01T12:00:00+01:00,S1,900,45,9.4,690,9,570\n"


def _utc(text):
    return pd.Timestamp(text, tz="UTC")


def test_iv_power_is_the_product_where_the_sheet_has_none(tmp_path):
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV})
    assert data.iv["p_mp"].tolist() == [9 * 570]
    assert data.iv["time"].tolist() == [_utc("2024-06-01 11:00")]
    assert data.iv[["file", "line"]].to_numpy().tolist() == [["sites/field/readings/iv/r1.csv", 2]]
    assert data.iv["instrument"].isna().all()


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        # 2 x 10.5 A and 1.5 x 15 x 49 V = 1102.5 V are the borders for S1.
        (",9.4,", ",94,", "above 2 times the nameplate of the string. Expected A; is it in mA?"),
        (
            ",690,",
            ",1103,",
            "above 1.5 times the nameplate of the string. Expected V; is modules_in_series right?",
        ),
        (",S1,", ",S9,", "not in strings"),
    ],
)
def test_an_iv_row_that_cannot_be_of_its_string_is_set_aside(tmp_path, old, new, reason):
    data = read_site(
        tmp_path, {"readings/iv/r1.csv": IV + IV.splitlines()[1].replace(old, new).replace("12:", "13:")}
    )
    assert len(data.iv) == 1
    assert reason in aside(data)[0][2]


def test_an_iv_row_without_current_is_a_finding_and_kept(tmp_path):
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV_HEADER + "2024-06-01,S1,900,45,-0.01,690,,\n"})
    assert len(data.iv) == 1
    assert data.iv["p_mp"].isna().all()
    assert any(
        "rows with a day but no time of day were read as midnight of Europe/London" in n for n in data.notices
    )


def test_curves_are_kept_where_one_iv_row_names_them(tmp_path):
    header = IV_HEADER.replace("v_mp_v", "v_mp_v,trace_id")
    row = IV.splitlines()[1]
    data = read_site(
        tmp_path,
        {
            "readings/iv/r1.csv": header
            + f"{row},T1\n{row.replace('S1', 'S2')},T2\n{row.replace('S1', 'S3')},T2\n"
            f"{row.replace('2024-06-01', '2024-07-01')},T3\n",
            "readings/iv_curves/r1.csv": "trace_id,v_v,i_a\nT1,0,9.4\nT1,690,0\nT2,0,9\nT3,0,9\nT4,0,9\n",
        },
        as_of=dt.date(2024, 7, 1),
    )
    assert data.iv_curves.to_numpy().tolist() == [["T1", 0, 9.4], ["T1", 690, 0]]
    assert aside(data) == [
        (4, "trace_id", "more than one row of iv has this trace_id"),
        (6, "trace_id", "no usable row of iv has this trace_id"),
    ]
    assert data.files.set_index("table").loc["iv_curves", "after_as_of"] == 1  # T3


def test_clamp_cells_may_be_blank_and_a_bad_one_goes_alone(tmp_path):
    data = read_site(
        tmp_path,
        {
            "readings/clamp/c.csv": "time,inverter_id,dc_current_a,ac_power_kw,phase\n"
            '2024-06-01T12:00Z,INV1,"9,45",5,\n2024-06-01T12:00Z,INV1,,2,1\n'
            "2024-06-01T12:00Z,INV1,,2,4\n"
        },
    )
    assert data.clamp["ac_power_kw"].tolist() == [5, 2]
    assert data.clamp["dc_current_a"].isna().all()
    assert data.set_aside["part"].tolist() == ["value", "row"]


def test_rows_without_a_reading_do_not_count_as_measured(tmp_path):
    empty = IV.splitlines()[1].replace("S1", "S2").replace(",9.4,690,9,570", ",,,,")
    clamp = "time,inverter_id,dc_current_a,ac_power_kw\n2024-06-01T12:00Z,INV1,9,5\n2024-06-01T12:00Z,INV2,,\n"
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV + empty + "\n", "readings/clamp/c.csv": clamp})
    assert data.iv["string_id"].tolist() == ["S1"]
    assert data.clamp["inverter_id"].tolist() == ["INV1"]
    assert [(line, reason.split(".")[0]) for line, _, reason in aside(data)] == [(3, "holds no measured value")] * 2


def test_a_row_without_values_stays_where_its_curve_may_hold_them(tmp_path):
    row = IV.splitlines()[1].replace(",9.4,690,9,570", ",,,,") + ",T1\n"
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV_HEADER.replace("v_mp_v", "v_mp_v,trace_id") + row,
                                "readings/iv_curves/r1.csv": "trace_id,v_v,i_a\nT1,0,9.4\nT1,690,0\n"})
    assert len(data.iv) == 1
    assert len(data.iv_curves) == 2


@pytest.mark.parametrize(("values", "told"),
                         [(",0,0,0,0", True), (",0,5.4,0,0", False), (",0,0,,", True), (",9.4,690,9,570", False)])
def test_a_trace_of_zeros_alone_is_told_and_kept(tmp_path, values, told):
    row = IV.splitlines()[1].replace("S1", "S2").replace(",9.4,690,9,570", values)
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV + row + "\n"})
    assert len(data.iv) == 2
    said = [n for n in data.notices if "zeros alone" in n]
    assert said == (["sites/field/readings/iv/r1.csv: 1 trace holds zeros alone, line 3 (S2): taken as a dead string. If it was "
                     "not traced, take its row out."] if told else [])


@pytest.mark.parametrize(("zeros", "of_each", "sound", "kept"), [
    (3, ",0,0,0,0", 6, 6), (3, ",0,0,0,0", 7, 10), (2, ",0,0,0,0", 1, 3), (3, ",0,0,,", 1, 4), (3, ",0,4.1,0,0", 1, 4)])
def test_zeros_that_fill_up_a_sheet_are_no_dead_strings(tmp_path, zeros, of_each, sound, kept):
    row = IV.splitlines()[1]
    rows = [row.replace("12:00", f"12:{k:02d}") for k in range(sound)]
    rows += [row.replace("12:00", f"13:{k:02d}").replace(",9.4,690,9,570", of_each) for k in range(zeros)]
    data = read_site(tmp_path, {"readings/iv/r1.csv": IV_HEADER + "\n".join(rows) + "\n"})
    assert len(data.iv) == kept
    assert len(aside(data)) == zeros + sound - kept
    assert all("more likely not made than of dead strings" in reason for _, _, reason in aside(data))


def test_a_round_whose_light_is_in_kilowatts_is_set_aside(tmp_path):
    dim = IV.splitlines()[1].replace("12:", "13:").replace(",900,", ",0.9,")
    dead = dim.replace("13:", "14:").replace(",9.4,690,9,570", ",0,0,,")
    data = read_site(tmp_path, {"readings/iv/r1.csv": f"{IV}{dim}\n{dead}\n", "readings/iv/r2.csv": f"{IV_HEADER}{dead}\n"})
    assert data.iv["poa_global"].tolist() == [900]
    reason = "too little light for the currents of its file. Expected W/m²; is it in kW/m²?"
    assert aside(data)[:2] == [(3, "poa_global_w_m2", reason), (4, "poa_global_w_m2", reason)]


def test_power_of_a_trace_in_kilowatts_is_brought_to_watts(tmp_path):
    header, row = IV.splitlines()
    rows = f"{row},5.13\n{row.replace('12:', '13:')},5125\n{row.replace('12:', '14:')},4000\n"  # 9 A x 570 V = 5130 W
    data = read_site(tmp_path, {"readings/iv/r1.csv": f"{header},p_mp_w\n{rows}"})
    assert data.iv["p_mp"].tolist() == [5130, 5125, 4000]
    (said,) = [n for n in data.notices if "p_mp_w" in n]
    assert "p_mp_w of 1 of its traces, first line 2, is a thousandth" in said


def test_clamp_power_beyond_the_inverter_goes_alone(tmp_path):
    # 10 kVA: 13 kW of AC and 30 kW of DC at most.
    data = read_site(tmp_path, {"readings/clamp/c.csv": "time,inverter_id,dc_current_a,dc_power_kw,ac_power_kw,ac_apparent_kva\n"
                                "2024-06-01T12:00Z,INV1,9,8.1,7900,8\n2024-06-01T12:05Z,INV2,9,31,7.9,14\n"})
    assert data.clamp["dc_current_a"].tolist() == [9, 9]
    assert data.clamp[["dc_power_kw", "ac_power_kw", "ac_apparent_kva"]].isna().to_numpy().tolist() == [
        [False, True, False], [True, False, True]]
    assert sorted((line, column) for line, column, _ in aside(data)) == [(2, "ac_power_kw"), (3, "ac_apparent_kva"),
                                                                         (3, "dc_power_kw")]
    assert any("ac_power_kw = 7900" in n and "is it in W?" in n for n in data.notices)


def test_traces_of_days_without_weather_are_told(tmp_path):
    row = IV.splitlines()[1].replace("2024-", "2034-")
    data = read_site(tmp_path, {"weather.csv": WEATHER, "readings/iv/r1.csv": f"{IV}{row}\n"})
    (said,) = [n for n in data.notices if "without weather" in n]
    assert "r1.csv: 1 of its traces lie on days without weather, first line 3: 2034-06-01. Expected" in said
    assert len(data.iv) == 2
