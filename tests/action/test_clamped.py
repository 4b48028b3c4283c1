"""Strings that a clamp visit missed, by written-out arithmetic."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import AS_OF, MODULE, make_site
from yieldwatch.action.remedies.clamped import dead_at_clamps
from yieldwatch.action.remedies.look import Look
from yieldwatch.portfolio.model import String


def found(ratios, traced="2025-01-10", log=None, limited="", strings=9):
    """What one visit tells of inverters, from their currents over those of their strings as traced."""
    names = [f"I{k + 1}" for k in range(len(ratios))]
    site = make_site().__class__(**{**vars(make_site()), "strings": tuple(
        String(f"{name}.{s}", name, "A", MODULE, 20) for name in names for s in range(strings))})
    visit = pd.DataFrame({
        "time": pd.date_range("2025-03-01 12:00", periods=len(ratios), freq="20min", tz="UTC"), "clamp_round": 1,
        "inverter_id": names, "mppt": None, "limited": limited, "current_ratio": ratios, "current_ratio_u": 0.037})
    findings = pd.DataFrame({"string_id": [s.string_id for s in site.strings], "last_round": traced})
    state = SimpleNamespace(model=SimpleNamespace(inverter_ids=names), log=log,
                            blocks=SimpleNamespace(dates=pd.date_range("2024-01-01", periods=400)))
    return dead_at_clamps(Look(site, None, state, findings, SimpleNamespace(draws=np.zeros((2000, 1))), None,
                               np.random.default_rng(0), AS_OF, clamps=visit))


def test_an_inverter_a_string_short_of_its_peers_has_a_dead_one():
    ((fault, sizes, chance),) = found([0.97, 0.865, 0.98, 0.97])
    assert fault.inverter == 1
    assert -np.expm1(-sizes).mean() == pytest.approx(1 / 9, rel=0.03)
    # Prior 9 x 0.004 against 0.964; a ninth is 3.7 standard uncertainties away: exp(6.9) to one.
    assert chance > 0.9


def test_light_that_all_of_a_visit_share_is_no_dead_string():
    assert found([0.88, 0.87, 0.88, 0.87]) == []


def test_of_many_strings_one_short_is_within_the_doubt():
    # One of 24 is 1.4 standard uncertainties: e to one, against a prior of one in ten.
    assert all(chance < 0.3 for _, _, chance in found([0.97, 0.93, 0.97, 0.97], strings=24))


@pytest.mark.parametrize("told", [{"traced": "2025-03-20"}, {"log": object()}, {"limited": "at its kW rating"}])
def test_what_a_later_trace_a_log_or_a_limit_tells_goes_before(told):
    assert found([0.97, 0.865, 0.98, 0.97], **told) == []
