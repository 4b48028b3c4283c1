"""Times as written, at the two ends of daylight saving above all."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldwatch.columns import OPTIONAL, VALUE, Column
from yieldwatch.field.clocks import label_shift, read_times, usual_step

LONDON = ZoneInfo("Europe/London")
NEEDED = Column("time", "time", "When", VALUE)


def _read(texts, tz=LONDON, series=None, column=NEEDED):
    raw = texts if isinstance(texts, pa.Array) else pa.array(texts, pa.string())
    series = np.zeros(len(raw), dtype=int) if series is None else np.asarray(series)
    cells = read_times(raw, tz, series, column)
    return list(cells.values), [cells.texts[c] for c in cells.codes]


def _utc(text):
    return pd.Timestamp(text, tz="UTC")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2024-06-30T13:45:00+02:00", "2024-06-30 11:45"),
        ("2024-06-30T13:45:00Z", "2024-06-30 13:45"),
        ("2024-06-30 13:45-0530", "2024-06-30 19:15"),
        ("2024-06-30T13:45", "2024-06-30 12:45"),  # British Summer Time is an hour ahead
        ("2024-01-30T13:45:30.5", "2024-01-30 13:45:30.5"),
        ("2024-06-30", "2024-06-29 23:00"),  # local midnight
    ],
)
def test_a_time_is_absolute_with_an_offset_and_local_without(text, expected):
    times, reasons = _read([text])
    assert times == [_utc(expected)]
    assert reasons == [""]


@pytest.mark.parametrize(
    "text",
    [
        "30/06/2024 13:45",
        "2024-06-31",
        "2024",
        "noon",
        "2024-06-30T25:00",
        "2024-06-30T1:45",
        "1719755100",
    ],
)
def test_what_is_no_iso_time_is_refused(text):
    times, reasons = _read([text, "2024-06-30"])
    assert times[0] is pd.NaT
    assert "not a time. Expected ISO 8601" in reasons[0]
    assert reasons[1] == ""


@pytest.mark.parametrize(
    "raw",
    [
        pa.array(["1970-01-01T00:00:00Z", "9999-12-31T00:00:00"]),
        pa.array([dt.datetime(1970, 1, 1), dt.datetime(9999, 12, 31)], pa.timestamp("us")),
    ],
)
def test_a_clock_that_was_reset_is_refused(raw):
    times, reasons = _read(raw)
    assert times == [pd.NaT, pd.NaT]
    assert all("not a time of a running clock" in r for r in reasons)


def test_a_blank_is_bad_only_where_needed():
    assert "blank" in _read([None])[1][0]
    assert _read([""], column=Column("end", "time", "End", OPTIONAL)) == ([pd.NaT], [""])


def test_mixed_offsets_in_one_file_agree():
    times, _ = _read(["2024-03-31T00:30:00+00:00", "2024-03-31T02:30:00+01:00", "2024-03-31T02:30:00"])
    assert times == [_utc("2024-03-31 00:30"), _utc("2024-03-31 01:30"), _utc("2024-03-31 01:30")]


@pytest.mark.parametrize(
    "raw",
    [
        pa.array([dt.datetime(2024, 6, 30, 12, 45, tzinfo=dt.UTC)], pa.timestamp("us", "UTC")),
        pa.array([dt.datetime(2024, 6, 30, 13, 45)], pa.timestamp("us")),
        pa.array([dt.datetime(2024, 6, 30, 12, 45, tzinfo=dt.UTC)], pa.timestamp("ms", "Europe/Madrid")),
    ],
)
def test_stored_timestamps_follow_the_same_rule(raw):
    assert _read(raw)[0] == [_utc("2024-06-30 12:45")]


def test_stored_dates_are_local_midnight():
    assert _read(pa.array([dt.date(2024, 6, 30)]))[0] == [_utc("2024-06-29 23:00")]


# On 27 October 2024 at 02:00 BST (01:00 UTC) the clock of Europe/London went back to 01:00 GMT.
HALF_HOURS = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
IN_UTC = [
    "2024-10-26 23:30",
    "2024-10-27 00:00",
    "2024-10-27 00:30",
    "2024-10-27 01:00",
    "2024-10-27 01:30",
    "2024-10-27 02:00",
]


def _october(clock):
    return [f"2024-10-27T{c}" for c in clock]


def test_the_repeated_hour_is_told_by_order():
    times, reasons = _read(_october(HALF_HOURS))
    assert times == [_utc(t) for t in IN_UTC]
    assert set(reasons) == {""}


def test_the_repeated_hour_of_hourly_data_is_told_by_order():
    times, _ = _read(_october(["00:00", "01:00", "01:00", "02:00"]))
    assert times == [
        _utc(t) for t in ("2024-10-26 23:00", "2024-10-27 00:00", "2024-10-27 01:00", "2024-10-27 02:00")
    ]


def test_order_is_judged_within_each_series():
    # Two inverters, row by row in turn, as loggers write them.
    texts = [t for t in _october(HALF_HOURS) for _ in range(2)]
    times, reasons = _read(texts, series=[0, 1] * 6)
    assert times == [_utc(t) for t in IN_UTC for _ in range(2)]
    assert set(reasons) == {""}


def test_a_file_with_the_newest_row_first_is_told_by_its_own_order():
    times, _ = _read(_october(HALF_HOURS[::-1]))
    assert times == [_utc(t) for t in IN_UTC[::-1]]
    times, _ = _read(_october(["02:00", "01:00", "01:00", "00:00"]))
    assert times[1:3] == [_utc("2024-10-27 01:00"), _utc("2024-10-27 00:00")]


def test_a_repeated_row_does_not_hide_the_step_back():
    times, _ = _read(_october(["00:30", "01:00", "01:00", "01:30", "01:00", "01:30", "02:00"]))
    assert times[1] == times[2] == _utc("2024-10-27 00:00")
    assert times[4] == _utc("2024-10-27 01:00")


@pytest.mark.parametrize(
    "clock", [["00:30", "01:00", "01:30", "02:00"], ["01:00", "01:30", "01:00", "01:30", "01:00"]]
)
def test_the_repeated_hour_that_order_cannot_tell_is_set_aside(clock):
    times, reasons = _read(_october(clock))
    for text, time, reason in zip(clock, times, reasons, strict=True):
        if text.startswith("01"):
            assert time is pd.NaT
            assert "in the hour that Europe/London has twice" in reason
        else:
            assert reason == ""


def test_the_skipped_hour_is_set_aside():
    # On 31 March 2024 the clock of Europe/London went from 01:00 GMT to 02:00 BST.
    times, reasons = _read(["2024-03-31T00:30", "2024-03-31T01:30", "2024-03-31T02:00"])
    assert times == [_utc("2024-03-31 00:30"), pd.NaT, _utc("2024-03-31 01:00")]
    assert "in the hour that Europe/London skips" in reasons[1]


def test_the_southern_hemisphere_has_its_repeated_hour_in_april():
    # On 7 April 2024 at 03:00 AEDT (+11) the clock of Australia/Sydney went back to 02:00 AEST (+10).
    times, _ = _read(
        [f"2024-04-07T{c}" for c in ("02:00", "02:30", "02:00", "02:30", "03:00")],
        tz=ZoneInfo("Australia/Sydney"),
    )
    assert times == [_utc(f"2024-04-06 {c}") for c in ("15:00", "15:30", "16:00", "16:30", "17:00")]


@given(
    start=st.integers(0, 366 * 96),
    length=st.integers(2, 400),
    step=st.sampled_from([5, 15, 30, 60]),
    zone=st.sampled_from(["Europe/Madrid", "America/New_York", "Australia/Sydney", "UTC"]),
    n_series=st.integers(1, 3),
)
def test_a_whole_log_in_wall_time_is_read_back_exactly(start, length, step, zone, n_series):
    # The log covers both hours whole or not at all, so order always tells.
    begin = (pd.Timestamp("2024-01-01", tz="UTC") + pd.Timedelta(minutes=15 * start)).floor("D")
    end = (begin + pd.Timedelta(minutes=length * step)).ceil("D")
    true = pd.date_range(begin, end, freq=f"{step}min").repeat(n_series)
    wall = true.tz_convert(zone).strftime("%Y-%m-%dT%H:%M")
    near = true.tz_convert(zone)
    times, reasons = _read(list(wall), tz=ZoneInfo(zone), series=np.arange(len(true)) % n_series)
    first_day, last_day = near[0].date(), near[-1].date()
    for got, want, reason, local in zip(times, true, reasons, near, strict=True):
        if local.date() in (first_day, last_day):
            continue  # may begin or end inside the repeated hour
        assert reason == ""
        assert got == want


def test_usual_step_is_the_median_of_distinct_times():
    times = pd.Series(
        pd.to_datetime(
            [
                "2024-01-01 00:00",
                "2024-01-01 00:15",
                "2024-01-01 00:15",
                "2024-01-01 00:30",
                "2024-01-01 09:00",
            ],
            utc=True,
        )
    )
    assert usual_step(times) == pd.Timedelta(minutes=15)  # steps of 15, 15 and 510 minutes
    assert usual_step(times[:1]) is None


@pytest.mark.parametrize(("label", "minutes"), [("start", 0), ("middle", 7.5), ("end", 15)])
def test_label_shift(label, minutes):
    assert label_shift(label, pd.Timedelta(minutes=15)) == pd.Timedelta(minutes=minutes)
