"""A power factor at which all inverters stand, read off clamp readings where no paper names it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import site_of
from yieldwatch.gap.reactive_duty import with_standing_duty

SITE = site_of(20)
NAMES = [i.inverter_id for i in SITE.inverters]
RATED = SITE.inverters[0].inverter_type.ac_rated_kva


def clamps(factor: tuple[float, ...], load: float = 0.7, derived: str = "power_factor") -> pd.DataFrame:
    """A reading of kW and kVAr for each power factor, the inverters in turn."""
    kw = np.full(len(factor), load * RATED)
    return pd.DataFrame({
        "inverter_id": [NAMES[k % len(NAMES)] for k in range(len(factor))], "phase": np.nan, "ac_power_kw": kw,
        "ac_reactive_kvar": kw * np.tan(np.arccos(factor)), "power_factor": factor, "derived": derived, "contradictions": "",
    })


def test_readings_that_agree_on_a_power_factor_are_a_standing_duty_and_said() -> None:
    site, said = with_standing_duty(SITE, clamps((0.951, 0.949, 0.95)))
    assert site.power_factor == pytest.approx(0.95)
    assert "3 clamp readings of 2 inverters agree on a power factor of 0.95" in said
    assert "[grid]" in said


@pytest.mark.parametrize("readings", [
    clamps((0.998, 0.997, 0.998)),  # none
    clamps((0.95, 0.98)),  # not one duty
    clamps((0.95,)),  # one inverter alone
    clamps((0.95, 0.95), load=0.1),  # filters and cables at low load
    clamps((0.95, 0.95), derived="ac_reactive_kvar power_factor"),  # what kW and kVA give is too rough
    clamps((0.95, 0.95)).assign(contradictions="9.00 kVA is not √(kW² + kVAr²) = 8.00 kVA"),
    clamps(()),
])  # fmt: skip
def test_readings_that_show_no_duty_leave_the_site_as_it_is(readings: pd.DataFrame) -> None:
    assert with_standing_duty(SITE, readings) == (SITE, "")


def test_a_power_factor_on_paper_stands() -> None:
    site = replace(SITE, power_factor=0.98)
    assert with_standing_duty(site, clamps((0.95, 0.95)))[0].power_factor == 0.98
