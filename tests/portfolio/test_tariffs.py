"""The [[tariffs]] of a site."""

from __future__ import annotations

import tomllib

import pytest

from yieldwatch.portfolio.model import TariffBand
from yieldwatch.portfolio.tariffs import read_tariffs


def _read(text: str):
    problems: list[str] = []
    notices: list[str] = []
    return read_tariffs(tomllib.loads(text)["tariffs"], "site.toml", problems, notices), problems, notices


def _bands(bands: str) -> str:
    return f"""[[tariffs]]
from = 2020-01-01
kind = "time_of_use"
price_per_kwh = 0.05
bands = [{bands}]
"""


def test_tariffs_are_put_in_order_and_a_gap_is_noticed():
    tariffs, problems, notices = _read("""
[[tariffs]]
from = 2022-01-01
kind = "market"
floor_price = 0.0
[[tariffs]]
from = 2019-06-14
to = 2021-06-14
kind = "fixed"
price_per_kwh = 0.082
index_pct_per_year = 2.0
import_price_per_kwh = 0.24
""")
    assert problems == []
    assert [t.kind for t in tariffs] == ["fixed", "market"]
    assert (tariffs[0].index_pct_per_year, tariffs[0].import_price_per_kwh) == (2.0, 0.24)
    assert (tariffs[1].price_per_kwh, tariffs[1].floor_price) == (None, 0.0)
    assert notices == [
        "site.toml: no tariff from 2021-06-14 to 2022-01-01; energy of that time has no price."
    ]


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        ("mon-fri", (0, 1, 2, 3, 4)),
        ("sat", (5,)),
        ("mon,wed", (0, 2)),
        ("Sat, Sun", (5, 6)),
        ("fri-mon", (0, 4, 5, 6)),
        ("mon-sun", (0, 1, 2, 3, 4, 5, 6)),
        ("tue-wed,sun", (1, 2, 6)),
    ],
)
def test_days_of_a_band(days, expected):
    tariffs, problems, _ = _read(
        _bands(f'{{ days = "{days}", start = "16:00", end = "19:30", price_per_kwh = 0.1 }}')
    )
    assert problems == []
    assert tariffs[0].bands == (TariffBand(expected, 16 * 60, 19 * 60 + 30, 0.1),)


def test_a_band_past_midnight_goes_on_in_the_morning_of_the_next_day():
    tariffs, problems, _ = _read(
        _bands('{ days = "fri,sun", start = "22:00", end = "06:00", price_per_kwh = 0.1 }')
    )
    assert problems == []
    # Friday and Sunday night run into Saturday (5) and Monday (0) morning.
    assert tariffs[0].bands == (TariffBand((4, 6), 1320, 1440, 0.1), TariffBand((0, 5), 0, 360, 0.1))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[tariffs]]\nfrom = 2020-01-01\nkind = "fixed"\n', "price_per_kwh is missing"),
        ('[[tariffs]]\nfrom = 2020-01-01\nkind = "flat"\n', 'kind = "flat", not known'),
        (
            '[[tariffs]]\nfrom = 2020-01-01\nto = 2019-01-01\nkind = "fixed"\nprice_per_kwh = 1\n',
            "not after from",
        ),
        (
            '[[tariffs]]\nfrom = 2020-01-01\nkind = "fixed"\nprice_per_kwh = 1\nfloor_price = 0\n',
            "floor_price is set",
        ),
        (
            '[[tariffs]]\nfrom = 2020-01-01\nkind = "fixed"\nprice_per_kwh = 1\n' * 2,
            "Expected one after the other",
        ),
        (_bands(""), "has 0 bands and kind = time_of_use"),
        (
            _bands('{ days = "mon-fry", start = "16:00", end = "19:00", price_per_kwh = 0.1 }'),
            'days = "mon-fry", not',
        ),
        (
            _bands('{ days = "mon", start = "16:60", end = "19:00", price_per_kwh = 0.1 }'),
            'start = "16:60", not a time',
        ),
        (
            _bands('{ days = "mon", start = "16:00", end = "24:01", price_per_kwh = 0.1 }'),
            'end = "24:01", not a time',
        ),
        (
            _bands('{ days = "mon", start = "16:00", end = "16:00", price_per_kwh = 0.1 }'),
            "start and end are both",
        ),
        (
            _bands(
                '{ days = "mon-wed", start = "16:00", end = "19:00", price_per_kwh = 0.1 }, '
                '{ days = "wed", start = "18:00", end = "20:00", price_per_kwh = 0.2 }'
            ),
            "hold at the same time",
        ),
    ],
)
def test_a_wrong_tariff_is_refused(text, message):
    _, problems, _ = _read(text)
    assert any(message in p for p in problems), problems


def test_bands_that_only_touch_are_accepted():
    _, problems, _ = _read(
        _bands(
            '{ days = "mon", start = "16:00", end = "18:00", price_per_kwh = 0.1 }, '
            '{ days = "mon", start = "18:00", end = "24:00", price_per_kwh = 0.2 }'
        )
    )
    assert problems == []
