"""What changed between two runs of months, with the interval of the change."""

from dataclasses import replace

import numpy as np
import pytest

from tests.report.invented import MONTHS
from tests.report.test_runs import ends, farm, soiling
from yieldwatch.report.changes import change_bounds, change_table
from yieldwatch.report.runs import GROUP

#: Draws that differ from the account evenly by up to 100 kWh: 5 % of them lie beyond 90 kWh.
STEPS = np.linspace(-100.0, 100.0, 400)[:, None]


def change(sites, cause="soiling", now="2025-06", then="2025-05", each=1.0):
    """Reach below and above of one month less `each` of another."""
    weights = np.array([float(m == now) - each * (m == then) for m in MONTHS])
    return change_bounds(change_table(sites).to_dict("records"), weights)[cause]


def months(may, june):
    return farm(soiling(STEPS * np.array([0.0, 0.0, 0.0, 0.0, may, june])))


def test_what_both_periods_are_off_by_alike_is_no_doubt_of_the_change():
    site = months(1.0, 1.0)
    # Patterns hold 99.8 % of the draws' squares or more; strengths are in hundredths.
    assert change([site]) == pytest.approx((0.0, 0.0), abs=1.0)
    assert sum(ends([site], first=m, last=m)["energy_below_kwh"] for m in ("2025-05", "2025-06")) == pytest.approx(180.0)


def test_what_one_month_has_more_and_the_other_less_counts_twice_in_the_change():
    assert change([months(1.0, -1.0)]) == pytest.approx((180.0, 180.0), rel=0.02)


def test_a_period_counts_by_its_weight():
    # June less half of May, both off alike: half of 90 kWh.
    assert change([months(1.0, 1.0)], each=0.5) == pytest.approx((45.0, 45.0), rel=0.02)


def test_over_farms_ends_are_added():
    one, two = change([months(1.0, -1.0)]), change([months(1.0, -1.0), months(1.0, 1.0)])
    assert two == pytest.approx(one, abs=2.0)
    assert change([months(1.0, -1.0)] * 2) == pytest.approx(2 * np.array(one), rel=0.02)


def test_a_run_of_months_has_the_reach_that_runs_say():
    site = farm()
    weights = np.array([float(m >= "2025-03") for m in MONTHS])
    for cause in ("soiling", "unexplained", GROUP):
        below, above = change_bounds(change_table([site]).to_dict("records"), weights)[cause]
        run = ends([site], cause, first="2025-03")
        assert (below, above) == pytest.approx((run["energy_below_kwh"], run["energy_above_kwh"]), rel=0.15, abs=1.0)


def test_a_month_without_draws_turns_its_ends_round_where_it_is_taken_off():
    site = farm()
    gap = replace(site.gap, draws={c: d for c, d in site.gap.draws.items() if c != "soiling"})
    frame = site.losses.copy()
    may = (frame["cause"] == "soiling") & (frame["month"] == "2025-05")
    frame.loc[may, "energy_low_kwh"] = frame.loc[may, "energy_kwh"] - 10.0
    frame.loc[may, "energy_high_kwh"] = frame.loc[may, "energy_kwh"] + 70.0
    bare = replace(site, losses=frame, gap=gap)
    june = ends([bare], first="2025-06", last="2025-06")
    assert change([bare]) == pytest.approx((june["energy_below_kwh"] + 70.0, june["energy_above_kwh"] + 10.0), rel=1e-4)


def test_an_unknown_bound_leaves_only_the_changes_that_hold_it_unknown():
    site = farm(energy_low_kwh=np.nan)
    bare = replace(site, gap=replace(site.gap, draws={}))
    assert np.isnan(change([bare])[0])
    assert np.isfinite(change([bare], now="2025-04")).all()
