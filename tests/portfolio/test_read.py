"""What a portfolio's folder may hold."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.portfolio.folder import (
    AXIS,
    COSTS,
    SITE,
    SITE_FILE,
    with_site,
    write_portfolio,
)
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.read import read_portfolio


def test_smallest_portfolio_is_read_with_the_defaults_of_the_format(tmp_path):
    portfolio = read_portfolio(write_portfolio(tmp_path))

    site = portfolio.sites[0]
    assert (portfolio.currency, portfolio.horizon_months, portfolio.works_budget) == ("EUR", 36, None)
    assert (site.dc_wiring_pct, site.ac_wiring_pct, site.transformer_pct, site.mismatch_pct) == (
        1.0,
        0.5,
        0.8,
        1.0,
    )
    assert site.poa_array == "A"
    assert site.meter == "export"
    assert site.interval_label["power"] == "start"
    assert site.arrays[0].albedo == 0.2
    assert site.commissioned == dt.date(2019, 6, 14)
    assert site.pdc0_kw == pytest.approx(3 * 15 * 0.4)  # 3 strings of 15 modules of 400 W
    assert site.pac0_kw == 20
    assert site.strings[1].mppt == "2"
    assert portfolio.inverter_types["T-10"].efficiency == ((0.2, 0.975), (1.0, 0.98))
    assert portfolio.module_types["M-400"].tolerance_minus_pct == 3  # the sign is a maker's habit
    assert portfolio.notices == ()


def test_job_costs_of_a_site_win_row_by_row(tmp_path):
    own = COSTS.splitlines()[0] + "\nclean,500,0.3,module,2,0.01,10\n"
    portfolio = read_portfolio(
        write_portfolio(tmp_path, {"job_costs.csv": COSTS, "sites/field/job_costs.csv": own})
    )

    costs = portfolio.sites[0].job_costs
    assert (costs["clean"].cost_per_visit, costs["repair_string"].cost_per_visit) == (500, 180)


def test_single_axis_defaults_are_said(tmp_path):
    portfolio = read_portfolio(write_portfolio(tmp_path, {SITE_FILE: AXIS}))

    array = portfolio.sites[0].arrays[0]
    assert (array.axis_tilt_deg, array.backtrack) == (0.0, False)  # no pitch, so no backtracking to work out
    assert any("axis_tilt_deg is not given; a level axis" in n for n in portfolio.notices)
    assert any("backtrack is not given; false is assumed" in n for n in portfolio.notices)


def test_backtracking_without_a_pitch_is_worked_out_for_an_assumed_one_and_said(tmp_path):
    portfolio = read_portfolio(write_portfolio(tmp_path, {SITE_FILE: AXIS + "backtrack = true\n"}))

    assert portfolio.sites[0].arrays[0].backtrack
    assert any("rows that cover 0.29 of the ground are assumed" in n for n in portfolio.notices)


def test_every_part_of_the_settings_reaches_the_record(tmp_path):
    text = SITE.replace(
        "[[arrays]]",
        """area_hectare = 8.5
