"""Strings that a clamp visit missed, by written-out arithmetic, and what the account makes of them."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE, make_site
from yieldwatch.gap.clamped_strings import missing_at_clamps
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.onsets import date_faults
from yieldwatch.gap.mechanisms.string_fault import faults_at_clamps, with_inputs
from yieldwatch.portfolio.model import String


def site_of(inverters: int, strings: int):
    """Inverters of so many strings, the first three on input 1, the next three on input 2, and so on."""
    names = [f"I{k + 1}" for k in range(inverters)]
    return make_site().__class__(**{**vars(make_site()), "strings": tuple(
        String(f"{n}.{s}", n, "A", MODULE, 20, mppt=str(s // 3 + 1)) for n in names for s in range(strings))})


def visit(ratios, day="2025-03-01", limited="", inputs=None):
    """Currents of inverters, or of the inputs of the first, over those of their strings as traced."""
    names = [f"I{k + 1}" for k in range(len(ratios))] if inputs is None else ["I1"] * len(ratios)
    return pd.DataFrame({
        "time": pd.date_range(f"{day} 12:00", periods=len(ratios), freq="10min", tz="UTC"), "clamp_round": day,
        "inverter_id": names, "mppt": inputs, "phase": None, "limited": limited, "current_ratio": ratios,
        "current_ratio_u": 0.037})


def found(clamps, site, traced="2025-01-10", **since):
    """Parts short of strings; `since` are strings traced after the visit, and what was found."""
    names = [s.string_id for s in site.strings]
    day = pd.Timestamp("2025-03-20 12:00", tz="UTC")
    return missing_at_clamps(site, clamps, pd.DataFrame({
        "string_id": names, "last_round": ["2025-03-20" if n in since else traced for n in names],
        "finding": [since.get(n, "ok") for n in names],
        "first_seen_bad": [day if since.get(n) == "open" else pd.NaT for n in names]}))


SHORT = [0.97, 0.865, 0.98, 0.97]


def test_an_inverter_a_string_short_of_its_peers_has_a_dead_one():
    (part,) = found(visit(SHORT), site_of(4, 9))
    assert (part.inverter_id, part.mppt, part.dead, len(part.strings)) == ("I2", None, 1, 9)
    # Prior 9 x 0.004 against 0.964; a ninth is 3.7 standard uncertainties away: exp(6.9) to one.
    assert part.chance > 0.9
    assert (part.last_good.date(), part.seen.date()) == (pd.Timestamp("2025-01-10").date(), pd.Timestamp("2025-03-01").date())


def test_light_that_all_of_a_visit_share_is_no_dead_string():
    assert found(visit([0.88, 0.87, 0.88, 0.87]), site_of(4, 9)) == []


def test_of_many_strings_one_short_is_within_the_doubt():
    # One of 24 is 1.4 standard uncertainties: e to one, against a prior of one in ten.
    assert all(part.chance < 0.3 for part in found(visit([0.97, 0.93, 0.97, 0.97]), site_of(4, 24)))


def test_what_a_later_trace_or_a_limit_tells_goes_before():
    assert found(visit(SHORT), site_of(4, 9), traced="2025-03-20") == []
    assert found(visit(SHORT, limited="at its kW rating"), site_of(4, 9)) == []


def test_strings_traced_sound_since_leave_it_to_the_others_and_one_found_dead_since_explains_it():
    sound = {f"I2.{k}": "ok" for k in range(6)}
    (part,) = found(visit(SHORT), site_of(4, 9), **sound)
    # Prior 3 x 0.004 and not 9: the odds are a third of what they were.
    assert (part.inverter_id, part.dead) == ("I2", 1)
    assert 0.7 < part.chance < found(visit(SHORT), site_of(4, 9))[0].chance
    assert found(visit(SHORT), site_of(4, 9), **sound | {"I2.0": "open"}) == []


def test_of_two_inverters_the_other_speaks_for_the_light():
    # Both 12 % low by the light; one lacks a quarter beside the other.
    (part,) = found(visit([0.88 * 0.75, 0.88]), site_of(2, 4))
    assert (part.inverter_id, part.dead) == ("I1", 1)
    assert part.chance > 0.5
    assert found(visit([0.87, 0.88]), site_of(2, 4)) == []


def test_a_string_that_a_trace_found_dead_before_the_visit_is_not_in_the_current_expected():
    # Of four one was known dead and left out of what is expected; of the other three one more is missing.
    site = site_of(2, 4)
    names = [s.string_id for s in site.strings]
    traces = pd.DataFrame({
        "string_id": names, "last_round": "2025-02-26", "finding": ["open" if n == "I1.0" else "ok" for n in names],
        "first_seen_bad": [pd.Timestamp("2025-02-26 12:00", tz="UTC") if n == "I1.0" else pd.NaT for n in names]})
    (part,) = missing_at_clamps(site, visit([0.96 * 2 / 3, 0.96]), traces)
    assert (part.inverter_id, part.dead) == ("I1", 1)
    # 3 x 0.004 x (0.98 x 8.87 + 0.02) for a dead one, 0.988 x 0.02 for a slip.
    assert part.chance == pytest.approx(0.1046 / (0.1046 + 0.0198), abs=0.01)

    # It takes a third of what the dead one left: with it, half of the inverter.
    dead = Fault("string_fault", 0, ("I1.0",), "open", -1, 365, -np.log(0.75), 0.01, True)
    (fault,) = faults_at_clamps(_blocks(site), [part], [dead])
    assert np.exp(-fault.share - dead.share) == pytest.approx(0.5)


def test_an_earlier_visit_that_missed_nothing_is_the_last_good_one_and_strings_never_traced_have_none():
    both = pd.concat([visit([0.97, 0.96, 0.98, 0.97], "2025-02-10"), visit(SHORT)], ignore_index=True)
    (part,) = found(both, site_of(4, 9))
    assert part.last_good.date() == pd.Timestamp("2025-02-10").date()
    (never,) = found(visit(SHORT), site_of(4, 9), traced=None)
    assert pd.isna(never.last_good)


def test_a_dead_string_is_named_by_its_input_where_inputs_were_read():
    # Two of three strings of input 2 carry the current, and none of input 3's.
    rows = pd.concat([visit([0.98, 0.65, 0.0, 0.97], inputs=["1", "2", "3", "4"]), visit([0.64])], ignore_index=True)
    short = found(rows, site_of(1, 12))
    assert [(part.mppt, part.dead) for part in short] == [("2", 1), ("3", 3)]
    # An inverter that is off says nothing of its strings.
    assert found(visit([0.0, 0.0, 0.0, 0.0], inputs=["1", "2", "3", "4"]), site_of(1, 12)) == []


def test_an_input_without_current_is_none_that_others_are_held_against():
    # Alone beside it, an input is held against its strings as traced: 0.98 lacks nothing, 0.65 one of three.
    site = site_of(1, 6)
    assert [(p.mppt, p.dead) for p in found(visit([0.98, 0.0], inputs=["1", "2"]), site)] == [("2", 3)]
    assert [(p.mppt, p.dead) for p in found(visit([0.65, 0.0], inputs=["1", "2"]), site)] == [("1", 1), ("2", 3)]
    # With a third it is held against that one: 0.65 of 0.98, and not of the middle of 0.98 and nil.
    assert [(p.mppt, p.dead) for p in found(visit([0.65, 0.0, 0.98], inputs=["1", "2", "3"]), site_of(1, 9))] == [
        ("1", 1), ("2", 3)]


def test_a_reading_far_below_the_others_is_told_though_a_slip_is_likelier_and_with_the_doubt_of_how_many():
    # Half of four strings: 6 x 0.004^2 x 12.6 for two dead against 0.02 for a slip, which leaves one or three as well.
    (part,) = found(visit([0.97, 0.49, 0.98, 0.97]), site_of(4, 4))
    assert part.dead == 2
    assert 0.05 < part.chance < 0.1
    assert 0.3 < part.dead_doubt < 0.6
    (sure,) = found(visit([0.97, 0.73, 0.98, 0.97]), site_of(4, 4))
    assert sure.dead_doubt < 0.1
    wide, narrow = (faults_at_clamps(_blocks(site_of(4, 4)), [p], [])[0] for p in (part, sure))
    assert wide.share_sd / wide.share > 2 * narrow.share_sd / narrow.share


def _blocks(site):
    dates = pd.date_range("2024-11-01", periods=200)
    return SimpleNamespace(model=SimpleNamespace(inverter_ids=["I1", "I2", "I3", "I4"], site=site), dates=dates,
                           day_of=lambda t: int((t.tz_localize(None).normalize() - dates[0]).days))


def test_the_account_holds_it_by_its_chance_from_some_day_after_the_last_good_reading():
    site = site_of(4, 9)
    (part,) = found(visit(SHORT), site)
    (fault,) = faults_at_clamps(_blocks(site), [part], [])
    assert fault.share == pytest.approx(-np.log(1 - 1 / 9))
    # 10 January is day 70, 1 March day 120.
    assert fault.begun(np.array([69, 70, 95, 120, 199])) == pytest.approx([0, 0, part.chance / 2, part.chance, part.chance])


@pytest.mark.parametrize(("prefers", "chance"), [("none", 0.1), ("early", 1.0)])
def test_the_meter_weighs_whether_it_is_there_at_all(prefers, chance):
    site = site_of(4, 9)
    (fault,) = faults_at_clamps(_blocks(site), found(visit(SHORT), site), [])

    def misfit(faults):
        start = faults[0].start if faults else None
        return 0.0 if (start is None if prefers == "none" else start is not None and start < 80) else 30.0

    (dated,) = date_faults([fault], misfit)
    assert dated.chance == pytest.approx(chance, abs=0.1)
    if prefers == "early":
        assert dated.begun(np.array([82]))[0] > 0.95


def test_a_loss_that_the_log_saw_is_placed_on_the_input_that_a_clamp_found_short():
    site = site_of(1, 12)
    short = found(visit([0.98, 0.65, 0.99, 0.97], inputs=["1", "2", "3", "4"]), site)
    unseen = Fault("string_fault", 0, (), "unseen", 90, 200, 0.08, 0.01, True)
    later = Fault("string_fault", 0, (), "unseen", 150, 200, 0.08, 0.01, True)
    assert [f.mppt for f in with_inputs(_blocks(site), [unseen, later], short)] == ["2", None]
