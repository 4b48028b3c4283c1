"""Files as loaded: the three endings, lines, and rows that do not fit the header."""

from __future__ import annotations

import gzip
import os

import pandas as pd
import pyarrow as pa
import pytest

from yieldwatch.errors import InputError
from yieldwatch.portfolio.files import find_files, load


def _load(tmp_path, text, name="t.csv"):
    path = tmp_path / name
    path.write_bytes(gzip.compress(text.encode()) if name.endswith(".gz") else text.encode())
    return load(path, tmp_path)


def _cells(raw):
    return {name: column.to_pylist() for name, column in raw.columns.items()}


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("a,b\n1,2\n3,4\n", [2, 3]),
        ("a,b\r\n1,2\r\n3,4\r\n", [2, 3]),
        ("\ufeffa, b\n1,2\n3,4", [2, 3]),
        ("a,b\r1,2\r3,4\r", [2, 3]),
        ("a,b\n\n1,2\n\n\n3,4\n\n", [3, 6]),
        ('a,b\n"1","2"\n3,4\n', [2, 3]),
        ("a,b\n1,2,\n3,4,,\n", [2, 3]),
    ],
)
def test_each_way_to_write_a_csv_gives_the_same_rows_at_their_lines(tmp_path, text, lines):
    raw = _load(tmp_path, text)
    assert _cells(raw) == {"a": ["1", "3"], "b": ["2", "4"]}
    assert raw.lines.tolist() == lines
    assert raw.misfits == ()


def test_a_quoted_cell_may_hold_commas_quotes_and_lines(tmp_path):
    raw = _load(tmp_path, 'a,b\n"x, ""y""\nz",1\n2,3\n')
    assert _cells(raw) == {"a": ['x, "y"\nz', "2"], "b": ["1", "3"]}
    assert raw.lines.tolist() == [3, 4]  # the line on which the row ends


def test_rows_that_do_not_fit_the_header_are_kept_apart(tmp_path):
    raw = _load(tmp_path, "a,b\n1,2\n9,45,7\n3\n5,6\n")
    assert _cells(raw) == {"a": ["1", "5"], "b": ["2", "6"]}
    assert [(m[0], m[1]) for m in raw.misfits] == [(3, "9,45,7"), (4, "3")]
    assert "decimal comma" in raw.misfits[0][2]
    assert "cut short" in raw.misfits[1][2]


def test_gzip_and_parquet_hold_the_same_table(tmp_path):
    frame = pd.DataFrame({"a": [1.5, 2.5], "b": pd.Categorical(["x", "y"])})
    frame.to_parquet(tmp_path / "t.parquet")
    stored = load(tmp_path / "t.parquet", tmp_path)
    zipped = _load(tmp_path, "a,b\n1.5,x\n2.5,y\n", "t.csv.gz")
    assert _cells(stored) == {"a": [1.5, 2.5], "b": ["x", "y"]}
    assert _cells(zipped) == {"a": ["1.5", "2.5"], "b": ["x", "y"]}
    assert stored.lines.tolist() == [1, 2]  # row numbers
    assert zipped.lines.tolist() == [2, 3]


def test_a_header_alone_is_an_empty_table(tmp_path):
    raw = _load(tmp_path, "a,b")
    assert _cells(raw) == {"a": [], "b": []}
    assert raw.columns["a"].type == pa.string()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,a\n1,2\n", "column a is there more than once"),
        ('a,b\n"1,2\n3,4\n', "quotes do not pair up"),
        ("", "the header row is missing"),
    ],
)
def test_a_file_without_rows_to_trust_is_refused(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        _load(tmp_path, text)


def test_a_wrong_byte_is_placed(tmp_path):
    (tmp_path / "t.csv").write_bytes(b"a,b\n1,\xff\n")
    with pytest.raises(InputError, match=r"t\.csv, line 2: byte 6 is not UTF-8"):
        load(tmp_path / "t.csv", tmp_path)


def test_a_parquet_file_that_is_none_is_refused(tmp_path):
    (tmp_path / "t.parquet").write_bytes(b"a,b\n")
    with pytest.raises(InputError, match=r"t\.parquet: cannot be read"):
        load(tmp_path / "t.parquet", tmp_path)


def test_a_folder_serves_for_a_file_in_order_of_names(tmp_path):
    for name in ("2025.csv", "2024.parquet", "notes.txt", ".hidden.csv"):
        (tmp_path / "weather").mkdir(exist_ok=True)
        (tmp_path / "weather" / name).write_text("a\n")
    files, notices = find_files(tmp_path, "weather")
    assert [f.name for f in files] == ["2024.parquet", "2025.csv"]
    assert notices == [
        "weather/.hidden.csv: ignored, as its name begins with a point. If it is to be read, rename it.",
        "weather: ignored notes.txt; only .csv, .csv.gz, .parquet files are read. Export it as CSV.",
    ]


def test_a_table_that_is_there_twice_is_refused(tmp_path):
    for name in ("weather.csv", "weather.parquet"):
        (tmp_path / name).write_text("a\n")
    with pytest.raises(InputError, match=r"found more than once \(weather.csv, weather.parquet\)"):
        find_files(tmp_path, "weather")


def test_a_link_that_leads_out_of_the_folder_is_refused(tmp_path):
    root = tmp_path / "mine"
    root.mkdir()
    (tmp_path / "secret.csv").write_text("a\n1\n")
    (root / "t.csv").symlink_to(tmp_path / "secret.csv")
    with pytest.raises(InputError, match=r"t\.csv: a link leads out of the portfolio's folder. Expected a file in it. Copy"):
        load(root / "t.csv", root)


def test_a_link_within_the_folder_and_a_folder_that_is_a_link_are_read(tmp_path):
    root = tmp_path / "mine"
    root.mkdir()
    (root / "shared.csv").write_text("a\n1\n")
    (root / "t.csv").symlink_to(root / "shared.csv")
    (tmp_path / "link").symlink_to(root)
    assert _cells(load(tmp_path / "link" / "t.csv", tmp_path / "link")) == {"a": ["1"]}


def test_what_has_a_tables_name_and_is_no_file_is_told(tmp_path):
    (tmp_path / "meter").mkdir()
    (tmp_path / "meter" / "gone.csv").symlink_to(tmp_path / "nowhere.csv")
    os.mkfifo(tmp_path / "meter" / "pipe.csv")
    (tmp_path / "weather.csv").symlink_to(tmp_path / "weather.csv")
    files, notices = find_files(tmp_path, "meter")
    assert files == []
    assert notices == ["meter: ignored gone.csv, pipe.csv, not a file. Expected a table; does a link lead nowhere?"]
    assert find_files(tmp_path, "weather") == (
        [], ["weather.csv: ignored, not a file. Expected a table; does a link lead nowhere?"])
