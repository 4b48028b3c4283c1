"""What broke after the last visit of a farm without a log, in the account."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.farm.spec import StringFault
from tests.gap.strings import site_of
from tests.gap.test_unlogged import answer_and_truth, spec_of
from yieldwatch.gap.mechanisms.since_read import Fallen, Rival, _last_read, _likelier, fault_of


def test_a_string_that_died_after_the_last_visit_stands_in_the_account_on_one_of_the_inverters(tmp_path):
    # One string in twelve, dead eleven days after all were read: August and September lack 8 % each.
    dead = StringFault("INV2.1.1", "open", dt.date(2023, 7, 31))
    answer, truth = answer_and_truth(tmp_path, replace(spec_of(dead), end=dt.date(2023, 10, 1)))
    late = ["2023-08", "2023-09"]
    gap = answer.sites[0].gap
    told = gap.losses[gap.losses["month"].astype(str).str[:7].isin(late)]
    lost = truth[truth["month"].isin(late) & (truth["cause"] == "string_fault")]["energy_kwh"].sum()

    # With the part that may be an input's: no reading says which of the two it is.
    strings, inputs = (told.loc[told["cause"] == cause, "energy_kwh"].sum() for cause in ("string_fault", "inverter_efficiency"))
    assert strings + inputs == pytest.approx(lost, rel=0.25)
    assert strings > inputs
    low, high = (told.loc[told["cause"].isin(["string_fault"]), end].sum() for end in ("energy_low_kwh", "energy_high_kwh"))
    assert low <= lost <= high
    said = "The meter shows 1 loss that no round has seen: INV1 or INV2 or INV3 since some day from 2023-0"
    assert said in str(gap.evidence)


@pytest.mark.parametrize(("limited", "day"), [("", 40), ("with the whole site", -1)])
def test_a_clamp_reading_that_a_limit_held_down_is_no_reading_of_the_strings(limited, day):
    site = site_of(4)
    name = site.strings[0].inverter_id
    first = pd.Timestamp("2024-01-01")
    blocks = SimpleNamespace(
        model=SimpleNamespace(inverter_ids=[name], site=site), dates=pd.date_range(first, periods=100),
        day_of=lambda time: (time.tz_localize(None).normalize() - first).days)
    clamps = pd.DataFrame({"inverter_id": [name], "time": [first.tz_localize("UTC") + pd.Timedelta(days=40)],
                           "current_ratio": [1.0], "limited": [limited]})
    assert _last_read(blocks, pd.DataFrame(), clamps, 0) == day


def test_a_year_of_days_is_weighed_as_well_as_a_few_months():
    # Three hundred days that each lack a fifth, against a scatter of 2 %: no float holds the product of what they say.
    days = np.stack([np.arange(400), np.arange(1, 401)], axis=1).astype(float)
    short, scatter = np.where(np.arange(400) < 100, 0.0, 0.2), np.full(400, 0.02)
    fits = [_likelier(days, short, scatter, fall, day) for fall in (0.2, -0.2) for day in (0.0, 100.0, 399.0)]
    assert np.isfinite(fits).all()
    assert min(fits) > 0.0
    site = site_of(4)
    blocks = SimpleNamespace(model=SimpleNamespace(inverter_ids=[site.strings[0].inverter_id], site=site), dates=range(400))
    rivals = tuple(Rival(0, True, 0.2, f, ((0, f), (100, f))) for f in fits)
    assert fault_of(Fallen(rivals), blocks).chance == pytest.approx(1.0)
