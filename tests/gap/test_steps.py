"""Steps in one inverter's output against its peers."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.farm_state import inferred
from tests.farm.spec import Block, InverterEfficiency, InverterSpec, StringFault
from yieldwatch.gap.mechanisms.fault import OF_CONVERSION
from yieldwatch.gap.mechanisms.fault_spans import matching_span, paired_spans
from yieldwatch.gap.site_steps import given_back, site_steps
from yieldwatch.gap.split import split_by_cause
from yieldwatch.gap.steps import Step, against_peers, also_in, find_steps, lost_lately, shown_by_own, without_echoes


def noise(days: int = 300, sd: float = 0.01, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, days)


def test_a_lost_string_of_eight_is_found_on_its_day():
    series = noise()
    series[140:] += np.log(1.0 - 1.0 / 8.0)

    found = find_steps(series, 0)

    assert len(found) == 1
    assert abs(found[0].day - 140) <= 1
    # ln(7/8) = -0.1335; forty days of 1 % noise leave 0.3 %.
    assert abs(found[0].size - 0.1335) < 0.01


def test_noise_alone_has_no_steps():
    assert all(not find_steps(noise(seed=seed), 0) for seed in range(10))


def test_a_ramp_is_no_step():
    series = noise(sd=0.002) - np.linspace(0.0, 0.06, 300)

    assert find_steps(series, 0) == []


@pytest.mark.parametrize(("share", "slope", "seen"), [(1.0, 0.0, True), (0.15, 0.0, False), (0.5, 0.003, False)])
def test_a_step_is_the_same_in_overcast_light_or_it_is_shade(share, slope, seen):
    # Overcast days: one in three. Grass takes 0.15 of the sky's light where it takes the beam, a hedge half, and both grow.
    series = noise(sd=0.004)
    series[np.arange(300) % 3 != 0] = np.nan
    series[140:] -= 0.13 * share
    series -= slope * np.clip(np.arange(300) - 120.0, 0.0, 40.0)

    assert also_in(series, Step(0, 140, 0.13, 0.003)) is seen


def test_a_repair_shows_as_a_step_back():
    series = noise(sd=0.004)
    series[100:200] -= 0.13

    first, second = find_steps(series, 0)

    assert first.size > 0 > second.size
    assert (abs(first.day - 100), abs(second.day - 200)) <= (1, 1)


def test_of_two_inverters_the_one_that_changed_keeps_the_step():
    days = np.zeros((2, 100))
    days[0, 50:] = -0.12
    seen = [Step(0, 50, 0.12, 0.001), Step(1, 50, -0.12, 0.001)]

    assert [s.inverter for s in without_echoes(seen, days)] == [0]


def test_a_lost_string_is_no_echo_of_a_trifle():
    # Rain brought every inverter 1 % that day, so the trifle's own change is nearer to its size than the string's is.
    days = np.zeros((2, 100))
    days[:, 50:] += 0.01
    days[0, 50:] -= 0.28
    seen = [Step(0, 50, 0.28, 0.001), Step(1, 50, -0.005, 0.001)]

    assert 0 in [s.inverter for s in without_echoes(seen, days)]


def test_a_large_step_that_the_inverters_own_output_does_not_show_is_a_peers():
    # The second was at half all along; the first fell to half and came back, and seen from there the second fell on that day.
    days = np.zeros((2, 200))
    days[1] = -0.7
    days[0, 50:100] -= 0.7
    days += np.random.default_rng(1).normal(0.0, 0.02, days.shape[1])  # weather that both have
    seen = [Step(0, 50, 0.7, 0.001), Step(0, 100, -0.7, 0.001), Step(1, 100, 0.7, 0.001)]

    assert shown_by_own(seen, days) == seen[:2]


def test_a_fall_that_is_gone_at_the_end_without_a_rise_is_a_seasons_shade():
    days = np.zeros((1, 300))
    days[0, 100:200] = -0.5 * np.linspace(1.0, 0.0, 100)
    fall = Step(0, 100, 0.45, 0.01)

    assert shown_by_own([fall], days) == []
    days[0, 100:200] = -0.5
    assert shown_by_own([fall, Step(0, 200, -0.45, 0.01)], days)[0] == fall
    days[0, 100:] = -0.5
    assert shown_by_own([fall], days) == [fall]
    # Of the last days alone nothing is gone.
    late = np.zeros((1, 300))
    late[0, 295:] = -0.5
    assert shown_by_own([Step(0, 295, 0.5, 0.01)], late) == [Step(0, 295, 0.5, 0.01)]


def test_a_gain_after_weeks_without_light_is_the_mended_inverters_and_its_peers_no_loss():
    # Mended under snow: nothing is known of either inverter for three weeks.
    days = np.zeros((2, 200))
    days[0, 60:120] -= 0.13
    days[:, 100:121] = np.nan
    seen = [Step(0, 121, -0.13, 0.001), Step(1, 121, 0.13, 0.001)]
    assert [s.inverter for s in without_echoes(seen, days)] == [0]


def test_few_peers_one_peers_fault_is_not_anothers_gain():
    days = np.stack([noise(sd=0.001, seed=s) for s in range(3)])
    days[0, 150:] -= 0.13

    against = against_peers(days)

    assert np.median(against[0, 150:]) < -0.12
    # The best of the others stands in for the fallen one.
    assert abs(np.median(against[1, 150:]) - np.median(against[1, :150])) < 0.005


INPUTS = tuple(Block(f"INV{k}", "I", "A", "M", 4, 3, 20) for k in (1, 2, 3))
SPAN = {"start": dt.date(2023, 4, 1), "end": dt.date(2023, 7, 15), "blocks": INPUTS,
        "inverters": (InverterSpec("I", 80.0, 80.0, 4, (98.0,) * 7),)}


@pytest.mark.parametrize(("dc", "kind"), [(False, "input not tracking"), (True, OF_CONVERSION)])
def test_a_step_that_is_no_number_of_strings_or_of_ac_over_dc_is_the_inverters(tmp_path, dc, kind):
    # 46 % of one of four inputs of three strings: 11.5 % of the inverter, or 1.38 strings.
    farm = inferred(tmp_path, InverterEfficiency("INV1", "mppt", dt.date(2023, 5, 20), 46.0), dc=dc, **SPAN)
    (fault,) = farm.state.faults
    assert (fault.cause, fault.kind) == ("inverter_efficiency", kind)
    assert farm.state.posterior.loss("inverter_efficiency", *farm.state.blocks.expected.shape)[0, -1] == pytest.approx(
        -np.log(1.0 - 0.46 / 4.0), abs=0.02
    )


def test_two_dead_strings_are_strings(tmp_path):
    dead = (StringFault(f"INV1.1.{n}", "open", dt.date(2023, 5, 20)) for n in (1, 2))
    (fault,) = inferred(tmp_path, *dead, **SPAN).state.faults
    assert (fault.cause, fault.kind) == ("string_fault", "unseen")


def test_of_two_losses_of_one_inverter_the_one_that_no_string_has_is_the_inverters(tmp_path):
    # A string that was dead before the log began, and later an input that stops tracking: a round finds the dead string alone.
    dead = StringFault("INV3.1.1", "open", dt.date(2021, 6, 1))
    input_off = InverterEfficiency("INV3", "mppt", dt.date(2023, 5, 20), 45.0)
    rounds = (dt.date(2023, 8, 10),)
    farm = inferred(tmp_path, dead, input_off, start=dt.date(2023, 3, 1), end=dt.date(2024, 2, 1), rounds=rounds)
    split = split_by_cause(farm.state.model, farm.state.effects)
    losses = pd.read_csv(tmp_path / "truth" / "losses.csv")
    # Which of the two came first no reading tells; from June on both are there.
    truth = losses[losses["month"] >= "2023-06"].groupby("cause")["energy_kwh"].sum()
    last = farm.state.model.times >= pd.Timestamp("2023-06-01", tz="UTC")
    for cause in ("string_fault", "inverter_efficiency"):
        assert float(split.energy[cause][:, last].sum()) == pytest.approx(truth[cause], rel=0.15)


@pytest.mark.parametrize(
    ("sure", "before", "begins"), [(False, 0.11, False), (False, 0.02, True), (False, np.nan, True), (True, 0.11, True)])
def test_a_step_that_shade_may_have_made_does_not_begin_what_was_lacking_before_it(sure, before, begins):
    (span,) = paired_spans([Step(0, 258, 0.16, 0.01, sure, before)], 365)

    assert (matching_span([span], set(), 0, 0.12, -1, 283) == 0) is begins
    # Of two strings of like size that a round found dead one was so before, and the step is the other's.
    assert matching_span([span], set(), 0, 0.12, -1, 283, others=0.12) == 0


@pytest.mark.parametrize(("days", "scatter", "told"), [
    (6, 0.004, True), (3, 0.004, True), (2, 0.004, True), (1, 0.004, False), (10, 0.004, True), (6, 0.02, True),
    (3, 0.02, False)])
def test_a_string_that_died_in_the_last_days_is_told_from_the_second_on_where_days_are_even(days, scatter, told):
    # One of six strings: ln(6/5) of the inverter.
    series = np.random.default_rng(3).normal(0.0, scatter, 200)
    series[-days:] -= np.log(6 / 5)
    found = lost_lately(series, 2, 0.8 / 6, [])
    assert [(s.inverter, s.day) for s in found] == ([(2, 200 - days)] if told else [])
    assert all(s.size == pytest.approx(np.log(6 / 5), abs=2.0 * scatter) for s in found)
    assert lost_lately(series, 2, 0.8 / 6, [Step(2, 200 - days - 1, 0.18, 0.01)]) == [], "once is enough"


@pytest.mark.parametrize("at_noon", [0.3, 0.55, 0.9])
def test_the_day_on_which_a_part_died_may_show_any_share_of_it(at_noon):
    series = np.random.default_rng(3).normal(0.0, 0.004, 200)
    series[-4] -= at_noon * np.log(6 / 5)
    series[-3:] -= np.log(6 / 5)
    (found,) = lost_lately(series, 2, 0.8 / 6, [])
    assert 196 <= found.day <= 197
    # But a fall that takes days is none.
    series[-5] -= 0.3 * np.log(6 / 5)
    series[-4] = -0.55 * np.log(6 / 5)
    assert lost_lately(series, 2, 0.8 / 6, []) == []


def test_a_few_bad_days_at_the_end_and_a_slow_fall_are_no_loss_of_the_last_days():
    series = np.random.default_rng(3).normal(0.0, 0.004, 200)
    series[[-6, -4, -3, -1]] -= 0.3  # passing clouds over one inverter
    assert lost_lately(series, 0, 0.1, []) == []
    series = np.random.default_rng(3).normal(0.0, 0.004, 200)
    series[-12:] -= np.linspace(0.02, 0.24, 12)
    assert lost_lately(series, 0, 0.1, []) == []


def _shaded_alike(
    falls: float, mown: float, most: float = 0.9, scatter: float = 0.05, second: float = 1.0, days: int = 300
) -> tuple[SimpleNamespace, np.ndarray, np.ndarray]:
    """
    Blocks and ratios of three inverters of four strings; grass creeps up on the first, and on the `second` by a share of it, from
    day 60 on. The first falls on day 140, the second's row is mown on day 200. Ten blocks a day of bright light alone.
    """
    rng = np.random.default_rng(5)
    grass = most * np.clip((np.arange(days) - 60.0) / 120.0, 0.0, 1.0) + rng.normal(0.0, scatter, days)
    own = np.stack([grass, second * grass, np.zeros(days)]) + rng.normal(0.0, 0.0005, (3, days))
    own[0, 140:] += falls
    own[1, 200:] -= mown
    blocks = SimpleNamespace(
        dates=pd.date_range("2023-01-01", periods=days), day=np.repeat(np.arange(days), 10), elevation=np.full(10 * days, 40.0),
        beam_share=np.full(10 * days, 0.7),
        model=SimpleNamespace(
            inverter_ids=["I1", "I2", "I3"],
            site=SimpleNamespace(strings=[SimpleNamespace(inverter_id=f"I{k}") for k in (1, 2, 3) for _ in range(4)])))
    return blocks, -np.repeat(own, 10, axis=1), np.ones((3, 10 * days))


def test_a_string_lost_under_shade_is_told_against_an_inverter_that_is_shaded_alike():
    lost = -np.log(1.0 - 1.0 / 4.0)
    sure = [s for s in site_steps(*_shaded_alike(lost, 0.0), np.array([True, True, False])) if s.sure]

    assert [(s.inverter, s.day) for s in sure] == [(0, 140)]
    assert sure[0].size == pytest.approx(lost, abs=0.01)


@pytest.mark.parametrize(("falls", "scatter", "sure"), [(1.0, 0.003, True), (1.0, 0.05, False), (-1.0, 0.003, False)])
def test_a_sharp_fall_between_even_days_is_no_shade_where_no_overcast_day_says_so(falls, scatter, sure):
    lost = -np.log(1.0 - 1.0 / 4.0)
    blocks, ratio, weight = _shaded_alike(falls * lost, 0.0, most=0.1, scatter=scatter, second=0.0)
    found = site_steps(blocks, ratio, weight, np.array([True, False, False]))

    assert [(s.inverter, s.day) for s in found if abs(s.size) > 0.2] == [(0, 140)]
    assert [s.sure for s in found if abs(s.size) > 0.2] == [sure]


def test_a_row_that_is_mown_is_no_string_that_came_back_nor_one_that_died_beside_it():
    assert not [s for s in site_steps(*_shaded_alike(0.0, 0.5), np.array([True, True, False])) if s.sure]


@pytest.mark.parametrize(("rise", "sure", "goes_on"), [(0.25, False, True), (0.28, False, False), (0.25, True, False)])
def test_shade_that_goes_does_not_mend_a_string_that_died(rise, sure, goes_on):
    # A rise under shade must be the loss to a tenth; one in the open need be no more than alike.
    spans = paired_spans([Step(0, 100, 0.30, 0.01), Step(0, 200, -rise, 0.01, sure)], 365)

    assert (max(span.end for span in spans) == 365) is goes_on


def test_a_step_that_no_shade_can_have_made_begins_a_finding_before_a_larger_one_that_shade_may():
    spans = paired_spans([Step(0, 100, 0.13, 0.001), Step(0, 160, 0.21, 0.01, False, 0.02)], 365)

    assert spans[matching_span(spans, set(), 0, 0.134, 50, 300)].start == 100


def test_what_steps_took_is_given_back_to_the_days_that_lacked_it():
    steps = [Step(0, 3, 0.2, 0.001), Step(1, 2, -0.3, 0.001), Step(1, 4, 0.1, 0.001, False)]

    assert given_back(steps, 2, 5) == pytest.approx(np.array([[0, 0, 0, 0.2, 0.2], [0.3, 0.3, 0, 0, 0]]))
    # What came back lacked the days between alone: given back before and after too, it would make the others look weak.
    mended = [Step(0, 1, 0.2, 0.001), Step(0, 3, -0.2, 0.001)]
    assert given_back(mended, 1, 5) == pytest.approx(np.array([[0, 0.2, 0.2, 0, 0]]))


@pytest.mark.parametrize(("swings", "begins"), [(True, 100), (False, 180)])
def test_a_leak_that_takes_more_in_winter_began_with_its_first_step(swings, begins):
    spans = paired_spans([Step(0, 100, 0.027, 0.001), Step(0, 180, 0.034, 0.004)], 365)

    assert spans[matching_span(spans, set(), 0, 0.029, -1, 300, swings=swings)].start == begins
