"""The portfolio's months: what farms add up to, and who is in the sum."""

from dataclasses import replace

import pytest

from tests.report.invented import assessment
from yieldwatch.report.spans import span_tables


@pytest.fixture
def tables():
    """Two farms alike that are measured, and one that is not."""
    done = assessment()
    birch, alder = done.sites
    return span_tables(replace(done, sites=(birch, alder, replace(alder, site=replace(alder.site, id="other")))))


def test_months_are_added_over_the_farms_that_measured_them(tables):
    june = tables["month_sums"].set_index("month").loc["2025-06"]
    # 41,000 kWh expected of each, of which 8.3 % were lost.
    assert june["farms"] == 2
    assert june["expected_kwh"] == pytest.approx(82_000.0)
    assert june["measured_kwh"] == pytest.approx(2 * 41_000.0 * (1 - 0.083))


def test_a_causes_month_has_its_bounds_added_over_farms_and_what_is_not_assessed_is_left_out(tables):
    rows = tables["cause_months"].set_index(["cause", "month"])
    june = rows.loc[("soiling", "2025-06")]
    assert june["farms"] == 2
    # 2.1 % of 41,000 kWh, and 0.658 % of it to either side, twice; 0.082 a kWh.
    assert june["energy_kwh"] == pytest.approx(2 * 861.0)
    assert june["energy_low_kwh"] == pytest.approx(2 * (861.0 - 269.78))
    assert june["money_high"] == pytest.approx(2 * (861.0 + 269.78) * 0.082)
    assert "reactive_power" not in rows.index.get_level_values("cause")
