"""What a portfolio's folder may hold, and what is said of one that may not."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from tests.portfolio.folder import (
    INVERTER_TYPES,
    INVERTERS,
    MODULE_TYPES,
    PORTFOLIO,
    SITE,
    STRINGS,
    write_portfolio,
)
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.days_off import WEEKEND, why_no_work
from yieldwatch.portfolio.read import read_portfolio

SITE_FILE = "sites/field/site.toml"
AXIS = SITE.replace(
    'mount = "fixed"\ntilt_deg = 20\nazimuth_deg = 180',
    'mount = "single_axis"\naxis_azimuth_deg = 0\nmax_angle_deg = 55',
)
COSTS = (
    "job_kind,cost_per_visit,cost_per_unit,unit,crew_hours_per_visit,crew_hours_per_unit,lead_days\n"
    "clean,300,0.4,module,2,0.01,10\nrepair_string,180,85,string,2,1.5,7\n"
)


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


def _site(old: str, new: str) -> dict[str, str]:
    assert old in SITE
    return {SITE_FILE: SITE.replace(old, new)}


def _module(old: str, new: str) -> dict[str, str]:
    assert old in MODULE_TYPES
    return {"module_types.csv": MODULE_TYPES.replace(old, new)}


INVALID = {
    "no settings file": ({"portfolio.toml": None}, "portfolio.toml: is missing"),
    "broken toml": (
        {"portfolio.toml": "format = 1\nname = \n"},
        r"portfolio.toml: is not valid TOML: .*line 2",
    ),
    "latin-1 toml": ({"portfolio.toml": 'name = "Caf\xe9"'.encode("latin-1")}, "byte 11 is not UTF-8"),
    "other format": (
        {"portfolio.toml": "format = 2\n"},
        r"format = 2, which this version cannot read. Expected 1",
    ),
    "no format": ({"portfolio.toml": 'name = "x"\n'}, "format is missing. Expected 1"),
    "near miss in the portfolio": (
        {"portfolio.toml": PORTFOLIO + "work_budget = 5\n"},
        r'unknown key "work_budget". Did you mean "works_budget"\? Allowed: crew_days, currency,',
    ),
    "per cent for a fraction": (
        {"portfolio.toml": PORTFOLIO.replace("0.06", "6")},
        r"discount_rate = 6 per year, outside what is possible. Expected 0 to 1 per year",
    ),
    "currency": (
        {"portfolio.toml": PORTFOLIO.replace("EUR", "euro")},
        'currency = "euro", not an ISO 4217 code',
    ),
    "no sites": (
        {name: None for name in (SITE_FILE, "sites/field/inverters.csv", "sites/field/strings.csv")},
        "sites: is missing",
    ),
    "site without settings": ({SITE_FILE: None}, r"sites/field/site.toml: is missing"),
    "near miss in an array": (
        _site("tilt_deg", "tilt_dge"),
        r'\[\[arrays\]\] A: unknown key "tilt_dge". '
        r'Did you mean "tilt_deg"\? Allowed: albedo, axis_azimuth_deg',
    ),
    "latitude": (
        _site("51.2", "151.2"),
        r"latitude = 151.2 °, outside what is possible. Expected -90 to 90 °",
    ),
    "number as text": (_site("altitude_m = 95", 'altitude_m = "95"'), 'altitude_m = "95", not a number'),
    "true is no number": (_site("altitude_m = 95", "altitude_m = true"), "altitude_m = true, not a number"),
    "time zone": (
        _site("Europe/London", "Europe/Londn"),
        r'not an IANA time zone. Did you mean "Europe/London"\?',
    ),
    "site id": (_site('id = "field"', 'id = "meadow"'), 'id = "meadow", but the folder is "field"'),
    "mount": (
        _site('"fixed"', '"fix"'),
        r'mount = "fix", not known. Did you mean "fixed"\? '
        "Expected one of fixed, single_axis",
    ),
    "tilt missing": (
        _site("tilt_deg = 20\n", ""),
        "tilt_deg is missing. Expected a number, since mount = fixed",
    ),
    "axis key on a fixed array": (
        _site("tilt_deg = 20", "tilt_deg = 20\nbacktrack = true\npitch_m = 6\ncollector_width_m = 2"),
        "backtrack has no meaning where mount = fixed",
    ),
    "axis key missing": ({SITE_FILE: AXIS.replace("max_angle_deg = 55", "")}, "max_angle_deg is missing"),
    "backtrack without pitch": (
        {SITE_FILE: AXIS + "backtrack = true\n"},
        "needs pitch_m and collector_width_m",
    ),
    "rows that overlap": (
        _site("tilt_deg = 20", "tilt_deg = 20\npitch_m = 3\ncollector_width_m = 4"),
        "collector_width_m = 4 m, not below pitch_m",
    ),
    "array twice": ({SITE_FILE: SITE + SITE[SITE.index("[[arrays]]") :]}, 'id = "A" is there twice'),
    "poa_array": (
        _site("[[arrays]]", '[data]\npoa_array = "B"\n[[arrays]]'),
        'poa_array = "B", not an array of this site. Expected one of A',
    ),
    "label": (
        _site("[[arrays]]", '[data]\ninterval_label = { power = "left" }\n[[arrays]]'),
        'power = "left", not known. Expected one of end, middle, start',
    ),
    "label of no table": (
        _site("[[arrays]]", '[data]\ninterval_label = { meter = "end" }\n[[arrays]]'),
        'interval_label: unknown key "meter"',
    ),
    "horizon": (
        _site("[[arrays]]", "[horizon]\nazimuth_deg = [0, 90]\nelevation_deg = [1]\n[[arrays]]"),
        "has 2 azimuths and 1 elevations",
    ),
    "plan of 11 months": (
        _site("[[arrays]]", f"[plan]\np50_kwh_by_month = {[1] * 11}\n[[arrays]]"),
        "p50_kwh_by_month has 11 values. Expected 12",
    ),
    "assumption without source": (
        _site("[[arrays]]", "[assumptions]\ncut_cures_share = { value = 1 }\n[[arrays]]"),
        r"\[assumptions\] cut_cures_share: source is missing",
    ),
    "assumption that cannot be": (
        _site("[[arrays]]", '[assumptions]\ncut_cures_share = { value = 75, source = "cutting log" }\n[[arrays]]'),
        r"\[assumptions\] cut_cures_share: value = 75, outside what is possible. Expected 0 to 1",
    ),
    "excluded cause": (
        _site(
            "[[arrays]]",
            '[[guarantees]]\nkind = "availability"\nvalue_pct = 98\n'
            'damages_per_pct = 1\nexcludes = ["curtailmnt"]\n[[arrays]]',
        ),
        r'has "curtailmnt", not known. Did you mean "curtailment"\?',
    ),
    "no module types": (
        {"module_types.csv": None},
        "module_types.csv: is missing. Expected the columns module_type",
    ),
    "column missing": (
        _module("v_oc_v", "voc_v"),
        r"module_types.csv, header: v_oc_v is missing. "
        r'Did you mean "voc_v"\?',
    ),
    "decimal comma": (
        _module("10.5,", '"10,5",'),
        r"line 2 \(M-400\): i_sc_a = 10,5 A, written with a decimal comma",
    ),
    "unquoted decimal comma": (_module("10.5,", "10,5,"), "has 15 fields where the header has 14"),
    "positive power coefficient": (
        _module("-0.35", "0.35"),
        r"gamma_p_mp_pct_per_c = 0.35 %/°C, outside what is "
        r"possible. Expected -1 to 0 %/°C",
    ),
    "power that does not fit": (
        _module("M-400,mono-Si,400", "M-400,mono-Si,450"),
        "p_mp_w = 450 W, but i_mp_a x v_mp_v is 400.0 W",
    ),
    "current above short circuit": (_module(",10.5,", ",9.5,"), "i_mp_a = 10 A, above i_sc_a"),
    "half a diode": (_module(",72,3,", ",72,2.5,"), "bypass_diodes = 2.5, not a whole number"),
    "type twice": (
        {"module_types.csv": MODULE_TYPES + MODULE_TYPES.splitlines()[1] + "\n"},
        r"line 3 \(M-400\): module_type = M-400, already at module_types.csv, line 2",
    ),
    "kVA below kW": (
        {"inverter_types.csv": INVERTER_TYPES.replace("T-10,10,10", "T-10,10,9")},
        "ac_rated_kva = 9 kVA, below ac_rated_kw",
    ),
    "no efficiency": (
        {"inverter_types.csv": INVERTER_TYPES.replace("97.5,98", ",")},
        "are all blank. Expected at least one efficiency",
    ),
    "efficiency as a fraction": (
        {"inverter_types.csv": INVERTER_TYPES.replace("97.5", "0.975")},
        "eff_20_pct = 0.975 %, outside what is possible. Expected 50 to 100 %",
    ),
    "job kind": (
        {"job_costs.csv": COSTS.replace("repair_string", "mend_string")},
        "job_kind = mend_string, not known. Expected one of claim, clean, cut_vegetation",
    ),
    "unknown inverter type": (
        {"sites/field/inverters.csv": INVERTERS.replace("INV2,T-10", "INV2,T-11")},
        r'inverter_type = T-11, not in inverter_types. Did you mean "T-10"\?',
    ),
    "unknown inverter": (
        {"sites/field/strings.csv": STRINGS.replace("S3,INV2", "S3,INV3")},
        r"strings.csv, line 4 \(S3\): inverter_id = INV3, not in inverters",
    ),
    "unknown array": (
        {"sites/field/strings.csv": STRINGS.replace("S2,INV1,2,A", "S2,INV1,2,B")},
        "array_id = B, not in .*Expected one of A",
    ),
    "input that is not there": (
        {"sites/field/strings.csv": STRINGS.replace("S2,INV1,2", "S2,INV1,3")},
        "mppt = 3, not an input of INV1. Expected 1 to 2",
    ),
    "string id": (
        {"sites/field/strings.csv": STRINGS.replace("S2,", "S 2,")},
        r"string_id = S 2, not an identifier. Expected letters, digits",
    ),
    "blank modules": (
        {"sites/field/strings.csv": STRINGS.replace("M-400,15\nS2", "M-400,\nS2")},
        "modules_in_series = blank, blank, and each row needs it",
    ),
    "no strings": ({"sites/field/strings.csv": STRINGS.splitlines()[0] + "\n"}, "strings: has no rows"),
    "two files for one table": ({"sites/field/strings.csv.gz": b""}, "found more than once"),
    "broken gzip": (
        {"sites/field/strings.csv": None, "sites/field/strings.csv.gz": b"not gzip"},
        "strings.csv.gz: cannot be read",
    ),
    "empty file": ({"module_types.csv": ""}, "module_types.csv, line 1: the header row is missing"),
    "semicolons": (
        {"module_types.csv": MODULE_TYPES.replace(",", ";")},
        "separated by semicolons. Expected commas",
    ),
}


@pytest.mark.parametrize(("changes", "message"), INVALID.values(), ids=INVALID.keys())
def test_invalid_portfolio_is_refused_with_the_reason(tmp_path, changes, message):
    with pytest.raises(PortfolioError, match=message) as caught:
        read_portfolio(write_portfolio(tmp_path, changes))
    assert all("\n" not in problem for problem in caught.value.problems)


def test_all_problems_of_all_files_are_told_at_once(tmp_path):
    with pytest.raises(PortfolioError) as caught:
        read_portfolio(
            write_portfolio(
                tmp_path,
                {
                    **_site("51.2", "151.2"),
                    "portfolio.toml": PORTFOLIO.replace("EUR", "euro"),
                    "sites/field/strings.csv": STRINGS.replace("S3,INV2", "S3,INV3"),
                    **_module("-0.35", "0.35"),
                },
            )
        )

    files = [re.split("[:,]", problem)[0] for problem in caught.value.problems]
    # The unsound module type is complained of once, not again for each string made of it.
    assert sorted(files) == [
        "module_types.csv",
        "portfolio.toml",
        "sites/field/site.toml",
        "sites/field/strings.csv",
    ]


def test_many_bad_rows_of_a_column_are_shown_by_five_and_counted(tmp_path):
    rows = "".join(f"X{i},INV1,1,A,M-400,0\n" for i in range(9))
    with pytest.raises(PortfolioError) as caught:
        read_portfolio(write_portfolio(tmp_path, {"sites/field/strings.csv": STRINGS + rows}))

    assert len(caught.value.problems) == 6
    assert caught.value.problems[-1] == "sites/field/strings.csv: modules_in_series is wrong in 4 more rows."


@pytest.mark.parametrize("path", ["absent", "portfolio.toml"])
def test_a_path_that_is_no_folder_is_refused(tmp_path, path):
    with pytest.raises(PortfolioError, match="Expected the folder of a portfolio"):
        read_portfolio(write_portfolio(tmp_path) / path)


def test_an_assumption_that_nothing_uses_is_told(tmp_path):
    text = _site("[[arrays]]", '[assumptions]\ncut_cure_share = { value = 0.5, source = "cutting log" }\n[[arrays]]')
    portfolio = read_portfolio(write_portfolio(tmp_path, text))
    (said,) = [n for n in portfolio.notices if "assumption" in n]
    assert 'cut_cure_share: is no assumption of this tool and is ignored. Did you mean "cut_cures_share"?' in said
    assert portfolio.sites[0].assumptions == {}


OFF = '\n[[days_off]]\nfirst = 2025-12-24\nlast = 2026-01-01\nwhy = "works holiday"\n'


@pytest.mark.sourced
def test_no_crew_works_on_weekends_holidays_and_named_days_of_portfolio_and_site(tmp_path):
    site = SITE.replace('commissioned', 'public_holidays = "DE-BY"\ncommissioned') + "\n[[days_off]]\nfirst = 2025-06-30\n"
    (field,) = read_portfolio(write_portfolio(tmp_path, {"portfolio.toml": PORTFOLIO + OFF, SITE_FILE: site})).sites
    assert why_no_work(field, dt.date(2025, 12, 29)) == "works holiday"
    assert why_no_work(field, dt.date(2026, 1, 2)) == ""
    assert why_no_work(field, dt.date(2025, 6, 30)) == "no crew works"
    assert why_no_work(field, dt.date(2025, 7, 5)) == WEEKEND
    # Bavarian law on Sundays and holidays, art. 1: Epiphany is one, 6 January; 6 December is none (from memory).
    assert why_no_work(field, dt.date(2026, 1, 6))
    assert why_no_work(field, dt.date(2024, 12, 6)) == ""
    # German unity treaty, art. 2: 3 October (from memory).
    assert why_no_work(field, dt.date(2025, 10, 3))


@pytest.mark.parametrize(("site", "said"), [
    ('public_holidays = "XX"', 'public_holidays = "XX", not a country whose public holidays are known'),
    ('public_holidays = "DE-XX"', r"not a region of DE that is known. Expected DE, or one of its regions \(.*BY"),
    ("days_off = [{ first = 2025-12-24, last = 2025-12-01 }]", "last = 2025-12-01, before first = 2025-12-24"),
    ('days_off = [{ why = "off" }]', r"\[\[days_off\]\] 1: first is missing"),
])
def test_days_off_that_cannot_be_are_said(tmp_path, site, said):
    with pytest.raises(PortfolioError, match=said):
        read_portfolio(write_portfolio(tmp_path, {SITE_FILE: SITE.replace("commissioned", f"{site}\ncommissioned")}))
