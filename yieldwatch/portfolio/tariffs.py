"""
The [[tariffs]] of a site: their kinds, bands and order in time.
"""

from __future__ import annotations

import itertools
import re
from typing import Any

from yieldwatch.portfolio import keys
from yieldwatch.portfolio.model import Tariff, TariffBand
from yieldwatch.portfolio.settings import Settings

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_DAY_MINUTES = 24 * 60


def read_tariffs(raw: list[Any], file: str, problems: list[str], notices: list[str]) -> tuple[Tariff, ...]:
    """
    Check the tariffs and put them in order of their first day.

    Overlaps are problems, since an hour cannot have two prices; gaps are notices, since money is
    then blank for those days.
    """
    tariffs = []
    for number, item in enumerate(raw, 1):
        settings = Settings(item, keys.TARIFF, f"{file}, [[tariffs]] {number}", problems)
        tariff = _tariff(settings)
        if tariff is not None:
            tariffs.append(tariff)
    tariffs.sort(key=lambda t: t.start)
    for earlier, later in itertools.pairwise(tariffs):
        if earlier.end is None or earlier.end > later.start:
            until = f"to = {earlier.end}" if earlier.end else "no end"
            problems.append(f"{file}, [[tariffs]]: the tariff from {earlier.start} has {until}, past the "
                            f"start of the next, {later.start}. Expected one after the other. Set its `to`.")
        elif earlier.end < later.start:
            notices.append(f"{file}: no tariff from {earlier.end} to {later.start}; "
                           "energy of that time has no price.")
    return tuple(tariffs)


def _tariff(settings: Settings) -> Tariff | None:
    start, end, kind = settings["from"], settings["to"], settings["kind"]
    if start is None or kind is None:
        return None
    if end is not None and end <= start:
        settings.refuse(f"to = {end}, not after from = {start}. Expected a later day")
    price = settings["price_per_kwh"]
    if price is None and kind != "market":
        settings.refuse(f"price_per_kwh is missing. Expected a number for a {kind} tariff")
    if price is not None and price < 0 and kind == "fixed":
        settings.refuse(f"price_per_kwh = {price:g} in a fixed tariff, below nil, so that each kWh sold would cost money. "
                        "Expected 0 or more; a price that may turn negative is of kind market. Correct it")
    if settings["floor_price"] is not None and kind != "market":
        settings.refuse(f"floor_price is set in a {kind} tariff. Expected it only where kind is market")
    bands = _bands(settings, kind)
    return Tariff(
        start=start, end=end, kind=kind, price_per_kwh=price, bands=bands,
        index_pct_per_year=settings.get("index_pct_per_year", 0.0),
        curtailment_paid_pct=settings.get("curtailment_paid_pct", 0.0),
        import_price_per_kwh=settings["import_price_per_kwh"], floor_price=settings["floor_price"],
    )


def _bands(settings: Settings, kind: str) -> tuple[TariffBand, ...]:
    raw = settings["bands"] or []
    if bool(raw) != (kind == "time_of_use"):
        settings.refuse(f"has {len(raw)} bands and kind = {kind}. Expected bands where kind is time_of_use, "
                        "and only there")
        return ()
    bands: list[TariffBand] = []
    for number, item in enumerate(raw, 1):
        band = Settings(item, keys.BAND, f"{settings.where}, band {number}", settings.problems)
        bands.extend(_band(band))
    for one, other in itertools.combinations(bands, 2):
        if one.price_per_kwh != other.price_per_kwh and _meet(one, other):
            settings.refuse("two bands with different prices hold at the same time. Expected bands apart")
            break
    return tuple(bands)


def _band(band: Settings) -> list[TariffBand]:
    price = band["price_per_kwh"]
    days = _days(band["days"]) if band["days"] is not None else None
    if band["days"] is not None and not days:
        band.refuse(f'days = "{band["days"]}", not known. Expected days such as mon-fri or sat,sun '
                    f"(of {', '.join(_DAYS)})")
    minutes = [_minute(band[name]) for name in ("start", "end")]
    for name, minute in zip(("start", "end"), minutes, strict=True):
        if band[name] is not None and minute is None:
            band.refuse(f'{name} = "{band[name]}", not a time. Expected HH:MM from 00:00 to 24:00')
    start, end = minutes
    if start is None or end is None or not days or price is None:
        return []
    if start == end:
        band.refuse(f'start and end are both "{band["end"]}". Expected a time between them; '
                    "a whole day is 00:00 to 24:00")
        return []
    if start < end:
        return [TariffBand(days, start, end, price)]
    # Past midnight: the rest of the day, and the morning of the day after.
    parts = [TariffBand(days, start, _DAY_MINUTES, price)]
    if end > 0:
        parts.append(TariffBand(tuple(sorted((d + 1) % 7 for d in days)), 0, end, price))
    return parts


def _days(text: str) -> tuple[int, ...]:
    days: set[int] = set()
    for part in text.lower().replace(" ", "").split(","):
        ends = part.split("-")
        if len(ends) > 2 or any(e not in _DAYS for e in ends):
            return ()
        first, last = _DAYS.index(ends[0]), _DAYS.index(ends[-1])
        days.update((first + i) % 7 for i in range((last - first) % 7 + 1))
    return tuple(sorted(days))


def _minute(text: str | None) -> int | None:
    match = re.fullmatch(r"(\d{1,2}):(\d{2})", text or "")
    if not match:
        return None
    hour, minute = int(match[1]), int(match[2])
    total = hour * 60 + minute
    return total if minute < 60 and total <= _DAY_MINUTES else None


def _meet(one: TariffBand, other: TariffBand) -> bool:
    same_day = bool(set(one.days) & set(other.days))
    return same_day and one.start_minute < other.end_minute and other.start_minute < one.end_minute
