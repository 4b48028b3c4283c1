"""What is said of a portfolio's folder that cannot be."""

from __future__ import annotations

import re

import pytest

from tests.portfolio.folder import (
    AXIS,
    COSTS,
    INVERTER_TYPES,
    INVERTERS,
    MODULE_TYPES,
    PORTFOLIO,
    SITE,
    SITE_FILE,
    STRINGS,
    with_site,
    write_portfolio,
)
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.read import read_portfolio


def _module(old: str, new: str) -> dict[str, str]:
    assert old in MODULE_TYPES
    return {"module_types.csv": MODULE_TYPES.replace(old, new)}


INVALID = {
    "no settings file": ({"portfolio.toml": None}, "holds no portfolio.toml"),
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
        with_site("tilt_deg", "tilt_dge"),
        r'\[\[arrays\]\] A: unknown key "tilt_dge". '
        r'Did you mean "tilt_deg"\? Allowed: albedo, axis_azimuth_deg',
    ),
    "latitude": (
        with_site("51.2", "151.2"),
        r"latitude = 151.2 °, outside what is possible. Expected -90 to 90 °",
    ),
    "number as text": (with_site("altitude_m = 95", 'altitude_m = "95"'), 'altitude_m = "95", not a number'),
    "true is no number": (with_site("altitude_m = 95", "altitude_m = true"), "altitude_m = true, not a number"),
    "number that no computer holds": (
        {"portfolio.toml": PORTFOLIO + f"works_budget = {'9' * 400}\n"},
        r"works_budget = 9+\.\.\. money/year, not finite",
    ),
    "number of thousands of digits": (
        {"portfolio.toml": PORTFOLIO + f"works_budget = {'9' * 5000}\n"}, r"portfolio.toml: is not valid TOML"),
    "line end in an identifier": (with_site('id = "A"', 'id = "A\\n"'), r'id = "A\\n", not an identifier'),
    "sign that moves a terminal's cursor": (
        with_site('name = "Field"', 'name = "Fi\\u001b[2Jeld"'), r'name = "Fi\\x1b\[2Jeld", with a control character'),
    "time zone": (
        with_site("Europe/London", "Europe/Londn"),
        r'not an IANA time zone. Did you mean "Europe/London"\?',
    ),
    "site id": (with_site('id = "field"', 'id = "meadow"'), 'id = "meadow", but the folder is "field"'),
    "mount": (
        with_site('"fixed"', '"fix"'),
        r'mount = "fix", not known. Did you mean "fixed"\? '
        "Expected one of fixed, single_axis",
    ),
    "tilt missing": (
        with_site("tilt_deg = 20\n", ""),
        "tilt_deg is missing. Expected a number, since mount = fixed",
    ),
    "axis key on a fixed array": (
        with_site("tilt_deg = 20", "tilt_deg = 20\nbacktrack = true\npitch_m = 6\ncollector_width_m = 2"),
        "backtrack has no meaning where mount = fixed",
    ),
    "axis key missing": ({SITE_FILE: AXIS.replace("max_angle_deg = 55", "")}, "max_angle_deg is missing"),
    "rows that overlap": (
        with_site("tilt_deg = 20", "tilt_deg = 20\npitch_m = 3\ncollector_width_m = 4"),
        "collector_width_m = 4 m, not below pitch_m",
    ),
    "array twice": ({SITE_FILE: SITE + SITE[SITE.index("[[arrays]]") :]}, 'id = "A" is there twice'),
    "poa_array": (
        with_site("[[arrays]]", '[data]\npoa_array = "B"\n[[arrays]]'),
        'poa_array = "B", not an array of this site. Expected one of A',
    ),
    "label": (
        with_site("[[arrays]]", '[data]\ninterval_label = { power = "left" }\n[[arrays]]'),
        'power = "left", not known. Expected one of end, middle, start',
    ),
    "label of no table": (
        with_site("[[arrays]]", '[data]\ninterval_label = { meter = "end" }\n[[arrays]]'),
        'interval_label: unknown key "meter"',
    ),
    "horizon": (
        with_site("[[arrays]]", "[horizon]\nazimuth_deg = [0, 90]\nelevation_deg = [1]\n[[arrays]]"),
        "has 2 azimuths and 1 elevations",
    ),
    "plan of 11 months": (
        with_site("[[arrays]]", f"[plan]\np50_kwh_by_month = {[1] * 11}\n[[arrays]]"),
        "p50_kwh_by_month has 11 values. Expected 12",
    ),
    "assumption without source": (
        with_site("[[arrays]]", "[assumptions]\ncut_cures_share = { value = 1 }\n[[arrays]]"),
        r"\[assumptions\] cut_cures_share: source is missing",
    ),
    "assumption that cannot be": (
        with_site("[[arrays]]", '[assumptions]\ncut_cures_share = { value = 75, source = "cutting log" }\n[[arrays]]'),
        r"\[assumptions\] cut_cures_share: value = 75, outside what is possible. Expected 0 to 1",
    ),
    "excluded cause": (
        with_site(
            "[[arrays]]",
            '[[guarantees]]\nkind = "availability"\nvalue_pct = 98\n'
            'damages_per_pct = 1\nexcludes = ["curtailmnt"]\n[[arrays]]',
        ),
        r'has "curtailmnt", not known. Did you mean "curtailment"\?',
    ),
    "guarantee that ends before it begins": (
        with_site(
            "[[arrays]]",
            '[[guarantees]]\nkind = "availability"\nvalue_pct = 98\ndamages_per_pct = 1\n'
            "from = 2024-01-01\nto = 2024-01-01\n[[arrays]]",
        ),
        r"\[\[guarantees\]\] 1: to = 2024-01-01, not after from = 2024-01-01. Expected a later day",
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
        "modules_in_series = blank, each row needs it. Expected 1 to 200. Fill it in",
    ),
    "no strings": ({"sites/field/strings.csv": STRINGS.splitlines()[0] + "\n"}, "strings: has no rows"),
    "two files for one table": ({"sites/field/strings.csv.gz": b""}, "found more than once"),
    "broken gzip": (
        {"sites/field/strings.csv": None, "sites/field/strings.csv.gz": b"not gzip"},
        "strings.csv.gz: cannot be read",
    ),
    "negative cost": (
        {"job_costs.csv": COSTS.replace("clean,300", "clean,-300")},
        "cost_per_visit = -300, outside what is possible. Expected 0 or more. Correct it",
    ),
    "negative fixed price": (
        with_site("[[arrays]]", '[[tariffs]]\nfrom = 2019-06-14\nkind = "fixed"\nprice_per_kwh = -0.08\n\n[[arrays]]'),
        "price_per_kwh = -0.08 in a fixed tariff, below nil",
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


@pytest.mark.parametrize("content", ["", STRINGS.replace(",", ";"), STRINGS.encode("utf-16")])
def test_a_table_that_cannot_be_read_is_not_called_empty_as_well(tmp_path, content):
    with pytest.raises(PortfolioError) as caught:
        read_portfolio(write_portfolio(tmp_path, {"sites/field/strings.csv": content}))
    assert len(caught.value.problems) == 1


def test_all_problems_of_all_files_are_told_at_once(tmp_path):
    with pytest.raises(PortfolioError) as caught:
        read_portfolio(
            write_portfolio(
                tmp_path,
                {
                    **with_site("51.2", "151.2"),
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
