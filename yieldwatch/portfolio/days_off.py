"""
Days on which no crew works: those that the settings name, and the public holidays of a site's country or region.
"""

from __future__ import annotations

import datetime as dt
import functools
from typing import Any

import holidays

from yieldwatch.errors import near_miss
from yieldwatch.portfolio import keys
from yieldwatch.portfolio.model import DaysOff, Site
from yieldwatch.portfolio.settings import Settings

#: Monday to Friday, and why nobody works on the other days.
_WORKING, WEEKEND = range(5), "weekend"


def read_days_off(raw: list[Any], where: str, problems: list[str]) -> tuple[DaysOff, ...]:
    """Check the [[days_off]] of a settings file."""
    found = []
    for number, item in enumerate(raw, 1):
        settings = Settings(item, keys.DAYS_OFF, f"{where}, [[days_off]] {number}", problems)
        first, last = settings["first"], settings["last"]
        if first is not None and last is not None and last < first:
            settings.refuse(f"last = {last}, before first = {first}. Expected the same day or a later one")
        elif first is not None:
            found.append(DaysOff(first, last or first, settings.get("why", "no crew works")))
    return tuple(found)


def check_holidays(settings: Settings) -> None:
    """Refuse a place whose public holidays are not known."""
    place = settings["public_holidays"]
    if place is None:
        return
    country, _, region = place.partition("-")
    known = holidays.list_supported_countries()
    if country not in known:
        hint = near_miss(country, known)
        settings.refuse(f'public_holidays = "{place}", not a country whose public holidays are known.{hint} Expected a code of '
                        "ISO 3166 such as IE, or DE-BY for a region; else list the days in [[days_off]]")
    elif region and region not in known[country]:
        regions = ", ".join(sorted(known[country])) or "none"
        settings.refuse(f'public_holidays = "{place}", not a region of {country} that is known. Expected {country}, or one of '
                        f"its regions ({regions})")


def why_no_work(site: Site, day: dt.date) -> str:
    """Why no crew works at a site on a day; empty where one may."""
    if day.weekday() not in _WORKING:
        return WEEKEND
    for off in site.days_off:
        if off.first <= day <= off.last:
            return off.why
    return _holidays(site.public_holidays, day.year).get(day, "") if site.public_holidays else ""


@functools.lru_cache(maxsize=512)
def _holidays(place: str, year: int) -> dict[dt.date, str]:
    country, _, region = place.partition("-")
    return {day: str(name) for day, name in holidays.country_holidays(country, subdiv=region or None, years=year).items()}
