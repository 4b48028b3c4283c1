"""What the generator does to single strings, against what a circuit must do."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from tests.farm.causes import at_strength, strength
from tests.farm.diode import curve, power, weak_part, weak_power
from tests.farm.spec import ModuleSpec, StringFault
from tests.farm.string_population import draw_string_farm

MODULE = ModuleSpec("M")
LIGHT, TEMP = np.array([900.0]), np.array([40.0])


def test_groups_in_half_light_are_carried_past_by_their_diodes():
    sound, found = curve(MODULE, LIGHT, TEMP).points(), weak_part(MODULE, LIGHT, TEMP, 0.5, 0.1).points()
    # A tenth of the string in half light: its diodes conduct, so the current stays and a tenth of the voltage goes, and the
    # diodes' own drop with it (1.5 V of some 41 V in that tenth).
    assert found["i_sc"] == pytest.approx(sound["i_sc"], rel=0.01)
    assert found["i_mp"] == pytest.approx(sound["i_mp"], rel=0.01)
    assert found["v_mp"] / sound["v_mp"] == pytest.approx(0.9 - 0.1 * 1.5 / sound["v_mp"][0], abs=0.006)
    assert weak_power(MODULE, LIGHT, TEMP, 0.5, 0.1) / power(MODULE, LIGHT, TEMP) == pytest.approx(
        found["p_mp"] / sound["p_mp"], rel=0.01
    )


def test_many_groups_in_nearly_full_light_hold_the_whole_string_back():
    sound, found = curve(MODULE, LIGHT, TEMP).points(), weak_part(MODULE, LIGHT, TEMP, 0.95, 0.6).points()
    # No diode conducts: the current is held near that of the weak groups, and the sound ones stand at a higher voltage.
    assert 0.95 < found["i_mp"] / sound["i_mp"] < 0.97
    assert found["v_mp"] > 0.99 * sound["v_mp"]


def test_a_fault_grows_from_three_tenths_to_all_of_its_size():
    fault = StringFault("S", "series_resistance", dt.date(2024, 1, 1), 4.0, years_to_full=1.0)
    days = pd.to_datetime(["2023-12-01", "2024-01-03", "2024-07-01", "2025-06-01"], utc=True)
    size = strength(fault, days)
    assert size[0] == 0.0
    assert 0.3 <= size[1] <= 0.5
    assert size[1] < size[2] < size[3] == 1.0
    assert at_strength(fault, 0.5).size == 2.0
    # Half the leak is twice the resistance.
    assert at_strength(StringFault("S", "shunt", dt.date(2024, 1, 1), 20.0), 0.5).size == 40.0


def test_the_same_seed_draws_the_same_farm():
    assert draw_string_farm(1200) == draw_string_farm(1200)
    assert draw_string_farm(1200) != draw_string_farm(1201)
