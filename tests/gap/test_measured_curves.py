"""
Measured curves of a sound module as strings: none may be called faulty, and all translate to one power.

The curves are in `tests/data` (see README.md there). A string is twelve of the module, with one curve's shape.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import MODULES, data_of, site_of
from yieldwatch.gap.curves import traced_key_points
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.portfolio.model import ModuleType

CURVES = pd.read_csv(Path(__file__).parents[1] / "data" / "healthy_iv_curves.csv")
#: At standard conditions by straight lines through all 3,585 curves of the source: Isc 7.676 A and 0.0046208 A/°C, Voc 21.337 V
#: and -0.07499 V/°C, power 119.5 W and -0.524 %/°C.
KIND = ModuleType("36 cells", "multi-Si", 119.5, 7.676, 21.337, 7.02, 17.02, 0.0602, -0.3515, -0.524, 36, 2, -5.0, 5.0)
DAYS = ("2023-05-20", "2024-06-01", "2025-06-10")


def strings(odd: dict[str, float] | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    What 16 strings showed in three rounds, one a level of light, and the findings.

    `odd` gives strings whose current at the maximum power point and beyond is cut to a share, as a shaded group does.
    """
    site = site_of(16)
    site = replace(site, strings=tuple(replace(s, module_type=KIND) for s in site.strings))
    rows, traces = [], []
    for n, (number, curve) in enumerate(CURVES.groupby("curve", sort=False)):
        day, string = DAYS[n // 16], site.strings[n % 16].string_id
        v, i = curve["v_v"].to_numpy(), curve["i_a"].to_numpy()
        if odd and string in odd:
            i = np.where(v > 0.3 * v.max(), np.minimum(i, odd[string] * i.max()), i)
        point = traced_key_points(v, i)
        poa, temp = curve[["irradiance_w_m2", "temp_cell_c"]].iloc[0]
        rows.append({
            "time": pd.Timestamp(day, tz="UTC") + pd.Timedelta(hours=11, minutes=3 * (n % 16)), "string_id": string,
            "poa_global": poa, "temp_module": temp - 3.0 * poa / 1000.0,
            **{name: point[name] * (MODULES if name != "i_sc" and name != "i_mp" else 1)
               for name in ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")},
            "poa_global_end": np.nan, "instrument": None, "trace_id": str(number), "note": None, "file": "r.csv", "line": n + 2,
        })
        traces.append(pd.DataFrame({"trace_id": str(number), "v": MODULES * v, "i": i}))
    data = data_of(pd.DataFrame(rows), curves=pd.concat(traces, ignore_index=True))
    rounds = assess_rounds(site, data)
    return rounds, string_findings(site, rounds, data).set_index("string_id")


@pytest.fixture(scope="module")
def sound() -> tuple[pd.DataFrame, pd.DataFrame]:
    return strings()


@pytest.mark.sourced
def test_every_measured_curve_translates_to_the_modules_power(sound: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    watt = 119.5 * sound[0]["p_mp_plate"]

    # Source: the same curves, whose regression leaves 0.49 % of the power at standard conditions (one standard deviation).
    assert len(watt) == 48
    assert watt.mean() == pytest.approx(119.5, abs=1.0)
    assert watt.std() < 1.2


@pytest.mark.sourced
def test_no_string_of_sound_curves_is_called_faulty(sound: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: the same; their current at half the open-circuit voltage is 0.965 of short circuit or more in all: no steps.
    rounds, findings = sound

    assert (findings["finding"] == "ok").all()
    assert findings["confidence"].max() < 0.1
    assert rounds["grade"].isin(["good", "usable"]).all()


def test_a_shaded_group_among_the_measured_curves_is_told_as_part_of_the_light_gone() -> None:
    _, findings = strings({"S05": 0.8})

    assert findings.loc["S05", "finding"] in ("shaded", "current_low")
    assert (findings["finding"].drop("S05") == "ok").all()