address = "Mill Lane"
access = "Gate code"
contact = "Ada"
[data]
interval_label = { power = "end" }
meter = "generation"
[grid]
export_limit_kw = 15
[assumed_losses_pct]
ac_wiring = 0.7
[horizon]
azimuth_deg = [180, 0]
elevation_deg = [1, 3]
[plan]
p50_kwh_by_month = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]
capital_cost = 20000
[assumptions]
cut_cures_share = { value = 0.1, source = "cutting log", as_of = 2024-05-01 }
[[guarantees]]
kind = "availability"
value_pct = 98.5
damages_per_pct = 4000
excludes = ["grid_outage"]
from = 2024-01-01
[[arrays]]""",
    )
    site = read_portfolio(write_portfolio(tmp_path, {SITE_FILE: text})).sites[0]

    assert (site.area_hectare, site.export_limit_kw, site.ac_wiring_pct, site.meter) == (
        8.5,
        15,
        0.7,
        "generation",
    )
    assert (site.address, site.access, site.contact) == ("Mill Lane", "Gate code", "Ada")
    assert (site.interval_label["power"], site.interval_label["weather"]) == ("end", "start")
    assert (site.horizon_azimuth_deg, site.horizon_elevation_deg) == ((0, 180), (3, 1))  # in order of azimuth
    assert site.plan.p50_kwh_by_month[11] == 12
    assert site.assumed("cut_cures_share", 0.2) == 0.1
    assert site.assumptions["cut_cures_share"].as_of == "2024-05-01"
    assert site.guarantees[0].excludes == ("grid_outage",)
    assert site.guarantees[0].start == dt.date(2024, 1, 1)


def test_unknown_columns_and_files_are_noticed_and_ignored(tmp_path):
    portfolio = read_portfolio(
        write_portfolio(
            tmp_path,
            {
                "sites/field/inverters.csv": "inverter_id,inverter_type,colour\nINV1,T-10,red\nINV2,T-10,\n",
                "job_cost.csv": COSTS,
            },
        )
    )

    assert "sites/field/inverters.csv: ignored unknown columns colour." in portfolio.notices
    assert 'job_cost.csv: ignored, not part of the format. Did you mean "job_costs"?' in portfolio.notices


@pytest.mark.parametrize("path", ["absent", "portfolio.toml"])
def test_a_path_that_is_no_folder_is_refused(tmp_path, path):
    with pytest.raises(PortfolioError, match="Expected the folder of a portfolio"):
        read_portfolio(write_portfolio(tmp_path) / path)


def test_an_assumption_that_nothing_uses_is_told(tmp_path):
    text = with_site("[[arrays]]", '[assumptions]\ncut_cure_share = { value = 0.5, source = "cutting log" }\n[[arrays]]')
    portfolio = read_portfolio(write_portfolio(tmp_path, text))
    (said,) = [n for n in portfolio.notices if "assumption" in n]
    assert 'cut_cure_share: is no assumption of this tool and is ignored. Did you mean "cut_cures_share"?' in said
    assert portfolio.sites[0].assumptions == {}


@pytest.mark.parametrize(("zone", "longitude", "said"), [
    ("Europe/London", "-1.9", False), ("Asia/Tokyo", "-1.9", True), ("Europe/London", "121.9", True),
    # The far west of China, by Peking's clock, and islands beyond the date line.
    ("Asia/Shanghai", "75.5", False), ("Pacific/Kiritimati", "-157.4", False),
])
def test_a_time_zone_that_is_hours_off_the_sun_is_remarked(tmp_path, zone, longitude, said):
    changes = with_site("-1.9", longitude)
    changes[SITE_FILE] = changes[SITE_FILE].replace("Europe/London", zone)
    notices = read_portfolio(write_portfolio(tmp_path, changes)).notices
    assert any(f"timezone = {zone} is" in n and "Correct" not in n for n in notices) is said


def test_a_site_whose_name_begins_with_a_point_is_told(tmp_path):
    write_portfolio(tmp_path)
    (tmp_path / "sites" / ".meadow").mkdir()
    said = read_portfolio(tmp_path).notices
    assert "sites/.meadow: ignored, as its name begins with a point. If it is a site, rename it." in said


def test_settings_that_a_link_leads_out_of_the_folder_are_refused(tmp_path):
    root = tmp_path / "mine"
    write_portfolio(root)
    (tmp_path / "away").mkdir()
    (root / "sites" / "field").rename(tmp_path / "away" / "field")
    (root / "sites" / "field").symlink_to(tmp_path / "away" / "field")
    with pytest.raises(PortfolioError) as caught:
        read_portfolio(root)
    named = [p.split(":")[0] for p in caught.value.problems if "a link leads out of the portfolio's folder" in p]
    assert named == [f"sites/field/{file}" for file in ("site.toml", "inverters.csv", "strings.csv")]
