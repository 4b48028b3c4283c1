from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import MODULES, data_of, key_points, one_round, scaled, site_of
from yieldwatch.gap.clamps import COLUMNS, apparent_power_kva, check_clamps, reactive_power_kvar
from yieldwatch.gap.held_readings import HELD, INSTRUCTED
from yieldwatch.gap.rounds import assess_rounds

NUMBERS = (
    "poa_global",
    "temp_module",
    "dc_voltage_v",
    "dc_current_a",
    "dc_power_kw",
    "ac_voltage_v",
    "ac_current_a",
    "ac_power_kw",
    "ac_apparent_kva",
    "ac_reactive_kvar",
    "power_factor",
)


def _readings(*rows):
    blank = {"mppt": None, "phase": None, "instrument": None, "note": None, "file": "clamp/c.csv", "line": 2}
    out = []
    for k, row in enumerate(rows):
        at = pd.Timestamp("2024-06-02 12:00", tz="UTC") + pd.Timedelta(minutes=5 * k)
        out.append({"time": at, **blank, **dict.fromkeys(NUMBERS, np.nan), **row})
    return pd.DataFrame(out)


def _check(site, clamp, iv=None):
    data = data_of(iv=iv, clamp=clamp)
    return check_clamps(site, data, assess_rounds(site, data))


def _dc(strings, poa=850.0, volts=1.0, amps=1.0):
    """What an inverter with sound strings shows at its DC side: 1 % wiring at full sun, 1 % mismatch."""
    point = key_points(poa, 45.0 + 3.0 * poa / 1000.0)
    v = point["v_mp"] * MODULES * (1.0 - 0.01 * poa / 1000.0) * volts
    i = point["i_mp"] * strings * 0.99 * amps
    return {
        "poa_global": poa,
        "temp_module": 45.0,
        "dc_voltage_v": v,
        "dc_current_a": i,
        "dc_power_kw": v * i / 1000.0,
    }


@pytest.mark.sourced
def test_three_phase_reading_is_completed():
    # Source: S = sqrt(3) V_LL I (pe-calc.com): 400 V, 120 A, power factor 0.98: 83.1384 kVA, 81.4757 kW,
    # 16.5443 kvar.
    site = site_of(10)
    row = _check(site, _readings({"inverter_id": "I0", "ac_voltage_v": 400.0, "ac_current_a": 120.0,
                                  "power_factor": 0.98})).iloc[0]
    assert row["ac_apparent_kva"] == pytest.approx(83.1384, abs=1e-4)
    assert row["ac_power_kw"] == pytest.approx(81.4757, abs=1e-4)
    assert row["ac_reactive_kvar"] == pytest.approx(16.5443, abs=1e-4)
    assert row["derived"] == "ac_apparent_kva ac_power_kw ac_reactive_kvar"
    assert row["contradictions"] == ""


@pytest.mark.sourced
def test_single_phase_reading_is_completed():
    # Source: electrakit.com worked example: 240 V, 15 A, power factor 0.85: 3.600 kVA, 3.060 kW, 1.8964 kvar.
    site = site_of(10)
    row = _check(
        site,
        _readings(
            {
                "inverter_id": "I0",
                "phase": 1,
                "ac_voltage_v": 240.0,
                "ac_current_a": 15.0,
                "power_factor": 0.85,
            }
        ),
    ).iloc[0]
    assert row["ac_apparent_kva"] == pytest.approx(3.6)
    assert row["ac_power_kw"] == pytest.approx(3.06)
    assert row["ac_reactive_kvar"] == pytest.approx(1.8964, abs=1e-4)


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("kva", "kw", "kvar"),
    [
        (5.0, 4.0, 3.0),  # Source: electrical-contractor.net: 4 W, 3 var make 5 VA.
        (
            9.6,
            7.68,
            5.76,
        ),  # Source: qammunity.org 6513899, 480 V, 20 A, power factor 0.8, corrected: 5.76 kvar.
        (100.0, 95.0, 31.2250),  # Source: sqrt(S² - P²) by hand.
        (142.857, 100.0, 102.0204),  # Source: pe-calc.com: 100 kW at power factor 0.70.
        (105.263, 100.0, 32.8684),  # Same, at 0.95.
    ],
)
def test_reactive_power_closes_the_triangle(kva, kw, kvar):
    assert reactive_power_kvar(kva, kw) == pytest.approx(kvar, rel=1e-4)


@pytest.mark.sourced
def test_apparent_power_of_one_phase():
    # Source: qammunity.org 6513899: 480 V x 20 A = 9.6 kVA.
    assert apparent_power_kva(480.0, 20.0, three_phase=False) == pytest.approx(9.6)


