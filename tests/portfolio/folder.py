"""
The smallest portfolio that is valid, as text by path, and a writer for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

PORTFOLIO = """format = 1
name = "One Field"
currency = "EUR"
discount_rate = 0.06
"""

MODULE_TYPES = (
    "module_type,technology,p_mp_w,i_sc_a,v_oc_v,i_mp_a,v_mp_v,alpha_i_sc_pct_per_c,beta_v_oc_pct_per_c,"
    "gamma_p_mp_pct_per_c,cells_in_series,bypass_diodes,tolerance_minus_pct,tolerance_plus_pct\n"
    "M-400,mono-Si,400,10.5,49,10,40,0.05,-0.27,-0.35,72,3,-3,3\n"
)
INVERTER_TYPES = (
    "inverter_type,ac_rated_kw,ac_rated_kva,dc_max_kw,mppt_inputs,v_mppt_min_v,v_mppt_max_v,"
    "eff_20_pct,eff_100_pct\n"
    "T-10,10,10,15,2,200,800,97.5,98\n"
)
SITE = """id = "field"
name = "Field"
latitude = 51.2
longitude = -1.9
altitude_m = 95
timezone = "Europe/London"
commissioned = 2019-06-14

[[arrays]]
id = "A"
mount = "fixed"
tilt_deg = 20
azimuth_deg = 180
"""
SITE_FILE = "sites/field/site.toml"
AXIS = SITE.replace(
    'mount = "fixed"\ntilt_deg = 20\nazimuth_deg = 180',
    'mount = "single_axis"\naxis_azimuth_deg = 0\nmax_angle_deg = 55',
)
COSTS = (
    "job_kind,cost_per_visit,cost_per_unit,unit,crew_hours_per_visit,crew_hours_per_unit,lead_days\n"
    "clean,300,0.4,module,2,0.01,10\nrepair_string,180,85,string,2,1.5,7\n"
)
INVERTERS = "inverter_id,inverter_type\nINV1,T-10\nINV2,T-10\n"
STRINGS = (
    "string_id,inverter_id,mppt,array_id,module_type,modules_in_series\n"
    "S1,INV1,1,A,M-400,15\nS2,INV1,2,A,M-400,15\nS3,INV2,1,A,M-400,15\n"
)
FILES: Mapping[str, str] = {
    "portfolio.toml": PORTFOLIO,
    "module_types.csv": MODULE_TYPES,
    "inverter_types.csv": INVERTER_TYPES,
    SITE_FILE: SITE,
    "sites/field/inverters.csv": INVERTERS,
    "sites/field/strings.csv": STRINGS,
}


def write_portfolio(root: Path, changes: Mapping[str, str | bytes | None] | None = None) -> Path:
    """Write the smallest portfolio with files replaced, added, or left out where None."""
    for name, content in {**FILES, **(changes or {})}.items():
        if content is None:
            continue
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return root


def with_site(old: str, new: str) -> dict[str, str]:
    """The site's settings with a text replaced, as a change for `write_portfolio`."""
    assert old in SITE
    return {SITE_FILE: SITE.replace(old, new)}
