"""The revenue meter."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.field.site import METER, aside, read_site


def _utc(text):
    return pd.Timestamp(text, tz="UTC")


def test_meter_takes_dates_as_local_midnight_and_export_as_energy(tmp_path):
    data = read_site(
        tmp_path, {"readings/meter/m.csv": METER + "2024-06-01,2024-07-01,2000\n2024-05-01,2024-06-01,1900\n"}
    )
    assert data.meter.to_numpy().tolist() == [
        [_utc("2024-04-30 23:00"), _utc("2024-05-31 23:00"), 1900],
        [_utc("2024-05-31 23:00"), _utc("2024-06-30 23:00"), 2000],
    ]


@pytest.mark.parametrize(
    ("rows", "kept", "reasons"),
    [
        ("2024-06-01,2024-07-01,-5\n", [], ["outside what is possible. Expected 0 kWh or more"]),
        ("2024-06-01,2024-06-01,5\n", [], ["not after start. Expected the end of the period"]),
        ("2024-06-01,2024-07-01,\n", [], ["blank, and each row needs it"]),
        # A year's total beside its months: the months say more.
        (
            "2024-01-01,2025-01-01,24000\n2024-06-01,2024-07-01,2000\n2024-07-01,2024-08-01,2100\n",
            [2000, 2100],
            ["overlaps the period of sites/field/readings/meter/m.csv, line"],
        ),
        (
            "2024-06-01,2024-06-30,2000\n2024-06-29,2024-07-28,2100\n",
            [2000],
            ["line 2, which is shorter or equal and was kept"],
        ),
        # 20 kW x 24 h x 1.05 = 504 kWh a day. Two days at zero, then their energy in one period.
        (
            "2024-06-01,2024-06-02,90\n2024-06-02,2024-06-03,0\n2024-06-03,2024-06-04,0\n2024-06-04,2024-06-05,505\n"
            "2024-06-05,2024-06-06,504\n",
            [90, 504],
            ["zero while not read: the energy came with line 5"] * 2
            + ["catch-up of the gap since 2024-06-02T00:00:00+01:00"],
        ),
        (
            "2024-06-01,2024-06-02,90\n2024-06-02,2024-06-03,505\n",
            [90],
            ["more than 20 kW of inverters can deliver in that time"],
        ),
    ],
)
def test_meter_periods_that_cannot_stand_are_set_aside(tmp_path, rows, kept, reasons):
    data = read_site(tmp_path, {"readings/meter/m.csv": METER + rows})
    assert data.meter["energy_kwh"].tolist() == kept
    found = [reason for _, _, reason in aside(data)]
    assert len(found) == len(reasons)
    assert all(part in reason for part, reason in zip(reasons, found, strict=True))


def test_a_catch_up_of_the_meter_is_noticed(tmp_path):
    data = read_site(tmp_path, {"readings/meter/m.csv": METER + "2024-06-01,2024-06-02,9000\n"})
    assert any("1 period holds more energy than the inverters can deliver" in n for n in data.notices)


@pytest.mark.parametrize(("days", "kept"), [(3, 0), (2, 3)])
def test_a_file_of_which_most_periods_are_impossible_is_not_used_for_the_rest(tmp_path, days, kept):
    # A month's energy in a day: day and month are swapped, and what is left would be a month's for a year.
    rows = [f"2024-01-{d:02d},2024-01-{d + 1:02d},7000" for d in range(7, 7 + days)]
    rows += ["2024-02-01,2024-12-31,1700", "2025-01-01,2025-01-31,2000", "2025-02-01,2025-02-28,2000"][:2 if days == 3 else 3]
    data = read_site(tmp_path, {"readings/meter/a.csv": "start,end,energy_kwh\n" + "\n".join(rows) + "\n"})
    assert (0 if data.meter is None else len(data.meter)) == kept
    said = [reason for _, _, reason in aside(data)]
    assert len(said) == len(rows) - kept
    assert all("are day and month of its dates swapped?" in reason for reason in said)
