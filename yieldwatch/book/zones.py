"""
The day at a farm: a decision of the evening in America is of that day, whatever the day is in UTC.
"""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from zoneinfo import ZoneInfo

from yieldwatch.errors import InputError
from yieldwatch.portfolio.cells import ID_PATTERN
from yieldwatch.portfolio.settings import read_toml


def farm_zone(portfolio: Path, site_id: str) -> dt.tzinfo:
    """A farm's time zone; UTC for one that is not in the portfolio's folder, or whose settings do not say it."""
    if not re.fullmatch(ID_PATTERN, site_id):
        return dt.UTC
    try:
        return ZoneInfo(read_toml(portfolio, f"sites/{site_id}/site.toml")["timezone"])
    except (InputError, KeyError, TypeError, ValueError, OSError):  # no such zone, and a zone that is a folder of zones
        return dt.UTC
