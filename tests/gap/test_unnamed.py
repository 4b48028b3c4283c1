"""What a part that nobody has named may be, by written-out arithmetic."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE, make_site
from yieldwatch.gap.mechanisms.fault import NOT_READ, ReadSince
from yieldwatch.gap.mechanisms.unnamed import (
    _AT_ONCE,
    _GROUP,
    _INSIDE,
    _NO_FAULT,
    _OFTEN,
    _SCATTER,
    _WIDER,
    BREAKS_INSIDE,
    DIES,
    STOPS_TRACKING,
    part_of,
    read_since,
    strings_and_inputs,
)
from yieldwatch.portfolio.model import String


def test_a_loss_is_weighed_by_how_often_each_takes_one_of_its_size():
    # A quarter of eight strings on two inputs, half of one of which, or two dead strings.
    two = part_of(0.25, 0.0, 1.0, 8, 2, NOT_READ)
    peak = sum(often / (scatter * 2 * np.sqrt(2 * np.pi)) for often, scatter in ((1 - _OFTEN, _SCATTER), (_OFTEN, _WIDER)))
    dead = 8 * DIES * (_AT_ONCE[1] * peak + _GROUP / 8)
    weights = np.array([dead, 8 * BREAKS_INSIDE * np.exp(-2 / _INSIDE) / _INSIDE, 2 * STOPS_TRACKING / 4, _NO_FAULT / 8])
    # Of one or three dead strings two is no likely share: less than a hundredth of it.
    assert (two.dead, two.inside, two.of_input) == pytest.approx(tuple(weights[:3] / weights.sum()), abs=0.01)


@pytest.mark.parametrize(("count", "likeliest"), [
    (1.0, "dead"), (1.06, "dead"), (2.0, "dead"), (0.1, "inside"), (1.5, "of_input")])
def test_sizes_tell_strings_from_inputs(count, likeliest):
    of = part_of(count / 6, 0.001, 1.0, 6, 2, NOT_READ)
    assert max(of._fields, key=lambda name: getattr(of, name)) == likeliest
    assert 0.0 < sum(of) < 1.0


def test_a_string_that_gives_current_is_not_dead():
    chances = [part_of(0.125, 0.001, 1.0, 8, 2, ReadSince(alive, alive)).dead for alive in range(9)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > 0.95 > chances[7] > 0.9 > 0.2 > chances[8]
    assert part_of(0.125, 0.001, 1.0, 8, 2, ReadSince(8, 8)).of_input > 0.6


def test_of_what_earlier_faults_left_a_second_string_is_a_larger_share():
    # Of four strings one is gone; a third of the rest is one more.
    assert part_of(1 / 3, 0.001, 0.75, 4, 2, NOT_READ).dead > 0.9 > 0.1 > part_of(1 / 3, 0.001, 1.0, 4, 2, NOT_READ).dead


def test_what_was_there_before_the_record_is_more_often_inside_a_string():
    before, since = (part_of(0.06, 0.005, 1.0, 4, 4, NOT_READ, at_once) for at_once in (False, True))
    # 0.0192 of strings to 0.004 that are dead, as rounds are read.
    ratio = (before.inside / before.of_input) / (since.inside / since.of_input)
    assert ratio == pytest.approx(4.8 * DIES / BREAKS_INSIDE)


def test_a_doubtful_size_tells_less():
    sure, doubtful = (part_of(0.30, doubt, 1.0, 4, 2, NOT_READ) for doubt in (0.002, 0.08))
    assert sure.input_rather > 0.5 > doubtful.input_rather


def test_half_of_a_large_inverter_is_a_group_of_strings():
    assert part_of(0.3, 0.001, 1.0, 60, 12, NOT_READ).dead > 0.5


@pytest.mark.parametrize(("mppts", "inputs"), [(("1", "1", "2", "2"), 2), ((None,) * 4, 2), (("1", None, "2", "2"), 2)])
def test_inputs_are_counted_as_told_or_by_the_type(mppts, inputs):
    site = make_site()
    kind = SimpleNamespace(inverter_id="I1", inverter_type=SimpleNamespace(mppt_inputs=2))
    strings = [String(f"S{k}", "I1", "A", MODULE, 20, mppt) for k, mppt in enumerate(mppts)]
    assert strings_and_inputs(SimpleNamespace(strings=strings, inverters=[kind], id=site.id), "I1") == (
        ["S0", "S1", "S2", "S3"], inputs)


def test_what_was_read_since_a_day_counts_traces_and_logged_currents():
    dates = pd.date_range("2024-01-01", periods=100, tz="UTC")
    blocks = SimpleNamespace(dates=dates, day_of=lambda t: (t - dates[0]).days)
    findings = pd.DataFrame({
        "string_id": ["S1", "S2", "S3", "S4"], "confidence": [0.0, 0.9, np.nan, 0.0],
        "finding": ["ok", "shunt", "not_tested", "ok"],
        "last_seen_good": [pd.NaT, pd.NaT, pd.NaT, dates[90]]})  # the fourth by its logged current
    rounds = pd.DataFrame({
        "time": [dates[60], dates[60], dates[60], dates[10]], "string_id": ["S1", "S2", "S3", "S4"], "grade": "good",
        "p_mp_plate": [0.97, 0.8, 0.0, 0.97]})
    strings = ["S1", "S2", "S3", "S4"]
    # Since day 50: two traced alive, of which one is weak, one traced dead, and one with a current.
    assert read_since(blocks, findings, rounds, strings, 50, 100) == ReadSince(3, 2)
    # A loss that ended on day 80: today's current tells nothing of it.
    assert read_since(blocks, findings, rounds, strings, 50, 80) == ReadSince(2, 1)
    assert read_since(blocks, findings, rounds, strings, 0, 20) == ReadSince(1, 1)
    # One that is dead by a finding of its own is not the one that is looked for.
    dead = findings.assign(finding=["ok", "shunt", "open", "ok"])
    assert read_since(blocks, dead, rounds, strings, 50, 100) == ReadSince(4, 3)
    assert read_since(blocks, findings.iloc[:0], rounds.iloc[:0], strings, 50, 100) == NOT_READ
