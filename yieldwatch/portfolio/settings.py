"""
Read TOML settings and check their keys; every problem is noted, none is fatal here.
"""

from __future__ import annotations

import datetime as dt
import re
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from yieldwatch.columns import VALUE, Column
from yieldwatch.errors import InputError, ended, near_miss
from yieldwatch.portfolio.cells import CONTROL_PATTERN, ID_PATTERN
from yieldwatch.portfolio.files import within


def read_toml(root: Path, file: str) -> dict[str, Any]:
    """
    Read one settings file, `file` below the portfolio's folder.

    Raises
    ------
    InputError
        If it is missing, unreadable, outside the folder, not UTF-8 or not TOML (the message names the line).
    """
    path = within(root / file, root)
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError as err:
        raise InputError(f"{file}: is missing. Expected a settings file. Write one.") from err
    except OSError as err:
        raise InputError(f"{file}: cannot be read ({err.strerror}). Expected a settings file.") from err
    except UnicodeDecodeError as err:
        raise InputError(f"{file}: byte {err.start} is not UTF-8. Expected a UTF-8 file. "
                         "Save it again with the encoding UTF-8.") from err
    except (ValueError, RecursionError) as err:  # also a number of thousands of digits, and tables nested without end
        raise InputError(f"{file}: is not valid TOML: {err}. Correct that line.") from err


class Settings:
    """
    One table of settings, checked against its keys.

    Parameters
    ----------
    raw : object
        What TOML gave; anything but a table is a problem.
    keys : sequence of Column
    where : str
        File and table, as the messages begin.
    problems : list of str
        Takes what is wrong.
    """

    def __init__(self, raw: object, keys: Sequence[Column], where: str, problems: list[str]):
        self.where = where
        self.problems = problems
        self._values: dict[str, Any] = {}
        if not isinstance(raw, dict):
            self.refuse(f"is {_show(raw)}, not a table of settings. Expected key = value lines")
            return
        self._check_names(raw, keys)
        for key in keys:
            self._take(raw, key)

    def __getitem__(self, name: str) -> Any:
        """The checked value, or None where it is missing or wrong."""
        return self._values.get(name)

    def get(self, name: str, default: Any) -> Any:
        """The checked value, or the default where it is missing or wrong."""
        return self._values.get(name, default)

    def refuse(self, text: str) -> None:
        """Note a problem of this table."""
        self.problems.append(f"{self.where}: {ended(text)}")

    def _check_names(self, raw: dict[str, Any], keys: Sequence[Column]) -> None:
        allowed = sorted(k.name for k in keys)
        for name in sorted(set(raw) - set(allowed)):
            self.refuse(f'unknown key "{name}".{near_miss(name, allowed)} Allowed: {", ".join(allowed)}')

    def _take(self, raw: dict[str, Any], key: Column) -> None:
        if key.name not in raw:
            if key.need == VALUE:
                self.refuse(f"{key.name} is missing. Expected {key.expected}: {key.meaning}. Add it")
            return
        value, wrong = _CHECKS[key.kind](raw[key.name], key)
        if wrong:
            unit = f" {key.said_unit}" if key.said_unit and _is_number(raw[key.name]) else ""
            stop = "" if wrong.endswith("?") else "."
            self.refuse(f"{key.name} = {_show(raw[key.name])}{unit}, {wrong}{stop} Expected {ended(key.expected)} Correct it")
        else:
            self._values[key.name] = value


def _show(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    text = text.lower() if isinstance(value, bool) else text  # as TOML writes it
    text = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
    return text if len(text) <= 60 else text[:57] + "..."


def _hint(word: str, key: Column) -> str:
    hint = near_miss(word, key.choices)
    return f".{hint}" if hint else ""


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any, key: Column) -> tuple[Any, str]:
    if not _is_number(value):
        return None, "not a number"
    if not abs(value) <= sys.float_info.max:  # NaN, infinity, or a whole number that no float holds
        return None, "not finite"
    if key.kind == "integer" and not isinstance(value, int):
        return None, "not a whole number"
    if (key.low is not None and value < key.low) or (key.high is not None and value > key.high):
        return None, "outside what is possible"
    return (value if key.kind == "integer" else float(value)), ""


def _numbers(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, list) or not value:
        return None, "not a list of numbers"
    for item in value:
        wrong = _number(item, key)[1]
        if wrong:
            return None, f"has {_show(item)}, {wrong}"
    return tuple(float(v) for v in value), ""


def _text(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, str) or not value.strip():
        return None, "not a text in quotes"
    if re.search(CONTROL_PATTERN, value):
        return None, "with a control character"
    return value.strip(), ""


def _texts(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        return None, "not a list of texts"
    for item in value:
        if key.choices and item not in key.choices:
            return None, f'has "{item}", not known{_hint(item, key)}'
    return tuple(value), ""


def _identifier(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, str) or not re.fullmatch(ID_PATTERN, value):
        return None, "not an identifier"
    return value, ""


def _choice(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, str) or value not in key.choices:
        return None, f"not known{_hint(str(value), key)}"
    return value, ""


def _flag(value: Any, key: Column) -> tuple[Any, str]:
    return (value, "") if isinstance(value, bool) else (None, "neither true nor false")


def _date(value: Any, key: Column) -> tuple[Any, str]:
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value), ""
        except ValueError:
            return None, "not a date"
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        return None, "not a date"
    return value, ""


def _table(value: Any, key: Column) -> tuple[Any, str]:
    return (value, "") if isinstance(value, dict) else (None, "not a table")


def _tables(value: Any, key: Column) -> tuple[Any, str]:
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        return None, "not a list of tables"
    return value, ""


_CHECKS: dict[str, Callable[[Any, Column], tuple[Any, str]]] = {
    "number": _number, "integer": _number, "numbers": _numbers, "text": _text, "texts": _texts,
    "id": _identifier, "choice": _choice, "flag": _flag, "date": _date, "table": _table, "tables": _tables,
}