@pytest.mark.sourced
def test_efficiency_carries_its_uncertainty_and_its_curve():
    # Source: GUM rule by hand: sqrt(1² + 1² + 0.5² + 0.5²) = 1.5811 % for two DC and two AC channels.
    site = site_of(10)
    row = _check(site, _readings({"inverter_id": "I0", "dc_voltage_v": 500.0, "dc_current_a": 20.0,
                                  "ac_power_kw": 9.2})).iloc[0]
    assert row["dc_power_kw"] == pytest.approx(10.0)
    assert row["efficiency"] == pytest.approx(0.92)
    assert row["efficiency_u"] == pytest.approx(0.015811, abs=1e-6)
    # At half load the curve gives 97.6 %: ln(0.92 / 0.976) = -0.0591.
    assert row["efficiency_curve"] == pytest.approx(0.976, abs=0.001)
    assert row["efficiency_log_ratio"] == pytest.approx(-0.0591, abs=0.001)
    assert "efficiency 92.0 % against 97.6 %" in row["note"]


def test_two_readings_of_dc_power_that_disagree_are_doubt():
    site = site_of(10)
    row = _check(site, _readings({"inverter_id": "I0", "dc_voltage_v": 500.0, "dc_current_a": 20.0,
                                  "dc_power_kw": 10.4, "ac_power_kw": 9.9})).iloc[0]
    # Mean sqrt(10 x 10.4) = 10.198 kW; doubt sqrt(1.5811² + (100 ln(1.04) / 2)²) = 2.519 %.
    assert row["efficiency"] == pytest.approx(9.9 / 10.198, rel=1e-4)
    assert row["efficiency_u"] == pytest.approx(0.02519, abs=1e-4)
    assert "DC volts and amperes give 10.00 kW against 10.40 kW" in row["contradictions"]


@pytest.mark.parametrize(("change", "said"), [
    ({"ac_reactive_kvar": 8.0}, "10.00 kVA is not √"),
    ({"power_factor": 0.9}, "power factor 0.900 is not kW/kVA = 0.990"),
    ({"dc_power_kw": 9.5}, "a meter or timing error"),
    ({"ac_voltage_v": 231.0, "ac_current_a": 14.43}, "the factor is √3"),
    ({"ac_voltage_v": 400.0, "ac_current_a": 20.0}, "volts and amperes give 13.86 kVA against 10.00 kVA"),
])
def test_what_does_not_fit_is_said(change, said):
    site = site_of(10)
    base = {"inverter_id": "I0", "ac_power_kw": 9.9, "ac_apparent_kva": 10.0, "ac_reactive_kvar": 1.41,
            "power_factor": 0.99, "dc_power_kw": 10.2}
    assert _check(site, _readings(base)).iloc[0]["contradictions"] == ""
    assert said in _check(site, _readings({**base, **change})).iloc[0]["contradictions"]


def test_unlike_phases_are_said():
    site = site_of(10)
    rows = [{"inverter_id": "I0", "phase": p, "ac_voltage_v": 231.0, "ac_current_a": a}
            for p, a in ((1, 20.0), (2, 20.1), (3, 17.0))]
    out = _check(site, _readings(*rows))
    assert out["contradictions"].str.contains("phase currents 17.0 to 20.1 A").all()
    assert out["efficiency"].isna().all()


def test_a_missing_string_shows_in_the_current_against_the_round():
    site = site_of(40)
    iv = one_round(site, "2024-06-01", noise=0.001)
    clamp = _readings(*({"inverter_id": f"I{k}", **_dc(9 if k == 2 else 10)} for k in range(4)))
    out = _check(site, clamp, iv).set_index("inverter_id")
    # Nine of ten.
    assert out.loc["I2", "current_ratio"] == pytest.approx(0.9, abs=0.01)
    assert out.loc["I2", "strings_missing"] == pytest.approx(1.0, abs=0.1)
    assert out.loc["I2", "current_ratio_peer"] == pytest.approx(0.9, abs=0.01)
    assert out.loc["I0", "current_ratio"] == pytest.approx(1.0, abs=0.01)
    assert out.loc["I2", "dc_power_ratio"] == pytest.approx(0.9, abs=0.01)
    assert "10 % short of its strings" in out.loc["I2", "note"]


def test_inverters_that_stood_still_at_the_visit_are_no_measure_for_the_others():
    site = site_of(40)
    iv = one_round(site, "2024-06-01", noise=0.001)
    clamp = _readings(*({"inverter_id": f"I{k}", **_dc(strings)} for k, strings in enumerate((10, 0, 0, 0))))
    out = _check(site, clamp, iv).set_index("inverter_id")
    assert np.isnan(out.loc["I0", "current_ratio_peer"])
    assert out.loc["I0", "note"] == ""


def test_an_inverter_that_takes_no_current_is_read_and_told():
    site = site_of(40)
    clamp = _readings(*({"inverter_id": f"I{k}", **_dc(10, amps=0.0 if k == 2 else 1.0)} for k in range(4)))
    out = _check(site, clamp, one_round(site, "2024-06-01", noise=0.001)).set_index("inverter_id")
    assert "100 % short of its strings" in out.loc["I2", "note"]
    assert out.loc["I0", "note"] == ""


