"""Cells of each kind, from text and from stored types."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from yieldwatch.columns import OPTIONAL, VALUE, Column
from yieldwatch.portfolio.cells import read_cells

POWER = Column("p_kw", "number", "Power", unit="kW", low=0, high=100)


def _reasons(cells):
    return [cells.texts[c] for c in cells.codes]


@pytest.mark.parametrize(
    ("text", "value", "reason"),
    [
        ("9.45", 9.45, ""),
        (" 9.45 ", 9.45, ""),
        ("1e1", 10, ""),
        ("", np.nan, ""),
        ("NaN", np.nan, ""),
        ("N/A", np.nan, ""),
        ("9,45", np.nan, "decimal comma"),
        ("1.234,5", np.nan, "decimal comma"),
        ("-9,45", np.nan, "decimal comma"),
        ("0,344", np.nan, "decimal comma. Expected a decimal point, such as 9.45"),
        ("7,772", np.nan, "mark between thousands"),
        ("7,772.5", np.nan, "mark between thousands"),
        ("12'772", np.nan, "mark between thousands"),
        ("1 234 567", np.nan, "mark between thousands"),
        ("nine", np.nan, "not a number. Expected 0 to 100 kW"),
        ("9.4.5", np.nan, "not a number"),
        ("inf", np.nan, "not finite"),
        ("-1", np.nan, "outside what is possible"),
        ("100.1", np.nan, "outside"),
        ("100", 100, ""),
        ("0", 0, ""),
    ],
)
def test_a_number_from_text(text, value, reason):
    cells = read_cells(pa.array([text, "1"]), POWER)
    np.testing.assert_equal(cells.values, [value, 1.0])
    assert reason in _reasons(cells)[0]
    assert (reason == "") == (cells.codes[0] == 0)
    assert cells.codes[1] == 0


def test_stored_numbers_keep_nulls_and_are_held_to_the_range():
    cells = read_cells(pa.array([1.5, None, np.nan, np.inf, -2.0]), POWER)
    np.testing.assert_equal(cells.values, [1.5, np.nan, np.nan, np.nan, np.nan])
    assert [r.split(".")[0] for r in _reasons(cells)] == [
        "",
        "",
        "",
        "not finite",
        "outside what is possible",
    ]


def test_a_blank_is_bad_only_where_each_row_needs_a_value():
    needed = Column("p_kw", "number", "Power", VALUE)
    assert read_cells(pa.array(["", "1"]), POWER).codes.tolist() == [0, 0]
    assert _reasons(read_cells(pa.array(["", "1"]), needed)) == ["blank, and each row needs it", ""]


@pytest.mark.parametrize(
    "raw",
    [
        pa.array(["1", "2", None]),
        pa.array([1, 2, None]),
        pa.array([1.0, 2.0, None]),
        pa.array(["1.0", "2.0", ""]),
        pa.array([1.0, 2.0, np.nan]),
    ],
)
def test_an_input_has_one_name_however_it_was_stored(raw):
    values = read_cells(raw, Column("mppt", "id", "Input", OPTIONAL)).values
    assert values[:2].tolist() == ["1", "2"]
    assert pd.isna(values[2])


@pytest.mark.parametrize("name", ["INV1.0", "a_b-c.9", "7"])
def test_identifiers_are_kept_as_written(name):
    assert read_cells(pa.array([name]), Column("inverter_id", "id", "Inverter")).values.tolist() == [name]


@pytest.mark.parametrize("name", ["INV 1", "a/b", "=cmd", "ü"])
def test_what_is_no_identifier_is_refused(name):
    cells = read_cells(pa.array([name, None]), Column("inverter_id", "id", "Inverter"))
    assert cells.codes.tolist() == [1, 0]
    assert pd.isna(cells.values).all()


def test_flags():
    cells = read_cells(pa.array(["true", "No", "1", "", "maybe"]), Column("half_cut", "flag", "Half cut"))
    assert list(cells.values) == [True, False, True, None, None]
    assert cells.codes.tolist() == [0, 0, 0, 0, 1]
