"""What was settled, against the meter and the tariff. A January of 744 hours metered 744 x 9 = 6696 kWh, worth 669.60."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.cost.build import make_data
from tests.cost.farm_year import account, evidence, farm, statements
from yieldwatch.cost.income import metered_intervals, monthly_income
from yieldwatch.cost.statements import check_statements
from yieldwatch.portfolio.model import TariffBand

GAP = account("2023-01-01", "2023-05-01")


def checked(*rows, **more):
    found, said = check_statements(farm(), replace(evidence(GAP, statements=statements(*rows)), **more), GAP)
    return found, said


def test_a_right_statement_agrees():
    found, said = checked(("2023-01-01", "2023-02-01", 6696, 669.60, "A"))
    row = found.iloc[0]
    assert row["verdict"] == "agrees"
    assert (row["meter_kwh"], row["amount_due"]) == (pytest.approx(6696), pytest.approx(669.60))
    assert "class 0.5" in said[0]


@pytest.mark.parametrize(
    ("energy", "amount", "verdict", "by_energy", "by_price"),
    [
        (6500, 650.00, "energy_differs", -19.60, 0.0),  # 196 kWh short; two meters may differ by 0.71 %, 47 kWh
        (6660, 666.00, "agrees", -3.60, 0.0),  # 36 kWh short
        (6696, 602.64, "price_differs", 0.0, -66.96),  # paid 0.09 instead of 0.10
        (6500, 585.00, "energy_and_price_differ", -19.60, -65.00),
    ],
)
def test_a_difference_is_split_into_energy_and_price(energy, amount, verdict, by_energy, by_price):
    row = checked(("2023-01-01", "2023-02-01", energy, amount, "A"))[0].iloc[0]
    assert row["verdict"] == verdict
    assert row["due_to_energy"] == pytest.approx(by_energy, abs=1e-6)
    assert row["due_to_price"] == pytest.approx(by_price, abs=1e-6)
    assert row["due_to_energy"] + row["due_to_price"] == pytest.approx(row["amount_difference"])


def test_duplicates_overlaps_and_missing_spans_are_named():
    found, _ = checked(
        ("2023-01-01", "2023-02-01", 6696, 669.60, "A"), ("2023-01-01", "2023-02-01", 6696, 669.60, "B"),
        ("2023-01-15", "2023-02-01", 3672, 367.20, "C"), ("2023-03-01", "2023-04-01", 6696, 669.60, "D"))
    assert found["verdict"].tolist() == ["agrees", "duplicate", "overlap", "missing", "agrees"]
    gap = found.iloc[3]
    assert (gap["start"], gap["end"]) == ("2023-02-01", "2023-03-01")
    assert gap["amount_due"] == pytest.approx(28 * 24 * 9 * 0.10)  # what should have been settled in February
    assert np.isnan(gap["amount"])


def test_without_a_meter_or_outside_the_months_nothing_is_claimed():
    found, said = checked(("2023-01-01", "2023-02-01", 1, 1, "A"), meter=None)
    assert found["verdict"].iloc[0] == "not_checked"
    assert np.isnan(found["meter_kwh"].iloc[0])
    assert said[-1].startswith("1 statement could")
    found, _ = checked(("2022-12-01", "2023-01-01", 6696, 669.60, "A"))
    assert found["note"].iloc[0].startswith("Outside")


def test_a_month_with_a_missing_price_is_left_open_but_its_energy_is_checked():
    site = replace(farm(), tariffs=())
    data = evidence(GAP, statements=statements(("2023-01-01", "2023-02-01", 6000, 600, "A")))
    row = check_statements(site, data, GAP)[0].iloc[0]
    assert row["verdict"] == "energy_differs"
    assert np.isnan(row["amount_due"])


def test_money_for_output_held_down_may_come_with_the_statement_or_apart():
    gap = account("2023-01-01", "2023-02-01", curtailment=1.0)  # 744 kWh held down, half paid: 37.20; 8 kWh an hour metered
    tariff = replace(farm().tariffs[0], curtailment_paid_pct=50.0)
    for amount in (595.20, 632.40):
        data = evidence(gap, statements=statements(("2023-01-01", "2023-02-01", 5952, amount, "A")))
        assert check_statements(replace(farm(), tariffs=(tariff,)), data, gap)[0]["verdict"].tolist() == ["agrees"]


def test_a_meter_finer_than_the_grid_is_added_up_and_a_hole_stays_a_hole():
    index = pd.date_range("2023-01-01", periods=2, freq="h", tz="UTC")
    grid = pd.DataFrame({"expected_kwh": 10.0, "measured_kwh": 9.0}, index)
    starts = pd.date_range("2023-01-01", periods=3, freq="30min", tz="UTC")
    meter = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta("30min"), "energy_kwh": [4.0, 5.0, 6.0]})
    got = metered_intervals(replace(make_data(), meter=meter), grid)
    assert got.iloc[0] == 9.0
    assert np.isnan(got.iloc[1])


def test_the_first_month_is_checked_though_the_weather_begins_in_its_first_morning():
    # Ten hours of 744, as where weather of whole UTC days is read at ten hours east of Greenwich.
    late = replace(GAP, intervals=GAP.intervals.iloc[10:])
    for start, verdict in (("2023-01-01", "agrees"), ("2022-12-25", "not_checked")):
        kwh = 9.0 * (pd.Timestamp("2023-02-01") - pd.Timestamp(start)).days * 24
        span = {"start": [pd.Timestamp(start, tz="UTC")], "end": [pd.Timestamp("2023-02-01", tz="UTC")]}
        meter = pd.DataFrame({**span, "energy_kwh": kwh})
        data = replace(evidence(GAP, statements=statements((start, "2023-02-01", kwh, 0.1 * kwh, "A"))), meter=meter)
        assert check_statements(farm(), data, late)[0]["verdict"].iloc[0] == verdict


def test_no_statements_no_rows():
    assert check_statements(farm(), evidence(GAP), GAP)[0].empty


def test_small_differences_that_all_go_one_way_are_told():
    gap = account("2023-01-01", "2023-09-01")
    days = pd.date_range("2023-01-01", periods=9, freq="MS").strftime("%Y-%m-%d")
    kwh = gap.yields["measured_kwh"]
    rows = [(a, b, 1.004 * e, 0.1004 * e, "") for a, b, e in zip(days[:-1], days[1:], kwh, strict=True)]
    found, said = check_statements(farm(), evidence(gap, statements=statements(*rows)), gap)
    assert set(found["verdict"]) == {"agrees"}
    assert any("0.40 %" in s and "more" in s for s in said)
    rows[0] = (days[0], days[1], 0.999 * kwh[0], 0.0999 * kwh[0], "")
    said = check_statements(farm(), evidence(gap, statements=statements(*rows)), gap)[1]
    assert not any("no chance" in s for s in said)


@pytest.mark.parametrize(
    ("meter_freq", "amount", "verdict"),
    [
        # A month of 31 days of 216 kWh: to the 16th inclusive at 0.10, then at 0.12: 216 x (16 x 0.10 + 15 x 0.12) = 734.40.
        ("30min", 734.40, "agrees"),
        ("30min", 727.06, "price_differs"),  # 1 % short, which a monthly meter could not tell
        ("D", 727.06, "price_differs"),
        ("MS", 727.06, "agrees"),
        ("30min", 669.60, "price_differs"),
    ],
)
def test_a_price_that_changes_within_the_month_is_checked_as_finely_as_the_meter_reads(meter_freq, amount, verdict):
    site = replace(farm(), tariffs=(*farm().tariffs, replace(farm().tariffs[0], start=dt.date(2023, 1, 17), price_per_kwh=0.12)))
    gap = account("2023-01-01", "2023-02-01")
    edges = pd.date_range("2023-01-01", "2023-02-01", freq=meter_freq, tz="UTC")
    hours = (edges[1:] - edges[:-1]) / pd.Timedelta("1h")
    meter = pd.DataFrame({"start": edges[:-1], "end": edges[1:], "energy_kwh": 9.0 * hours})
    data = replace(evidence(gap, statements=statements(("2023-01-01", "2023-02-01", 6696, amount, "A"))), meter=meter)
    row = check_statements(site, data, gap)[0].iloc[0]
    assert row["verdict"] == verdict
    assert row["amount_due"] == pytest.approx(734.40)
    assert ("All was paid at 0.10000" in row["note"]) == (amount == 669.60)


def test_a_meter_finer_than_the_weather_is_priced_at_its_own_hours():
    # All of an hour's 9 kWh come in its second half, when the market pays 0.20 and not 0.10: 6696 kWh x 0.20 = 1339.20.
    site = replace(farm(), tariffs=(replace(farm().tariffs[0], kind="market", price_per_kwh=None),))
    gap = account("2023-01-01", "2023-02-01")
    starts = pd.date_range("2023-01-01", "2023-02-01", freq="30min", tz="UTC", inclusive="left")
    meter = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta("30min"), "energy_kwh": np.tile([0.0, 9.0], 744)})
    prices = pd.DataFrame({"price_per_kwh": np.tile([0.10, 0.20], 744)}, starts)
    data = replace(evidence(gap, statements=statements(("2023-01-01", "2023-02-01", 6696, 1339.20, "A"))), meter=meter,
                   prices=prices)
    row = check_statements(site, data, gap)[0].iloc[0]
    assert (row["verdict"], row["amount_due"]) == ("agrees", pytest.approx(1339.20))
    assert row["amount_tolerance"] < 0.2
    assert monthly_income(site, data, gap)["revenue"].item() == pytest.approx(1339.20)


def test_income_follows_the_meters_hours_where_it_measured_the_month():
    # The model shares the day evenly; the meter had it all from noon on, when a kWh brings 0.20.
    band = TariffBand((0, 1, 2, 3, 4, 5, 6), 12 * 60, 24 * 60, 0.20)
    site = replace(farm(), tariffs=(replace(farm().tariffs[0], kind="time_of_use", bands=(band,)),))
    gap = account("2023-01-01", "2023-02-01")
    starts = pd.DatetimeIndex(gap.intervals.index)
    kwh = np.where(starts.hour < 12, 0.0, 18.0)
    meter = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta("1h"), "energy_kwh": kwh})
    data = replace(evidence(gap), meter=meter)
    assert monthly_income(site, data, gap)["revenue"].item() == pytest.approx(6696 * 0.20)
    by_log = replace(gap, yields=gap.yields.assign(measured_from="inverter_log"))
    assert monthly_income(site, data, by_log)["revenue"].item() == pytest.approx(6696 * 0.15)


def test_statements_that_stop_are_missing_once_they_should_have_come():
    found, _ = checked(("2023-01-01", "2023-02-01", 6696, 669.60, "A"))
    # The record ends with April; statements come within 45 days, so February's should be there and March's may be on its way.
    assert found["verdict"].tolist() == ["agrees", "missing"]
    assert found.iloc[1][["start", "end"]].tolist() == ["2023-02-01", "2023-03-01"]
    assert found["amount_due"].iloc[1] == pytest.approx(28 * 24 * 9 * 0.10)
    on_time, _ = checked(("2023-01-01", "2023-02-01", 6696, 669.60, "A"), ("2023-02-01", "2023-03-01", 6048, 604.80, "B"))
    assert on_time["verdict"].tolist() == ["agrees", "agrees"]


def test_months_before_the_first_statement_are_said_to_be_unchecked():
    said = checked(("2023-03-01", "2023-04-01", 6696, 669.60, "A"))[1]
    assert any("reads from 2023-01-01 on and the first statement begins on 2023-03-01" in s for s in said)
    assert not any("first statement" in s for s in checked(("2023-01-01", "2023-02-01", 6696, 669.60, "A"))[1])


@pytest.mark.parametrize(("hours", "verdict", "tolerance"), [(10, "agrees", 48 + 90), (20, "not_checked", np.nan)])
def test_a_short_hole_in_the_meter_is_filled_and_allowed(hours, verdict, tolerance):
    # An hour meter that lacks 10 of 744 hours of 9 kWh, then 20: above the 2 % that a month may lack to count as measured.
    gap = account("2023-01-01", "2023-02-01")
    starts = pd.DatetimeIndex(gap.intervals.index)
    meter = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta("1h"), "energy_kwh": 9.0}).drop(range(300, 300 + hours))
    data = replace(evidence(gap, statements=statements(("2023-01-01", "2023-02-01", 6600, 660.0, "A"))),
                   meter=meter.reset_index(drop=True))
    row = check_statements(farm(), data, gap)[0].iloc[0]
    assert row["verdict"] == verdict
    assert row["energy_tolerance_kwh"] == pytest.approx(tolerance, abs=0.5, nan_ok=True)
    assert ("90 kWh that the meter lacks are filled" in row["note"]) == (hours == 10)


@pytest.mark.parametrize(("freq", "verdict"), [("h", "energy_differs"), ("MS", "agrees")])
def test_own_use_is_known_as_well_as_the_meters_hours_are(freq, verdict):
    # Of 9 kWh an hour 6 are used on site, so 3 x 744 = 2232 kWh are sold; 2150 were settled, 82 less.
    site = replace(farm(), meter="generation", tariffs=(replace(farm().tariffs[0], import_price_per_kwh=0.25),))
    gap = account("2023-01-01", "2023-02-01")
    edges = pd.date_range("2023-01-01", "2023-02-01", freq=freq, tz="UTC")
    kwh = 9.0 * ((edges[1:] - edges[:-1]) / pd.Timedelta("1h"))
    load = pd.DataFrame({"load_kw": 6.0}, gap.intervals.index)
    data = replace(evidence(gap, statements=statements(("2023-01-01", "2023-02-01", 2150, 215.0, "A"))), load=load,
                   meter=pd.DataFrame({"start": edges[:-1], "end": edges[1:], "energy_kwh": kwh}))
    row = check_statements(site, data, gap)[0].iloc[0]
    assert (row["verdict"], row["meter_kwh"]) == (verdict, pytest.approx(2232))
    # Half a per cent of the 6696 kWh that the one meter counted and of the 2232 of the other; 5 % of 4464 where it says no hours.
    allowed = 0.005 * np.hypot(6696, 2232) + 0.5 + (0.05 * 4464 if freq == "MS" else 0.0)
    assert row["energy_tolerance_kwh"] == pytest.approx(allowed)


def test_a_correction_below_nil_is_added_to_the_statement_that_it_corrects():
    # 7000 kWh were settled, and 304 taken back: 6696, as metered.
    found, _ = checked(("2023-01-01", "2023-02-01", 7000, 700.0, "A"), ("2023-01-01", "2023-02-01", -304, -30.4, "A-2"),
                       ("2023-02-01", "2023-03-01", 6048, 604.8, "B"))
    assert found["verdict"].tolist() == ["agrees", "agrees"]
    row = found.iloc[0]
    assert (row["energy_kwh"], row["amount"], row["reference"]) == (6696, pytest.approx(669.6), "A + A-2")
    assert "corrections" in row["note"]
    alone, _ = checked(("2023-01-01", "2023-02-01", -304, -30.4, "A"), ("2023-02-01", "2023-03-01", 6048, 604.8, "B"))
    assert alone["verdict"].tolist() == ["energy_differs", "agrees"]


@pytest.mark.parametrize(("amount", "verdict"), [(673.0, "agrees"), (669.6 + 0.01, "agrees"), (700.0, "energy_and_price_differ")])
def test_a_statement_without_energy_is_held_against_the_worth_of_what_was_metered(amount, verdict):
    # Two meters may differ by 0.71 % of 669.60, which is 4.73.
    row = checked(("2023-01-01", "2023-02-01", np.nan, amount, "A"))[0].iloc[0]
    assert (row["verdict"], row["amount_tolerance"]) == (verdict, pytest.approx(4.73 + 0.11, abs=0.02))
    assert "no energy" in row["note"]