def test_a_string_that_the_round_knows_to_be_open_is_not_missing_again():
    site = site_of(40)
    iv = one_round(
        site, "2024-06-01", odd={"S25": scaled(i_sc=0.0, v_oc=0.01, i_mp=0.0, v_mp=0.0)}, noise=0.001
    )
    clamp = _readings(*({"inverter_id": f"I{k}", **_dc(9 if k == 2 else 10)} for k in range(4)))
    out = _check(site, clamp, iv).set_index("inverter_id")
    assert out.loc["I2", "current_ratio"] == pytest.approx(1.0, abs=0.01)
    assert out.loc["I2", "dc_power_ratio"] == pytest.approx(0.9, abs=0.01)


def test_voltage_away_from_v_mp_is_an_input_that_does_not_track():
    site = site_of(10)
    row = _check(site, _readings({"inverter_id": "I0", **_dc(10, volts=0.88)})).iloc[0]
    assert row["voltage_ratio"] == pytest.approx(0.88, abs=0.01)
    assert "12 % below its strings' v_mp: the input may not be tracking" in row["note"]


def test_voltage_above_v_mp_at_the_rating_is_clipping():
    site = site_of(10)
    row = _check(
        site, _readings({"inverter_id": "I0", **_dc(10, volts=1.12, amps=0.85), "ac_power_kw": 19.9})
    ).iloc[0]
    assert row["limited"] == "at its kW rating"
    assert "as it must be at its kW rating" in row["note"]
    assert "short of its strings" not in row["note"]


def test_the_export_limit_is_shared_by_rating():
    # Two inverters of 20 kW, 30 kW at the meter, AC losses left out: 15 kW each.
    site = site_of(20, export_limit_kw=30.0, ac_wiring_pct=0.0, transformer_pct=0.0)
    out = _check(
        site,
        _readings({"inverter_id": "I0", "ac_power_kw": 15.1}, {"inverter_id": "I1", "ac_power_kw": 12.0}),
    )
    assert list(out["limited"]) == ["at its share of the export limit", ""]


def test_the_same_power_at_another_visit_is_the_same_limit_though_the_voltage_says_less():
    site = site_of(20)
    free = [{"inverter_id": "I1", **_dc(10), "ac_power_kw": 17.0} for _ in range(3)]
    held = [{"inverter_id": "I0", **_dc(10, volts=1.08, amps=0.6), "ac_power_kw": 11.0},
            {"inverter_id": "I0", **_dc(10, poa=700.0, volts=1.03, amps=0.75), "ac_power_kw": 10.9},
            {"inverter_id": "I0", **_dc(10, poa=700.0, volts=1.03, amps=0.85), "ac_power_kw": 12.3}]
    out = _check(site, _readings(*free, *held))
    assert list(out["limited"]) == [""] * 3 + [HELD, HELD, ""]


def test_too_little_light_gives_no_comparison():
    site = site_of(10)
    row = _check(site, _readings({"inverter_id": "I0", **_dc(10, poa=350.0)})).iloc[0]
    assert np.isnan(row["dc_power_ratio"])
    assert np.isnan(row["current_ratio"])


def test_no_readings_give_an_empty_table_with_its_columns():
    out = _check(site_of(5), pd.DataFrame())
    assert out.empty
    assert list(out.columns) == list(COLUMNS)


@pytest.mark.parametrize(("note", "start", "limited"), [
    ("network instruction, {share:.0f} kW", "11:50", INSTRUCTED),
    ("network instruction", "11:50", INSTRUCTED),
    # Far from its share of what the record names, it was something else; and the day after, nothing held it.
    ("network instruction, {twice:.0f} kW", "11:50", ""),
    ("network instruction, {share:.0f} kW", "16:00", ""),
])
def test_a_reading_under_a_recorded_instruction_says_so(note, start, limited):
    site = site_of(10)
    rated = site.inverters[0].inverter_type.ac_rated_kw
    gives = 0.4 * rated
    share = gives / rated * site.pac0_kw * (1.0 - site.ac_wiring_pct / 100.0) * (1.0 - site.transformer_pct / 100.0)
    begun = pd.Timestamp(f"2024-06-02 {start}", tz="UTC")
    data = data_of(clamp=_readings({"inverter_id": "I0", **_dc(5), "ac_power_kw": gives, "ac_apparent_kva": gives}))
    events = pd.DataFrame({
        "kind": ["curtailment"], "start": [begun], "end": [begun + pd.Timedelta(hours=3)], "scope": [("site",)],
        "note": [note.format(share=share, twice=2.0 * share)]})
    row = check_clamps(site, replace(data, events=events), assess_rounds(site, data)).iloc[0]
    assert row["limited"] == limited
