"""
Cells of one column -> values of its kind, and which cells could not be read.

Everything runs on whole columns, since a log can hold a million bad rows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from yieldwatch.columns import VALUE, Column

#: What loggers and spreadsheets write for "no value".
BLANKS = ("", "nan", "na", "n/a", "null", "none")
ID_PATTERN = r"[A-Za-z0-9._-]+"
#: What moves a terminal's cursor or ends a file in some reader; tabs and line ends may stand in a note.
CONTROL_PATTERN = r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]"
_DECIMAL_COMMA = r"^[+-]?\d{1,3}(\.\d{3})*,\d+$|^[+-]?\d+,\d+$"
_THOUSANDS = r"^[+-]?[1-9]\d{0,2}(?:[,'’ \u00a0\u202f]\d{3})+(?:[.]\d+)?$"
_FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass
class Cells:
    """
    A column read: its values, and a reason code for each cell that is bad (0 where it is not).

    `values` has NaN, None or NA where a cell is blank or bad; `texts[code]` is the reason in words;
    `notes` says what was read by a rule that the user should know of.
    """

    values: np.ndarray | pd.Series
    codes: np.ndarray
    texts: list[str] = field(default_factory=lambda: [""])
    notes: list[str] = field(default_factory=list)

    def flag(self, mask: np.ndarray, reason: str) -> None:
        """Give `reason` to the cells in `mask` that have none yet."""
        fresh = mask & (self.codes == 0)
        if fresh.any():
            self.texts.append(reason)
            self.codes[fresh] = len(self.texts) - 1


def as_text(raw: pa.ChunkedArray | pa.Array) -> pd.Series:
    """The cells as stripped text, None where blank; whole numbers stored as floats lose their ".0"."""
    if pa.types.is_floating(raw.type):
        whole = pc.equal(raw, pc.floor(raw))
        texts = pc.if_else(whole, pc.cast(pc.cast(pc.if_else(whole, raw, 0.0), pa.int64()), pa.string()),
                           pc.cast(raw, pa.string()))
        raw = pc.if_else(pc.is_nan(raw), pa.scalar(None, pa.string()), texts)
    elif not pa.types.is_string(raw.type):
        raw = pc.cast(raw, pa.string())
    coded = pc.dictionary_encode(raw)  # a log writes the same few words on every row
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    words = pc.utf8_trim_whitespace(coded.dictionary)
    blank = pc.is_in(pc.utf8_lower(words), value_set=pa.array(BLANKS))
    words = pc.if_else(blank, pa.scalar(None, pa.string()), words)
    return words.take(coded.indices).to_pandas()


def read_cells(raw: pa.ChunkedArray | pa.Array, column: Column) -> Cells:
    """
    Read the cells of any column but a time.

    Parameters
    ----------
    raw : pyarrow array, shape (n_rows,)
    column : Column

    Returns
    -------
    Cells
        Floats for "number" and "integer", objects (True, False, None) for "flag", text otherwise.
    """
    cells = (_numbers if column.kind in ("number", "integer") else _words)(raw, column)
    if column.need == VALUE:
        cells.flag(pd.isna(cells.values) & (cells.codes == 0), "blank, and each row needs it")
    return cells


def _numbers(raw: pa.ChunkedArray | pa.Array, column: Column) -> Cells:
    if pa.types.is_integer(raw.type) or pa.types.is_floating(raw.type) or pa.types.is_decimal(raw.type):
        values, texts = pc.cast(raw, pa.float64()).to_numpy(zero_copy_only=False), None
    else:
        values, texts = _numbers_from_text(raw)
    values = np.array(values, dtype=float)
    cells = Cells(values, np.zeros(len(values), dtype=np.int16))
    if texts is not None:
        unread = np.isnan(values) & texts.notna().to_numpy()
        marked, comma = np.zeros(len(values), dtype=bool), np.zeros(len(values), dtype=bool)
        marked[unread] = texts[unread].str.match(_THOUSANDS).to_numpy(dtype=bool)
        comma[unread] = texts[unread].str.match(_DECIMAL_COMMA).to_numpy(dtype=bool)
        cells.flag(marked, "written with a mark between thousands, or a decimal comma. Expected digits and a decimal point, such "
                   "as 1234.5")
        cells.flag(comma, "written with a decimal comma. Expected a decimal point, such as 9.45")
        cells.flag(unread, f"not a number. Expected {column.expected}")
    cells.flag(np.isinf(values), f"not finite. Expected {column.expected}")
    cells.flag(_outside(values, column), f"outside what is possible. Expected {column.expected}")
    if column.kind == "integer":
        cells.flag(np.isfinite(values) & (values != np.round(values)), "not a whole number")
    values[cells.codes > 0] = np.nan
    return cells


def _numbers_from_text(raw: pa.ChunkedArray | pa.Array) -> tuple[np.ndarray, pd.Series | None]:
    try:  # one pass where every cell is a number
        return pc.cast(raw, pa.float64()).to_numpy(zero_copy_only=False), None
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        texts = as_text(raw)
    try:
        numbers = pc.cast(pa.array(texts, pa.string(), from_pandas=True), pa.float64())
        return numbers.to_numpy(zero_copy_only=False), texts
    except pa.ArrowInvalid:
        return pd.to_numeric(texts.astype(object), errors="coerce").to_numpy(dtype=float), texts


def _outside(values: np.ndarray, column: Column) -> np.ndarray:
    if column.of:
        return np.zeros(len(values), dtype=bool)
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    return (values < low) | (values > high)  # NaN is neither


def _words(raw: pa.ChunkedArray | pa.Array, column: Column) -> Cells:
    texts = as_text(raw)
    cells = Cells(texts, np.zeros(len(texts), dtype=np.int16))
    there = texts.notna().to_numpy()
    if column.name == "mppt":  # a table tool turns a column of 1, 2 and blanks into 1.0, 2.0
        texts = texts.str.replace(r"^(\d+)\.0+$", r"\1", regex=True)
    if column.kind == "id":
        cells.flag(there & ~_matches(texts, ID_PATTERN), f"not an identifier. Expected {column.expected}")
    elif column.kind == "text":
        odd = texts.str.contains(CONTROL_PATTERN, regex=True, na=False).to_numpy(dtype=bool)
        cells.flag(odd, "holds a control character. Expected plain text")
    elif column.kind == "choice":
        cells.flag(there & ~texts.isin(column.choices).to_numpy(), f"not known. Expected {column.expected}")
    elif column.kind == "flag":
        lowered = texts.str.lower()
        cells.flag(there & ~lowered.isin(_FLAGS).to_numpy(), "neither true nor false. Expected true or false")
        cells.values = lowered.map(_FLAGS).astype(object).where(lowered.isin(_FLAGS), None)
        return cells
    bad = cells.codes > 0
    cells.values = texts.mask(bad, None) if bad.any() else texts
    return cells


def _matches(texts: pd.Series, pattern: str) -> np.ndarray:
    codes, unique = pd.factorize(texts)
    good = [re.fullmatch(pattern, text) is not None for text in unique]
    return np.array([*good, False])[codes]  # a blank has the code -1
