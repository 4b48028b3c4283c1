"""Read the smallest portfolio's site with the given files in it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

from tests.portfolio.folder import write_portfolio
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.read import read_portfolio

WEATHER = "time,ghi_w_m2,temp_air_c\n2024-06-01T12:00Z,800,20\n2024-06-01T12:15Z,810,20\n"
METER = "start,end,export_kwh\n"
POWER = "time,inverter_id,ac_power_kw\n"


def read_site(
    root: Path,
    files: Mapping[str, str | bytes],
    as_of: dt.date | None = None,
    settings: Mapping[str, str] | None = None,
) -> SiteData:
    """
    `files` by their path below the site's folder; `settings` are replacements of files of the portfolio.
    """
    write_portfolio(
        root, {**(settings or {}), **{f"sites/field/{name}": text for name, text in files.items()}}
    )
    return read_site_data(root, read_portfolio(root).sites[0], as_of)


def aside(data: SiteData) -> list[tuple[int, str, str]]:
    """Line, column and reason of what was set aside."""
    return list(data.set_aside[["line", "column", "reason"]].itertuples(index=False, name=None))
