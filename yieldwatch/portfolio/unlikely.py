"""
Settings that are possible one by one and unlikely together: a wrong unit, a lost sign. They are remarked and used as they stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from yieldwatch.portfolio.model import Array, Site

#: Tilt from which the way that an array faces matters, and how near to the pole it must face. Common practice, no source. [deg]
_TILTED, _TO_POLE = 10.0, 60.0
#: Latitude beyond which the sun stands on the equator's side at noon all year, the obliquity of the ecliptic. [deg]
_TROPIC = 23.5
#: Share of the inverters' rating below which a standing limit looks like one in MW. Common practice, no source.
_LEAST_LIMIT = 0.02
#: Planned energy of a year for each kW of nameplate that some farm on earth might have. Common practice, no source. [kWh/kW]
_YIELDS = (100.0, 4000.0)
#: How far apart prices of one currency may lie before one looks like cents or a price per MWh. Common practice, no source.
_PRICES_APART = 30.0
#: Currencies of which a kWh costs well under one, and the most that any tariff pays in them. Common practice, no source.
_DEAR_CURRENCIES, _MOST_PRICE = frozenset({"AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "SGD", "USD"}), 2.0


def unlikely_settings(site: Site) -> list[str]:
    """Remarks on a site's settings, each with what was expected and what to do."""
    file = f"sites/{site.id}/site.toml"
    return [*_facing_away(site, file), *_small_limit(site, file), *_planned_yield(site, file), *_promised_twice(site, file)]


def _promised_twice(site: Site, file: str) -> list[str]:
    """Guarantees of one kind whose times overlap: the contract of yesterday's contractor that was never ended."""
    said = []
    for kind in dict.fromkeys(g.kind for g in site.guarantees):
        own = sorted((g.start or site.commissioned, g.end) for g in site.guarantees if g.kind == kind)
        said += [f"{file}, [[guarantees]]: the {kind.replace('_', ' ')} from {first} has "
                 f"{f'to = {until}' if until else 'no `to`'}, past the start of the next, {then}, so that one shortfall is held "
                 "against both. Expected one after the other; has its contract ended? If so, set its `to`."
                 for (first, until), (then, _) in pairwise(own) if until is None or until > then]
    return said


def unlike_prices(sites: Sequence[Site], currency: str) -> list[str]:
    """A remark where the prices of a portfolio's tariffs lie so far apart, or so high, that a unit must be wrong."""
    prices = sorted(
        (price, site.id, tariff.start) for site in sites for tariff in site.tariffs
        for price in (tariff.price_per_kwh, *(band.price_per_kwh for band in tariff.bands)) if price is not None and price > 0.0)
    if not prices:
        return []
    if prices[-1][0] < _PRICES_APART * prices[0][0]:
        high, site_id, start = prices[-1]
        return [f"sites/{site_id}/site.toml, [[tariffs]] from {start}: price_per_kwh = {high:g} {currency}. Expected that of a "
                f"kWh, up to {_MOST_PRICE:g}; is it in cents or for a MWh? If so, correct it."
                ] if currency in _DEAR_CURRENCIES and high > _MOST_PRICE else []
    (low, low_site, low_from), (high, high_site, high_from) = prices[0], prices[-1]
    return [f"sites/{high_site}/site.toml, [[tariffs]] from {high_from}: price_per_kwh = {high:g}, {high / low:,.0f} times the "
            f"{low:g} of the tariff from {low_from} in sites/{low_site}/site.toml. Expected both in the portfolio's currency for "
            "a kWh; is one in cents or for a MWh? If so, correct it."]


def _facing_away(site: Site, file: str) -> list[str]:
    if abs(site.latitude) < _TROPIC:
        return []
    pole, side = (0.0, "north") if site.latitude > 0 else (180.0, "south")
    return [f"{file}, [[arrays]] {a.id}: azimuth_deg = {a.azimuth_deg:g} faces {side} at latitude {site.latitude:g}°, away from "
            "the noon sun. Expected the side of the equator; azimuth runs clockwise from north, and latitude is negative in the "
            "south. If one of them is wrong, correct it." for a in site.arrays if _faces(a, pole)]


def _faces(array: Array, direction: float) -> bool:
    if array.azimuth_deg is None or array.tilt_deg is None or array.tilt_deg < _TILTED:
        return False
    return abs((array.azimuth_deg - direction + 180.0) % 360.0 - 180.0) < _TO_POLE


def _small_limit(site: Site, file: str) -> list[str]:
    limit = site.export_limit_kw
    if not limit or limit >= _LEAST_LIMIT * site.pac0_kw:  # nil is a farm that may not export
        return []
    return [f"{file}, [grid]: export_limit_kw = {limit:g} kW, {100.0 * limit / site.pac0_kw:.2g} % of the inverters' "
            f"{site.pac0_kw:g} kW, so next to nothing is expected of the farm. Expected kW; is it in MW? If so, correct it."]


def _planned_yield(site: Site, file: str) -> list[str]:
    planned = site.plan.p50_kwh_by_month if site.plan else None
    if planned is None or not site.pdc0_kw:
        return []
    per_kw = sum(planned) / site.pdc0_kw
    if _YIELDS[0] <= per_kw <= _YIELDS[1]:
        return []
    return [f"{file}, [plan]: p50_kwh_by_month adds up to {sum(planned):,.0f} kWh, {per_kw:,.1f} kWh a year for each kW of "
            f"nameplate. Expected {_YIELDS[0]:g} to {_YIELDS[1]:,.0f}; is it in MWh, or of another farm? If so, correct it."]
