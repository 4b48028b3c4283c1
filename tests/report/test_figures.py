"""The figures by their traces and axis titles."""

import numpy as np
import pytest

from tests.report.invented import EXPECTED, MONTHS, assessment
from yieldwatch.constants import CAUSES
from yieldwatch.report import figures
from yieldwatch.report.totals import site_total, site_totals


@pytest.fixture(scope="module")
def site():
    return assessment().sites[1]


def traces(fig):
    return {trace.name: trace for trace in fig.data}


def test_every_cause_has_a_look_of_its_own():
    assert set(figures.CAUSE_STYLE) == set(CAUSES)
    assert len({colour for colour, _ in figures.CAUSE_STYLE.values()}) == len(CAUSES)


def test_monthly_figure_shows_expected_measured_and_each_lost_cause(site):
    fig = figures.monthly_figure(site.gap.yields, site.losses)
    shown = traces(fig)
    # The fixture's sum is 162 000 kWh, so the unit is MWh; dirt takes 2.1 % of each month.
    assert list(shown["expected"].y) == pytest.approx(EXPECTED / 1000.0)
    assert list(shown["dirt on the glass"].y) == pytest.approx(0.021 * EXPECTED / 1000.0)
    assert list(shown["not explained"].y) == pytest.approx(-0.004 * EXPECTED / 1000.0)
    assert list(shown["dirt on the glass"].x) == list(MONTHS)
    # Nothing was lost to snow and reactive power was not assessed: neither is drawn.
    assert "snow" not in shown
    assert "reactive power" not in shown
    assert fig.layout.yaxis.title.text == "energy [MWh a month]"
    assert fig.layout.yaxis2.title.text == "lost [MWh a month]"


def test_cause_figure_carries_the_interval(site):
    total = site_total(site)
    fig = figures.cause_figure(total)
    trace = fig.data[0]
    place = list(trace.y).index("dirt on the glass")
    soiling = total.causes[0].energy
    assert trace.x[place] + trace.error_x.array[place] == pytest.approx(soiling.high / 1000.0)
    assert trace.x[place] - trace.error_x.arrayminus[place] == pytest.approx(soiling.low / 1000.0)
    assert fig.layout.xaxis.title.text == "lost in the period [MWh]"
    assert "reactive power" not in trace.y


def test_ratio_figure_is_in_per_cent_and_keeps_gaps(site):
    yields = site.gap.yields.copy()
    yields.loc[2, "performance_ratio"] = np.nan
    fig = figures.ratio_figure(yields)
    ratio = traces(fig)["performance ratio"]
    # 1 - 0.083 of an expected ratio of 0.88.
    assert ratio.y[0] == pytest.approx(88.0 * 0.917)
    assert np.isnan(ratio.y[2])
    assert fig.layout.yaxis.title.text == "ratio [%]"


def test_long_spans_are_labelled_by_quarter():
    months = [f"{year}-{month:02d}" for year in (2024, 2025) for month in range(1, 13)]
    assert list(figures._month_labels(months).values()) == [
        "Jan<br>2024", "Apr", "Jul", "Oct", "Jan<br>2025", "Apr", "Jul", "Oct",
    ]  # fmt: skip


def test_names_in_a_figure_are_data_and_not_markup():
    labels = figures.in_hand_figure(site_totals(assessment()), "GBP").data[0].y
    assert not any("<" in label for label in labels)


def test_a_farms_band_is_its_whole_interval_with_the_estimate_marked_in_it():
    (total, *_) = [t for t in site_totals(assessment()) if t.in_hand.money.known]
    band, mark = figures.in_hand_figure([total], "GBP").data
    money = total.in_hand.money
    assert (band.base[0], band.base[0] + band.x[0]) == pytest.approx((money.low, money.high))
    assert mark.x[0] == money.value
