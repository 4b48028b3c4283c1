"""A farm with jobs done in it: what is proven holds what the generator knows, and idle visits win nothing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import Soiling, StringFault
from yieldwatch.proof.done import DoneJob, done_jobs
from yieldwatch.proof.prove import prove_site

START, END, DONE = dt.date(2023, 6, 1), dt.date(2023, 11, 1), dt.date(2023, 8, 10)


@pytest.fixture(scope="module")
def mended(tmp_path_factory):
    """A string of INV1 open from before the history until it was repaired; dust on all."""
    return inferred(tmp_path_factory.mktemp("mended"), StringFault("INV1.1.1", "open", dt.date(2023, 3, 1), repaired=DONE),
                    Soiling(0.05), start=START, end=END)


def prove(farm, *jobs, data=None):
    data = data or farm.data
    return prove_site(farm.site, data, farm.state, pd.DataFrame(), jobs or done_jobs(farm.site, data))


def test_a_repaired_open_string_won_back_a_quarter_of_its_inverter(mended):
    # Four equal strings: three gave all there was before. From the day after on, a quarter of INV1's energy is the gain.
    (proof,) = prove(mended)
    log = mended.data.power
    after = log[(log["time"] >= pd.Timestamp("2023-08-11", tz="UTC")) & (log["inverter_id"] == "INV1")]
    truth = 0.25 * after["ac_power_kw"].sum() * mended.state.model.to_meter
    low, high = np.quantile(proof.gain_kwh, [0.05, 0.95])
    assert low < truth < high
    assert proof.gain_kwh.mean() == pytest.approx(truth, rel=0.03)
    assert proof.methods == ("peers",)
    assert proof.peers == ("INV2", "INV3", "INV4")


def test_an_idle_visit_to_another_inverter_is_not_said_to_have_worked(mended):
    (own,) = done_jobs(mended.site, mended.data)
    idle = DoneJob("plain", "idle", None, "clean", "soiling", ("INV3",), dt.date(2023, 9, 1))
    proof = prove(mended, own, idle)[1]
    low, high = np.quantile(proof.gain_kwh, [0.05, 0.95])
    assert low <= 0.0 <= high
    assert proof.peers == ("INV2", "INV4")


def test_two_works_on_one_inverter_at_one_visit_cannot_be_told_apart(mended):
    (own,) = done_jobs(mended.site, mended.data)
    second = replace(own, name="other", job_kind="clean", cause="soiling", scope=("INV1",))
    proof = prove(mended, own, second)[0]
    assert not len(proof.gain_kwh)
    assert "other" in proof.doubts[0]


def test_a_sensor_cleaned_with_the_whole_site_leaves_its_gain_open(mended):
    wash = DoneJob("plain", "wash", None, "clean", "soiling", ("site",), dt.date(2023, 9, 1))
    noted = pd.concat([mended.data.events, pd.DataFrame([{
        "event_id": "S", "kind": "sensor_cleaned", "start": pd.Timestamp("2023-09-01", tz="UTC"), "end": pd.NaT,
        "scope": ("site",), "cost": np.nan, "note": ""}])], ignore_index=True)
    (plain,), (open_,) = prove(mended, wash), prove(mended, wash, data=replace(mended.data, events=noted))
    assert plain.methods == open_.methods == ("model",)
    # A step of the sensor of 4 % stays in it, with the doubt of a wiped one in the other.
    assert open_.gain_kwh.std() > 1.5 * plain.gain_kwh.std()
    assert "light sensor" in open_.doubts[0]
    assert not plain.doubts


def test_a_promise_is_held_against_the_days_measured(mended):
    (own,) = done_jobs(mended.site, mended.data)
    (proof,) = prove(mended, replace(own, promised_kwh_per_year=1000.0))
    # 83 of a year's days; the rest of the year lies beyond a history of five months.
    assert np.isnan(proof.promised_kwh)
    assert (proof.first, proof.last) == (dt.date(2023, 8, 11), dt.date(2023, 10, 31))
