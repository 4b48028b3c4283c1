"""A hedge cut: proven at the same sun positions, and told to wait where the sun has not been back."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.benchmarks.proof import by_day
from tests.farm.plain import plain
from tests.farm.spec import Block, Hedge
from yieldwatch.proof.done import DoneJob, done_jobs
from yieldwatch.proof.prove import prove_site
from yieldwatch.proof.verdict import judge

# Cut after a winter; from February to May the sun comes back through the positions of August to November.
START, CUT, END = dt.date(2022, 8, 15), dt.date(2023, 2, 10), dt.date(2023, 5, 20)
HEDGE = Hedge(180.0, 120.0, 5.0, 4.0, 0.0)
BLOCKS = tuple(Block(f"INV{k}", "I", "A", "M", 2, 2, 20) for k in (1, 2, 3))


@pytest.fixture(scope="module")
def cut(tmp_path_factory):
    return inferred(tmp_path_factory.mktemp("cut"), replace(HEDGE, cuts=((CUT, 1.5, 600.0),)), start=START, end=END,
                    blocks=BLOCKS)


def prove(farm, *jobs):
    return prove_site(farm.site, farm.data, farm.state, pd.DataFrame(), jobs or done_jobs(farm.site, farm.data))


def test_what_a_cut_won_is_held_by_its_interval(cut):
    (proof,) = prove(cut)
    # The generator with and without the cut, in the same weather.
    left, gone = (replace(plain(hedge), start=START, end=END, blocks=BLOCKS)
                  for hedge in (HEDGE, replace(HEDGE, cuts=((CUT, 1.5, 600.0),))))
    gain = by_day(gone) - by_day(left)
    truth = gain[gain.index > CUT].sum()
    low, high = np.quantile(proof.gain_kwh, [0.05, 0.95])
    assert proof.methods == ("sun",)
    assert low < truth < high
    assert proof.gain_kwh.mean() > 0.0


def test_a_cut_that_changed_nothing_is_not_said_to_have_worked(cut):
    # In December nothing was cut.
    idle = DoneJob("plain", "idle", None, "cut_vegetation", "shading", ("site",), dt.date(2022, 12, 1))
    (own,) = done_jobs(cut.site, cut.data)
    proof = prove(cut, idle, own)[0]
    assert np.quantile(proof.gain_kwh, 0.05) <= 0.0
    # It is measured until the next cut of the same hedge.
    assert proof.last == CUT - dt.timedelta(days=1)
    # No more days count then, wherever the sun comes back to later.
    assert proof.closed
    assert proof.sun_back is None
    assert np.isnan(judge(proof, 36, "EUR").days_more)


def test_a_cut_with_the_sun_high_since_says_when_the_sun_is_back(cut):
    late = DoneJob("plain", "late", None, "cut_vegetation", "shading", ("site",), dt.date(2023, 4, 20))
    proof = prove(cut, late)[0]
    assert proof.sun_back is not None
    assert proof.sun_back > proof.last
    told = judge(proof, 36, "EUR")
    assert told.word == "not_told"
    assert told.days_more > (proof.sun_back - proof.last).days
    assert f"shaded from {proof.sun_back} on" in told.words


def test_without_a_log_a_cut_is_not_told(cut):
    farm = cut._replace(state=replace(cut.state, log=None))
    proof = prove(farm)[0]
    assert not len(proof.gain_kwh)
    assert "Without a log" in proof.doubts[0]
