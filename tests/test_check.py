"""What data can tell, from which tables and columns are there."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.report.invented import data, site
from yieldwatch.check import check_site, set_aside_kinds, sources


def can(checked, word):
    """Whether the sentence with `word` is among those that can be told; it must be in one of the two."""
    found = [word in line for line in checked.can_tell], [word in line for line in checked.cannot_tell]
    assert any(found[0]) != any(found[1])
    return any(found[0])


def test_every_site_gets_a_sentence_for_each_need():
    logged, bare = (check_site(site("a", "A"), data(log)) for log in (True, False))
    assert len(logged.can_tell) + len(logged.cannot_tell) == len(bare.can_tell) + len(bare.cannot_tell)


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("How much is missing", True),
        ("Dirt on the glass", True),
        ("Shade", True),
        ("Snow", True),
        ("Which string", True),
        ("An inverter below its curve", False),
        ("One inverter off", True),
        ("reactive power", False),
        ("Ageing", False),
        ("What the lost energy was worth", True),
    ],
)
def test_a_logged_farm_without_dc_readings(word, expected):
    assert can(check_site(site("a", "A"), data(logged=True)), word) is expected


def test_a_column_that_is_all_blank_is_no_evidence():
    logged = data(logged=True)
    blank = replace(logged, power=logged.power.assign(ac_power_kw=np.nan), meter=None)
    assert not can(check_site(site("a", "A"), blank), "How much is missing")


def test_market_prices_that_are_missing_leave_the_worth_open():
    market = replace(site("a", "A"), tariffs=(replace(site("a", "A").tariffs[0], kind="market"),))
    assert not can(check_site(market, data(logged=True)), "What the lost energy was worth")


def test_coverage_counts_missing_intervals():
    logged = data(logged=True)
    weather = logged.weather.copy()
    # 181 days of 24 hours are 4344; every tenth hour is blank: 435 of them.
    weather.iloc[::10, 0] = np.nan
    found = {s.kind: s for s in sources(site("a", "A"), replace(logged, weather=weather))}
    assert found["weather"].coverage == pytest.approx((4344 - 435) / 4344)
    assert found["inverter log"].coverage == pytest.approx(1.0)
    assert found["second weather source"].rows == 0
    assert found["revenue meter"].coverage == pytest.approx(1.0)


def test_rows_set_aside_are_counted_by_kind_of_reason():
    rows = pd.DataFrame(
        {"file": "a.csv", "line": [41, 40, 9, 7, 8, 5], "column": ["time", "time", "i_sc_a", "time", "time", ""],
         "value": ["b", "a", "0.4", "x", "y", "z"],
         "reason": ["repeat of line 12", "repeat of line 40", "below 0.5 A", *["not ISO 8601"] * 3]}
    )
    kinds = set_aside_kinds(rows)
    assert [tuple(row) for row in kinds.itertuples(index=False)] == [
        ("a.csv", "not ISO 8601", 3, 5, ""),
        ("a.csv", "repeat of line …", 2, 40, "time = a"),
        ("a.csv", "below 0.5 A", 1, 9, "i_sc_a = 0.4"),
    ]


def test_a_second_source_is_counted_by_its_own_interval():
    logged = data(logged=True)
    quarter_hours = logged.weather.resample("15min").ffill()
    both = replace(
        logged, weather=quarter_hours, weather_step=pd.Timedelta("15min"), weather_2=logged.weather
    )
    found = {s.kind: s for s in sources(site("a", "A"), both)}
    assert found["weather"].coverage == pytest.approx(1.0)
    assert found["second weather source"].coverage == pytest.approx(1.0)
