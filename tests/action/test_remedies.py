"""What a remedy can win back, by written-out arithmetic."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import AS_OF, MODULE, make_site
from yieldwatch.action.outlook import _settings_on
from yieldwatch.action.remedies.inverters import _expected_by_chance
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.remedies.on_glass import lies_on_glass, seen_on_strings
from yieldwatch.action.remedies.strings import _not_traced_since, _repair_cost, _went_before, dead_strings, odds, of_fault
from yieldwatch.action.remedies.vegetation import _chance_of_grass, _grass, _of_plants, _opened, _regrown
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import NOT_READ, Fault, ReadSince
from yieldwatch.portfolio.model import JobCost, String

NO_EVENTS = pd.DataFrame(columns=["kind", "start", "scope"])


def _look(share=0.0, events=NO_EVENTS, findings=None, faults=(), costs=None, n_draws=5) -> Look:
    """Four like strings on one inverter, with a fault of one size in each draw."""
    strings = tuple(String(f"I1.{k}", "I1", "A", MODULE, 20) for k in (1, 2, 3, 4))
    site = make_site().__class__(**{**vars(make_site()), "strings": strings, "job_costs": costs or {}})
    outlook = SimpleNamespace(draws=np.zeros((n_draws, 1)), months=12, as_of=AS_OF, faults=(),
                              fault_size=lambda fault: (share, np.full(5, -np.log1p(-share))))
    state = SimpleNamespace(model=SimpleNamespace(inverter_ids=["I1"]), faults=list(faults))
    frame = pd.DataFrame(columns=["string_id", "finding", "i_sc_ratio"]) if findings is None else findings
    return Look(site, SimpleNamespace(events=events), state, frame, outlook, None, np.random.default_rng(0), dt.date(2024, 1, 1))


def _fault(start=100, end=400, strings=()):
    return Fault("string_fault", 0, strings, "unseen", start, end, 0.25, 0.01, True)


def test_droppings_on_one_string_of_four_are_a_quarter_of_them_on_the_inverter():
    found = pd.DataFrame({"string_id": ["I1.1", "I1.2", "I1.3"], "finding": ["soiled", "ok", "soiled"],
                          "i_sc_ratio": [0.94, 0.95, 0.70]})
    # 6 % of one, and no more than 10 % of another whose trace may be a bad one; a sound string's spread is no dirt.
    assert seen_on_strings(_look(findings=found))[0] == pytest.approx(-np.log(1.0 - 0.16 / 4.0))


def test_what_may_be_droppings_or_a_fault_is_shared_between_washing_and_repair():
    # 6 % of one string of four, with a chance of 0.85 dirt. What the log has dated since is less likely so.
    found = pd.DataFrame({"string_id": ["I1.1", "I1.2", "I1.3", "I1.4"], "finding": ["current_low", "current_low", "shunt", "ok"],
                          "confidence": [0.9, 1.0, 1.0, 0.0], "share_lost": [0.06, 0.33, 0.05, 0.0], "on_glass": [0.85, 0, 0, 0]})
    assert -np.expm1(-lies_on_glass(_look(findings=found, n_draws=20_000))).mean() == pytest.approx(0.85 * 0.06 / 4, rel=0.03)
    dated = replace(_fault(strings=("I1.1",)), on_glass=0.4)
    assert -np.expm1(-lies_on_glass(_look(findings=found, faults=[dated], n_draws=20_000))).mean() == pytest.approx(
        0.4 * 0.06 / 4, rel=0.05)
    # Four strings untested, or traced in shade: one in twenty has it, and then it takes 2 to 9 % of the string.
    for finding in ("not_tested", "shaded"):
        lost = -np.expm1(-lies_on_glass(_look(findings=found.assign(finding=finding), n_draws=20_000)))
        assert lost.mean() == pytest.approx(0.05 * 0.055, rel=0.05)


def test_a_loss_is_of_the_whole_strings_that_are_nearest():
    lost = [np.full(5, -np.log1p(-share)) for share in (0.25, 0.24, 0.50, 0.10, 0.37)]
    assert [dead_strings(_look(), _fault(), draws) for draws in lost] == [1, 1, 2, 1, 1]


def test_of_an_inverter_short_at_a_clamp_visit_those_are_named_that_nobody_traced_since():
    look = _look(findings=pd.DataFrame({"string_id": ["I1.1", "I1.2", "I1.3"], "finding": "ok",
                                        "last_round": ["2024-03-01", "2024-05-01", None]}))
    look.state.blocks = SimpleNamespace(dates=pd.date_range("2024-01-01", periods=200))
    fault = replace(_fault(), onset=((10, 0.0), (90, 0.9)))  # seen on 31 March
    assert _not_traced_since(look, fault) == ["I1.1", "I1.3", "I1.4"]
    assert _not_traced_since(_look(findings=look.findings.iloc[:0]), fault) == []


def test_each_dead_string_is_worth_its_own_share_whichever_died_first():
    # The second of two to die takes all that the first left, or 98 % of it as told: mended alone, each gives back a half.
    faults = [_fault(start=100, strings=("I1.1",)), _fault(start=200, strings=("I1.2",))]
    sizes = dict(zip(faults, (-np.log(0.5), -np.log(0.02)), strict=True))
    look = _look()
    look.outlook.faults, look.outlook.fault_size = faults, lambda fault: (sizes[fault], np.full(5, sizes[fault]))
    model = SimpleNamespace(planes={"A": SimpleNamespace(poa_global=np.array([800.0]))}, plane_share={"A": [1.0]})
    look.state.blocks = SimpleNamespace(n=1, of=np.zeros(1, int), model=model)
    for fault in faults:
        back = of_fault(look, fault, sizes[fault])(SimpleNamespace(blocks=np.zeros(1, int)), 0)
        assert np.exp(back - sum(sizes.values())) == pytest.approx(0.5, abs=0.011)


def test_the_second_string_to_die_is_one_string_though_it_is_a_third_of_what_was_left():
    first, second = _fault(start=100), _fault(start=200)
    look = _look(share=-np.log(0.75))
    look.outlook.faults = [first, second]
    assert dead_strings(look, second, np.full(5, -np.log(2.0 / 3.0))) == 1


def test_a_part_that_came_back_unmended_may_do_so_again():
    before = _fault(start=10, end=60)
    assert not _went_before(_look(), _fault())
    assert _went_before(_look(faults=[before]), _fault())
    mended = pd.DataFrame({"kind": ["repair"], "start": [pd.Timestamp("2024-02-01", tz="UTC")], "scope": ["I1.3"]})
    assert not _went_before(_look(events=mended, faults=[before]), _fault())


def test_what_a_test_leads_to_costs_a_string_or_the_weak_modules():
    costs = {"repair_string": JobCost("repair_string", 190.0, 85.0, "string", 2.0, 1.5, 7.0),
             "replace_modules": JobCost("replace_modules", 240.0, 130.0, "module", 2.0, 0.6, 30.0)}
    half, little = np.full(5, -np.log(0.5)), np.full(5, -np.log(0.95))
    assert _repair_cost(_look(costs=costs), _fault(), 2, half) == 190.0 + 2 * 85.0
    # 5 % of 80 modules as -ln(0.95), 4.1, and a fifth to spare: five.
    assert _repair_cost(_look(costs=costs), _fault(), 0, little) == 240.0 + 5 * 130.0
    assert _repair_cost(_look(), _fault(), 2, half) == 0.0


def test_strings_traced_sound_since_leave_the_input_as_the_likelier_cause():
    a_string = np.full(5, -np.log(0.75))
    for read, likelier in ((ReadSince(4, 4), "input"), (NOT_READ, "strings")):
        of = odds(_look(), replace(_fault(), read=read), a_string)
        assert ("input" if of.of_input > of.of_strings else "strings") == likelier
    # A clamp visit missed whole strings, whatever the meter makes of their share.
    assert odds(_look(), replace(_fault(), kind="open", read=ReadSince(4, 4)), np.full(5, 0.1)).dead == 0.8


def test_without_a_log_a_limit_is_on_until_a_clamp_reading_passes_it():
    to_the_end, passed = np.full(10, np.inf), np.full(10, np.inf)
    to_the_end[4:] = passed[4:8] = 9.0
    state = SimpleNamespace(limits=SimpleNamespace(setting=np.stack([to_the_end, passed])), log=None)
    assert list(_settings_on(state)) == [9.0, np.inf]


def test_a_hedge_cut_lately_has_little_to_cut_again():
    three_years = pd.Timestamp(AS_OF, tz=make_site().timezone) - pd.Timedelta(days=3 * 365.25)
    cut = pd.DataFrame({"kind": ["vegetation_cut"], "start": [three_years], "scope": ["site"], "note": ["hedge trimmed"]})
    assert _regrown(_look(), 3.0) == 1.0
    assert _regrown(_look(events=cut), 3.0) == pytest.approx(0.632, abs=0.001)


def test_a_cut_wins_back_its_share_of_the_energy_in_deep_shade_too():
    # Of 80 % lost three quarters come back, which leaves 20 %; all of it, nothing.
    back = _opened(np.full(2, -np.log(0.2)), np.array([0.75, 1.0]))
    assert 0.2 * np.exp(back) == pytest.approx([0.8, 1.0])


def test_what_an_inverter_lacks_at_every_hour_beyond_the_sky_that_plants_hide_is_no_plant_s():
    always, at_times = np.full(100, 0.2), np.where(np.arange(100) < 30, 0.2, 0.0)
    look = _look()
    look.outlook.replays = [SimpleNamespace(blocks=np.arange(100))]
    look.outlook.shade = np.stack([always, at_times, always + at_times, 0.1 * always + at_times])
    look.state.blocks = SimpleNamespace(expected=np.ones((4, 100)))
    share = _of_plants(look)
    assert share[0] == pytest.approx(0.0)
    assert share[1, :30] == pytest.approx(1.0)
    # Of 0.26 in the mean 0.2 is there always, of which six tenths of 0.06 may be hidden sky.
    assert share[2, :30] == pytest.approx(1.0 - (0.2 - 0.6 * 0.06) / 0.4)
    assert share[3] == pytest.approx(1.0)


@pytest.mark.parametrize(("day", "note", "mown"), [
    ("2024-11-14", "grass mown", True), ("2024-06-28", "", True), ("2024-11-14", "", False), ("2024-06-28", "hedge cut", False)])
def test_mowing_leaves_the_hedge_as_it_was(day, note, mown):
    cut = pd.DataFrame({"kind": ["vegetation_cut"], "start": [pd.Timestamp(day, tz="UTC")], "scope": ["site"], "note": [note]})
    assert (_regrown(_look(events=cut), 3.0) == 1.0) == mown


@pytest.mark.parametrize(("notes", "chance"), [
    (("grass mown", "mowing"), 0.9), (("hedge cut",), 0.1), (("grass mown", "hedge cut"), 0.5), ((), 0.5)])
def test_without_a_log_what_was_cut_before_says_what_shades(notes, chance):
    cuts = pd.DataFrame({"kind": "vegetation_cut", "start": pd.Timestamp("2024-06-28", tz="UTC"), "scope": "site", "note": notes})
    look = _look(events=cuts)
    # The inverter loses a share of 0.2 that rounds saw, and as much again that all share under a low sun: that is a hedge's.
    seen = Column("shading", "I1, as rounds saw it", np.full(10, 0.2), 0, 0.7, 0.5, tag=("rounds", 0))
    shared = Column("shading", "all alike, plants of 13°", np.full(10, 0.4), None, 0.0, 0.35, tag=("common", 13.0))
    look.state.posterior = SimpleNamespace(columns=[seen, shared])
    look.state.blocks = SimpleNamespace(expected=np.ones((1, 10)))
    for size_of_shared, part in ((0.0, 1.0), (0.5, 0.5)):
        look.outlook.draws = np.tile([1.0, size_of_shared], (5, 1))
        assert _chance_of_grass(look, [0], np.arange(10))[0] == pytest.approx(chance * part)


@pytest.mark.parametrize(("until", "share"), [("06-30", 1.0), ("12-31", 0.0)])
def test_grass_that_stands_into_the_days_after_the_winter_solstice_is_no_hedge(until, share):
    # Two years in the north, noon alone. Half of the light is lost from August to the end of December, when frost lays the grass,
    # ten days after the solstice; or all the year round, to a hedge.
    dates = pd.date_range("2022-01-01", "2023-12-31")
    month = dates.month.to_numpy()
    look = _look()
    look.state.blocks = SimpleNamespace(
        dates=dates, day=np.arange(len(dates)), azimuth=np.full(len(dates), 181.0), expected=np.ones((1, len(dates))))
    shaded = month >= 8 if until == "06-30" else np.ones(len(dates), dtype=bool)
    # In the open a little is given back, as where a shadow lies on a dead string: no share is above all for that.
    look.outlook.shade = np.where(shaded, 0.7, -0.05)[None, :]
    look.site.__dict__["latitude"] = 50.0
    assert _grass(look, 0)[month == 12] == pytest.approx(share)


def test_late_starts_as_often_on_dry_days_are_no_matter_of_wet():
    # Rain every fourth day, and so two wet days in four; late on ten of each.
    off = np.ones((40, 8))
    wet = np.arange(40) % 4 < 2
    late = np.r_[np.flatnonzero(wet)[:10], np.flatnonzero(~wet)[:10]]
    off[late, :2] = 0.0
    blocks = SimpleNamespace(of=np.arange(320), day=np.repeat(np.arange(40), 8), rain=np.where(np.arange(40) % 4 == 0, 4.0, 0.0))
    state = SimpleNamespace(blocks=blocks, off=SimpleNamespace(inverter=off.reshape(1, 320)))
    assert _expected_by_chance(state, 0) == pytest.approx(10.0)
    off[~wet, :2] = 1.0
    assert _expected_by_chance(state, 0) == 0.0


